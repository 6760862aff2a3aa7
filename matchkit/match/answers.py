"""What comes back from a question: frozen, with its JSON form and its table."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias

from matchkit.match.common_scale import AS_GIVEN, OwnLine
from matchkit.match.counter import NextTry

if TYPE_CHECKING:
    import pandas as pd

    Frame: TypeAlias = pd.DataFrame


@dataclass(frozen=True)
class TermReason:
    """One term of the score for one set-up.

    ``share`` is its part of the loss -ln D, ``cost`` the points of the score (0-100) it took from what perfect terms would
    reach; ``value`` is None where it was not known.
    """

    name: str
    desirability: float
    weight: float
    share: float
    cost: float
    value: float | None
    unit: str
    good: float
    poor: float
    known: bool
    words: str


@dataclass(frozen=True)
class NeighbourReason:
    """One playtest behind a correction; ``points`` is what it gave to the score (0-100).

    ``rating`` is the mark as its player gave it, ``residual`` what the line missed in it, in points of the player who asks: every player's
    marks are put on the common scale, and that on this player's line.
    """

    playtest: str
    player: str
    distance: float
    weight: float
    rating: float
    residual: float
    points: float


@dataclass(frozen=True)
class Setup:
    """One set-up with its score, its interval (None where there are not enough playtests) and its reasons."""

    position: int
    mouthpiece_id: str
    reed_id: str
    ligature_id: str | None
    ligature_ids: tuple[str, ...]
    mouthpiece_label: str | None
    reed_label: str | None
    ligature_label: str | None
    score: float
    score_low: float | None
    score_high: float | None
    computed: float
    correction: float
    evidence: float
    blend: float
    overall_d: float
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    effort_kpa: float
    playing_opening_mm: float
    terms: tuple[TermReason, ...]
    neighbours: tuple[NeighbourReason, ...]
    why: tuple[str, ...]
    feel: tuple[str, ...]
    doubts: tuple[str, ...]
    measure_next: str
    price: float | None
    """Of the parts the player does not have; None where one of them has no price."""
    changed: str | None
    """The one part that differs from the set-up before it (for the first row: from the present one); None for none or several."""

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return asdict(self)

    def flat(self) -> dict[str, Any]:
        """Give the columns of a csv row: nested keys left out."""
        return {name: getattr(self, name) for name in Ranking.columns}


@dataclass(frozen=True)
class Ranking:
    """Ranked set-ups for one player, what was refused and why, and what the answer rests on."""

    player: str
    wish: tuple[str, ...]
    target: str
    model: str
    rows: tuple[Setup, ...]
    refused: dict[str, int]
    combinations: int
    present: Setup | None
    doubts: tuple[str, ...]
    first_try: tuple[str, ...] = ()
    """What costs nothing, to be tried before any other part, where a complaint was named."""
    next_tries: tuple[NextTry, ...] = ()
    """The one part to change if the first row turns out wrong."""
    own_line: OwnLine = AS_GIVEN
    """How this player uses the line of marks; scores and marks are on it."""

    columns: ClassVar[tuple[str, ...]] = tuple(item.name for item in fields(Setup) if "tuple" not in str(item.type))
    """Columns of the flat form."""

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.rank/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give the rows as a table, nested keys left out."""
        return frame([row.flat() for row in self.rows], self.columns)


@dataclass(frozen=True)
class Explanation:
    """One set-up for one player, with every term and every playtest behind it."""

    player: str
    wish: tuple[str, ...]
    target: str
    model: str
    setup: Setup
    intercept: float
    slope: float
    kappa: float
    refused: tuple[str, ...]
    assumed: tuple[str, ...]
    not_checked: tuple[str, ...]
    own_line: OwnLine = AS_GIVEN
    """How this player uses the line of marks; scores, intercept and slope are on it."""

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.explain/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give the terms as a table."""
        return frame([asdict(term) for term in self.setup.terms])


@dataclass(frozen=True)
class CurvePoint:
    """One point of the characteristic."""

    pressure_kpa: float
    area_mm2: float
    flow_l_s: float


@dataclass(frozen=True)
class ClosingReport:
    """How one reed closes on one facing; ``u_`` fields are standard uncertainties in the unit of their quantity."""

    mouthpiece_id: str
    reed_id: str
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    u_dominated_by: str
    u_parts: dict[str, float]
    stiffness_mpa_per_m: float
    u_stiffness_mpa_per_m: float
    tip_opening_mm: float
    u_tip_opening_mm: float
    rest_area_mm2: float
    blow_kpa: float
    blow_source: str
    effort_kpa: float
    u_effort_kpa: float
    closes_up: bool
    lip_mm: float
    lip_area_mm2: float
    lip_load_n: float
    playing_opening_mm: float
    u_playing_opening_mm: float
    playing_area_mm2: float
    peak_flow_l_s: float
    closing_share: float
    u_closing_share: float
    closing_share_free: float
    shape_known: bool
    """Whether facing and profile were both measured; otherwise the closing share rests on an assumed shape."""
    elbow_pressure_kpa: float | None
    seal_pressure_kpa: float | None
    first_contact_mm: float
    clamp_mm: float
    u_clamp_mm: float
    reed_offset_mm: float
    u_reed_offset_mm: float
    pressure_per_mm_forward_pct: float
    lip_closes_reed: bool
    window_kpa: tuple[float, float] | None
    """Closing pressures that the house calls playable on this instrument."""
    assumed: tuple[str, ...]
    measure_next: str
    curve: tuple[CurvePoint, ...] = ()
    """Jet area and flow from rest to one and a half closing pressures, without lip."""

    def to_dict(self) -> dict[str, Any]:
        """Give the JSON form."""
        return {"schema": "matchkit.closing/1", **asdict(self)}

    def to_frame(self) -> pd.DataFrame:
        """Give one row, nested keys left out."""
        return frame([{name: value for name, value in asdict(self).items() if not isinstance(value, tuple | list | dict)}])


def frame(rows: Sequence[dict[str, Any]], columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Give rows as a table."""
    import pandas as pd

    return pd.DataFrame(list(rows), columns=None if columns is None else list(columns))
