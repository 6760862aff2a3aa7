"""The parts: mouthpieces and their facing readings, reeds with profile and strength, ligatures, necks."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, ClassVar, Literal

from matchkit.constants import Instrument
from matchkit.records.quantity import OtherUnit, Quantity, Record
from matchkit.units import MM_PER_HALF_MM, MM_PER_INCH, MM_PER_THOU

Id = Annotated[str, Quantity("short code, one per row")]
Label = Annotated[str | None, Quantity("what people call it")]
Stock = Annotated[int | None, Quantity("pieces in stock", "pieces", 0, 100_000)]
Price = Annotated[float | None, Quantity("price, in the house's own currency", "", 0, 1_000_000)]
Retired = Annotated[bool | None, Quantity("whether it is no longer offered")]


class Mouthpiece(Record):
    """A mouthpiece: id, instrument and tip opening are enough to begin with."""

    id: Id
    label: Label = None
    model: Annotated[str | None, Quantity("the house's name of the design")] = None
    serial: Annotated[str | None, Quantity("number of the piece; the order of making follows it")] = None
    batch: Annotated[str | None, Quantity("batch it was made in")] = None
    instrument: Annotated[Instrument, Quantity("instrument it is made for")]
    material: Annotated[str | None, Quantity("what the body is made of")] = None
    tip_opening_mm: Annotated[
        float,
        Quantity(
            "plane of the table to the outer edge at the middle of the tip rail",
            "mm",
            0.5,
            4.0,
            accepts=(OtherUnit("tip_opening_thou", "thousandths of an inch", MM_PER_THOU),),
        ),
    ]
    facing_length_mm: Annotated[float | None, Quantity("tip to where the 0.038 mm feeler stops", "mm", 10, 40)] = None
    baffle_class: Annotated[Literal["low", "medium", "high"] | None, Quantity("baffle as seen, where it was not measured")] = (
        None
    )
    baffle_height_mm: Annotated[
        float | None, Quantity("rail plane down to the baffle, 5 mm behind the tip rail; small is high", "mm", 0.1, 15)
    ] = None
    baffle_10_mm: Annotated[
        float | None, Quantity("rail plane down to the baffle, 10 mm behind the tip rail", "mm", 0.1, 20)
    ] = None
    baffle_15_mm: Annotated[
        float | None, Quantity("rail plane down to the baffle, 15 mm behind the tip rail", "mm", 0.1, 25)
    ] = None
    baffle_length_mm: Annotated[float | None, Quantity("tip rail to the end of the baffle", "mm", 1, 60)] = None
    chamber_volume_cm3: Annotated[
        float | None, Quantity("water it holds with a reed taped on, plugged where the neck ends", "cm3", 0.5, 40)
    ] = None
    insertion_mm: Annotated[float | None, Quantity("how far the neck goes in", "mm", 1, 40)] = None
    throat_diameter_mm: Annotated[float | None, Quantity("narrowest width of the way from chamber to shank", "mm", 4, 25)] = (
        None
    )
    window_width_mm: Annotated[float | None, Quantity("opening between the side rails, at its widest", "mm", 5, 20)] = None
    window_length_mm: Annotated[float | None, Quantity("opening from the tip rail to its end", "mm", 15, 60)] = None
    tip_rail_mm: Annotated[float | None, Quantity("thickness of the tip rail", "mm", 0.1, 4)] = None
    side_rail_mm: Annotated[float | None, Quantity("thickness of one side rail", "mm", 0.1, 4)] = None
    wall_mm: Annotated[
        float | None, Quantity("thinnest wall under table and facing, where material would come off", "mm", 0.3, 15)
    ] = None
    table_gap_mm: Annotated[
        float | None, Quantity("thickest feeler under a straight edge; hollow is negative", "mm", -1, 1)
    ] = None
    body_diameter_mm: Annotated[float | None, Quantity("over body and reed at the ligature's middle", "mm", 12, 50)] = None
    shank_bore_mm: Annotated[float | None, Quantity("bore that takes the cork", "mm", 8, 25)] = None
    stock: Stock = None
    price: Price = None
    retired: Retired = None


class FacingReading(Record):
    """One feeler, stopped on one rail."""

    key: ClassVar[tuple[str, ...]] = ("mouthpiece_id", "rail", "feeler_mm", "repeat", "date")

    mouthpiece_id: Annotated[str, Quantity("mouthpiece that was read", refers_to="mouthpieces")]
    rail: Annotated[Literal["left", "right"], Quantity("which rail")]
    feeler_mm: Annotated[
        float, Quantity("thickness of the feeler", "mm", 0.01, 4.0, accepts=(OtherUnit("feeler_in", "inches", MM_PER_INCH),))
    ]
    stop_mm: Annotated[
        float,
        Quantity(
            "tip to where the feeler stops",
            "mm",
            0.1,
            45,
            accepts=(
                OtherUnit("stop_half_mm", "half millimetres", MM_PER_HALF_MM),
                OtherUnit("stop_in", "inches", MM_PER_INCH),
            ),
        ),
    ]
    repeat: Annotated[int | None, Quantity("number of the repeat, where a reading was taken again", "", 1, 1000)] = None
    u_feeler_mm: Annotated[float | None, Quantity("standard uncertainty of the feeler", "mm", 0.0001, 0.5)] = None
    u_stop_mm: Annotated[float | None, Quantity("standard uncertainty of one stop", "mm", 0.001, 5)] = None
    feelers: Annotated[int | None, Quantity("feelers stacked to that thickness, 1 where not given", "feelers", 1, 20)] = None
    tip_opening_mm: Annotated[
        float | None,
        Quantity(
            "tip opening on that day, where it is not the one in mouthpieces; one row of a day is enough",
            "mm",
            0.5,
            4.0,
            accepts=(OtherUnit("tip_opening_thou", "thousandths of an inch", MM_PER_THOU),),
        ),
    ] = None
    date: Annotated[dt.date | None, Quantity("day of the reading, as 2026-01-31")] = None
    operator: Annotated[str | None, Quantity("code of the person who read, never a name")] = None
    gauge_id: Annotated[str | None, Quantity("which gauge was used")] = None


class LayPoint(Record):
    """One height of a rail above the plane of the table, from an indicator or a scanner."""

    key: ClassVar[tuple[str, ...]] = ("mouthpiece_id", "rail", "x_mm", "date")

    mouthpiece_id: Annotated[str, Quantity("mouthpiece that was scanned", refers_to="mouthpieces")]
    rail: Annotated[Literal["left", "right"], Quantity("which rail")]
    x_mm: Annotated[float, Quantity("distance from the tip", "mm", 0, 45, accepts=(OtherUnit("x_in", "inches", MM_PER_INCH),))]
    height_mm: Annotated[
        float,
        Quantity(
            "height above the plane of the table", "mm", -0.5, 4, accepts=(OtherUnit("height_in", "inches", MM_PER_INCH),)
        ),
    ]
    u_height_mm: Annotated[float | None, Quantity("standard uncertainty of the height", "mm", 0.0001, 0.5)] = None
    date: Annotated[dt.date | None, Quantity("day of the scan, as 2026-01-31")] = None
    operator: Annotated[str | None, Quantity("code of the person who scanned, never a name")] = None
    gauge_id: Annotated[str | None, Quantity("which gauge was used")] = None


class Reed(Record):
    """A reed of one strength: id, instrument, cut and strength are enough to begin with."""

    id: Id
    label: Label = None
    instrument: Annotated[Instrument, Quantity("instrument it is made for")]
    cut: Annotated[Literal["filed", "unfiled"], Quantity("bark filed behind the vamp, or left")]
    profile_id: Annotated[str | None, Quantity("which profile and which strength scale it follows")] = None
    strength: Annotated[float, Quantity("the house's strength number", "", 0, 10)]
    stiffness_n_per_mm: Annotated[float | None, Quantity("force over deflection in the stiffness test", "N/mm", 0.005, 500)] = (
        None
    )
    stiffness_load_mm: Annotated[float | None, Quantity("tip to the load", "mm", 0, 30)] = None
    stiffness_clamp_mm: Annotated[float | None, Quantity("tip to the clamp's edge", "mm", 10, 50)] = None
    state: Annotated[Literal["dry", "wet"], Quantity("state of the reed in the stiffness test")] = "dry"
    material: Annotated[Literal["cane", "synthetic"], Quantity("what it is made of")] = "cane"
    lot: Annotated[str | None, Quantity("batch it came from")] = None
    tip_width_mm: Annotated[float | None, Quantity("width at the tip", "mm", 8, 25)] = None
    butt_width_mm: Annotated[float | None, Quantity("width at the butt", "mm", 6, 25)] = None
    length_mm: Annotated[float | None, Quantity("length over all", "mm", 40, 110)] = None
    vamp_length_mm: Annotated[float | None, Quantity("tip to where the cut begins", "mm", 20, 60)] = None
    stock: Stock = None
    price: Price = None
    retired: Retired = None


class ProfilePoint(Record):
    """One thickness on the centre line of a profile."""

    key: ClassVar[tuple[str, ...]] = ("profile_id", "x_mm")

    profile_id: Annotated[str, Quantity("which profile")]
    x_mm: Annotated[float, Quantity("distance from the tip", "mm", 0, 60)]
    thickness_mm: Annotated[float, Quantity("thickness on the centre line", "mm", 0.03, 5)]
    edge_mm: Annotated[float | None, Quantity("thickness 1 mm in from the edge", "mm", 0.01, 5)] = None


class StrengthStep(Record):
    """What one strength of one profile measures: the house's own calibration."""

    key: ClassVar[tuple[str, ...]] = ("profile_id", "strength")

    profile_id: Annotated[str, Quantity("which profile")]
    strength: Annotated[float, Quantity("the house's strength number", "", 0, 10)]
    stiffness_n_per_mm: Annotated[float | None, Quantity("mean of a few reeds of a box", "N/mm", 0.005, 500)] = None
    modulus_gpa: Annotated[float | None, Quantity("Young modulus along the reed", "GPa", 0.5, 30)] = None
    equals_profile_id: Annotated[str | None, Quantity("profile it plays like")] = None
    equals_strength: Annotated[float | None, Quantity("strength of that profile", "", 0, 10)] = None
    state: Annotated[Literal["dry", "wet"], Quantity("state of the reeds in the test")] = "dry"
    spread_pct: Annotated[float | None, Quantity("spread of stiffness within a box, one standard deviation", "%", 0, 60)] = None


class Ligature(Record):
    """A ligature; the diameters decide whether it fits."""

    id: Id
    label: Label = None
    instrument: Annotated[Instrument | None, Quantity("instrument it is made for, where it is for one only")] = None
    material: Annotated[str | None, Quantity("what it is made of")] = None
    contact: Annotated[Literal["rails", "plate", "wrap", "points"] | None, Quantity("how it touches the reed")] = None
    min_diameter_mm: Annotated[float | None, Quantity("smallest body and reed it closes on", "mm", 10, 55)] = None
    max_diameter_mm: Annotated[float | None, Quantity("largest body and reed it opens to", "mm", 10, 55)] = None
    length_mm: Annotated[float | None, Quantity("length along the reed", "mm", 3, 60)] = None
    screws: Annotated[Literal["under", "over"] | None, Quantity("where the screws sit")] = None
    mass_g: Annotated[float | None, Quantity("mass", "g", 0.5, 200)] = None
    stock: Stock = None
    price: Price = None
    retired: Retired = None


class Neck(Record):
    """The upper end of the instrument's cone."""

    id: Id
    instrument: Annotated[Instrument, Quantity("instrument it belongs to")]
    bore_mm: Annotated[float, Quantity("bore at the end that goes into the mouthpiece", "mm", 6, 25)]
    half_angle_deg: Annotated[float, Quantity("half angle of the cone; 0 for a cylinder", "degrees", 0, 5)]
    cork_mm: Annotated[float | None, Quantity("length of the cork", "mm", 5, 60)] = None
    chamfered: Annotated[bool | None, Quantity("bevel inside the end ring")] = None
