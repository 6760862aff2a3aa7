"""One open house: its tables, its model, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from matchkit.errors import ModelError, Problem, RequestError, SourceError
from matchkit.files import Cache, cache_folder, code_digest, write_whole
from matchkit.match.fingerprint import rules_digest
from matchkit.match.found_model import FoundModel, belonging_of, find_model, settle_model
from matchkit.match.model_file import load_model, save_model
from matchkit.match.requests import check_request
from matchkit.match.typed import Visitor
from matchkit.match.visitors import UNKNOWN, read_visitor
from matchkit.match.workshop import Stock, Workshop, find
from matchkit.records.parts import Mouthpiece
from matchkit.tables.shipped import read_defaults, shipped
from matchkit.tables.store import PIECES_TABLES, Tables, read_spec, read_tables

if TYPE_CHECKING:
    from matchkit.bench.batch import BatchReport, Pieces
    from matchkit.bench.facing_report import FacingReport
    from matchkit.bench.gauge import GaugeStudy
    from matchkit.bench.reface import RefacePlan
    from matchkit.match.answers import ClosingReport, Explanation, Ranking
    from matchkit.match.side_by_side import Strengths, Swap
    from matchkit.match.validate import Difference, Evaluation
    from matchkit.playtest.analyse import Analysis
    from matchkit.playtest.next_tests import NextTest
    from matchkit.playtest.plan import Plan

MODEL_FILE = "model.npz"
Progress = Callable[[int, int], None]


def open_house(source: str | Path | None = None, *, model: str | Path | None = None, cache: bool = True) -> House:
    """Open a house: a directory of csv tables, an xlsx workbook, a book (SQLite file or URL), or the demo house where none is named.

    ``model`` is a file that ``train`` wrote; without it, ``model.npz`` beside the tables is looked for (for the demo house the shipped
    one). A model counts as long as it belongs to the parts, weights and constants as they are now: playtests logged since are counted in,
    and one that belongs to something else is not used, which :attr:`House.model` says. With ``cache``, fitted facings, solved contacts and
    fitted models are kept on this machine for the next time. Raises DataError with every problem of the tables, SourceError where there is
    nothing to read, ModelError for a named model that cannot be read.

    >>> house = open_house()
    >>> len(house.tables.mouthpieces) >= 30
    True
    """
    tables = read_tables(shipped("data/demo") if source is None else source)
    folder = cache_folder() if cache else None
    beside = _shipped_model() if source is None else _beside(source)
    return House(tables, demo=source is None, model=None if model is None else Path(model), beside=beside, cache=folder)


def _shipped_model() -> Path | None:
    try:
        return shipped("models/demo.npz")
    except SourceError:
        return None


def _beside(source: str | Path) -> Path | None:
    """Give where the model of a house lies: in its folder, or beside its workbook or SQLite file; None for a server."""
    text = str(source)
    if "://" in text:
        return None
    place = Path(text)
    return (place if place.is_dir() else place.parent) / MODEL_FILE


class House:
    """A house whose tables have been read and checked."""

    def __init__(
        self,
        tables: Tables,
        *,
        demo: bool = False,
        model: Path | None = None,
        beside: Path | None = None,
        cache: Path | None = None,
    ) -> None:
        self.tables = tables
        self.demo = demo
        self._cache_folder, self._beside = cache, None if demo else beside
        self._found = find_model(model, beside)
        self._model_note = ""

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What is odd in the tables, and was not refused."""
        return self.tables.warnings

    @cached_property
    def workshop(self) -> Workshop:
        """The parts, and what can be computed from them."""
        given = {field.name: getattr(self.tables, field.name) for field in fields(Stock) if field.name != "defaults"}
        workshop = Workshop(Stock(**given, defaults=read_defaults()), cache=self.cache)
        self._model_note = settle_model(self._found, workshop, self._rules)
        return workshop

    @cached_property
    def _rules(self) -> str:
        return rules_digest()

    @cached_property
    def cache(self) -> Cache:
        """What was computed before on this machine, if anything is kept."""
        if self._cache_folder is None:
            return Cache(None)
        return Cache(self._cache_folder, version=code_digest() + self._rules.encode())

    @property
    def model(self) -> str:
        """What the scores are learned from, in words."""
        count = self.workshop.blend.tests
        if not count:
            return "physics alone: there are no rated playtests"
        invented = ", which are invented" if self.demo else ""
        note = self._model_note or "model fitted in memory, default settings"
        return f"physics, and {count} rated playtests of this house{invented}; {note}"

    def train(self, out: str | Path | None = None, *, jobs: int = 1, progress: Progress | None = None) -> Path:
        """Choose settings on this house's playtests, fit the model, and write it (default: ``model.npz`` beside the tables).

        ``jobs`` processes share the work; ``progress`` is called with steps done and steps in all. Raises ModelError, RequestError.
        """
        from matchkit.match.card import card_path, model_card

        if not self.workshop.rated:
            raise RequestError("there is no rated playtest to learn from: ranking goes by physics alone, and needs no model")
        check_request(top=1, jobs=jobs)
        path = self._beside if out is None else Path(out)
        if path is None:
            raise ModelError("the demo house or a book on a server has no place for it: name a file for the model")
        workshop = self.workshop
        blend, belonging = workshop.train(jobs=jobs, progress=progress), belonging_of(workshop, self._rules)
        save_model(blend, workshop.rated_tests, path, belonging=belonging)
        card = model_card(path.name, blend, workshop.rated_tests, workshop.ligatures, belonging=belonging, invented=self.demo)
        try:
            write_whole(card_path(path), lambda file: file.write(card.encode()))
        except SourceError as error:
            raise ModelError(str(error)) from error
        self._found = FoundModel(path.name, blend, belonging)
        self.__dict__.pop("workshop", None)
        return path

    def evaluate(self, *, nested: bool = True, jobs: int = 1, progress: Progress | None = None) -> Evaluation:
        """Say how well the model predicts this house's playtests that it has not seen; ``jobs`` processes share the folds.

        ``progress`` is called with folds done and folds in all. Raises RequestError for too few playtests.
        """
        from matchkit.match.validate import evaluate_tests

        check_request(top=1, jobs=jobs)
        return evaluate_tests(self.workshop.rated_tests, self.workshop.ligatures, nested=nested, jobs=jobs, progress=progress)

    def compare(self, first: str | Path, second: str | Path) -> tuple[Difference, ...]:
        """Compare two model files on this house's playtests, held out alike: differences of error and NDCG@5 with their intervals.

        What differs is what they chose: each is fitted anew in every fold with its own settings. Raises ModelError, RequestError.
        """
        from matchkit.match.validate import compare_settings

        one, other = (load_model(Path(path))[0].settings for path in (first, second))
        return compare_settings(self.workshop.rated_tests, self.workshop.ligatures, one, other)

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
        """Give a player who is in no table, by what they say they play now: ids, a tip opening, a strength, or "?".

        Raises RequestError where that cannot be read.

        >>> open_house().visitor("alto", mouthpiece="75thou", reed="2.5").strength
        2.5
        """
        return read_visitor(
            self.workshop,
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

        >>> ranking = open_house().rank("P01", top=2)
        >>> [row.position for row in ranking.rows]
        [1, 2]
        """
        from matchkit.match.questions import Asked, rank_setups

        asked = Asked(
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
        return rank_setups(self.workshop, player, asked, model=self.model, jobs=jobs, progress=progress)

    def strengths(self, mouthpiece: str, player: str | Visitor | None = None) -> Strengths:
        """Lay every reed that fits a mouthpiece side by side, and mark the one equal to the present set-up; raises UnknownIdError.

        >>> found = open_house().strengths("AM-05", "P02")
        >>> sum(row.equal for row in found.rows)
        1
        """
        from matchkit.match.side_by_side import strengths

        facing = self.workshop.facing(mouthpiece)
        person = Visitor(instrument=facing.mouthpiece.instrument) if player is None else player
        return strengths(self.workshop, facing, view=self.workshop.view(person))

    def swap(self, player: str | Visitor, *, mouthpiece: str | None = None, reed: str | None = None, top: int = 3) -> Swap:
        """Replace one part of the present set-up: what on the new part feels like the old, and what difference remains.

        Name a new mouthpiece (reeds are searched) or a new reed (mouthpieces are). Raises RequestError unless exactly one is named
        and the present set-up is known, UnknownIdError for an id in no table.

        >>> open_house().swap("P02", mouthpiece="AM-08").part
        'mouthpiece'
        """
        from matchkit.match.side_by_side import swap

        check_request(top=top, jobs=1)
        workshop = self.workshop
        view = workshop.view(player)
        if (mouthpiece is None) == (reed is None):
            raise RequestError("name the new mouthpiece or the new reed, one of them")
        if view.present is None:
            raise RequestError("swap against what? the present mouthpiece and reed must be known")
        facing = None if mouthpiece is None else workshop.facing(mouthpiece)
        part = None if reed is None else workshop.reed(reed)
        return swap(workshop, view=view, facing=facing, reed=part, top=top)

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
        from matchkit.match.questions import explain_setup

        return explain_setup(self.workshop, player, (mouthpiece, reed, ligature), wish=wish, neck=neck, model=self.model)

    def _piece(self, piece: str, pieces: str | Path | None) -> tuple[Mouthpiece, Pieces]:
        """Find a piece in these tables, in those of ``pieces``, or (demo house) in the demo batch."""
        from matchkit.bench.batch import gather

        tables = self.tables
        if pieces is not None or (self.demo and all(item.id != piece for item in tables.mouthpieces)):
            tables = read_tables(shipped("data/demo-bench/batch") if pieces is None else pieces, needed=PIECES_TABLES)
        found = find(tables.mouthpieces, piece, "mouthpiece", lambda item: item.id)
        return found, gather(tables.mouthpieces, tables.facings, tables.lay_points)

    def facing(self, mouthpiece: str, *, pieces: str | Path | None = None, studies: Sequence[GaugeStudy] = ()) -> FacingReport:
        """Say what the readings of a mouthpiece tell: lengths, shape, smoothness, rails, bumps, each with its uncertainty.

        It is looked for in ``pieces`` where that is given; ``studies`` of the gauge replace its stated uncertainties. Raises UnknownIdError,
        DataError.

        >>> open_house().facing("AM-07").rail_difference_mm < -0.5
        True
        """
        from matchkit.bench.facing_report import facing_report
        from matchkit.bench.maker import gauge_from

        piece, gathered = self._piece(mouthpiece, pieces)
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

        >>> open_house().batch(pair=False).counts["fail"]
        6
        """
        from matchkit.bench.batch import gather
        from matchkit.bench.maker import gauge_from, judge_and_pair
        from matchkit.bench.pairing import checked_draws

        check_request(top=1, jobs=jobs, budget=None)
        draws = checked_draws(draws)
        tables = read_tables(shipped("data/demo-bench/batch") if pieces is None else pieces, needed=PIECES_TABLES)
        rules = self.tables.spec if spec is None else read_spec(spec)
        rules = rules.model_copy(update={"gauge": gauge_from(rules.gauge, studies)})
        gathered = gather(tables.mouthpieces, tables.facings, tables.lay_points)
        return judge_and_pair(self.workshop, gathered, spec=rules, pair=pair, draws=draws, jobs=jobs, progress=progress)

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

        >>> plan = open_house().reface("TB-25-07", drawing=True)
        >>> plan.removals[1].left_um > plan.removals[1].right_um - 1
        True
        """
        from matchkit.bench.maker import Wanted, plan_reface

        found, gathered = self._piece(piece, pieces)
        rules = self.tables.spec if spec is None else read_spec(spec)
        wanted = Wanted(drawing, tip_opening_mm, reed, closing_kpa, table_down)
        return plan_reface(self.workshop, found, gathered, spec=rules, wanted=wanted)

    def plan(self, kind: str, sets: Sequence[str], *, players: Sequence[str], **options: Any) -> Plan:
        """Plan a blind playtest: ``kind`` is compare, two or triangle, each of ``sets`` mouthpiece/reed/ligature by their ids.

        The options are those of :func:`matchkit.playtest.plan.plan_test` and :func:`~matchkit.playtest.plan.plan_compare`. Raises
        UnknownIdError, and RequestError for parts that do not fit, options that the kind has not, and plans that could show nothing.

        >>> house = open_house()
        >>> house.plan("triangle", ("AM-05/AR-A-2.5", "AM-08/AR-A-2.5"), players=("P02",)).power.critical
        13
        """
        from matchkit.playtest.questions import planned

        return planned(self.tables, kind, sets, players=players, options=options)

    def analyse(self, *, session: str | None = None, claim: str | None = None) -> Analysis:
        """Say what the blind trials and playtests of this house show, or those of one ``session`` (its name, or what its names begin with).

        ``claim`` names a set-up that was said beforehand to have more of what was asked. Raises RequestError where there is nothing.

        >>> [item.verdict for item in open_house().analyse(session="LIG").comparisons]
        ['different', 'inconclusive']
        """
        from matchkit.playtest.questions import analysed

        return analysed(self.tables, self.workshop, session=session, claim=claim)

    def next(
        self, player: str | None = None, *, count: int = 8, in_stock: bool = False, progress: Progress | None = None
    ) -> tuple[NextTest, ...]:
        """Say which set-ups to play next to learn most, for one player or over all of them.

        Worth is the rating that a playtest is expected to move across the edge of a player's top five, for what it costs
        (:mod:`matchkit.playtest.next_tests`). Raises UnknownIdError, RequestError for a count that cannot be meant.

        >>> [test.position for test in open_house().next("P02", count=2)]
        [1, 2]
        """
        from matchkit.playtest.questions import to_play_next

        return to_play_next(self.workshop, player, count=count, in_stock=in_stock, progress=progress)

    def closing(
        self, mouthpiece: str, reed: str, *, player: str | Visitor | None = None, reed_offset_mm: float = 0.0
    ) -> ClosingReport:
        """Compute how one reed closes on one facing, for a player or for the assumed blowing pressure and lip.

        ``reed_offset_mm`` is how far the reed's tip stands past the tip rail, from -3 to 3. Raises UnknownIdError or RequestError.

        >>> house = open_house()
        >>> report = house.closing("TM-01", "TR-A-2.5")
        >>> 2 < report.closing_pressure_kpa < 20
        True
        """
        from matchkit.match.closing import closing_report

        if not -3 <= reed_offset_mm <= 3:
            raise RequestError(f"the reed stands {reed_offset_mm:g} mm past the tip rail; expected -3 to 3")
        facing, part = self.workshop.facing(mouthpiece), self.workshop.reed(reed)
        person = Visitor(instrument=facing.mouthpiece.instrument) if player is None else player
        view = self.workshop.view(person)
        return closing_report(self.workshop, facing, part, view=view, reed_offset_mm=reed_offset_mm)
