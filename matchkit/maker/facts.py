"""What a maker's answers say, as values: features of a drawing, faults, what was left out, and where a refacing goes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from matchkit.errors import Problem


@dataclass(frozen=True)
class FeatureAt:
    """A feature of a drawing: a column of the tables, or ``stop_mm`` or ``rail_difference_mm`` with its rail and feeler."""

    feature: str
    rail: str | None = None
    feeler_mm: float | None = None


@dataclass(frozen=True)
class Fault:
    """What is wrong with a piece, from its worst feature: how, by how much, on which rail or on both, and at which feeler.

    ``sure`` is false where the piece is inconclusive: it must be measured again before it is touched.
    """

    kind: Literal[
        "rail short",
        "rails uneven",
        "stop short",
        "stop long",
        "all stops short",
        "all stops long",
        "tip too close",
        "tip too open",
        "table hollow",
        "table convex",
        "baffle too high",
        "baffle too low",
        "below the drawing",
        "above the drawing",
    ]
    feature: str
    size: float
    rail: Literal["left", "right", "both"] | None = None
    feeler_mm: float | None = None
    sure: bool = True
    mean_mm: float | None = None
    """Of a short rail: by how much over all feelers, on average."""
    thinnest_mm: float | None = None
    """Of a short rail: by how much at the thinnest feeler."""
    way: Literal["short", "long"] = "short"
    """Of rails that differ at one feeler: whether the rail stops short there or long, by its own line."""
    off_rail: Literal["left", "right"] | None = None
    """Of a short rail that is where the drawing has it: the other one, which is too long."""


@dataclass(frozen=True)
class NotPaired:
    """Why the pieces of an instrument were not paired with the house reeds."""

    instrument: str
    why: Literal["no closing range", "no reed known"]


@dataclass(frozen=True)
class LeftOut:
    """Reeds of an instrument that are on no strength scale, and were left out of a pairing."""

    instrument: str
    reeds: int


@dataclass(frozen=True)
class SetAside:
    """A piece that was not judged, or none where the rows name none, and the problems for which it was not; the others were judged."""

    mouthpiece_id: str | None
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class TableFound:
    """What is known of the table on which everything rests: as recorded (hollow negative), and what the readings show.

    ``rocking`` says whether the readings show a plate that rocks; it cannot be told without a drawing, and a scan had no plate.
    """

    gap_mm: float | None
    rocking: Literal["yes", "no", "no drawing", "scanned"]


@dataclass(frozen=True)
class RefaceTarget:
    """Where a refacing shall go."""

    to: Literal["fair", "drawing", "tip", "reed", "piece"]
    model: str = ""
    tip_opening_mm: float | None = None
    reed_id: str = ""
    closing_kpa: float | None = None
    reaches_kpa: float | None = None
    """What the reed closes at on what is left."""
    met: bool = False
    """Whether the reed closes at that pressure, within a touch, on the piece as it is."""
    reed_named: bool = False
    """Whether that reed was asked for, and not taken as a usual one of the house."""
    middle: bool = False
    """Whether that closing pressure is the middle of the house's range, and not one that was asked for."""
    closing_share: float | None = None
    """What the reed leaves open on it when it is closed, as a share of the opening; with the least removal."""
    even_share: float | None = None
    more_um: float | None = None
    """The same of the facing that closes most evenly, and the most that comes off beside for that, in um; of a fair curve for one that nothing read is under."""
    keeps_resistance: bool = False
    """Whether a tip opening leaves the closing pressure of that reed as it was."""
    more_table_um: float | None = None
    """What the middle of a drawing would take off the table beyond what the plan does, in um; where a drawing is out of reach, what its limits would."""
    sure: bool = True
    """Whether it is met by more than what the gauge cannot tell, where it is a drawing."""
    like_id: str = ""
    """The piece whose facing is copied."""


@dataclass(frozen=True)
class Against:
    """A reason against doing what a plan says, with the number it rests on and the limit it passes, where there are such."""

    why: Literal[
        "within its drawing",
        "perhaps within its drawing",
        "gauge too coarse for its drawing",
        "feelers too doubtful",
        "stops too coarse",
        "perhaps another model",
        "near another model",
        "rails exchanged",
        "zero first",
        "scan zero first",
        "scans apart first",
        "one feeler first",
        "one rail",
        "table convex",
        "within the uncertainty",
        "opens too much",
        "closes too much",
        "wall unknown",
        "wall too thin",
        "never measured",
    ]
    size: float | None = None
    limit: float | None = None
    what: str = ""
    """The model that it may be of."""


@dataclass(frozen=True)
class OutOfReach:
    """A place where the lay already stands further from the reed than the target, which removing cannot mend."""

    place_mm: float
    above_um: float
    feeler_mm: float | None = None
    beyond_mm: float | None = None
    """How far past its upper limit in a drawing a feeler stops there, or the tip stands open (no feeler); None without a drawing."""


PlanNote = Literal["break as far as it goes"]
