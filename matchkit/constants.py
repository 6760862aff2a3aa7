"""Every number with a meaning that is not a weight of the score: value, unit, spread, source, status.

A value is ``published`` (its source can be opened), ``computed`` (follows from the model) or ``assumed`` (ours; nothing was
found, and the answer that rests on it says so). The weights and limits of the score stand in ``score/terms/``.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

from matchkit.files import shipped

with shipped("data/instruments.csv").open(encoding="utf-8", newline="") as _file:
    _ROWS = {row["instrument"]: row for row in csv.DictReader(_file)}

INSTRUMENTS: tuple[str, ...] = tuple(_ROWS)
"""Every instrument there is: a row of ``data/instruments.csv``, and its defaults in ``data/defaults.csv``."""

if TYPE_CHECKING:
    Instrument: TypeAlias = str
else:
    Instrument = Literal[INSTRUMENTS]


def _column(name: str) -> dict[str, float]:
    """Return one number of each instrument that has it."""
    return {instrument: float(row[name]) for instrument, row in _ROWS.items() if row[name]}


Status = Literal["published", "computed", "assumed"]


@dataclass(frozen=True)
class Parameter:
    """One number: what it is, how sure it is and where it is from."""

    value: float
    unit: str
    meaning: str
    source: str
    status: Status
    u: float = 0.0
    """Standard uncertainty, in the same unit."""


@dataclass(frozen=True)
class PerInstrument:
    """One number for each instrument, sharing unit, source and status."""

    values: dict[str, float]
    unit: str
    meaning: str
    source: str
    status: Status

    def __getitem__(self, instrument: str) -> float:
        return self.values[instrument]


AIR_DENSITY = Parameter(
    1.14, "kg/m3", "breath in the mouth and the mouthpiece", "ideal gas at 35 °C, damp, 4 % of carbon dioxide", "computed", 0.02
)

# Facing
THIN_FEELER = Parameter(0.038, "mm", "feeler that defines the facing length", "common practice, no source", "assumed")
CLAMP_BEHIND = Parameter(
    5.0, "mm", "from the facing length to where the reed is taken as clamped", "docs/physics.md, section 3", "computed"
)
SEEN_HEIGHT = Parameter(0.010, "mm", "height from which a lay counts as begun, at the bench", "no source", "assumed")
UNSEEN = PerInstrument(
    _column("unseen_pct"),
    "%",
    "closing pressure, from 5 µm of waviness between the thinnest feeler and the break, which no feeler sees",
    "docs/physics.md, section 3",
    "computed",
)
U_FEELER = Parameter(0.005, "mm", "thickness of one feeler", "no table could be opened", "assumed")
U_STOP = Parameter(0.10, "mm", "one reading of where a feeler stops", "a fifth of a half-millimetre gauge", "assumed")
U_TIP = Parameter(0.02, "mm", "a tip opening measured with a gauge", "no source", "assumed")
U_SCAN = Parameter(0.005, "mm", "one height of a rail from an indicator or scanner", "no source", "assumed")
U_SIZE = Parameter(0.05, "mm", "a width, length or bore taken with callipers", "no source", "assumed")
U_DEPTH = Parameter(0.10, "mm", "a depth under the rails taken with a depth gauge", "no source", "assumed")
U_TABLE = Parameter(0.005, "mm", "a gap under a straight edge taken with feelers", "one feeler", "assumed")
U_VOLUME = Parameter(0.05, "cm3", "a chamber filled with water", "one drop", "assumed")
TABLE_HALF = Parameter(15.0, "mm", "half the table on which a convex piece rocks", "no source", "assumed")
RAIL_GROWTH = Parameter(
    0.3, "mm/mm", "side rail gained for what comes off it: the slopes of both its walls", "no source", "assumed"
)
U_TIP_NOMINAL = Parameter(0.05, "mm", "a tip opening taken from a label or a list", "no source", "assumed")
U_FACING_NOMINAL = Parameter(1.0, "mm", "a facing length taken from a list or a default", "no source", "assumed")

# Reed
CROWN = Parameter(
    0.72, "1", "second moment of the crowned section over the full rectangle's", "edge/centre 0.6", "assumed", 0.04
)
STIFFNESS_LOAD = Parameter(5.0, "mm", "tip to the load in the stiffness test", "docs/data.md", "assumed")
STIFFNESS_LOAD_FAR = Parameter(
    8.0, "mm", "a load further back than this gets a warning", "computed errors, 2.4 to 5.6 %", "computed"
)
STIFFNESS_CLAMP = PerInstrument(
    _column("stiffness_clamp_mm"),
    "mm",
    "tip to the clamp's edge in the stiffness test",
    "docs/data.md",
    "assumed",
)
U_STIFFNESS = Parameter(
    0.03, "1", "one stiffness reading: the load's place (0.1 mm is 2.5 to 3 %) and the dial", "computed", "computed"
)
U_SCALE = Parameter(0.04, "1", "mean stiffness of a box, read on a few reeds", "no source", "assumed")
U_LABEL = Parameter(0.10, "1", "stiffness of a reed known by its label only", "about one half strength", "assumed")
U_PROFILE = Parameter(0.02, "mm", "one thickness of a measured profile", "no source", "assumed")
U_PROFILE_GENERIC = Parameter(
    0.04, "1", "closing pressure, from a generic profile", "computed over the demo profiles", "computed"
)
U_REED_PLACE = Parameter(0.2, "mm", "where the reed's tip stands against the tip rail", "no source", "assumed")
BOX_SPREAD = Parameter(8.0, "%", "spread of stiffness within a box, one standard deviation", "no source", "assumed")
WET_FACTOR = Parameter(0.75, "1", "modulus of wet cane over dry", "from memory", "assumed", 0.10)
LABEL_MODULUS = Parameter(
    8.0e9,
    "Pa",
    "dry modulus given to strength 3 where nothing was measured",
    "chosen so that closing pressures, stiffness and slit are all within what was measured: docs/physics.md, section 4",
    "assumed",
)
U_HELD = Parameter(
    0.10, "1", "closing pressure of every set-up alike: how the reed is held, its crown", "computed, 0.9 to 1.1", "assumed"
)
U_MODULUS = Parameter(
    0.16, "1", "the modulus of cane that no reading of this house fixes", "a quarter in all, with what is beside it", "assumed"
)
LABEL_STRENGTH = Parameter(3.0, "strength", "the strength that modulus is given to", "no source", "assumed")
HALF_STRENGTH = Parameter(
    0.16,
    "1",
    "stiffness gained by half a strength",
    "half a strength for 0.3 to 0.5 mm of tenor tip: common practice, no source",
    "assumed",
)

# Player
LIP_PLACE = PerInstrument(
    _column("lip_place_mm"),
    "mm",
    "tip to the lip's middle",
    "no source",
    "assumed",
)
LIP_SPREAD = Parameter(5.0, "mm", "length of reed the lip force is spread over", "no source", "assumed")
U_TEST_METHOD = Parameter(0.07, "1", "every closing test alike: bar, feeler, what counts as held", "no source", "assumed")
U_TEST_READING = Parameter(0.04, "1", "one reading of a closing test", "no source", "assumed")
LIP_AREA = PerInstrument(
    _column("lip_area_mm2"), "mm2", "what a lip force acts on, on a usual set-up", "docs/physics.md, section 4", "computed"
)
LIP_SHARE = Parameter(
    1 / 3,
    "1",
    "what the lip takes of the closing pressure aimed at, where nothing is known",
    "with the scale: section 4",
    "assumed",
    0.10,
)
BLOW_FRACTION = Parameter(
    0.45, "1", "blowing pressure over the lowered closing pressure", "between onset 1/3 and beating 1/2", "assumed", 0.05
)

# Air
REED_VOLUME = PerInstrument(
    _column("reed_volume_cm3"),
    "cm3",
    "air volume with the compliance of a reed as played",
    "soprano and tenor published (UNSW, at second hand); alto between them, baritone beyond",
    "assumed",
)

U_CONE = Parameter(
    0.15,
    "1",
    "volume of the missing cone: 30 % either way, two standard uncertainties",
    "published angles differ so",
    "assumed",
)
SHANK_BORE = Parameter(16.0, "mm", "bore of the shank, where it was not read", "no source", "assumed")
CORK_SLIDE = Parameter(4.0, "mm", "how far a mouthpiece may be pushed or pulled to tune, either way", "no source", "assumed")
CORK_HOLD = Parameter(8.0, "mm", "cork that must stay inside the shank", "no source", "assumed")

# Comparing two set-ups
OPENING_STEP = PerInstrument(
    _column("opening_step"),
    "1",
    "one step of tip opening, as a factor",
    "a tip size or two of the trade: common practice, no source",
    "assumed",
)
NOTICE = Parameter(0.25, "step", "a difference below this is called 'about the same'", "no source", "assumed")


# What fits
VAMP_ROOM = Parameter(2.0, "mm", "room that a vamp must leave behind the facing", "no source", "assumed")

DECIMALS = 6
"""What decides a rank, a choice or a word is rounded to this first, so that no machine's last bits do."""

VISITOR = "visitor"
"""What a player who is in no table is called."""
UNKNOWN = "?"
"""What stands for a part that is not known, where somebody says what they play now."""
TWO_SIDED = 1.96
"""Standard uncertainties to either side that hold the truth 19 times of 20 (the normal distribution)."""

# What a playtest counts
BLIND_WEIGHT = Parameter(1.5, "1", "a mark given blind, over one given knowing the parts", "no source", "assumed")
KEPT_MARK = Parameter(8.0, "points", "what a set-up that was taken home and kept counts as", "no source", "assumed")
RETURNED_MARK = Parameter(3.0, "points", "what a set-up that was taken home and brought back counts as", "no source", "assumed")
LOAN_NOISE = Parameter(2.0, "points", "standard deviation of either, where that of a playtest is 0.9", "no source", "assumed")


@dataclass(frozen=True)
class FeatureScale:
    """How a feature is scaled before distances are taken: (value - typical) / one, for each instrument."""

    typical: dict[str, float]
    one: dict[str, float]
    unit: str
    meaning: str


def _scale(typical: str | float, one: str | float, unit: str, meaning: str) -> FeatureScale:
    """Return a scale whose numbers are columns of the instruments' table, or one number for all."""
    columns = [_column(item) if isinstance(item, str) else dict.fromkeys(INSTRUMENTS, float(item)) for item in (typical, one)]
    return FeatureScale(columns[0], columns[1], unit, meaning)


# All assumed: a typical part, and a difference that players would call clear. Those of leak, cut, closing pressure and closing share
# were widened or narrowed on fifty invented houses of the demo rule (seeds 101 to 160) by how well the blend ranks; `make houses` tries
# them on other seeds.
FEATURE_SCALES: dict[str, FeatureScale] = {
    "tip_opening": _scale("tip_opening_mm", "tip_opening_one", "mm", "tip opening"),
    "facing_length": _scale("facing_length_mm", 2.0, "mm", "facing length"),
    "smoothness": _scale(15.0, 20.0, "µm", "RMS of measured minus fair"),
    "rail_leak": _scale(0.15, 0.6, "mm2", "leak between the rails"),
    "baffle_height": _scale("baffle_height_mm", 1.5, "mm", "rail plane to the baffle"),
    "chamber_volume": _scale("chamber_volume_cm3", "chamber_volume_one", "cm3", "chamber"),
    "cut": _scale(0.5, 0.5, "1", "1 filed, 0 unfiled"),
    "tip_thickness": _scale(0.10, 0.02, "mm", "thickness of the profile at the tip"),
    "ln_closing_pressure": _scale("ln_closing_pressure", 0.15, "ln kPa", "closing pressure"),
    "closing_share": _scale(0.06, 0.1, "1", "area left at the closing pressure"),
    "ln_from_target": _scale(0.0, 0.15, "1", "closing pressure over the player's target"),
    "ln_tip_from_target": _scale(0.0, "opening_ln", "1", "tip opening over the player's target"),
    "embouchure": _scale(0.0, 1.0, "1", "-1 light, 0 medium, 1 firm"),
}
