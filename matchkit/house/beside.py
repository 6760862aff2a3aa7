"""What somebody asks who holds one thing against another: two set-ups, or a mouthpiece and itself changed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, TypeAlias

from matchkit.constants import DECIMALS
from matchkit.errors import RequestError
from matchkit.house.said import PartsSaid
from matchkit.score.player import PlayerView, Visitor

if TYPE_CHECKING:
    from matchkit.advise.beside.compare import Comparison
    from matchkit.advise.beside.what_if import WhatIf
    from matchkit.advise.ranking import AnyPart
    from matchkit.parts.facing import FacingPart
    from matchkit.parts.reed import ReedPart

Sizes: TypeAlias = "float | str | Sequence[float | str]"


class BesideQuestions(PartsSaid):
    """Two set-ups, and a mouthpiece and itself changed."""

    def compare(
        self,
        first: Sequence[AnyPart | str],
        second: Sequence[AnyPart | str],
        player: str | Visitor | None = None,
        *,
        wish: Sequence[str] = (),
        neck: str | None = None,
    ) -> Comparison:
        """Hold two set-ups side by side: what differs, how sure that is, and which is expected to be marked higher.

        Parameters
        ----------
        first, second
            mouthpiece, reed and perhaps ligature: ids, sizes, or what :meth:`part` gives; ("now",) for what the player plays
        player
            an id or a :class:`Visitor`; without one, a usual player of the instrument
        wish, neck
            as :meth:`rank`

        Raises
        ------
        UnknownIdError, RequestError
            as :meth:`rank`, and for parts of different instruments

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().compare(("AM-08", "AR-A-3"), ("AM-08", "AR-A-2.5"), "P02").feel.resistance.steps < -0.5
        True
        """
        from matchkit.advise.beside.compare import compare, instrument_of, read_side

        person = player
        if person is None:
            person = Visitor(instrument=instrument_of(self.parts, (*first[:2], *second[:2])))
        view = self.scorer.view(person, neck_id=neck)

        sides = tuple(read_side(self.parts, said, view) for said in (first, second))
        return compare(self.learner, view, (sides[0], sides[1]), wish=wish, model=self.model)

    def what_if(
        self,
        mouthpiece: str | FacingPart,
        *,
        player: str | Visitor | None = None,
        reed: str | ReedPart | None = None,
        wish: Sequence[str] = (),
        tip: Sizes = (),
        facing: Sizes = (),
        baffle: Sizes = (),
        chamber: Sizes = (),
    ) -> WhatIf:
        """Hold a mouthpiece against itself changed, its measured shape kept.

        Parameters
        ----------
        mouthpiece
            an id, or a size where the player says the instrument
        player
            an id or a :class:`Visitor`; without one, a usual player of the instrument
        reed
            an id or a strength; the player's own where none is named, else the one of the house nearest to what is aimed at
        wish
            as :meth:`rank`
        tip, facing, baffle, chamber
            sizes in mm (chamber cm3), or changes as text: "+0.1mm"; several, a list "+0.05,+0.1" or a range "-0.1:0.1:0.05"

        Raises
        ------
        UnknownIdError, RequestError
            for unknown parts, and for what no mouthpiece can be

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().what_if("AM-05", tip="+0.1mm").rows[0].steps_opening > 0
        True
        """
        from matchkit.advise.beside.what_if import what_if
        from matchkit.advise.requests import check_wishes
        from matchkit.parts.changed import size_of
        from matchkit.parts.said import read_sizes
        from matchkit.score.wishes import understand

        part = self._facing(mouthpiece, player, reed)
        kind = part.mouthpiece.instrument
        view = self.scorer.view(Visitor(instrument=kind) if player is None else player)
        if view.player.instrument != kind:
            raise RequestError(f"{part.id} is for {kind}, the player plays {view.player.instrument}")
        wishes = understand(wish)
        check_wishes(wishes, view)
        sizes = {}
        for what, asked in (("tip", tip), ("facing", facing), ("baffle", baffle), ("chamber", chamber)):
            several = [asked] if isinstance(asked, str | float | int) else list(asked)
            now = size_of(part, what)
            sizes[what] = [
                value for one in several for value in (read_sizes(one, what, now) if isinstance(one, str) else [float(one)])
            ]
        if reed is not None:
            own = self._reed(reed, kind)
        elif view.present_reed is not None:
            own = view.present_reed
        else:
            own = self._usual_reed(part, view)
        if own.reed.instrument != kind:
            raise RequestError(f"the reed {own.id} is for {own.reed.instrument}; expected one for {kind}, as {part.id} is")
        return what_if(self.learner, view, part, own, sizes, wishes)

    def _usual_reed(self, facing: FacingPart, view: PlayerView) -> ReedPart:
        """Return the reed of the house that is nearest to what is aimed at on a mouthpiece."""
        from matchkit.advise.beside.reeds import strengths

        rows = [row for row in strengths(self.scorer, facing, view=view).rows if row.steps is not None]
        if not rows:
            raise RequestError(f"with which reed? no reed here can be compared on {facing.id} (--reed)")
        return self.parts.reed(min(rows, key=lambda row: (round(abs(row.steps or 0.0), DECIMALS), row.reed_id)).reed_id)
