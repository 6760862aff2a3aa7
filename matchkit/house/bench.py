"""What a maker asks beside a batch: two batches, a piece over its dates, a lot of reeds, sheets and records."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from matchkit.house.rooms import Rooms
from matchkit.tables.defaults import read_defaults

if TYPE_CHECKING:
    from matchkit.maker.conformity.beside import BatchesBeside
    from matchkit.maker.gauge import GaugeStudy
    from matchkit.maker.lot import LotReport
    from matchkit.maker.measure.history import FacingHistory
    from matchkit.maker.paper import BatchRecord, Sheet


class BenchQuestions(Rooms):
    """What a maker asks beside a batch: two batches, a piece over its dates, a lot of reeds, sheets and records."""

    def history(self, mouthpiece: str, *, pieces: str | Path | None = None, spec: str | Path | None = None) -> FacingHistory:
        """Say what each set of readings of a mouthpiece tells, and what changed from one to the next.

        Parameters
        ----------
        mouthpiece, pieces, spec
            as :meth:`facing`

        Raises
        ------
        UnknownIdError
            for a piece that is nowhere
        RequestError
            for one that was never read

        Examples
        --------
        >>> import matchkit as mk
        >>> len(mk.open().history("AM-07").sets)
        1
        """
        from matchkit.maker.files import find_piece
        from matchkit.maker.measure.history import facing_history

        piece, gathered = find_piece(self.tables, mouthpiece, pieces, demo=self.demo)
        rules = self.rules_for(spec, pieces).with_step(gathered.stops_mm)
        return facing_history(gathered.filed[piece.id], gathered.sets.get(piece.id, ()), defaults=read_defaults(), spec=rules)

    def batches(self, first: str | Path, second: str | Path, *, spec: str | Path | None = None) -> BatchesBeside:
        """Hold two batches of a model against one another: means, spread, and what a maker would call different.

        Parameters
        ----------
        first, second
            folders or workbooks with mouthpieces and their readings, in the order in which they were made
        spec
            a house.toml with the drawings; by default the one beside each, else beside the other one, else this house's

        Raises
        ------
        DataError
            with every problem of the pieces or the drawing
        RequestError
            where the batches share no model
        """
        from matchkit.maker.conformity.batch import judge_batch
        from matchkit.maker.conformity.beside import beside
        from matchkit.maker.files import read_pieces

        judged = []
        for source, other in ((first, second), (second, first)):
            rules, gathered = self.rules_for(spec, source, other), read_pieces(source)
            judged.append(judge_batch(gathered, spec=rules.with_step(gathered.stops_mm)))
        one, other = (Path(source).stem for source in (first, second))
        return beside(*judged, names=(one, other if other != one else f"{other} (second)"))

    def lot(self, readings: str | Path) -> LotReport:
        """Judge a lot of reeds against this house's scale: level, spread, and reeds that do not belong; rows with a slip are left out.

        Parameters
        ----------
        readings
            a csv of weights and dial readings, as :func:`matchkit.calibrate` takes it

        Raises
        ------
        SourceError
            where there is no such file
        DataError
            with every problem of it, where no row is left
        """
        from matchkit.maker.files import read_lot
        from matchkit.maker.lot import judge_lot

        records, problems = read_lot(readings)
        return judge_lot(records, self.tables.strength_scale, left_out=problems)

    def sheet(
        self, mouthpiece: str | None = None, *, pieces: str | Path | None = None, spec: str | Path | None = None
    ) -> Sheet:
        """Return a sheet to fill in at the bench: every feeler of the drawing on both rails, and its sizes.

        Parameters
        ----------
        mouthpiece
            one piece; by default every piece of ``pieces``
        pieces, spec
            as :meth:`batch`

        Raises
        ------
        UnknownIdError
            for a piece that is nowhere

        Examples
        --------
        >>> import matchkit as mk
        >>> len(mk.open().sheet("TB-25-07").rows)
        16
        """
        from matchkit.maker.files import find_piece, read_pieces
        from matchkit.maker.paper import bench_sheet

        rules = self.rules_for(spec, pieces)
        if mouthpiece is not None:
            return bench_sheet([find_piece(self.tables, mouthpiece, pieces, demo=self.demo, to_read=True)[0]], spec=rules)
        gathered = read_pieces(pieces)
        return bench_sheet([*gathered.mouthpieces, *gathered.unread], spec=rules)

    def record(
        self,
        pieces: str | Path | None = None,
        *,
        piece: str | None = None,
        spec: str | Path | None = None,
        studies: Sequence[GaugeStudy] = (),
        made_on: dt.date | None = None,
    ) -> BatchRecord:
        """Return the record of a batch as it is filed: every piece with every size, its doubt and verdict, the gauge and who read when.

        Parameters
        ----------
        pieces, spec, studies
            as :meth:`batch`
        piece
            only this one
        made_on
            the day that stands on it; none is made up

        Raises
        ------
        UnknownIdError
            for a piece that is not in the batch
        DataError
            with every problem of the pieces or the drawing

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().record(piece="TB-25-13").pieces[0].verdict
        'fail'
        """
        from matchkit.maker.batch import gauge_from
        from matchkit.maker.conformity.batch import judge_batch
        from matchkit.maker.conformity.rule import CONFIDENCE
        from matchkit.maker.files import read_pieces
        from matchkit.maker.paper import batch_record

        rules, gathered = self.rules_for(spec, pieces), read_pieces(pieces)
        rules = rules.with_step(gathered.stops_mm)
        rules = rules.model_copy(update={"gauge": gauge_from(rules.gauge, studies)})
        report = judge_batch(gathered, spec=rules)
        return batch_record(report, gathered, spec=rules, confidence=CONFIDENCE, only=piece, made_on=made_on)
