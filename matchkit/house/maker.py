"""What a maker asks: what a facing needs, whether a batch is good, how to reface a piece."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from matchkit.advise.requests import check_request
from matchkit.errors import RequestError
from matchkit.house.rooms import Rooms
from matchkit.results import Progress
from matchkit.tables.defaults import read_defaults

if TYPE_CHECKING:
    from matchkit.maker.conformity.batch import BatchReport
    from matchkit.maker.gauge import GaugeStudy
    from matchkit.maker.measure.report import FacingReport
    from matchkit.maker.reface.done import RefaceDone
    from matchkit.maker.reface.plan import RefacePlan
    from matchkit.pairs.closing_tests import ScaleReport


class MakerQuestions(Rooms):
    """What a maker asks: what a facing needs, whether a batch is good, how to reface a piece."""

    def facing(
        self,
        mouthpiece: str,
        *,
        pieces: str | Path | None = None,
        spec: str | Path | None = None,
        studies: Sequence[GaugeStudy] = (),
    ) -> FacingReport:
        """Say what the readings of a mouthpiece tell: lengths, shape, smoothness, rails, bumps, each with its uncertainty.

        Parameters
        ----------
        mouthpiece
            an id of this house, or of ``pieces``
        pieces
            a folder or workbook with other mouthpieces and their readings
        spec
            a house.toml with the drawings; by default the one beside ``pieces``, else this house's
        studies
            gauge studies, which replace the uncertainties that are stated

        Raises
        ------
        UnknownIdError
            for a piece that is nowhere
        DataError
            with every problem of ``pieces``

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().facing("AM-07").rail_difference_mm < -0.5
        True
        """
        from matchkit.maker.batch import gauge_from
        from matchkit.maker.files import find_piece
        from matchkit.maker.measure.exchanged import rails_exchanged
        from matchkit.maker.measure.report import facing_report

        piece, gathered = find_piece(self.tables, mouthpiece, pieces, demo=self.demo)
        readings, points = gathered.readings.get(piece.id, []), gathered.points.get(piece.id, [])
        rules = self.rules_for(spec, pieces).with_step(gathered.stops_mm)
        rules = rules.model_copy(update={"gauge": gauge_from(rules.gauge, studies)})
        exchanged = rails_exchanged(piece, gathered.sets.get(piece.id, ()), gauge=rules.gauge)
        return facing_report(piece, readings, points, defaults=read_defaults(), spec=rules, exchanged=exchanged)

    def closing_scale(self) -> ScaleReport:
        """Say what the closing tests of this house make of its absolute scale, and how much doubt is left.

        Raises
        ------
        RequestError
            where there are none, or for one that cannot be

        Examples
        --------
        >>> import matchkit as mk
        >>> house = mk.open()
        >>> house.tables.closing_tests
        ()
        """
        if self.scale is None:
            why = (
                "no closing_tests in these tables"
                if not self.tables.closing_tests
                else "none of the closing_tests can be used (tables check says why)"
            )
            raise RequestError(f"{why}: press a few reeds shut with a kitchen scale, docs/data.md shows how")
        return self.scale

    def batch(
        self,
        pieces: str | Path | None = None,
        *,
        spec: str | Path | None = None,
        studies: Sequence[GaugeStudy] = (),
        pair: bool = True,
        draws: int | None = None,
        jobs: int = 1,
        progress: Progress | None = None,
    ) -> BatchReport:
        """Judge a batch of pieces against their drawings, and pair it with the reeds of this house.

        Parameters
        ----------
        pieces
            a folder or workbook with mouthpieces and their readings; by default the demo batch, which is invented
        spec
            a house.toml with the drawings; by default the one beside ``pieces``, else this house's
        studies
            gauge studies, which replace the uncertainties that are stated
        pair
            whether to pair it with the house reeds
        draws
            how many seeded draws a pair takes; by default a thousand, and fewer for more than a thousand pieces
        jobs, progress
            processes that share the work; called with parts done and parts in all

        Raises
        ------
        DataError
            with every problem of the pieces or the drawing
        SourceError
            where there is nothing to read

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().batch(pair=False).counts["fail"]
        6
        """
        from matchkit.maker.batch import gauge_from, judge_and_pair
        from matchkit.maker.files import read_pieces
        from matchkit.maker.pairing import checked_draws

        check_request(jobs=jobs)
        draws = checked_draws(draws)
        rules, gathered = self.rules_for(spec, pieces), read_pieces(pieces)
        rules = rules.with_step(gathered.stops_mm)
        rules = rules.model_copy(update={"gauge": gauge_from(rules.gauge, studies)})
        return judge_and_pair(self.scorer, gathered, spec=rules, pair=pair, draws=draws, jobs=jobs, progress=progress)

    def reface(
        self,
        piece: str,
        *,
        pieces: str | Path | None = None,
        spec: str | Path | None = None,
        drawing: bool = False,
        tip_opening_mm: float | None = None,
        tip_by_mm: float | None = None,
        keep: Literal["resistance"] | None = None,
        like: str | None = None,
        reed: str | None = None,
        closing_kpa: float | None = None,
        table_down: bool = False,
        before: bool = False,
    ) -> RefacePlan:
        """Plan the refacing of one piece: what to take off where, in which order.

        The target is the nearest fair curve, or one of the following.

        Parameters
        ----------
        piece
            an id of this house, or of ``pieces``
        pieces, spec
            as :meth:`batch`
        drawing
            the drawing of its model
        tip_opening_mm, tip_by_mm
            a fair curve of this tip opening, or of one that is so much wider; it takes off least
        keep
            ``resistance``: with a tip opening, the facing length and curve with which ``reed``, or a usual one of the house, closes at the same pressure as now
        like
            the facing of another piece, by its id
        reed, closing_kpa
            a facing that a reed closes at a closing pressure (by default the middle of the house's range)
        table_down
            whether the table may be faced down where the target asks for it
        before
            whether to plan from the readings before the latest, as the plan that was carried out since was made

        Raises
        ------
        UnknownIdError
            for a piece or reed that is nowhere
        RequestError
            for a target that no removal reaches
        DataError
            with every problem of ``pieces``

        Examples
        --------
        >>> import matchkit as mk
        >>> plan = mk.open().reface("TB-25-07", drawing=True)
        >>> plan.removals[1].left_um > plan.removals[1].right_um - 1
        True
        """
        from matchkit.maker.files import find_piece, lay_of
        from matchkit.maker.reface.ask import Wanted, plan_reface

        found, gathered = find_piece(self.tables, piece, pieces, demo=self.demo)
        rules = self.rules_for(spec, pieces).with_step(gathered.stops_mm)
        if before:
            found, gathered = gathered.before(found.id)
        if keep not in (None, "resistance"):
            raise RequestError(f"keep {keep!r}; only 'resistance' can be kept")
        other = None if like is None else lay_of(self.tables, like, pieces, demo=self.demo, spec=rules)
        wanted = Wanted(
            drawing=drawing,
            tip_opening_mm=tip_opening_mm,
            tip_by_mm=tip_by_mm,
            reed=reed,
            closing_kpa=closing_kpa,
            table_down=table_down,
            keep_resistance=keep == "resistance",
            like=other,
        )
        return plan_reface(self.scorer, found, gathered, spec=rules, wanted=wanted)

    def refaced(
        self, piece: str, *, pieces: str | Path | None = None, spec: str | Path | None = None, **target: Any
    ) -> RefaceDone:
        """Close a plan: hold the latest readings of a piece against the plan from the readings before them.

        Parameters
        ----------
        piece, pieces, spec
            as :meth:`reface`
        target
            where it was to go, as :meth:`reface` takes it

        Raises
        ------
        RequestError
            for a piece that was read once only, or as :meth:`reface`
        UnknownIdError
            for a piece that is nowhere
        """
        from matchkit.maker.conformity.drawing import judge_piece
        from matchkit.maker.files import find_piece
        from matchkit.maker.measure.report import facing_report
        from matchkit.maker.measure.stations import rails_at_stations
        from matchkit.maker.reface.done import close_plan

        found, gathered = find_piece(self.tables, piece, pieces, demo=self.demo)
        sets = gathered.sets.get(found.id, ())
        if len(sets) < 2:
            raise RequestError(f"{found.id} was read once only; read it again after the work, with its date, and ask again")
        rules = self.rules_for(spec, pieces).with_step(gathered.stops_mm)
        plan = self.reface(piece, pieces=pieces, spec=spec, before=True, **target)
        last, filed = sets[-1], gathered.filed[found.id]
        was, now = (
            facing_report(one.on(filed), one.readings, one.points, defaults=read_defaults(), spec=rules) for one in sets[-2:]
        )
        before, after = (None if one.day is None else one.day.isoformat() for one in sets[-2:])
        drawn = rules.drawing.get(found.model or "") if plan.target.to == "drawing" else None
        judged = None
        if drawn is not None:
            again = last.on(filed)
            rails = rails_at_stations(again, last.readings, last.points, drawing=drawn, gauge=rules.gauge)
            judged = judge_piece(again, rails, drawing=drawn, gauge=rules.gauge).features
        return close_plan(plan, was, now, before=before, after=after, judged=judged)
