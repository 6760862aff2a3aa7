"""One answer in a blind test of two set-ups: which is the odd one out of three, or which of two is more of something."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, ClassVar, Literal, Self

from pydantic import model_validator

from matchkit.records.quantity import Quantity, Record

ATTRIBUTES = ("ease", "resistance", "brightness", "evenness", "overall")
"""What a player marks on a line from 0 to 10, and may be asked which of two set-ups has more of."""

LINES = {
    "ease": "0 will not speak ... 10 speaks by itself",
    "resistance": "0 none ... 10 all it can stand",
    "brightness": "0 dark ... 10 bright",
    "evenness": "0 every note another ... 10 all alike",
    "overall": "0 never again ... 10 as good as can be",
}
"""What the ends of each line mean."""

SHOWN = {"triangle": ("AAB", "ABA", "BAA", "ABB", "BAB", "BBA"), "two": ("AB", "BA")}
"""The orders in which the two set-ups may come, by kind of test."""


class Trial(Record):
    """One answer of one player in a blind test between two set-ups."""

    key: ClassVar[tuple[str, ...]] = ("id",)

    id: Annotated[str, Quantity("short code, one per row")]
    date: Annotated[dt.date | None, Quantity("day, as 2026-01-31")] = None
    player_id: Annotated[str, Quantity("who played", refers_to="players")]
    session: Annotated[str | None, Quantity("which sitting it belongs to")] = None
    position: Annotated[int | None, Quantity("place in the order of that sitting", "", 1, 1000)] = None
    kind: Annotated[Literal["two", "triangle"], Quantity("odd one of three, or more of something of two")]
    attribute: Annotated[
        Literal["ease", "resistance", "brightness", "evenness", "overall"] | None, Quantity("what was asked for; two only")
    ] = None
    set_a: Annotated[str, Quantity("set-up A: mouthpiece/reed/ligature, by their ids")]
    set_b: Annotated[str, Quantity("set-up B, likewise")]
    claim: Annotated[str | None, Quantity("set-up that was said beforehand to have more of it; two only")] = None
    shown: Annotated[Literal["AB", "BA", "AAB", "ABA", "BAA", "ABB", "BAB", "BBA"], Quantity("order in which they were played")]
    answer: Annotated[int | None, Quantity("which of them was named, counted from 1", "", 1, 3)] = None
    note: Annotated[str | None, Quantity("free text")] = None
    corrects: Annotated[str | None, Quantity("earlier row that this one replaces", refers_to="trials")] = None

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if self.shown not in SHOWN[self.kind]:
            raise ValueError(f"an order of {len(SHOWN[self.kind][0])}, as {' or '.join(SHOWN[self.kind][:2])}, for {self.kind}")
        if (self.attribute is None) == (self.kind == "two"):
            raise ValueError("an attribute for two, and none for a triangle")
        if self.answer is not None and self.answer > len(self.shown):
            raise ValueError(f"an answer from 1 to {len(self.shown)}")
        if self.claim is not None and (self.kind != "two" or self.claim not in (self.set_a, self.set_b)):
            raise ValueError("a claim about set_a or set_b of two, as it stands there")
        return self

    @property
    def named(self) -> str | None:
        """Which set-up was named: A or B; None where there is no answer."""
        return None if self.answer is None else self.shown[self.answer - 1]

    @property
    def right(self) -> bool | None:
        """Whether the odd one was found; None for two, and where there is no answer."""
        if self.kind == "two" or self.answer is None:
            return None
        odd = "A" if self.shown.count("A") == 1 else "B"
        return self.named == odd
