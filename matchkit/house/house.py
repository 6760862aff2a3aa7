"""One open house: its tables, its model, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matchkit.advise.requests import check_request
from matchkit.errors import ModelError, RequestError, SourceError
from matchkit.files import write_whole
from matchkit.house.rooms import Rooms
from matchkit.learn.model.file import load_model, save_model
from matchkit.learn.model.found import FoundModel, belonging_of
from matchkit.score.player import Visitor
from matchkit.tables.defaults import read_defaults
from matchkit.tables.store import read_spec
from matchkit.units import MM

if TYPE_CHECKING:
    from matchkit.advise.answers import ClosingReport, Explanation, Ranking
    from matchkit.advise.side_by_side import Strengths, Swap
    from matchkit.learn.trial.evaluation import Difference, Evaluation
    from matchkit.maker.conformity.batch import BatchReport
    from matchkit.maker.gauge import GaugeStudy
    from matchkit.maker.measure.report import FacingReport
    from matchkit.maker.reface.plan import RefacePlan
    from matchkit.playtest.design.plan import Plan
    from matchkit.playtest.next import NextTest
    from matchkit.playtest.stats.analyse import Analysis

UNKNOWN = "?"
"""What stands for a part of the present set-up that is not known."""
Progress = Callable[[int, int], None]


class House(Rooms):
    """A house whose tables have been read and checked; one method a question."""

    def train(self, out: str | Path | None = None, *, jobs: int = 1, progress: Progress | None = None) -> Path:
        """Choose settings on this house's playtests, fit the model, and write it (default: ``model.npz`` beside the tables).

        ``jobs`` processes share the work; ``progress`` is called with steps done and steps in all. Raises ModelError, RequestError.
        """
        from matchkit.learn.trial.evaluation import grouped_figures
        from matchkit.words.playtest.learned import model_card

        if not self.scorer.marked:
            raise RequestError("there is no rated playtest to learn from: ranking goes by physics alone, and needs no model")
        check_request(jobs=jobs)
        path = self._beside if out is None else Path(out)
        if path is None:
            raise ModelError("the demo house or a record on a server has no place for it: name a file for the model")
        learner = self.learner
        blend, belonging = learner.train(jobs=jobs, progress=progress), belonging_of(learner, self._rules)
        save_model(blend, learner.rated_tests, path, belonging=belonging)
        tests = learner.rated_tests
        figures = grouped_figures(tests, self.parts.ligatures, blend.settings)
        card = model_card(path.name, blend, tests, figures, belonging=belonging, invented=self.demo)
        try:
            write_whole(path.with_suffix(".md"), lambda file: file.write(card.encode()))
        except SourceError as error:
            raise ModelError(str(error)) from error
        self._found = FoundModel(path.name, blend, belonging)
        self.__dict__.pop("_settled", None)
        return path

    def evaluate(self, *, nested: bool = True, jobs: int = 1, progress: Progress | None = None) -> Evaluation:
        """Say how well the model predicts this house's playtests that it has not seen; ``jobs`` processes share the folds.

        ``progress`` is called with folds done and folds in all. Raises RequestError for too few playtests.
        """
        from matchkit.learn.trial.evaluation import evaluate_tests

        check_request(jobs=jobs)
        return evaluate_tests(self.learner.rated_tests, self.parts.ligatures, nested=nested, jobs=jobs, progress=progress)

    def compare(self, first: str | Path, second: str | Path) -> tuple[Difference, ...]:
        """Compare two model files on this house's playtests, held out alike: differences of error and NDCG@5 with their intervals.

        What differs is what they chose: each is fitted anew in every fold with its own settings. Raises ModelError, RequestError.
        """
        from matchkit.learn.trial.evaluation import compare_settings

        one, other = (load_model(Path(path))[0].settings for path in (first, second))
        return compare_settings(self.learner.rated_tests, self.parts.ligatures, one, other)

    def visitor(
        self,
        instrument: str,
        *,
        mouthpiece: str = UNKNOWN,
        reed: str = UNKNOWN,
        ligature: str = UNKNOWN,
        embouchure: str | None = None,
        blow_kpa: float | None = None,
        lip_mm: float | None = None,
    ) -> Visitor:
        """Return a player who is in no table, by what they say they play now: ids, a tip opening, a strength, or "?".

        Raises RequestError where that cannot be read.

        >>> import matchkit as mk
        >>> mk.open().visitor("alto", mouthpiece="75thou", reed="2.5").strength
        2.5
        """
        from matchkit.advise.visitors import read_visitor

        return read_visitor(
            self.parts,
            instrument=instrument,
            mouthpiece=mouthpiece,
            reed=reed,
            ligature=ligature,
            embouchure=embouchure,
            blow_kpa=blow_kpa,
            lip_mm=lip_mm,
        )

    def rank(
        self,
        player: str | Visitor,
        *,
        wish: Sequence[str] = (),
        complaint: Sequence[str] = (),
        fixed: Mapping[str, str] | None = None,
        change: str | None = None,
        in_stock: bool = False,
        budget: float | None = None,
        top: int = 3,
        different: bool = False,
        across: bool = False,
        neck: str | None = None,
        jobs: int = 1,
        progress: Progress | None = None,
    ) -> Ranking:
        """Rank every set-up that fits for a player, best first.

        ``player`` is an id or a :class:`Visitor`; ``wish`` words such as "freer"; a ``complaint`` such as "tired lip" is answered first
        with what costs nothing, then with its wish. ``fixed`` may hold a mouthpiece, reed or ligature id to keep; ``change`` names
        the one part that may change. ``in_stock`` leaves out what is counted as 0, ``budget`` what costs more, the player's own
        parts costing nothing. With ``different`` no two rows share a mouthpiece or a reed profile; ``across`` allows parts of
        another instrument. ``progress`` is called with blocks done and blocks in all.

        Raises UnknownIdError for an id in no table, RequestError for a question that cannot be meant.

        >>> import matchkit as mk
        >>> ranking = mk.open().rank("P01", top=2)
        >>> [setup.position for setup in ranking.rows]
        [1, 2]
        """
        from matchkit.advise.ranking import Wanted, rank_setups

        wanted = Wanted(
            wish=tuple(wish),
            complaint=tuple(complaint),
            fixed=dict(fixed or {}),
            change=change,
            in_stock=in_stock,
            budget=budget,
            top=top,
            different=different,
            across=across,
            neck=neck,
        )
        return rank_setups(self.learner, player, wanted, model=self.model, jobs=jobs, progress=progress)

    def strengths(self, mouthpiece: str, player: str | Visitor | None = None) -> Strengths:
        """Lay every reed that fits a mouthpiece side by side, and mark the one equal to the present set-up; raises UnknownIdError.

        >>> import matchkit as mk
        >>> found = mk.open().strengths("AM-05", "P02")
        >>> sum(line.equal for line in found.rows)
        1
        """
        from matchkit.advise.side_by_side import strengths

        facing = self.parts.facing(mouthpiece)
        person = Visitor(instrument=facing.mouthpiece.instrument) if player is None else player
        return strengths(self.scorer, facing, view=self.scorer.view(person))

    def swap(self, player: str | Visitor, *, mouthpiece: str | None = None, reed: str | None = None, top: int = 3) -> Swap:
        """Replace one part of the present set-up: what on the new part feels like the old, and what difference remains.

        Name a new mouthpiece (reeds are searched) or a new reed (mouthpieces are). Raises RequestError unless exactly one is named
        and the present set-up is known, UnknownIdError for an id in no table.

        >>> import matchkit as mk
        >>> mk.open().swap("P02", mouthpiece="AM-08").part
        'mouthpiece'
        """
        from matchkit.advise.side_by_side import swap

        check_request(top=top)
        view = self.scorer.view(player)
        if (mouthpiece is None) == (reed is None):
            raise RequestError("name the new mouthpiece or the new reed, one of them")
        if view.present is None:
            raise RequestError("swap against what? the present mouthpiece and reed must be known")
        facing = None if mouthpiece is None else self.parts.facing(mouthpiece)
        part = None if reed is None else self.parts.reed(reed)
        return swap(self.scorer, view=view, facing=facing, reed=part, top=top)

    def explain(
        self,
        player: str | Visitor,
        mouthpiece: str,
        reed: str,
        ligature: str | None = None,
        *,
        wish: Sequence[str] = (),
        neck: str | None = None,
    ) -> Explanation:
        """Explain one set-up for a player: every term and every playtest behind its score.

        A set-up that would be refused is explained all the same, with the reasons against it. Raises as :meth:`rank` does.
        """
        from matchkit.advise.ranking import explain_setup

        return explain_setup(self.learner, player, (mouthpiece, reed, ligature), wish=wish, neck=neck, model=self.model)

    def facing(self, mouthpiece: str, *, pieces: str | Path | None = None, studies: Sequence[GaugeStudy] = ()) -> FacingReport:
        """Say what the readings of a mouthpiece tell: lengths, shape, smoothness, rails, bumps, each with its uncertainty.

        It is looked for in ``pieces`` where that is given; ``studies`` of the gauge replace its stated uncertainties. Raises UnknownIdError,
        DataError.

        >>> import matchkit as mk
        >>> mk.open().facing("AM-07").rail_difference_mm < -0.5
        True
        """
        from matchkit.maker.batch import gauge_from
        from matchkit.maker.files import find_piece
        from matchkit.maker.measure.report import facing_report

        piece, gathered = find_piece(self.tables, mouthpiece, pieces, demo=self.demo)
        readings, points = gathered.readings.get(piece.id, []), gathered.points.get(piece.id, [])
        spec = self.tables.spec.model_copy(update={"gauge": gauge_from(self.tables.spec.gauge, studies)})
        return facing_report(piece, readings, points, defaults=read_defaults(), spec=spec)

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

        ``pieces`` is a folder or workbook with mouthpieces and their readings (default: the demo batch, which is invented); ``spec`` a
        house.toml other than this house's; ``studies`` of the gauge replace its stated uncertainties. Raises DataError with every problem
        of the pieces or the drawing, SourceError where there is nothing to read.

        >>> import matchkit as mk
        >>> mk.open().batch(pair=False).counts["fail"]
        6
        """
        from matchkit.maker.batch import gauge_from, judge_and_pair
        from matchkit.maker.files import read_pieces
        from matchkit.maker.pairing import checked_draws

        check_request(jobs=jobs)
        draws = checked_draws(draws)
        rules = self.tables.spec if spec is None else read_spec(spec)
        rules = rules.model_copy(update={"gauge": gauge_from(rules.gauge, studies)})
        return judge_and_pair(
            self.scorer, read_pieces(pieces), spec=rules, pair=pair, draws=draws, jobs=jobs, progress=progress
        )

    def reface(
        self,
        piece: str,
        *,
        pieces: str | Path | None = None,
        spec: str | Path | None = None,
        drawing: bool = False,
        tip_opening_mm: float | None = None,
        reed: str | None = None,
        closing_kpa: float | None = None,
        table_down: bool = False,
    ) -> RefacePlan:
        """Plan the refacing of one piece of this house, or of the batch in ``pieces``: what to take off where, in which order.

        The target is the nearest fair curve, or the ``drawing`` of its model, or a fair curve of a wanted ``tip_opening_mm``, or the facing that
        closes most evenly on a ``reed`` at ``closing_kpa`` (default: the middle of the house window). ``table_down`` allows the table to be
        faced down where the target asks for it. Raises UnknownIdError, RequestError for a target that no removal reaches, DataError.

        >>> import matchkit as mk
        >>> plan = mk.open().reface("TB-25-07", drawing=True)
        >>> plan.removals[1].left_um > plan.removals[1].right_um - 1
        True
        """
        from matchkit.maker.files import find_piece
        from matchkit.maker.reface.ask import Wanted, plan_reface

        found, gathered = find_piece(self.tables, piece, pieces, demo=self.demo)
        rules = self.tables.spec if spec is None else read_spec(spec)
        wanted = Wanted(drawing, tip_opening_mm, reed, closing_kpa, table_down)
        return plan_reface(self.scorer, found, gathered, spec=rules, wanted=wanted)

    def plan(self, kind: str, sets: Sequence[str], *, players: Sequence[str], **options: Any) -> Plan:
        """Plan a blind playtest: ``kind`` is rate, two or triangle, each of ``sets`` mouthpiece/reed/ligature by their ids.

        The options are those of :func:`matchkit.playtest.design.plan.plan_test` and :func:`~matchkit.playtest.design.plan.plan_rating`. Raises
        UnknownIdError, and RequestError for parts that do not fit, options that the kind has not, and plans that could show nothing.

        >>> import matchkit as mk
        >>> house = mk.open()
        >>> house.plan("triangle", ("AM-05/AR-A-2.5", "AM-08/AR-A-2.5"), players=("P02",)).power.critical
        13
        """
        from matchkit.playtest.questions import planned

        return planned(self.tables, kind, sets, players=players, options=options)

    def analyse(self, *, session: str | None = None, claim: str | None = None) -> Analysis:
        """Say what the blind trials and playtests of this house show, or those of one ``session`` (its name, or what its names begin with).

        ``claim`` names a set-up that was said beforehand to have more of what was asked. Raises RequestError where there is nothing.

        >>> import matchkit as mk
        >>> [item.verdict for item in mk.open().analyse(session="LIG").comparisons]
        ['different', 'inconclusive']
        """
        from matchkit.playtest.questions import analysed

        return analysed(self.tables, self.learner, session=session, claim=claim)

    def next(
        self, player: str | None = None, *, count: int = 8, in_stock: bool = False, progress: Progress | None = None
    ) -> tuple[NextTest, ...]:
        """Say which set-ups to play next to learn most, for one player or over all of them.

        Worth is the rating that a playtest is expected to move across the edge of a player's top five, for what it costs
        (:mod:`matchkit.playtest.next`). Raises UnknownIdError, RequestError for a count that cannot be meant.

        >>> import matchkit as mk
        >>> [test.position for test in mk.open().next("P02", count=2)]
        [1, 2]
        """
        from matchkit.playtest.questions import to_play_next

        return to_play_next(self.learner, player, count=count, in_stock=in_stock, progress=progress)

    def closing(
        self, mouthpiece: str, reed: str, *, player: str | Visitor | None = None, reed_offset_mm: float = 0.0
    ) -> ClosingReport:
        """Compute how one reed closes on one facing, for a player or for the assumed blowing pressure and lip.

        ``reed_offset_mm`` is how far the reed's tip stands past the tip rail, from -3 to 3. Raises UnknownIdError or RequestError.

        >>> import matchkit as mk
        >>> house = mk.open()
        >>> report = house.closing("TM-01", "TR-A-2.5")
        >>> 2 < report.closing_pressure_kpa < 20
        True
        """
        from matchkit.advise.closing import closing_report

        if not -3 <= reed_offset_mm <= 3:
            raise RequestError(f"the reed stands {reed_offset_mm:g} mm past the tip rail; expected -3 to 3")
        facing, part = self.parts.facing(mouthpiece), self.parts.reed(reed)
        person = Visitor(instrument=facing.mouthpiece.instrument) if player is None else player
        return closing_report(self.scorer, facing, part, view=self.scorer.view(person), reed_offset_m=reed_offset_mm * MM)
