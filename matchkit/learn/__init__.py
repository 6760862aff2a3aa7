"""From marks to a model: what the measurements miss in them, the nearest playtests, intervals, folds, and the model file."""
