"""Room for a job: stock beside the relief, the machine's travel, and tiles where that is short."""

from __future__ import annotations

import math
from collections.abc import Sequence

from relief.chosen import Chosen
from relief.clamps import clearance_over, named
from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Job
from relief.part import FRAME, cut_width
from relief.planning.layers import flare
from relief.planning.shares import reach
from relief.shaping import LARGEST
from relief.shop.records import Cutter, Machine
from relief.tiling import PIN_DEPTH, SEAM, Needs, Tiling, lay_out_tiles

# Stock beside a relief, at least, mm: common practice, no source.
LEAST_MARGIN = 10.0
# Roughing clears this much more than the finishing cutter needs to stand on an open edge.
SPARE = 1.0
# So much stock top beside what is cut is enough to set Z0 on; mm: common practice, no source.
UNCUT = 1.0


def overrun(job: Job, finishing: Sequence[Cutter]) -> float:
    """Return how far roughing goes past the relief's edge, mm: a finishing cutter stands half outside it."""
    widest = max(cutter.diameter for cutter in finishing)
    return widest / 2 + SPARE if job.relief.edge == "open" else 0.0


def roughed_round(job: Job, rough: Cutter, finishing: Sequence[Cutter]) -> float:
    """Return how far from the relief roughing may take stock away, mm: high layers go a radius further."""
    return rough.diameter + overrun(job, finishing) if job.relief.edge == "open" else 0.0


def tile_overlap(finishing: Sequence[Cutter]) -> float:
    """Return how much more than its own share a tile is roughed, mm, so that finishing has room at a seam."""
    return max(cutter.diameter for cutter in finishing) / 2 + SPARE


def margins_round(job: Job, relief: Heightfield, chosen: Chosen) -> tuple[float, float]:
    """Return the stock on each side of the relief, along x and along y, mm.

    Raises
    ------
    JobError
        The stock is smaller than the relief, or so large that no memory holds its grid.
    """
    margin = job.relief.margin
    if margin is None:
        margin = max(LEAST_MARGIN, roughed_round(job, chosen.rough, chosen.finishing) + UNCUT)
        if chosen.freeing:
            margin = max(margin, cut_width(job, chosen.freeing) + FRAME)
        if job.tiles:
            margin = max(margin, _tile_needs(job, relief.pitch, chosen).margin)
        # whole millimetres can be measured; in an inch job too, since units change no board
        margin = math.ceil(margin - 1e-9)
    sides = []
    for name, stock, size in (
        ("width", job.stock.width, relief.width),
        ("length", job.stock.length, relief.length),
    ):
        if stock is not None and stock < size - 1e-6:
            message = (
                f"stock.{name} = {job.told(stock)} is less than the relief's {job.told(size)};"
                " use larger stock or a smaller relief"
            )
            raise JobError(message)
        sides.append(margin if stock is None else (stock - size) / 2)
    margins = sides[0], sides[1]
    _check_nodes(job, relief, margins)
    return margins


def _check_nodes(job: Job, relief: Heightfield, margins: tuple[float, float]) -> None:
    """Refuse a board whose grid no memory holds."""
    width, length = relief.width + 2 * margins[0], relief.length + 2 * margins[1]
    nodes = width * length / relief.pitch**2
    if nodes > LARGEST:
        message = (
            f"the stock of {job.told(width)} x {job.told(length)} makes {nodes / 1e6:.0f} million"
            f" points at a pitch of {job.told(relief.pitch)}, more than {LARGEST / 1e6:.0f} million;"
            " use a smaller stock or margin, or a wider output.pitch"
        )
        raise JobError(message)


def tiles_for(
    job: Job,
    machine: Machine,
    relief: Heightfield,
    chosen: Chosen,
    margins: tuple[float, float],
    step: float,
) -> Tiling | None:
    """Return the tiles of a job that asks for them and needs them; None where it fits the machine as it is.

    Parameters
    ----------
    job : with its sizes filled in
    machine, chosen : what carves it
    relief : the target's own grid
    margins : stock beside it along x and y, mm
    step : mm, the lattice that program text can express

    Raises
    ------
    JobError
        It does not fit and cannot be divided; one line says what is too short, and by how much.
    """
    tiling = None
    if job.tiles:
        needs = _tile_needs(job, relief.pitch, chosen)
        tiling = lay_out_tiles(relief.region, machine.travel, needs, margins, step, job.output.units)
    if tiling is None:
        _check_travel(job, machine, relief, chosen)
        return None
    if chosen.freeing and not job.cutout.tabs and not job.cutout.skin:
        message = (
            "tiles: the board is moved between tiles, and nothing would hold what is cut free in it; leave"
            " tabs (cutout.tabs) or a skin (cutout.skin)"
        )
        raise JobError(message)
    _check_holes(job, machine, chosen.rough)
    return tiling


def _tile_needs(job: Job, pitch: float, chosen: Chosen) -> Needs:
    """Return what a tile needs: roughing goes up to a radius past the overrun, or to where an edge falls.

    A cutout goes beyond a seam as far as a tab that stands on it reaches.
    """
    freeing, radius = chosen.freeing, chosen.rough.diameter / 2
    falls = radius + job.roughing.allowance + 2 * pitch
    axis = max(overrun(job, chosen.finishing) + radius, falls) + 2 * pitch
    beyond, wider = axis + radius + SPARE, tile_overlap(chosen.finishing) + SEAM
    if freeing:
        cutout = job.cutout
        beyond = max(beyond, cut_width(job, freeing))
        tab_width = 0.0 if cutout.skin else cutout.tab_width
        across = reach(freeing.diameter / 2, flare(freeing.diameter / 2, cutout.allowance), tab_width)
        wider = max(wider, across + freeing.diameter / 2 - beyond)
    return Needs(beyond, wider, chosen.rough)


def _check_holes(job: Job, machine: Machine, rough: Cutter) -> None:
    """Refuse a cutter that cannot drill the holes for the pins, or not so deep."""
    if not rough.plunges:
        message = (
            f'tiles: "{rough.name}" drills the holes for the pins, and may not go straight down into stock'
            " (plunges = false); take a roughing.cutter whose edges reach its middle"
        )
        raise JobError(message)
    deep = job.stock.thickness + max(PIN_DEPTH, job.cutout.through)
    for what, least in (
        (f'the cutting edges of "{rough.name}"', rough.cutting_length),
        (f"Z of {machine.name} less its clearance", machine.travel[2] - clearance_over(job.clamps, machine)),
    ):
        if deep > least:
            message = (
                f"tiles: the holes for the pins go {job.told(deep)} deep, and {what} reach"
                f" {job.told(least)}; use thinner stock or a longer roughing.cutter"
            )
            raise JobError(message)


def _check_travel(job: Job, machine: Machine, relief: Heightfield, chosen: Chosen) -> None:
    """Refuse what cannot fit before planning it; the programs themselves are checked again later."""
    beyond = chosen.rough.diameter / 2 + overrun(job, chosen.finishing) if job.relief.edge == "open" else 0.0
    depth = max(job.relief.depth or 0.0, -float(relief.heights.min()))
    depth += job.outline.depth if job.outline.cutter else 0.0
    if chosen.freeing:
        # a program's span is that of its axis, which runs a radius outside the part
        beyond, depth = max(beyond, chosen.freeing.diameter / 2), job.stock.thickness + job.cutout.through
    swept = relief.region.grown(beyond)
    for axis, needed, travel in (
        ("X", swept.width, machine.travel[0]),
        ("Y", swept.length, machine.travel[1]),
        ("Z", depth + clearance_over(named(job.clamps), machine), machine.travel[2]),
    ):
        if needed > travel:
            message = (
                f"the job needs {job.told(needed)} along {axis}{_over_clamps(job, machine, axis)},"
                f" but {machine.name} travels {job.told(travel)};"
                f" make the relief smaller, {_or_tiles(job, axis)}or name another machine"
            )
            raise JobError(message)


def _or_tiles(job: Job, axis: str) -> str:
    """Return what else may be done, where tiles may help."""
    return "set tiles = true, " if axis in "XY" and not job.tiles else ""


def _over_clamps(job: Job, machine: Machine, axis: str) -> str:
    """Return how clamps add to the travel along Z."""
    high = max((clamp.height for clamp in job.clamps), default=0.0)
    if axis != "Z" or clearance_over(job.clamps, machine) <= machine.clearance:
        return ""
    return f" (rapids go over a clamp that stands {job.told(high)} up)"
