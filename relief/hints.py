"""What a set-up asks of the woodworker or may have got wrong, in sentences for notes, sheet and heads."""

from __future__ import annotations

from relief.job import Job
from relief.room import UNCUT, roughed_round
from relief.setup import Setup
from relief.tiling import PIN_DEPTH
from relief.units import format_length

# A cutout need only pass the bottom by as much as board and bed are out of true; more of it cuts a groove
# into what lies below. mm: common practice, no source.
THROUGH_ENOUGH = 1.5
# A relief narrower than so many marks of its finishing cutter shows next to nothing of a picture.
FEW_CUTTERS = 3
# Share of the depth asked for that may be missing before it is told.
MISSING = 0.02


def hints(setup: Setup) -> tuple[str, ...]:
    """Return the notes of a set-up, those that warn first."""
    found = (
        _short_note(setup),
        _sheet_note(setup),
        _through_note(setup),
        _small_note(setup),
        _untouched_note(setup),
        bed_note(setup),
        depth_note(setup),
    )
    return tuple(note for note in found if note)


def below_board(setup: Setup, operation: str | None = None) -> float:
    """Return how far below the bottom of its board a job goes, mm, or one operation of it."""
    depths = {"holes": 0.0, "cutout": 0.0}
    if setup.part and not setup.job.cutout.skin:
        depths["cutout"] = setup.job.cutout.through
    if setup.tiling and any(tile.holes for tile in setup.tiling.tiles):
        depths["holes"] = max(PIN_DEPTH, setup.job.cutout.through)
    return max(depths.values()) if operation is None else depths.get(operation, 0.0)


def bed_note(setup: Setup, operation: str | None = None) -> str:
    """Return what has to lie under the board, in one sentence; empty where nothing comes through it."""
    what = operation or ("holes" if below_board(setup, "holes") else "cutout")
    deep = below_board(setup, what)
    if not deep:
        return ""
    below, goes = format_length(deep, setup.job.output.units), "go" if what == "holes" else "goes"
    return (
        f"the {what} {goes} {below} below the board: lay it on a flat sacrificial board thicker than that,"
        " or the bed is cut into"
    )


def zero_place(setup: Setup) -> tuple[float, float]:
    """Return how far X0 Y0 lies from the left and the near edge of the stock, mm."""
    stock, relief = setup.job.stock, setup.region
    beside = ((stock.width or 0.0) - relief.width) / 2, ((stock.length or 0.0) - relief.length) / 2
    return beside[0] - relief.left - setup.zero[0], beside[1] - relief.near - setup.zero[1]


def zero_sentence(setup: Setup) -> str:
    """Return where X0 Y0 and Z0 lie on the board."""
    units = setup.job.output.units
    along, across = (format_length(round(far, 3), units) for far in zero_place(setup))
    corner = setup.job.zero.xy == "corner"
    what = "the near left corner of the relief" if corner else "the middle of the relief"
    up = "on the top of the stock" if setup.job.zero.z == "stock top" else "on the bed, under the stock"
    first = ", with the board as it lies for tile 1, and stays for all tiles" if setup.tiling else ""
    return (
        f"X0 Y0 is {what}: {along} right of the stock's left edge and {across} beyond its near edge{first};"
        f" Z0 is {up}"
    )


def touching_off(setup: Setup) -> str:
    """Return where Z0 is set for each cutter: what is carved already lies lower than the stock top."""
    if setup.job.zero.z == "bed":
        return "on the bed"
    return "on stock top that stays uncut, outside the path of the trace"


def _untouched_note(setup: Setup) -> str:
    """Return what is told where no stock top stays uncut to set Z0 on once roughing is done."""
    job = setup.job
    cut = roughed_round(job, setup.roughing_cutter, setup.finishing_cutters)
    if setup.part:
        cut = max(cut, setup.part.cutter.diameter + job.cutout.allowance)
    beside = max(
        (job.stock.width or 0.0) - setup.region.width, (job.stock.length or 0.0) - setup.region.length
    )
    if job.zero.z == "bed" or beside / 2 - cut >= UNCUT:
        return ""
    return (
        "warning: no stock top stays uncut to set Z0 on once roughing is done; set Z0 on the bed"
        ' (zero.z = "bed"), or take a stock or relief.margin that leaves some'
    )


def _short_note(setup: Setup) -> str:
    """Return which finishing cutters may be too short, before the planning, which takes long.

    Whether one is too short the checks tell: its tip may not come down to the deepest point.
    """
    depth, units = setup.depth, setup.job.output.units
    short = [cutter for cutter in setup.finishing_cutters if cutter.cutting_length < depth]
    if not short:
        return ""
    names = " and ".join(
        f'"{cutter.name}" (cutting edges of {format_length(cutter.cutting_length, units)})'
        for cutter in short
    )
    least = min(cutter.cutting_length for cutter in short)
    return (
        f"warning: the relief is {format_length(round(depth, 3), units)} deep, more than {names} may go, and"
        " no program is written for a cutter that would go deeper than its edges: take one with longer edges,"
        f" or relief.depth = {format_length(least, units)}"
    )


def _sheet_note(setup: Setup) -> str:
    """Return what is told of a sheet to be lit from behind whose material was not named."""
    if setup.job.shaping.back_lit == "none" or setup.job.material != Job.material:
        return ""
    return (
        f"warning: a sheet to be lit from behind would be cut with the speeds and feeds for"
        f" {setup.material.name}; name what it is (material)"
    )


def _through_note(setup: Setup) -> str:
    through, units = setup.job.cutout.through, setup.job.output.units
    if not below_board(setup, "cutout") or through <= THROUGH_ENOUGH:
        return ""
    deep, default = (format_length(size, units) for size in (through, type(setup.job.cutout)().through))
    return (
        f"warning: cutout.through = {deep} cuts that deep into what lies below the board;"
        f" on a board that lies flat, {default} is enough"
    )


def _small_note(setup: Setup) -> str:
    """Return what is told of a relief no wider than a few cutters; a width in eighths was meant as inches."""
    cutter, region, units = setup.finishing_cutter, setup.region, setup.job.output.units
    mark = 2 * cutter.tip_radius if cutter.kind in ("vee", "taper") else cutter.diameter
    if min(region.width, region.length) >= FEW_CUTTERS * mark:
        return ""
    sizes = " x ".join(format_length(round(side, 2), units) for side in (region.width, region.length))
    told = f'warning: the relief is only {sizes}, next to nothing for "{cutter.name}" to carve a picture in'
    width = setup.asked.relief.width or 0.0
    return told + (f'; did you mean {width:g} in? write "{width:g} in"' if (8 * width).is_integer() else "")


def depth_note(setup: Setup) -> str:
    """Return why a picture does not use the depth asked for; empty where it does, or is no picture."""
    job, units = setup.job, setup.job.output.units
    depth, shaping = job.relief.depth, job.shaping
    if depth is None or shaping.back_lit != "none" or job.picture.lower().endswith(".npy"):
        return ""
    if depth - setup.depth <= MISSING * depth:
        return ""
    deep, asked = (format_length(round(size, 2), units) for size in (setup.depth, depth))
    tone = "black" if (job.relief.style == "sunk") == job.relief.invert else "white"
    more = '; shaping.levels = ["0 %", "100 %"] stretches its tones to the whole depth'
    return (
        f"the deepest point lies {deep} down, not {asked} (relief.depth), since nothing in the picture is"
        f" pure {tone}{more if shaping.levels == type(shaping)().levels else ''}"
    )
