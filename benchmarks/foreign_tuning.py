"""Rules and seeds on which the model was tuned: none of them is among those that :mod:`foreign` reports. Invented, as those are."""

from __future__ import annotations

import sys

import numpy as np
from foreign import Array, Rng, Rule, Seen, main

SEEDS = (201, 202)
SIZES = (40, 100, 300)


def ideals(s: Seen, rng: Rng) -> Array:
    """Mark by an ideal resistance and an ideal opening of one's own."""
    off = (s.pressure - s.tastes(rng, 0.8)) ** 2 + 0.7 * (s.tip - s.tastes(rng, 0.8)) ** 2
    return 7.8 + s.tastes(rng, 0.5) - 0.5 * off + rng.normal(0, 0.9, len(off))


def kind_or_not(s: Seen, rng: Rng) -> Array:
    """Let players mark high or low, whatever they play."""
    return 6.5 + s.tastes(rng, 0.9) + rng.normal(0, 1.2, len(s.tip))


def hardly_anything(s: Seen, rng: Rng) -> Array:
    """Mark a little of everything under much noise."""
    return 6.0 + 0.2 * s.of(s.piece, rng, 1.0) + s.tastes(rng, 0.2) * s.tip + 0.2 * s.pressure + rng.normal(0, 1.7, len(s.tip))


def chamber_and_length(s: Seen, rng: Rng) -> Array:
    """Let a large chamber go with a long facing."""
    return 6.0 + s.tastes(rng, 0.4) + 0.6 * s.chamber * s.length - 0.5 * np.abs(s.baffle) + rng.normal(0, 0.8, len(s.tip))


def share_and_cut(s: Seen, rng: Rng) -> Array:
    """Let each mind the cut and what is left open in their own way."""
    return (
        6.4
        + s.tastes(rng, 0.6) * s.filed
        + s.tastes(rng, 1.0) * s.share
        + 0.5 * s.of(s.line, rng, 1.0)
        + rng.normal(0, 0.8, len(s.tip))
    )


def middle_is_best(s: Seen, rng: Rng) -> Array:
    """Let what is usual please all."""
    return 7.5 + s.tastes(rng, 0.6) - 0.5 * (s.pressure**2 + s.tip**2 + 0.5 * s.length**2) + rng.normal(0, 1.0, len(s.tip))


RULES: dict[str, Rule] = {
    rule.__name__: rule for rule in (ideals, kind_or_not, hardly_anything, chamber_and_length, share_and_cut, middle_is_best)
}

if __name__ == "__main__":
    main(RULES, SEEDS[: int(sys.argv[1])] if sys.argv[1:] else SEEDS, SIZES)
