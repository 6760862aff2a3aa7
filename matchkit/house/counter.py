"""What a retailer and a player ask: which set-up, which reed, why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from matchkit.advise.requests import check_request
from matchkit.constants import UNKNOWN
from matchkit.errors import RequestError
from matchkit.house.said import PartsSaid
from matchkit.results import Progress
from matchkit.score.player import Visitor
from matchkit.units import MM

if TYPE_CHECKING:
    from matchkit.advise.answers import ClosingReport, Explanation, Ranking
    from matchkit.advise.beside.reeds import Strengths
    from matchkit.advise.beside.swap import Swap
    from matchkit.advise.ranking import AnyPart
    from matchkit.parts.facing import FacingPart
    from matchkit.parts.reed import ReedPart
    from matchkit.records.parts import Ligature


class CounterQuestions(PartsSaid):
    """What a retailer and a player ask: which set-up, which reed, why."""

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
        level: str | None = None,
    ) -> Visitor:
        """Return a player who is in no table, by what they say they play now.

        Parameters
        ----------
        instrument
            what they play
        mouthpiece
            an id, a tip opening such as "75thou" or "1.9mm", or "?"; an id of another instrument is a hint of their taste
        reed
            an id, a strength such as "2.5", perhaps with its cut or line ("unfiled 2½", "alto-A 2.5"), or "?"
        ligature
            an id, how it touches the reed ("plate"), or "?"
        embouchure
            light, medium or firm
        blow_kpa, lip_mm
            blowing pressure in kPa and distance of the lip from the tip in mm, where they were measured
        level
            beginner, intermediate or advanced, for somebody without a set-up

        Raises
        ------
        RequestError
            where that cannot be read

        Examples
        --------
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
            level=level,
        )

    def rank(
        self,
        player: str | Visitor,
        *,
        wish: Sequence[str] = (),
        complaint: Sequence[str] = (),
        fixed: Mapping[str, AnyPart | str | Sequence[AnyPart | str]] | None = None,
        change: str | None = None,
        in_stock: bool = False,
        budget: float | None = None,
        top: int = 3,
        alike: bool = False,
        across: bool = False,
        neck: str | None = None,
        jobs: int = 1,
        progress: Progress | None = None,
    ) -> Ranking:
        """Rank every set-up that fits for a player, best first.

        Parameters
        ----------
        player
            an id, or a :class:`Visitor`
        wish
            words such as "freer"
        complaint
            such as "tired lip": answered first with what costs nothing, then with its wish
        fixed
            mouthpieces, reeds or ligatures to choose from, by part: ids, sizes ("75thou", "2.5", "plate") or what :meth:`part` gives
        change
            the one part that may change
        in_stock
            leave out what is counted as 0
        budget
            leave out what costs more; the player's own parts cost nothing
        top
            how many rows
        alike
            the best rows whatever they share; otherwise they share neither mouthpiece nor line of reeds, as far as there are such, and a
            reed alone that does most of a wish for resistance stands before them
        across
            allow parts of another instrument
        neck
            an id of the necks
        jobs, progress
            processes that share the work; called with blocks done and blocks in all

        Raises
        ------
        UnknownIdError
            for an id in no table
        RequestError
            for a question that cannot be meant

        Examples
        --------
        >>> import matchkit as mk
        >>> ranking = mk.open().rank("P01", top=2)
        >>> [setup.position for setup in ranking.rows]
        [1, 2]
        """
        from matchkit.advise.ranking import Wanted, rank_setups

        wanted = Wanted(
            wish=tuple(wish),
            complaint=tuple(complaint),
            fixed={
                kind: [some] if isinstance(some, str) or not isinstance(some, Sequence) else some
                for kind, some in (fixed or {}).items()
            },
            change=change,
            in_stock=in_stock,
            budget=budget,
            top=top,
            alike=alike,
            across=across,
            neck=neck,
        )
        return rank_setups(self.learner, player, wanted, model=self.model, jobs=jobs, progress=progress)

    def explain(
        self,
        player: str | Visitor,
        mouthpiece: str | FacingPart,
        reed: str | ReedPart,
        ligature: str | Ligature | None = None,
        *,
        wish: Sequence[str] = (),
        change: str | None = None,
        neck: str | None = None,
    ) -> Explanation:
        """Explain one set-up for a player: every term and every playtest behind its score.

        A set-up that would be refused is explained all the same, with the reasons against it.

        Parameters
        ----------
        player
            an id or a :class:`Visitor`
        mouthpiece, reed, ligature
            ids, sizes, or what :meth:`part` gives; without a ligature, of the pair alone
        wish, change, neck
            as :meth:`rank`

        Raises
        ------
        UnknownIdError, RequestError
            as :meth:`rank`
        """
        from matchkit.advise.explain import explain_setup

        return explain_setup(
            self.learner, player, (mouthpiece, reed, ligature), wish=wish, change=change, neck=neck, model=self.model
        )

    def strengths(self, mouthpiece: str | FacingPart, player: str | Visitor | None = None) -> Strengths:
        """Lay every reed that fits a mouthpiece side by side, softest first, against the present set-up.

        Parameters
        ----------
        mouthpiece
            an id, or a tip opening such as "75thou" where the player says the instrument
        player
            an id or a :class:`Visitor`; without one, a usual player of the instrument

        Raises
        ------
        UnknownIdError
            for an id in no table

        Examples
        --------
        >>> import matchkit as mk
        >>> found = mk.open().strengths("AM-05", "P02")
        >>> sum(line.equal for line in found.rows)
        1
        """
        from matchkit.advise.beside.reeds import strengths

        facing = self._facing(mouthpiece, player)
        instrument = facing.mouthpiece.instrument
        person = Visitor(instrument=instrument) if player is None else player
        if isinstance(person, Visitor) and person.mouthpiece_id is None and person.tip_opening_mm is None:
            person = replace(person, tip_opening_mm=facing.lay.tip_opening_m / MM)  # their reed, on this mouthpiece
            if any(piece.id == facing.id for piece in self.parts.stock.mouthpieces):
                person = replace(person, tip_opening_mm=None, mouthpiece_id=facing.id)
        view = self.scorer.view(person)
        if view.player.instrument != instrument:
            raise RequestError(f"{facing.id} is for {instrument}, the player plays {view.player.instrument}")
        return strengths(self.scorer, facing, view=view)

    def swap(
        self,
        player: str | Visitor,
        *,
        mouthpiece: str | FacingPart | None = None,
        reed: str | ReedPart | None = None,
        top: int = 3,
    ) -> Swap:
        """Replace one part of the present set-up: what on the new part is as free to blow, and what that costs in opening.

        Parameters
        ----------
        player
            an id or a :class:`Visitor`, whose present mouthpiece and reed are known
        mouthpiece, reed
            the new part, one of them: reeds are searched for a mouthpiece, mouthpieces for a reed
        top
            how many rows

        Raises
        ------
        UnknownIdError
            for an id in no table
        RequestError
            unless exactly one part is named and the present set-up is known

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().swap("P02", mouthpiece="AM-08").part
        'mouthpiece'
        """
        from matchkit.advise.beside.swap import swap

        check_request(top=top)
        view = self.scorer.view(player)
        if (mouthpiece is None) == (reed is None):
            raise RequestError("name the new mouthpiece or the new reed, one of them")
        if view.present is None:
            raise RequestError("swap against what? the present mouthpiece and reed must be known")
        facing = None if mouthpiece is None else self._facing(mouthpiece, player)
        part = None if reed is None else self._reed(reed, view.player.instrument)
        return swap(self.scorer, view=view, facing=facing, reed=part, top=top)

    def closing(
        self,
        mouthpiece: str | FacingPart,
        reed: str | ReedPart,
        *,
        player: str | Visitor | None = None,
        reed_offset_mm: float = 0.0,
    ) -> ClosingReport:
        """Compute how one reed closes on one facing.

        Parameters
        ----------
        mouthpiece, reed
            ids, sizes, or what :meth:`part` gives
        player
            an id or a :class:`Visitor`, whose blowing pressure and lip are taken; without one, usual ones
        reed_offset_mm
            how far the reed's tip stands past the tip rail, -3 to 3 mm

        Raises
        ------
        UnknownIdError
            for an id in no table
        RequestError
            for an offset that cannot be meant, or a reed for another instrument

        Examples
        --------
        >>> import matchkit as mk
        >>> 2 < mk.open().closing("TM-01", "TR-A-2.5").closing_pressure_kpa < 20
        True
        """
        from matchkit.advise.closing import closing_report

        if not -3 <= reed_offset_mm <= 3:
            raise RequestError(f"the reed stands {reed_offset_mm:g} mm past the tip rail; expected -3 to 3")
        facing = self._facing(mouthpiece, player, reed)
        instrument = facing.mouthpiece.instrument
        part = self._reed(reed, instrument)
        if part.reed.instrument != instrument:
            raise RequestError(
                f"the reed {part.id} is for {part.reed.instrument}; expected one for {instrument}, as {facing.id} is"
            )
        view = self.scorer.view(Visitor(instrument=instrument) if player is None else player)
        return closing_report(self.scorer, facing, part, view=view, reed_offset_m=reed_offset_mm * MM)
