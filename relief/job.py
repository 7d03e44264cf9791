"""The job: what to carve, from what, with what. Every default is stated here and nowhere else."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import Field

from relief.errors import JobError, TableError, brief
from relief.tables import (
    Count,
    Flag,
    Key,
    Length,
    Number,
    Text,
    key,
    keys_of,
    nearest,
    read_record,
    read_toml,
    record,
)
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
    feed: Annotated[Number | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Number | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None
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
    feed: Annotated[Number | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Number | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None
    shape_feed: Annotated[
        Flag, key("feed slower where more is left than the feed was chosen for, faster where it is less")
    ] = False


@record
class Cutout:
    """Cutting the part free."""

    shape: Annotated[
        Literal["none", "rectangle", "ellipse", "silhouette"],
        key("none: the part stays in its board; silhouette: the opaque part of the picture"),
    ] = "none"
    cutter: Annotated[Text | None, key("flat end mill; default: the roughing cutter")] = None
    # Number, width and height of tabs: common practice, no source.
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
    feed: Annotated[Number | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Number | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None


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
    feed: Annotated[Number | None, key("feed; default: by rule", "mm/min", gt=0)] = None
    plunge: Annotated[Number | None, key("plunge feed; default: by rule", "mm/min", gt=0)] = None


@record
class Output:
    """Programs, grid and mesh."""

    units: Annotated[Units, key("unit of programs, pictures and sheet")] = "mm"
    pitch: Annotated[
        Length | None,
        key("distance of grid nodes; default: 2 × scallop, at most 1/16 of the ball", "mm", gt=0),
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


@record
class Job:
    """A whole job.

    Raises
    ------
    TableError
        A key that is unknown or out of its limits.
    """

    picture: Annotated[
        Text,
        key(
            "picture, height file or mesh (.stl, .obj, .ply, .off), as seen from the job file's folder",
            min_length=1,
        ),
    ]
    material: Annotated[Text, key("material of the stock, from the shop")] = "softwood"
    machine: Annotated[Text, key("machine, from the shop")] = "benchtop router"
    shop: Annotated[Text | None, key("your own shop file, as seen from the job file's folder")] = None
    lettering: Annotated[
        tuple[Lettering, ...],
        key("texts on the relief, each with text, height and, if need be, x, y, relief, depth, draft, font"),
    ] = ()
    clamps: Annotated[
        tuple[Clamp, ...],
        key(
            "what stands in the way, each with x, y (its near left corner, from the relief's), width, length,"
            " height above the stock top and, if you like, a name"
        ),
    ] = ()
    tiles: Annotated[
        Flag, key("divide what is longer than the machine's travel; pins locate the board as it is moved on")
    ] = False
    stock: Annotated[Stock, key("the board")] = Stock()
    relief: Annotated[Relief, key("the carved picture")] = Relief()
    shaping: Annotated[Shaping, key("how brightness becomes height")] = Shaping()
    terrain: Annotated[Terrain, key("ground heights in the file")] = Terrain()
    zero: Annotated[Zero, key("where the program's zero lies")] = Zero()
    roughing: Annotated[Roughing, key("clearing most of the waste")] = Roughing()
    finishing: Annotated[Finishing, key("cutting the surface itself")] = Finishing()
    cutout: Annotated[Cutout, key("cutting the part free")] = Cutout()
    outline: Annotated[Outline, key("scoring silhouette and level lines with a dragged point")] = Outline()
    output: Annotated[Output, key("programs, grid and mesh")] = Output()

    @classmethod
    def read(cls, path: Path | str) -> Job:
        """Read a job file; paths in it count from its own folder.

        Raises
        ------
        JobError
            The file cannot be read, or a key is wrong; one line names file, key and mend.
        """
        return job_from_source(Path(path), {})

    @classmethod
    def from_table(cls, table: Mapping[str, Any], where: str) -> Job:
        """Make a job from a table of keys.

        Raises
        ------
        JobError
            A key is unknown, missing or out of its limits.
        """
        try:
            return read_record(cls, _with_last_pass(table, where), where)
        except TableError as error:
            raise JobError(str(error)) from None

    def to_table(self) -> dict[str, Any]:
        """Return every key that has a value, as a table of TOML values."""
        return _without_none(asdict(self))

    def seen_from(self, folder: Path) -> Job:
        """Return the job with its paths as a file in `folder` has to name them."""
        shop = None if self.shop is None else _path_from(folder, self.shop)
        mask = None if self.shaping.mask is None else _path_from(folder, self.shaping.mask)
        shaping = replace(self.shaping, mask=mask)
        texts = tuple(
            text if text.font is None else replace(text, font=_path_from(folder, text.font))
            for text in self.lettering
        )
        picture = _path_from(folder, self.picture)
        return replace(self, picture=picture, shop=shop, shaping=shaping, lettering=texts)

    def to_toml(self) -> str:
        """Return the complete job as a job file."""
        return tomli_w.dumps(self.to_table())


def job_from_source(source: Path, settings: Mapping[str, Any]) -> Job:
    """Make the job that a source and the settings of a command line ask for.

    Parameters
    ----------
    source : a picture, a height file, a job file (.toml) or a finished job's folder
    settings : dotted job key → value; they win over the job file

    Raises
    ------
    JobError
        The job file cannot be read, or a key is wrong; one line names where, key and mend.
    """
    if source.is_dir():
        source = _job_of_folder(source)
    if source.suffix.lower() == ".toml":
        table, where = _rooted_table(source), str(source)
    else:
        table, where = {"picture": str(source)}, "command line"
    _make_way(table, settings)
    for name, value in settings.items():
        set_key(table, name, value, "command line")
    return Job.from_table(table, where)


def _job_of_folder(folder: Path) -> Path:
    """Return the job file of a job folder.

    Raises
    ------
    JobError
        There is none in it.
    """
    path = folder / "job.toml"
    if not path.is_file():
        message = f"{folder}: a folder without job.toml is no job folder; name a picture, or a job's folder"
        raise JobError(message)
    return path


def _make_way(table: dict[str, Any], settings: Mapping[str, Any]) -> None:
    """Drop one of finishing's cutter and passes from a table where the settings give the other alone."""
    finishing = table.get("finishing")
    for given, other in (("cutter", "passes"), ("passes", "cutter")):
        if f"finishing.{given}" in settings and isinstance(finishing, dict):
            finishing.pop(other, None)


def _with_last_pass(table: Mapping[str, Any], where: str) -> Mapping[str, Any]:
    """Return the table with the last of finishing's passes as its cutter, which decides what can be reached.

    Raises
    ------
    JobError
        The table gives another cutter beside the passes.
    """
    finishing = table.get("finishing")
    passes = finishing.get("passes") if isinstance(finishing, Mapping) else None
    if not isinstance(finishing, Mapping) or not isinstance(passes, list | tuple) or not passes:
        return table
    cutter = finishing.get("cutter", passes[-1])
    if cutter != passes[-1]:
        message = (
            f'{where}: finishing.cutter = "{cutter}" is not the last of finishing.passes, "{passes[-1]}";'
            " leave one of the two keys out"
        )
        raise JobError(message)
    return {**table, "finishing": {**finishing, "cutter": cutter}}


def _rooted_table(path: Path) -> dict[str, Any]:
    """Read a job file's table; its paths count from its own folder."""
    try:
        table = read_toml(path)
    except TableError as error:
        raise JobError(str(error)) from None
    for name in ("picture", "shop"):
        if isinstance(table.get(name), str):
            table[name] = str(path.parent / table[name])
    shaping = table.get("shaping")
    if isinstance(shaping, dict) and isinstance(shaping.get("mask"), str):
        shaping["mask"] = str(path.parent / shaping["mask"])
    texts = table.get("lettering")
    for text in texts if isinstance(texts, list) else []:
        if isinstance(text, dict) and isinstance(text.get("font"), str):
            text["font"] = str(path.parent / text["font"])
    return table


def job_keys() -> list[Key]:
    """Return every key of a job file, in order."""
    return list(keys_of(Job))


def set_key(table: dict[str, Any], name: str, value: Any, where: str) -> None:
    """Set a dotted key in a table of job keys, making its section where there is none.

    Raises
    ------
    JobError
        The name is no job key.
    """
    known = [k.name for k in job_keys()]
    if name not in known:
        message = f'{where}: unknown key "{brief(name)}"; {nearest(name, known)}'
        raise JobError(message)
    section, _, last = name.rpartition(".")
    home = table
    for part in section.split(".") if section else []:
        home = home.setdefault(part, {})
        if not isinstance(home, dict):
            message = f'{where}: "{section}" is no table'
            raise JobError(message)
    home[last] = value


def _without_none(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _plain(value) for name, value in table.items() if value is not None}


def _plain(value: Any) -> Any:
    """Return a value as TOML can hold it: tables without empty keys, inside arrays too."""
    if isinstance(value, Mapping):
        return _without_none(value)
    return [_plain(item) for item in value] if isinstance(value, tuple | list) else value


def _path_from(folder: Path, path: str) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # another drive: no relative path exists
        return Path(path).resolve().as_posix()
