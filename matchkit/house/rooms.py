"""Who owns what in an open house: its tables, the parts made of them, what is scored, and what was learned."""

from __future__ import annotations

from dataclasses import fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from matchkit.errors import Problem
from matchkit.facts import ModelUse
from matchkit.files import Cache, code_digest
from matchkit.learn.learner import Learner
from matchkit.learn.model.fingerprint import rules_digest
from matchkit.learn.model.found import find_model, settle_model
from matchkit.parts.reed import HouseScale
from matchkit.parts.stock import Parts, Stock
from matchkit.records.spec import HouseSpec
from matchkit.score.scorer import Scorer
from matchkit.tables.defaults import read_defaults
from matchkit.tables.source import Tables
from matchkit.tables.store import read_spec, spec_beside
from matchkit.units import PERCENT

if TYPE_CHECKING:
    from matchkit.pairs.closing_tests import ScaleReport


class Rooms:
    """A house whose tables have been read and checked; each room is opened when it is first asked for."""

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

    def rules_for(self, spec: str | Path | None, *pieces: str | Path | None) -> HouseSpec:
        """Return the house.toml that was named, else the one beside the pieces, else this house's.

        Parameters
        ----------
        spec
            the one that was named, where one was
        pieces
            folders or workbooks beside which one may lie, the first that has one counts

        Returns
        -------
        HouseSpec
            with what this house says where it says nothing; of the demo house the closing range alone, which goes with the reeds

        Raises
        ------
        SourceError
            where it is not there
        DataError
            with every problem of it
        """
        place = spec or next(filter(None, map(spec_beside, pieces)), None)
        if place is None:
            return self.tables.spec
        read = read_spec(place)
        own = ("closing_range",) if self.demo else tuple(type(read).model_fields)
        kept = {name: getattr(self.tables.spec, name) for name in own if name not in read.model_fields_set}
        return read.model_copy(update=kept)

    @cached_property
    def slips(self) -> tuple[Problem, ...]:
        """Columns of these tables that together imply another unit; found once the parts are made."""
        from matchkit.checks.slips import slips

        return slips(self.parts)

    @property
    def odd_marks(self) -> tuple[Problem, ...]:
        """Marks that are likelier a slip than not; they do not count until a second one says the same."""
        from matchkit.checks.marks import odd_marks

        return odd_marks(self.learner.blend)

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """What is odd in the tables, and was not refused."""
        spec = self.tables.spec
        step = spec.with_step([reading.stop_mm for reading in self.tables.facings]).gauge.stop_step_mm
        if step == spec.gauge.stop_step_mm:
            return self.tables.warnings
        read, taken = f"stops on a step of {step:g} mm", f"stops as they are read; taken as read to {step:g} mm"
        hint = f"stop_step_mm = {step:g} under [gauge] of house.toml says so, another number says otherwise"
        return (*self.tables.warnings, Problem("facings", None, "stop_mm", read, taken, hint))

    @cached_property
    def parts(self) -> Parts:
        """The parts, made physical, on the house's own scale where it measured one."""
        if self.scale is None:
            return Parts(self._stock, cache=self.cache)
        return Parts(
            self._stock,
            cache=self.cache,
            scale=HouseScale(self.scale.factor, self.scale.u_pct * PERCENT, of_labels=self.scale.of_labels),
        )

    @cached_property
    def _stock(self) -> Stock:
        given = {field.name: getattr(self.tables, field.name) for field in fields(Stock) if field.name != "defaults"}
        given["spec"] = self.tables.spec.with_step([reading.stop_mm for reading in self.tables.facings])
        return Stock(**given, defaults=read_defaults())

    @cached_property
    def scale(self) -> ScaleReport | None:
        """What the closing tests of the house say of its absolute scale; None where there are none."""
        if not self.tables.closing_tests:
            return None
        from matchkit.pairs.closing_tests import house_scale

        return house_scale(Parts(self._stock, cache=self.cache), self.tables.closing_tests)

    @cached_property
    def scorer(self) -> Scorer:
        """What the measurements say of the parts, for any player."""
        return Scorer(self.parts)

    @cached_property
    def _settled(self) -> tuple[Learner, ModelUse]:
        learner = Learner(self.scorer)
        return learner, settle_model(self._found, learner, self._rules, invented=self.demo)

    @property
    def learner(self) -> Learner:
        """What was learned from the playtests."""
        return self._settled[0]

    @property
    def model(self) -> ModelUse:
        """What the scores are learned from; :func:`matchkit.words.model_words` says it."""
        return self._settled[1]

    @cached_property
    def _rules(self) -> str:
        return rules_digest()

    @cached_property
    def cache(self) -> Cache:
        """What was computed before on this machine, if anything is kept."""
        if self._cache_folder is None:
            return Cache(None)
        return Cache(self._cache_folder, version=code_digest() + self._rules.encode())
