"""What rank, explain and closing give back: numbers and facts, frozen; :mod:`matchkit.words` makes sentences of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, ClassVar

from matchkit.facts import Aimed, Assumed, Feel, KnownOnly, MeasureNext, ModelUse, Part, PartIds, Refusal, Sure, Unchecked
from matchkit.results import Answer, flat

Turn = str
"""How a set-up may turn out wrong: too resistant, too soft, too bright, too dark."""


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


@dataclass(frozen=True)
class MarkReason:
    """One playtest behind a correction; ``points`` is what it gave to the score (0-100), or to one group of it.

    ``rating`` is the mark, ``residual`` what it is above what the measurements let expect of it.
    """

    playtest: str
    player: str
    rating: float
    residual: float
    points: float


@dataclass(frozen=True)
class GroupReason:
    """One part of what the marks add, in points of the score: ``name`` says which.

    ``marks`` by ``players`` stand behind it (0 where it is not about any in particular); ``playtests`` are at most five of them, such as have
    mark and effect alike in sign.
    """

    name: str
    points: float
    marks: int
    players: int
    playtests: tuple[MarkReason, ...]


@dataclass(frozen=True)
class Played:
    """How often the player marked this mouthpiece and reed, with whatever ligature, and the mean of these marks.

    ``doubted`` are marks besides that are taken for slips and do not count yet.
    """

    times: int
    mean: float | None
    doubted: tuple[float, ...] = ()


@dataclass(frozen=True)
class Taste:
    """What a player's own marks say of one way to go: ``step`` further is marked ``points`` (of 10) higher; ``marks`` stand behind it.

    ``way`` is freer, more resistant, wider, closer, lower baffle or higher baffle.
    """

    way: str
    points: float
    marks: int


@dataclass(frozen=True)
class Deciding:
    """The one mark without which another set-up would be first."""

    playtest: str
    player: str
    mouthpiece_id: str
    reed_id: str
    rating: float


@dataclass(frozen=True)
class NewPart:
    """A part of a set-up that the player does not have; ``known`` says whether theirs of that kind is known."""

    part: Part
    id: str
    label: str | None
    price: float | None
    known: bool
    in_stock: bool
    """False where it is counted, and none is left; what they have at home to try needs no stock."""
    at_home: bool = False
    """Whether they have it at home to try."""


@dataclass(frozen=True)
class Setup(Answer):
    """One set-up with its score, its interval (None where there are not enough playtests) and its reasons."""

    schema: ClassVar[str] = "setup"

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
    overall_d: float
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    effort_kpa: float
    playing_opening_mm: float
    tip_opening_mm: float
    terms: tuple[TermReason, ...]
    groups: tuple[GroupReason, ...]
    playtests: tuple[MarkReason, ...]
    """What each mark gave, the largest first; those under a twentieth of a point are in ``other_playtests``."""
    other_playtests: float
    """Points of all other marks together."""
    played: Played | None
    own_interval: bool
    """Whether the range is the model's own, as too few were left out to tell."""
    feel: Feel
    assumed: tuple[Assumed, ...]
    unchecked: tuple[Unchecked, ...]
    measure_next: MeasureNext
    price: float | None
    """Of the parts the player does not have; None where one of them has no price."""
    changes: tuple[Part, ...] | None
    """The parts that differ from the present set-up; None where that is not known."""
    is_present: bool
    """Whether it is what the player has now."""
    gone: tuple[Part, ...] = ()
    """Parts that they do not have and of which none is left."""
    new_parts: tuple[NewPart, ...] = ()
    """What of it the player does not have, where mouthpiece and reed of theirs are known."""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return asdict(self)


@dataclass(frozen=True)
class NextTry:
    """If the set-up turns out so, change this one part; None where nothing here would do."""

    turn: Turn
    part: Part | None
    id: str | None
    label: str | None
    price: float | None


@dataclass(frozen=True)
class Ranking(Answer):
    """Ranked set-ups for one player, what was refused and why, and what the answer rests on."""

    schema: ClassVar[str] = "rank"
    table_of: ClassVar[str] = "rows"
    row_type: ClassVar[type] = Setup

    player: str
    wish: tuple[str, ...]
    aimed: Aimed
    model: ModelUse
    rows: tuple[Setup, ...]
    refused: dict[Refusal, int]
    combinations: int
    present: Setup | None
    typed: tuple[KnownOnly, ...]
    present_unknown: tuple[Part, ...]
    """Parts of the present set-up that nobody told."""
    uncompared: tuple[str, ...]
    """Lines of reeds on no strength scale: ordered among themselves only."""
    uncompared_shown: bool
    """Whether a reed of these lines is among the rows, since they marked it."""
    interval: bool
    """Whether there are playtests enough for an interval."""
    wish_step: float = 0.86
    """What a step freer, about half a strength, does to the closing pressure that is aimed at: the factor of the house."""
    change: str | None = None
    """The one part that may change, where only one may."""
    budget: float | None = None
    cheapest: float | None = None
    """What the cheapest set-up that fits costs, where a budget was named."""
    reed_alone: bool = False
    """Whether the first row changes the reed alone and does most of what was wished for; others may score higher."""
    complaint: tuple[str, ...] = ()
    """What is wrong now, as it is called here."""
    first_try: tuple[str, ...] = ()
    """What costs nothing, to be tried before any other part, where a complaint was named."""
    next_tries: tuple[NextTry, ...] = ()
    """The one part to change if the first row turns out wrong."""
    tastes: tuple[Taste, ...] = ()
    """What the player's own marks say of where to go from what they play."""
    deciding: Deciding | None = None
    passed_over: bool = False
    """Whether set-ups that are too like those shown beat one of them."""
    missing: tuple[Part, ...] = ()
    """Kinds of part of which there is none for the player's instrument."""
    instrument: str = ""
    favourite: Setup | None = None
    """What they marked highest, twice or more, where it is not among the rows and its marks are above what is expected of the first."""
    favourite_apart: bool = False
    """Whether its reed cannot be held against theirs, so that a wish leaves it out."""
    measured_first: PartIds | None = None
    """What the measurements alone would put first for somebody of a level, where marks put another mouthpiece there."""


@dataclass(frozen=True)
class Explanation(Answer):
    """One set-up for one player, with every term and every playtest behind it."""

    schema: ClassVar[str] = "explain"

    player: str
    wish: tuple[str, ...]
    aimed: Aimed
    model: ModelUse
    setup: Setup
    present: Setup | None
    intercept: float
    slope: float
    refused: tuple[Refusal, ...]
    assumed: tuple[Assumed, ...]
    tastes: tuple[Taste, ...] = ()
    sure: Sure | None = None
    """How sure it is whether it is marked higher or lower than what is played now; None where that is not known."""

    def flat_rows(self) -> list[dict[str, Any]]:
        """Return one row a term."""
        return [flat(term) for term in self.setup.terms]


@dataclass(frozen=True)
class CurvePoint:
    """One point of the characteristic."""

    pressure_kpa: float
    area_mm2: float
    flow_l_s: float


@dataclass(frozen=True)
class ClosingReport(Answer):
    """How one reed closes on one facing; ``u_`` fields are standard uncertainties in the unit of their quantity."""

    schema: ClassVar[str] = "closing"

    mouthpiece_id: str
    reed_id: str
    closing_pressure_kpa: float
    u_closing_pressure_kpa: float
    u_dominated_by: str
    u_parts: dict[str, float]
    blown_closing_kpa: float
    """Closing pressure where only the mouth presses, ahead of the lip."""
    threshold_kpa: float
    """Where a note begins, by the static rule: a third of the closing pressure, two parts drawn and one blown."""
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
    closing_range_kpa: tuple[float, float] | None
    """Closing pressures that the house calls playable on this instrument."""
    assumed: tuple[Assumed, ...]
    measure_next: MeasureNext
    curve: tuple[CurvePoint, ...] = ()
    """Jet area and flow from rest to one and a half closing pressures, without lip."""
