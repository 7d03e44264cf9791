"""The sections of a job: each key with its default, unit, limit and meaning, stated here and nowhere else.

Defaults that no formula gives (sizes, allowances, scallop, tabs) are common practice, no source.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from relief.tables import Count, Feed, Flag, Length, Number, Text, key, record
from relief.units import Units

CutDirection = Literal["both ways", "climb", "conventional"]
Bearing = Annotated[float, Field(strict=True, ge=-360, le=360)]
Percent = Annotated[float, Field(strict=True, ge=0, lt=100)]
Level = (
    Annotated[float, Field(strict=True, ge=0, le=1)]
    | Annotated[str, Field(strict=True, pattern=r"^(100|\d{1,2}(\.\d+)?) ?%$")]
)


@record
class Stock:
    """The board."""

    width: Annotated[Length | None, key("size along X; default: the relief plus a margin", "mm", gt=0)] = None
    length: Annotated[Length | None, key("size along Y; default: the relief plus a margin", "mm", gt=0)] = (
        None
    )
    thickness: Annotated[Length, key("thickness of the stock", "mm", gt=0, le=500)] = 18.0


@record
class Relief:
    """The carved picture."""

    width: Annotated[
        Length | None,
        key("width of the relief; default: 120 mm, or a height file's columns × pitch", "mm", gt=0),
    ] = None
    length: Annotated[Length | None, key("its other side; default: from the picture's shape", "mm", gt=0)] = (
        None
    )
    depth: Annotated[
        Length | None, key("depth of the relief; default: 6 mm; a height file brings its own", "mm", gt=0)
    ] = None
    style: Annotated[Literal["raised", "sunk"], key("white stands up, or white goes deep")] = "raised"
    mirror: Annotated[Flag, key("swap left and right, to be seen from the back")] = False
    invert: Annotated[Flag, key("swap black and white")] = False
    margin: Annotated[
        Length | None,
        key("stock around the relief; default: 10 mm, or what the cutters need", "mm", ge=0),
    ] = None
    edge: Annotated[
        Literal["open", "walled"], key("open: the cutter may run past the edge; walled: the surround stays")
    ] = "open"


@record
class Shaping:
    """How brightness becomes height: steps in this order, each left out at its default."""

    crop: Annotated[
        tuple[Percent, Percent, Percent, Percent],
        key("cut off the picture at its left, right, near and far side", "percent"),
    ] = (0.0, 0.0, 0.0, 0.0)
    unstep: Annotated[Flag, key("remove the terraces of an 8-bit picture")] = False
    levels: Annotated[
        tuple[Level, Level],
        key('what becomes black and white: brightness 0 to 1, or a share of the pixels as "1 %"'),
    ] = (0.0, 1.0)
    tone: Annotated[
        Literal["linear", "lightness", "light"],
        key(
            "linear: equal steps of the picture's values are equal steps of height; lightness: equal steps"
            " to the eye (CIE L*); light: equal steps of physical light"
        ),
    ] = "linear"
    gamma: Annotated[Number, key("above 1 lifts the middle tones, below 1 lowers them", ge=0.1, le=10)] = 1.0
    smooth: Annotated[Length, key("radius of smoothing that keeps edges", "mm", ge=0, le=50)] = 0.0
    detail: Annotated[
        Number, key("hold large forms back so that fine detail gets the depth: 0 none, 1 most", ge=0, le=1)
    ] = 0.0
    flatten: Annotated[Number, key("lowest share of the height made a flat ground", ge=0, le=0.95)] = 0.0
    mask: Annotated[
        Text | None,
        key("a picture, white where the relief is kept; seen from the job file's folder", min_length=1),
    ] = None
    lift: Annotated[
        Number, key("share of the depth for a round body over the silhouette, 0 none", ge=0, le=1)
    ] = 0.0
    feather: Annotated[Length, key("width over which the relief fades out to its edges", "mm", ge=0)] = 0.0
    vignette: Annotated[
        Length, key("width over which the relief fades out to the largest ellipse", "mm", ge=0)
    ] = 0.0
    border: Annotated[
        Literal["none", "flat", "bead", "cove"],
        key("a frame inside the edges; flat, bead: half-round, cove: hollow"),
    ] = "none"
    border_width: Annotated[Length, key("width of the frame", "mm", gt=0)] = 8.0
    back_lit: Annotated[
        Literal["none", "clear", "white"],
        key(
            "make the light through a sheet follow the picture; clear: tinted sheet (needs attenuation);"
            " white: milky sheet (needs scatter)"
        ),
    ] = "none"
    attenuation: Annotated[
        Number | None, key("of a clear sheet: ln(light through 1 mm less / light), measured", "1/mm", gt=0)
    ] = None
    scatter: Annotated[Number | None, key("Kubelka's S of a white sheet, measured", "1/mm", gt=0)] = None
    absorb: Annotated[Number, key("Kubelka's K of a white sheet, measured", "1/mm", ge=0)] = 0.0
    allow_large: Annotated[Flag, key("read a picture of up to 178 million pixels, given the memory")] = False


@record
class Terrain:
    """Ground heights in the file: any key of this section makes a height file or a plain picture one."""

    spacing: Annotated[
        Number | None,
        key("distance on the ground from one value to the next, in the unit of the heights", "m", gt=0),
    ] = None
    exaggeration: Annotated[
        Number | None,
        key("how many times heights stand out more than widths; default: 1, to scale", gt=0, le=1000),
    ] = None
    sea_level: Annotated[
        Number | None, key("height of the sea: what lies at or below it becomes one flat ground", "m")
    ] = None
    missing: Annotated[
        Number | None,
        key("number that stands for a missing height, such as -9999; what is no number always does"),
    ] = None


@record
class Lettering:
    """A text on the relief."""

    text: Annotated[Text, key("one line of text", min_length=1, max_length=200)]
    height: Annotated[Length, key("height of its capitals", "mm", gt=0, le=1000)]
    x: Annotated[
        Length | None, key("middle of the text from the relief's left; default: its middle", "mm")
    ] = None
    y: Annotated[Length | None, key("middle of the text from its near side; default: its middle", "mm")] = (
        None
    )
    relief: Annotated[Literal["raised", "sunk"], key("standing on the relief, or cut into it")] = "sunk"
    depth: Annotated[Length, key("how far it stands or goes in", "mm", gt=0, le=100)] = 1.5
    draft: Annotated[Number, key("lean of its walls from upright", "degrees", ge=0, le=75)] = 15.0
    font: Annotated[Text | None, key("a TrueType or OpenType file; default: Source Sans, semibold")] = None


@record
class Clamp:
    """Something that stands up in the way: nothing that turns may come near it.

    It is a box, solid from the bed to its top. Its place counts from the relief's near left corner, wherever
    the program's zero lies.
    """

    x: Annotated[Length, key("its left side, from the relief's left edge", "mm")]
    y: Annotated[Length, key("its near side, from the relief's near edge", "mm")]
    width: Annotated[Length, key("size along X", "mm", gt=0)]
    length: Annotated[Length, key("size along Y", "mm", gt=0)]
    height: Annotated[Length, key("its top above the stock top", "mm", gt=0, le=500)]
    name: Annotated[Text, key("what you call it", max_length=60)] = ""


@record
class Zero:
    """Where the program's zero lies."""

    xy: Annotated[
        Literal["corner", "centre"], key("corner: the relief's near left corner; centre: its middle")
    ] = "corner"
    z: Annotated[Literal["stock top", "bed"], key("where Z is zero")] = "stock top"


@record
class Roughing:
    """Clearing most of the waste with a flat end mill."""

    cutter: Annotated[Text, key("cutter: its name, number or description")] = "flat 1/4 in"
    allowance: Annotated[Length, key("left on for finishing", "mm", ge=0, le=10)] = 0.4
    stepdown: Annotated[Length | None, key("depth of a layer; default: the material's rule", "mm", gt=0)] = (
        None
    )
    stepover: Annotated[
        Length | None,
        key("distance of passes; wider in shallow layers; default: the rule", "mm", gt=0),
    ] = None
    entry_angle: Annotated[
        Number | None, key("steepest ramp into stock; default: the material's", "degrees", gt=0, le=45)
    ] = None
    cut: Annotated[CutDirection, key("climb and conventional are for a clockwise spindle")] = "both ways"
    rpm: Annotated[Number | None, key("spindle speed; default: by rule", "rev/min", gt=0)] = None
    feed: Annotated[Feed | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Feed | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None
    shape_feed: Annotated[
        Flag, key("feed slower where more is cut than the feed was chosen for, faster where it is less")
    ] = True
    rest: Annotated[
        Text | None,
        key("smaller flat end mill, by the material's rules where the first cannot enter; default: none"),
    ] = None


@record
class Finishing:
    """Cutting the surface itself with a round-ended cutter."""

    cutter: Annotated[Text, key("cutter: its name, number or description")] = "ball 1/8 in"
    passes: Annotated[
        tuple[Text, ...],
        key(
            "several cutters, coarse to fine, each by name, number or description; the finer ones come only"
            " where the coarser left too much; instead of cutter; rpm, feed and plunge hold for each"
        ),
    ] = ()
    scallop: Annotated[Length, key("ridge height between passes, at most", "mm", gt=0, le=5)] = 0.05
    angle: Annotated[Literal["auto"] | Bearing, key("direction of the passes from X, or auto", "degrees")] = (
        "auto"
    )
    cut: Annotated[CutDirection, key("climb and conventional are for a clockwise spindle")] = "both ways"
    rpm: Annotated[Number | None, key("spindle speed; default: by rule", "rev/min", gt=0)] = None
    feed: Annotated[Feed | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Feed | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None
    shape_feed: Annotated[
        Flag,
        key(
            "feed slower where more is left than the feed was chosen for, faster where it is less; false:"
            " only slower, where more is left than a slot by the material's rule takes"
        ),
    ] = False


@record
class Cutout:
    """Cutting the part free."""

    shape: Annotated[
        Literal["none", "rectangle", "ellipse", "silhouette"],
        key("none: the part stays in its board; silhouette: the opaque part of the picture"),
    ] = "none"
    cutter: Annotated[Text | None, key("flat end mill; default: the roughing cutter")] = None
    tabs: Annotated[Count, key("tabs that hold the part; 0: it must be held from below", ge=0, le=100)] = 4
    tab_width: Annotated[Length, key("width of a tab that is left standing", "mm", gt=0, le=100)] = 6.0
    tab_height: Annotated[Length, key("height of a tab above the bottom", "mm", gt=0, le=100)] = 3.0
    through: Annotated[Length, key("how far below the bottom the last pass goes", "mm", ge=0, le=5)] = 0.3
    allowance: Annotated[Length, key("left on the wall for a last pass", "mm", ge=0, le=3)] = 0.2
    skin: Annotated[Length, key("thickness left instead of cutting through; then no tabs", "mm", ge=0)] = 0.0
    stepdown: Annotated[Length | None, key("depth of a layer; default: the material's rule", "mm", gt=0)] = (
        None
    )
    entry_angle: Annotated[
        Number | None, key("steepest ramp into stock; default: the material's", "degrees", gt=0, le=45)
    ] = None
    rpm: Annotated[Number | None, key("spindle speed; default: by rule", "rev/min", gt=0)] = None
    feed: Annotated[Feed | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Feed | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None


@record
class Outline:
    """Scoring the finished relief with a point that is dragged and does not turn."""

    cutter: Annotated[Text | None, key("a drag point of the shop; default: nothing is scored")] = None
    depth: Annotated[Length, key("how deep the point goes below the finished surface", "mm", gt=0, le=3)] = (
        0.3
    )
    lines: Annotated[
        Count, key("level lines between ground and top, besides the silhouette", ge=0, le=50)
    ] = 0
    feed: Annotated[Feed | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Feed | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None


@record
class Output:
    """Programs, grid and mesh."""

    units: Annotated[Units, key("unit of programs, pictures and sheet")] = "mm"
    pitch: Annotated[
        Length | None,
        key(
            "distance of the points that all is reckoned on; default: 2 × scallop, at most 1/16 of the ball",
            "mm",
            gt=0,
        ),
    ] = None
    mesh_tolerance: Annotated[
        Length,
        key(
            "how far carved.stl may stray from the surface; by default more where it would pass 60 MB",
            "mm",
            ge=0,
        ),
    ] = 0.01
    mesh: Annotated[
        Literal["stl", "ply", "glb"],
        key("besides carved.stl, the mesh in deviation colours: ply (mm) or glb (metres, by its standard)"),
    ] = "stl"
    ease: Annotated[
        Flag, key("feed more slowly where blocks would come faster than the controller takes them")
    ] = False
    programs: Annotated[
        Literal["one per cutter", "one"],
        key("how operations are split into files; one: for machines that change cutters by M6"),
    ] = "one per cutter"
