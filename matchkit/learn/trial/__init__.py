"""Marks held back: folds, the choice of settings, and how well what is left predicts them."""
