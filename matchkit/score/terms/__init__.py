"""The terms of the score, a few of a kind in each module; :mod:`matchkit.score.term` finds them."""
