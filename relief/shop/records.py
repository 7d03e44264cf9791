"""What stands in the shop: cutters, materials and machines, with the rules that each must keep.

Defaults of what a shop file leaves out are common practice, no source.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator

from relief.tables import Count, Flag, Length, Number, Text, key, record
from relief.units import format_length

CutterKind = Literal["flat", "ball", "bull", "vee", "taper", "drag"]


def _as_tuple(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


Texts = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]


@record
class Cutter:
    """A cutter of the rack. Lengths in mm.

    Raises
    ------
    TableError
        Values that no such cutter can have.
    """

    kind: Annotated[CutterKind, key("shape of the cutter; a drag point does not turn")]
    diameter: Annotated[Length, key("widest diameter of the cutting part", "mm", gt=0, le=200)]
    name: Annotated[Text, key("what you call it")] = ""
    tip_radius: Annotated[
        Length, key("corner radius of a bull, ball radius of a taper or rounded vee", "mm", ge=0)
    ] = 0.0
    angle: Annotated[Number, key("included angle of a vee or taper", "degrees", ge=0, lt=180)] = 0.0
    flutes: Annotated[Count, key("cutting edges", ge=1, le=12)] = 2
    cutting_length: Annotated[Length, key("length of the cutting edges; 0 = 4 × diameter", "mm", ge=0)] = 0.0
    reach: Annotated[Length, key("tip to holder; 0 = cutting length + 10 mm", "mm", ge=0)] = 0.0
    shank: Annotated[Length, key("shank diameter; 0 = the cutter's diameter", "mm", ge=0)] = 0.0
    holder_diameter: Annotated[Length, key("diameter of nut or holder; 0 = not known", "mm", ge=0)] = 0.0
    max_rpm: Annotated[Number, key("highest spindle speed its maker allows", "rev/min", gt=0)] = 30000.0
    number: Annotated[Count, key("its number in the rack; 0 = none", ge=0, le=9999)] = 0
    plunges: Annotated[
        bool,
        key(
            "whether its edges reach its middle, so that it may go straight down into stock: two-edged end"
            " mills, balls and vees do as a rule; many with inserts or more edges do not (common practice)"
        ),
    ] = True

    def __post_init__(self) -> None:
        self._fill("name", self.name or self.description)
        self._fill("cutting_length", self.cutting_length or 4 * self.diameter)
        self._fill("reach", self.reach or self.cutting_length + 10.0)
        self._fill("shank", self.shank or self.diameter)
        fault = _cutter_fault(self)
        if fault:
            raise ValueError(fault)

    def _fill(self, field: str, value: Any) -> None:
        object.__setattr__(self, field, value)

    @property
    def description(self) -> str:
        """Kind and size, e.g. "ball 3.175 mm"; a taper is called by the diameter of its tip."""
        size = 2 * self.tip_radius if self.kind == "taper" else self.diameter
        return f"{self.kind} {format_length(size)}"

    @property
    def turns(self) -> bool:
        """Whether the spindle may turn with it."""
        return self.kind != "drag"


def _cutter_fault(cutter: Cutter) -> str:
    """Return why no such cutter can exist, or an empty text."""
    radius = cutter.diameter / 2
    if cutter.kind in ("vee", "taper", "drag"):
        if not cutter.angle > 0:
            return f'a {cutter.kind} cutter needs "angle", the included angle in degrees'
        if cutter.kind == "taper" and not cutter.tip_radius > 0:
            return 'a taper cutter needs "tip_radius", the radius of the ball at its tip'
        if cutter.tip_radius * math.cos(math.radians(cutter.angle / 2)) >= radius:
            return "tip_radius is too large for the diameter; the cone would vanish"
    elif cutter.angle:
        return f'a {cutter.kind} cutter has no "angle"'
    if cutter.kind == "bull" and not 0 < cutter.tip_radius < radius:
        return 'a bull cutter needs "tip_radius", its corner radius, below half its diameter'
    if cutter.kind == "flat" and cutter.tip_radius:
        return 'a flat cutter has no "tip_radius"; a cutter with rounded corners is a "bull"'
    if (
        cutter.kind == "ball"
        and cutter.tip_radius
        and not math.isclose(cutter.tip_radius, radius, rel_tol=1e-6)
    ):
        return "tip_radius of a ball is half its diameter; leave it out"
    if cutter.reach < cutter.cutting_length:
        return "reach is shorter than cutting_length"
    return ""


@record
class ChipLoad:
    """Chip load, the feed per cutting edge, for cutters of one diameter."""

    diameter: Annotated[Length, key("cutter diameter", "mm", gt=0)]
    low: Annotated[Length, key("least chip load; below it the edge rubs", "mm", gt=0)]
    high: Annotated[Length, key("most chip load", "mm", gt=0)]

    def __post_init__(self) -> None:
        if self.low > self.high:
            message = f"low ({self.low:g} mm) is above high ({self.high:g} mm)"
            raise ValueError(message)


@record
class Material:
    """A kind of stock and the cutting rules that suit it."""

    name: Annotated[Text, key("what you call it", min_length=1)]
    chip_load: Annotated[
        tuple[ChipLoad, ...], BeforeValidator(_as_tuple), key("chip load by cutter diameter", min_length=1)
    ]
    max_surface_speed: Annotated[Number, key("highest speed of the cutting edge", "m/min", gt=0)]
    stepdown: Annotated[Number, key("depth of a roughing layer", "× diameter", gt=0, le=4)]
    stepover: Annotated[Number, key("distance between roughing passes", "× diameter", gt=0, le=0.9)]
    plunge: Annotated[Number, key("plunge feed", "× feed", gt=0, le=1)]
    cutting_force: Annotated[Number, key("specific cutting force", "N/mm²", gt=0)]
    density: Annotated[Number, key("density", "kg/m³", gt=0)]
    entry_angle: Annotated[Number, key("steepest ramp into the stock", "degrees", gt=0, le=45)] = 5.0
    cautions: Annotated[Texts, key("what to mind when cutting it")] = ()
    source: Annotated[Text, key("where the values come from")] = "common practice, no source"


Triple = Annotated[tuple[float, float, float], BeforeValidator(_as_tuple)]
LengthTriple = Annotated[tuple[Length, Length, Length], BeforeValidator(_as_tuple)]
Pair = Annotated[tuple[float, float], BeforeValidator(_as_tuple)]


@record
class Machine:
    """A three-axis router and what its controller understands."""

    name: Annotated[Text, key("what you call it", min_length=1)]
    travel: Annotated[LengthTriple, key("travel of X, Y and Z", "mm")] = (600.0, 600.0, 100.0)
    max_feed: Annotated[Triple, key("highest feed of X, Y and Z", "mm/min")] = (5000.0, 5000.0, 2000.0)
    acceleration: Annotated[Triple, key("acceleration of X, Y and Z", "mm/s²")] = (400.0, 400.0, 200.0)
    rpm: Annotated[Pair, key("slowest and fastest spindle speed", "rev/min")] = (8000.0, 24000.0)
    rpm_steps: Annotated[
        tuple[float, ...],
        BeforeValidator(_as_tuple),
        key("speeds of the dial of a hand-set spindle", "rev/min"),
    ] = ()
    spindle_power: Annotated[Number, key("power at the spindle", "W", gt=0)] = 800.0
    spindle: Annotated[Literal["program", "by hand"], key("whether the program sets the spindle speed")] = (
        "program"
    )
    tool_change: Annotated[Literal["separate programs", "M6"], key("how cutters are changed")] = (
        "separate programs"
    )
    corner_tolerance: Annotated[Length, key("how far the controller may round a corner", "mm", gt=0)] = 0.01
    blocks_per_second: Annotated[Number, key("blocks that the controller takes in a second", gt=0)] = 500.0
    clearance: Annotated[Length, key("height above the stock top for rapids", "mm", gt=0)] = 5.0
    decimals: Annotated[Count, key("decimals of coordinates in mm (three more in inches)", ge=2, le=6)] = 3
    arcs: Annotated[Flag, key("whether it understands G2 and G3")] = False
    percent_lines: Annotated[Flag, key("whether programs begin and end with a % line")] = False
    comments: Annotated[Flag, key("whether it accepts comments in parentheses")] = True
    dwell: Annotated[Number, key("wait after the spindle starts", "s", ge=0, le=60)] = 3.0

    def __post_init__(self) -> None:
        for field in ("travel", "max_feed", "acceleration"):
            if not all(value > 0 for value in getattr(self, field)):
                message = f"{field} needs three values above 0, for X, Y and Z"
                raise ValueError(message)
        if not 0 < self.rpm[0] <= self.rpm[1]:
            message = "rpm needs two values: the slowest (above 0) and the fastest spindle speed"
            raise ValueError(message)
        if not all(self.rpm[0] <= step <= self.rpm[1] for step in self.rpm_steps):
            message = "rpm_steps must lie within rpm"
            raise ValueError(message)
