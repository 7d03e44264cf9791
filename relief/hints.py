"""What a set-up asks of the woodworker or may have got wrong, in sentences for notes, sheet and heads."""

from __future__ import annotations

from relief.setup import Setup
from relief.tiling import PIN_DEPTH
from relief.units import format_length

# A cutout need only pass the bottom by as much as board and bed are out of true; more of it cuts a groove
# into what lies below. mm: common practice, no source.
THROUGH_ENOUGH = 1.5


def hints(setup: Setup) -> tuple[str, ...]:
    """Return the notes of a set-up, those that warn first."""
    found = (_through_note(setup), bed_note(setup))
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
    edges = setup.stock.region
    return -setup.zero[0] - edges.left, -setup.zero[1] - edges.near


def zero_sentence(setup: Setup) -> str:
    """Return where X0 Y0 and Z0 lie on the board."""
    units = setup.job.output.units
    along, across = (format_length(round(far, 3), units) for far in zero_place(setup))
    corner = setup.job.zero.xy == "corner"
    what = "the near left corner of the relief" if corner else "the middle of the relief"
    up = "on the top of the stock" if setup.job.zero.z == "stock top" else "on the bed, under the stock"
    first = ", with the board as it lies for tile 1" if setup.tiling else ""
    return (
        f"X0 Y0 is {what}: {along} right of the stock's left edge and {across} beyond its near edge{first};"
        f" Z0 is {up}"
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
