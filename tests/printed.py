"""Printed answers held against each other, whatever machine printed them."""

from __future__ import annotations

import re

NUMBER = re.compile(r"\d+(?:\.\d+)?")


def hold_printed(one: str, other: str, name: str) -> None:
    """Hold two printed answers against each other: the same words, wherever lines break, and numbers within one unit of the last digit."""
    left, right = (" ".join(text.split()) for text in (one, other))
    assert NUMBER.sub("#", left) == NUMBER.sub("#", right), name
    for here, there in zip(NUMBER.findall(left), NUMBER.findall(right), strict=True):
        unit = 10.0 ** -len(here.partition(".")[2])
        assert abs(float(here) - float(there)) <= unit * (1 + 1e-9), f"{name}: {here} and {there}"
