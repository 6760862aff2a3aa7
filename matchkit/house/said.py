"""Parts of a house as they are said: by id, or by size, strength or contact."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matchkit.errors import RequestError
from matchkit.house.rooms import Rooms
from matchkit.score.player import Visitor

if TYPE_CHECKING:
    from matchkit.advise.ranking import AnyPart
    from matchkit.parts.facing import FacingPart
    from matchkit.parts.reed import ReedPart


class PartsSaid(Rooms):
    """Finds the parts that a question names."""

    def part(
        self,
        kind: str,
        said: str = "",
        *,
        instrument: str | None = None,
        tip_opening_mm: float | None = None,
        strength: float | None = None,
        cut: str | None = None,
        line: str | None = None,
        contact: str | None = None,
    ) -> AnyPart:
        """Return a part of the house, or one that is known by its size, strength or contact only.

        Parameters
        ----------
        kind
            mouthpiece, reed or ligature
        said
            an id, or a size as it is typed: "75thou", "unfiled 2.5", "plate"
        instrument
            needed for a size or a strength
        tip_opening_mm
            of a mouthpiece
        strength, cut, line
            of a reed: its number, filed or unfiled, and its line where it is one of this house
        contact
            of a ligature: rails, plate, wrap or points

        Raises
        ------
        UnknownIdError, RequestError
            for what is no part

        Examples
        --------
        >>> import matchkit as mk
        >>> mk.open().part("mouthpiece", instrument="alto", tip_opening_mm=1.9).id
        '1.9mm'
        """
        from matchkit.parts.said import said_facing, said_reed, usual_tip_mm

        if kind == "mouthpiece":
            if said:
                return said_facing(self.parts, said, instrument)
            if tip_opening_mm is None or instrument is None:
                raise RequestError("a mouthpiece is named by its id, or by its instrument and tip opening")
            return self.parts.typed_facing(usual_tip_mm(tip_opening_mm, instrument, f"{tip_opening_mm:g}mm"), instrument)
        if kind == "reed" and not said and strength is None:
            raise RequestError("a reed is named by its id, or by its instrument and strength")
        if kind == "reed":
            return said_reed(
                self.parts, said or " ".join(word for word in (line or cut, f"{strength or 0:g}") if word), instrument
            )
        if kind == "ligature":
            return self.parts.ligature(said or contact or "")
        raise RequestError(f"'{kind}' as a part; expected mouthpiece, reed or ligature")

    def _facing(self, said: str | FacingPart, player: str | Visitor | None, other: str | ReedPart | None = None) -> FacingPart:
        """Return a mouthpiece that was said, for the player's instrument or that of a reed of the house."""
        from matchkit.parts.said import said_facing

        return said_facing(self.parts, said, self._instrument(player, other)) if isinstance(said, str) else said

    def _reed(self, said: str | ReedPart, instrument: str) -> ReedPart:
        from matchkit.parts.said import said_reed

        return said_reed(self.parts, said, instrument) if isinstance(said, str) else said

    def _instrument(self, player: str | Visitor | None, reed: str | ReedPart | None = None) -> str | None:
        """Return the instrument that a size is meant for: the player's, else that of a reed of the house; None where nobody says."""
        if isinstance(player, Visitor):
            return player.instrument
        if player is not None:
            return self.scorer.view(player).player.instrument
        records = [part for part in self.parts.stock.reeds if part.id == reed] if isinstance(reed, str) else []
        if reed is not None and not isinstance(reed, str):
            records = [reed.reed]
        return records[0].instrument if records else None
