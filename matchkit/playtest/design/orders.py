"""Orders in which set-ups are played: Williams squares against carry-over, incomplete blocks where there are too many, blind codes."""

from __future__ import annotations

import numpy as np

BLOCK_STARTS: dict[tuple[int, int], tuple[int, ...]] = {
    (3, 2): (0, 1),
    (7, 3): (0, 1, 3),
    (13, 4): (0, 1, 3, 9),
    (11, 5): (1, 3, 4, 5, 9),
    (21, 5): (3, 6, 7, 12, 14),
}
"""Difference sets: shifted round v items, blocks of k in which every pair of items comes equally often (analytic, by counting)."""


def williams(count: int) -> list[list[int]]:
    """Return orders of ``count`` items in which each follows every other equally often (Williams 1949).

    A square of ``count`` orders for an even number, two of them for an odd one. Raises ValueError below two.

    >>> williams(4)
    [[0, 1, 3, 2], [1, 2, 0, 3], [2, 3, 1, 0], [3, 0, 2, 1]]
    """
    if count < 2:
        raise ValueError(f"expected two items or more, read {count}")
    first = [0, *((step + 1) // 2 if step % 2 else count - step // 2 for step in range(1, count))]
    square = [[(place + shift) % count for place in first] for shift in range(count)]
    return square if count % 2 == 0 else square + [row[::-1] for row in square]


def incomplete_blocks(count: int, most: int) -> list[list[int]]:
    """Return blocks of at most ``most`` of ``count`` items in which every pair of items meets equally often.

    Of the difference sets known here the largest block that fits; otherwise every pair by itself. Raises ValueError below two.

    >>> len(incomplete_blocks(7, 4)), incomplete_blocks(7, 4)[0]
    (7, [0, 1, 3])
    """
    if count < 2 or most < 2:
        raise ValueError(f"expected two items or more, and blocks of two or more; read {count} and {most}")
    if count <= most:
        return [list(range(count))]
    fitting = [size for items, size in BLOCK_STARTS if items == count and size <= most]
    if fitting:
        start = BLOCK_STARTS[count, max(fitting)]
        return [sorted((item + shift) % count for item in start) for shift in range(count)]
    if count - 1 <= most:  # all but one, each left out once
        return [[item for item in range(count) if item != out] for out in range(count)]
    return [[one, other] for one in range(count) for other in range(one + 1, count)]


def blind_codes(count: int, *, rng: np.random.Generator) -> list[str]:
    """Return ``count`` different codes of three digits, in no order; raises ValueError beyond the 900 there are."""
    if not 0 <= count <= 900:
        raise ValueError(f"expected at most 900 codes in one session, read {count}")
    return [str(code) for code in rng.permutation(np.arange(100, 1000))[:count]]
