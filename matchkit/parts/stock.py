"""The records of a house, and each of its parts made physical once."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from matchkit.errors import RequestError
from matchkit.files import Cache
from matchkit.names import by_id
from matchkit.parts.facing import FacingPart, facing_part
from matchkit.parts.kept import kept_facings
from matchkit.parts.reed import HouseScale, ReedPart
from matchkit.parts.said import CONTACTS
from matchkit.parts.scale import ReedScale
from matchkit.records.calibration import ClosingTest
from matchkit.records.defaults import Defaults
from matchkit.records.parts import FacingReading, LayPoint, Ligature, Mouthpiece, Neck, ProfilePoint, Reed, StrengthStep
from matchkit.records.people import Loan, Player, Playtest, open_loans
from matchkit.records.sets import Day, ReadingSet, sets_of_pieces, valid_on
from matchkit.records.spec import HouseSpec


@dataclass(frozen=True)
class Stock:
    """The records of a house that anything is computed from."""

    mouthpieces: Sequence[Mouthpiece]
    facings: Sequence[FacingReading]
    lay_points: Sequence[LayPoint]
    reeds: Sequence[Reed]
    reed_profiles: Sequence[ProfilePoint]
    strength_scale: Sequence[StrengthStep]
    ligatures: Sequence[Ligature]
    closing_tests: Sequence[ClosingTest]
    necks: Sequence[Neck]
    players: Sequence[Player]
    playtests: Sequence[Playtest]
    loans: Sequence[Loan]
    spec: HouseSpec
    defaults: Defaults

    @cached_property
    def out(self) -> Counter[str]:
        """How many pieces of each part are lent."""
        lent = open_loans(self.loans)
        return Counter(
            name for loan in lent for name in (loan.mouthpiece_id, loan.reed_id, loan.ligature_id) if name is not None
        )


class Parts:
    """The parts of a house by id, computed when first asked for and kept in ``cache`` for the next time; on its own ``scale`` where it has one."""

    def __init__(self, stock: Stock, *, cache: Cache | None = None, scale: HouseScale | None = None) -> None:
        self.stock = stock
        self.cache = Cache(None) if cache is None else cache
        self.scale = scale
        self._earlier: dict[tuple[str, Day], FacingPart] = {}
        self._scale = ReedScale(
            stock.reeds, stock.reed_profiles, stock.strength_scale, defaults=stock.defaults, spec=stock.spec, own=scale
        )

    @cached_property
    def facings(self) -> tuple[FacingPart, ...]:
        """Every mouthpiece with its lay, by id."""
        stock = self.stock
        parts = kept_facings(
            stock.mouthpieces, stock.facings, stock.lay_points, defaults=stock.defaults, spec=stock.spec, cache=self.cache
        )
        return tuple(sorted(parts, key=lambda part: part.id))

    @cached_property
    def sets(self) -> dict[str, tuple[ReadingSet, ...]]:
        """What was read of each mouthpiece, oldest first."""
        return sets_of_pieces(self.stock.facings, self.stock.lay_points)

    def facing_on(self, mouthpiece_id: str, day: dt.date | None) -> FacingPart:
        """Return a mouthpiece as it was on a day; raises UnknownIdError where there is none."""
        today, sets = self.facing(mouthpiece_id), self.sets.get(mouthpiece_id, ())
        then = valid_on(sets, day)
        if then is None or then is sets[-1]:
            return today
        if (mouthpiece_id, then.day) not in self._earlier:
            piece = by_id(self.stock.mouthpieces, mouthpiece_id, "mouthpiece")
            part = facing_part(then.on(piece), then.readings, then.points, defaults=self.stock.defaults, spec=self.stock.spec)
            self._earlier[mouthpiece_id, then.day] = replace(part, read_on=then.day or dt.date.min)
        return self._earlier[mouthpiece_id, then.day]

    @cached_property
    def reeds(self) -> tuple[ReedPart, ...]:
        """Every reed with shape and modulus, by id."""
        return tuple(self._scale.part(reed) for reed in sorted(self.stock.reeds, key=lambda reed: reed.id))

    @cached_property
    def ligatures(self) -> tuple[Ligature, ...]:
        """Every ligature, by id."""
        return tuple(sorted(self.stock.ligatures, key=lambda item: item.id))

    def facings_for(self, instrument: str) -> tuple[FacingPart, ...]:
        """Return the mouthpieces of an instrument."""
        return tuple(part for part in self.facings if part.mouthpiece.instrument == instrument)

    def reeds_for(self, instrument: str) -> tuple[ReedPart, ...]:
        """Return the reeds of an instrument."""
        return tuple(part for part in self.reeds if part.reed.instrument == instrument)

    def facing(self, mouthpiece_id: str) -> FacingPart:
        """Return one mouthpiece; raises UnknownIdError where there is none."""
        return by_id(self.facings, mouthpiece_id, "mouthpiece")

    def reed(self, reed_id: str) -> ReedPart:
        """Return one reed; raises UnknownIdError where there is none."""
        return by_id(self.reeds, reed_id, "reed")

    def ligature(self, ligature_id: str) -> Ligature:
        """Return one ligature, or one that is known by its contact only; raises UnknownIdError where there is none."""
        if ligature_id in CONTACTS and all(item.id != ligature_id for item in self.ligatures):
            return Ligature(id=ligature_id, contact=ligature_id)
        return by_id(self.ligatures, ligature_id, "ligature")

    def neck(self, neck_id: str | None, instrument: str) -> Neck | None:
        """Return a neck, the instrument's usual one where none is named; None for a cylinder, which misses no cone.

        Raises UnknownIdError, and RequestError for a neck of another instrument.
        """
        if neck_id is not None:
            neck = by_id(self.stock.necks, neck_id, "neck")
            if neck.instrument != instrument:
                raise RequestError(f"the neck {neck.id} is for {neck.instrument}; expected one for {instrument}")
            return neck
        try:
            bore = self.stock.defaults.scalar(instrument, "neck_bore_mm").value
            angle = self.stock.defaults.scalar(instrument, "neck_half_angle_deg").value
        except KeyError:
            return None
        return Neck(id="default", instrument=instrument, bore_mm=bore, half_angle_deg=angle)

    def typed_facing(self, tip_opening_mm: float, instrument: str) -> FacingPart:
        """Return a mouthpiece that is known by its tip opening only."""
        tip = round(tip_opening_mm, 4)
        piece = Mouthpiece(id=f"{tip:.4g}mm", instrument=instrument, tip_opening_mm=tip)
        return facing_part(piece, (), defaults=self.stock.defaults, spec=self.stock.spec)

    def unfiled_over_filed(self, instrument: str) -> float | None:
        """Return how many half strengths this house's unfiled reeds are harder than filed ones of one number; None where that is not known."""
        from matchkit.parts.typed import unfiled_over_filed

        return unfiled_over_filed(self.reeds_for(instrument))

    def typed_reed(self, strength: float, instrument: str, *, cut: str | None, profile_id: str | None) -> ReedPart:
        """Return a reed that is known by its strength, and perhaps its cut or a profile of the house."""
        from matchkit.parts.typed import typed_reed

        return typed_reed(self._scale, self.reeds, strength, instrument=instrument, cut=cut, profile_id=profile_id)
