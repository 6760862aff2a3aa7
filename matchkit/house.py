"""One open house: its tables, its model, and what can be asked of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from pathlib import Path

import numpy as np

from matchkit.errors import DataError, ModelError, Problem, RequestError, SourceError
from matchkit.match.answers import ClosingReport, Explanation, FacingReport, Ranking, Setup
from matchkit.match.blend import Blend
from matchkit.match.calibrate import Calibration, calibrate_readings
from matchkit.match.closing import closing_report, facing_report
from matchkit.match.complaints import find_complaint
from matchkit.match.counter import OVER_BUDGET, next_tries, within_budget
from matchkit.match.fit import FITS, count_refused, ligature_reasons, pair_reasons
from matchkit.match.model_file import load_model, save_model
from matchkit.match.parts import FacingPart, ReedPart
from matchkit.match.rank import Candidates, rank_candidates
from matchkit.match.requests import PARTS, aim_words, check_request, check_wishes, keep_others, person_assumptions
from matchkit.match.setups import Question, owned_parts
from matchkit.match.side_by_side import Strengths, Swap, strengths, swap
from matchkit.match.target import PlayerView
from matchkit.match.validate import Evaluation, evaluate_tests
from matchkit.match.visitors import UNKNOWN, read_visitor
from matchkit.match.wishes import Wishes, understand
from matchkit.match.workshop import Stock, Visitor, Workshop
from matchkit.records.calibration import BenchReading
from matchkit.records.defaults import Defaults, DefaultValue
from matchkit.tables.csv_reader import read_csv
from matchkit.tables.shipped import shipped
from matchkit.tables.store import Tables, digest, read_tables

MODEL_FILE = "model.npz"

Progress = Callable[[int, int], None]


def open_house(source: str | Path | None = None, *, model: str | Path | None = None) -> House:
    """Open a house: a directory of csv tables, an xlsx workbook, or the demo house where none is named.

    ``model`` is a file that ``train`` wrote; without it, ``model.npz`` beside the tables is taken if it was trained on them as they
    are now (for the demo house the shipped one), else a model is fitted in memory. Raises DataError with every problem of the
    tables, SourceError where there is nothing to read, ModelError for a named model that cannot be used.

    >>> house = open_house()
    >>> len(house.tables.mouthpieces) >= 30
    True
    """
    place = shipped("data/demo") if source is None else Path(source)
    tables = read_tables(place)
    if model is not None:
        return House(tables, demo=source is None, model=Path(model))
    beside = _shipped_model() if source is None else (place if place.is_dir() else place.parent) / MODEL_FILE
    return House(tables, demo=source is None, beside=beside)


def _shipped_model() -> Path | None:
    try:
        return shipped("models/demo.npz")
    except SourceError:
        return None


def calibrate(path: str | Path) -> Calibration:
    """Turn a csv of bench readings into rows of the strength scale.

    Raises SourceError where there is no such file, DataError with every problem of it.
    """
    place = Path(path)
    if not place.is_file():
        raise SourceError(f"{place}: expected a csv file of bench readings")
    reading = read_csv(place, BenchReading)
    if reading.problems:
        raise DataError(reading.problems)
    return calibrate_readings([record for record in reading.records if isinstance(record, BenchReading)])


def read_defaults() -> Defaults:
    """Give the values assumed where a house has not measured."""
    path = shipped("data/defaults.csv")
    reading = read_csv(path, DefaultValue)
    if reading.problems:
        raise DataError(reading.problems)
    return Defaults(record for record in reading.records if isinstance(record, DefaultValue))


class House:
    """A house whose tables have been read and checked."""

    def __init__(self, tables: Tables, *, demo: bool = False, model: Path | None = None, beside: Path | None = None) -> None:
        self.tables = tables
        self.demo = demo
        self._model_note = ""
        self._blend: Blend | None = None
        if model is not None:
            self._blend, trained_on = load_model(model)
            same = trained_on == digest(tables)
            self._model_note = f"model {model.name}" + ("" if same else ", trained on other tables than these")
        elif beside is not None and beside.is_file():
            self._take(beside)

    def _take(self, path: Path) -> None:
        """Take a model beside the tables if it belongs to them; say why where it does not."""
        try:
            blend, trained_on = load_model(path)
        except ModelError as error:
            self._model_note = f"model fitted in memory ({error})"
            return
        if trained_on == digest(self.tables):
            self._blend, self._model_note = blend, f"model {path.name}"
        else:
            self._model_note = f"model fitted in memory ({path.name} was trained on other tables)"

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What is odd in the tables, and was not refused."""
        return self.tables.warnings

    @cached_property
    def workshop(self) -> Workshop:
        """The parts, and what can be computed from them."""
        tables = self.tables
        return Workshop(
            Stock(
                mouthpieces=tables.mouthpieces,
                facings=tables.facings,
                reeds=tables.reeds,
                reed_profiles=tables.reed_profiles,
                strength_scale=tables.strength_scale,
                ligatures=tables.ligatures,
                necks=tables.necks,
                players=tables.players,
                playtests=tables.playtests,
                spec=tables.spec,
                defaults=read_defaults(),
            ),
            blend=self._blend,
        )

    @property
    def model(self) -> str:
        """What the scores are learned from, in words."""
        count = self.workshop.blend.tests
        if not count:
            return "physics alone: there are no rated playtests"
        invented = ", which are invented" if self.demo else ""
        note = self._model_note or "model fitted in memory, default settings"
        return f"physics, and {count} rated playtests of this house{invented}; {note}"

    def train(self, out: str | Path | None = None) -> Path:
        """Choose settings on this house's playtests, fit the model, and write it (default: ``model.npz`` beside the tables).

        Raises ModelError where it cannot be written.
        """
        place = Path(self.tables.source)
        path = (place if place.is_dir() else place.parent) / MODEL_FILE if out is None else Path(out)
        self._blend = self.workshop.train()
        save_model(self._blend, self.workshop.rated_tests, path, data_hash=digest(self.tables))
        self._model_note = f"model {path.name}"
        self.__dict__.pop("workshop", None)
        return path

    def evaluate(self, *, nested: bool = True, progress: Progress | None = None) -> Evaluation:
        """Say how well the model predicts this house's playtests that it has not seen; raises RequestError for too few."""
        return evaluate_tests(self.workshop.rated_tests, self.workshop.ligatures, nested=nested, progress=progress)

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
        check_request(top=top, jobs=jobs, budget=budget)
        complaints = [find_complaint(word) for word in complaint]
        said = [*wish, *(item.wish for item in complaints if item.wish is not None)]
        workshop, wishes = self.workshop, understand(said)
        view = workshop.view(player, neck_id=neck)
        check_wishes(wishes, view)
        kept_parts = {**keep_others(change, view), **(fixed or {})}
        facings, reeds, allowed = self._chosen(kept_parts)
        instrument, ligatures = view.player.instrument, workshop.ligatures
        pair_refusals = pair_reasons(
            facings, reeds, instrument=instrument, across=across, in_stock=in_stock, wishes=wishes, view=view
        )
        ligature_refusals = ligature_reasons(facings, ligatures, in_stock=in_stock)
        kept = np.array([item.id in allowed for item in ligatures], dtype=bool)
        mouthpiece, reed = np.nonzero(pair_refusals == FITS)
        pairs = workshop.pairs(facings, reeds, mouthpiece, reed, lip_mm=view.lip_mm, jobs=jobs, progress=progress)
        scored = workshop.score(view, pairs, facings, reeds, wishes=wishes)
        fits = ((ligature_refusals == FITS) & kept)[mouthpiece]
        refused = count_refused(pair_refusals, ligature_refusals[:, kept])
        if budget is not None:
            affordable = within_budget(
                budget, facings, reeds, ligatures, mouthpiece=mouthpiece, reed=reed, owned=owned_parts(view)
            )
            refused |= {OVER_BUDGET: int((fits & ~affordable).sum())}
            fits = fits & affordable
        candidates = Candidates(
            [facings[place].mouthpiece.id for place in mouthpiece],
            [reeds[place].reed.id for place in reed],
            [reeds[place].shape_key[0] for place in reed],
            scored.terms.overall,
            scored.features,
            fits,
        )
        question = Question(workshop, workshop.blend, view, facings, reeds, scored, ligatures)
        placed = rank_candidates(
            candidates,
            workshop.blend,
            ligatures,
            instrument=instrument,
            player=view.player.id,
            top=top,
            different=different,
        )
        return Ranking(
            player=view.player.id,
            wish=wishes.words,
            target=aim_words(workshop.targets(view, workshop.instrument_reeds(instrument), wishes), wishes),
            model=self.model,
            rows=question.setups(placed),
            refused={reason: count for reason, count in refused.items() if count},
            combinations=len(facings) * len(reeds) * max(int(kept.sum()), 1),
            present=self._present(view, wishes),
            doubts=self._doubts(view, reeds, instrument),
            first_try=tuple(dict.fromkeys(step for item in complaints for step in item.free)),
            next_tries=next_tries(pairs, placed[0].pair, facings, reeds, wish_step=workshop.spec.wish_step) if placed else (),
        )

    def strengths(self, mouthpiece: str, player: str | Visitor | None = None) -> Strengths:
        """Lay every reed that fits a mouthpiece side by side: effort, air, closing, box, and the one equal to the present set-up.

        Raises UnknownIdError for an id in no table.

        >>> found = open_house().strengths("AM-05", "P02")
        >>> sum(row.equal for row in found.rows)
        1
        """
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
        workshop, wishes = self.workshop, understand(wish)
        view = workshop.view(player, neck_id=neck)
        check_wishes(wishes, view)
        facing, part = workshop.facing(mouthpiece), workshop.reed(reed)
        instrument = view.player.instrument
        fixed_ligature = None if ligature is None else workshop.ligature(ligature)
        setup = self._score_one(view, facing, part, ligature, wishes)
        refused = [
            str(
                pair_reasons((facing,), (part,), instrument=instrument, across=False, in_stock=False, wishes=wishes, view=view)[
                    0, 0
                ]
            )
        ]
        if fixed_ligature is not None:
            refused.append(str(ligature_reasons((facing,), (fixed_ligature,), in_stock=False)[0, 0]))
        blend = workshop.blend
        return Explanation(
            player=view.player.id,
            wish=wishes.words,
            target=aim_words(workshop.targets(view, (part,), wishes), wishes),
            model=self.model,
            setup=setup,
            intercept=blend.intercept,
            slope=blend.slope,
            kappa=blend.settings.kappa,
            refused=tuple(reason for reason in refused if reason != FITS),
            assumed=(*facing.assumed, *part.assumed, *person_assumptions(view)),
            not_checked=tuple(doubt for doubt in setup.doubts if doubt.startswith("fit not checked")),
        )

    def facing(self, mouthpiece: str) -> FacingReport:
        """Say what the readings of a mouthpiece tell: lengths, shape, smoothness, rails, bumps. Raises UnknownIdError.

        >>> open_house().facing("AM-07").rail_difference_mm < -0.5
        True
        """
        return facing_report(self.workshop.facing(mouthpiece))

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
        if not -3 <= reed_offset_mm <= 3:
            raise RequestError(f"the reed stands {reed_offset_mm:g} mm past the tip rail; expected -3 to 3")
        facing, part = self.workshop.facing(mouthpiece), self.workshop.reed(reed)
        person = Visitor(instrument=facing.mouthpiece.instrument) if player is None else player
        view = self.workshop.view(person)
        return closing_report(self.workshop, facing, part, view=view, reed_offset_mm=reed_offset_mm)

    def _chosen(self, fixed: Mapping[str, str]) -> tuple[tuple[FacingPart, ...], tuple[ReedPart, ...], set[str]]:
        """Give the parts a question is about: all of them, or the fixed one of a kind."""
        strange = sorted(set(fixed) - set(PARTS))
        if strange:
            raise RequestError(f"{', '.join(strange)} cannot be fixed; expected {', '.join(PARTS)}")
        workshop = self.workshop
        facings = (workshop.facing(fixed["mouthpiece"]),) if "mouthpiece" in fixed else workshop.facings
        reeds = (workshop.reed(fixed["reed"]),) if "reed" in fixed else workshop.reeds
        ligatures = (
            {workshop.ligature(fixed["ligature"]).id} if "ligature" in fixed else {item.id for item in workshop.ligatures}
        )
        return facings, reeds, ligatures

    def _present(self, view: PlayerView, wishes: Wishes) -> Setup | None:
        """Score what the player plays now, under the same wish, so that the answers can be held against it."""
        present = view.present
        if present is None:
            return None
        return self._score_one(view, present.facing, present.reed, present.ligature_id, wishes)

    def _score_one(self, view: PlayerView, facing: FacingPart, reed: ReedPart, ligature: str | None, wishes: Wishes) -> Setup:
        """Score one set-up; with no ligature named, the playtests count as with an unlike one."""
        workshop = self.workshop
        one = np.array([0])
        pairs = workshop.pairs((facing,), (reed,), one, one, lip_mm=view.lip_mm)
        scored = workshop.score(view, pairs, (facing,), (reed,), wishes=wishes)
        ligatures = () if ligature is None else (workshop.ligature(ligature),)
        candidates = Candidates(
            [facing.mouthpiece.id],
            [reed.reed.id],
            [reed.shape_key[0]],
            scored.terms.overall,
            scored.features,
            np.ones((1, len(ligatures)), dtype=bool),
        )
        placed = rank_candidates(
            candidates, workshop.blend, ligatures, instrument=view.player.instrument, player=view.player.id, top=1
        )
        return Question(workshop, workshop.blend, view, (facing,), (reed,), scored, ligatures).setup(1, placed[0])

    def _doubts(self, view: PlayerView, reeds: Sequence[ReedPart], instrument: str) -> tuple[str, ...]:
        """Say once what holds for the whole answer."""
        found = list(view.typed)
        if view.present is None:
            parts = {"mouthpiece": view.present_facing, "reed": view.present_reed}
            missing = [name for name, part in parts.items() if part is None]
            verb = "are" if len(missing) > 1 else "is"
            found.append(f"the present {' and '.join(missing)} {verb} not known, so the target is not the present set-up")
        scales = sorted({part.scale for part in reeds if part.scale is not None and part.reed.instrument == instrument})
        if scales:
            found.append(
                "no strength scale for "
                + ", ".join(scales)
                + ": ordered among themselves by their number, not compared with other reeds"
            )
        if self.workshop.blend.interval(view.player.id) is None:
            found.append("no interval: not enough playtests")
        return tuple(found)
