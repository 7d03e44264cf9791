"""The plans of a job that is carved in tiles: each cut is planned as for the whole, and then shared out."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from relief.feeds import Speeds
from relief.heightfield import Region
from relief.operations import Operation, check_one_program, job_operations
from relief.planning.shares import Cell
from relief.plans import (
    PLANNERS,
    Plan,
    cutout_plan,
    feeds_for,
    left_standing,
    move_feeds,
    over_clamps,
    paced_by,
    trace_plan,
)
from relief.progress import Progress
from relief.setup import Setup
from relief.tiling import PIN_DEPTH, SEAM, Leg, Tile, Tiling
from relief.toolpath import PLUNGE, RAPID, Points, Toolpath, on_lattice
from relief.units import format_length

# Rapids go down into a hole to this height above its bottom, and drilling begins so high above the stock, mm.
GAP = 1.0


def plan_tiles(setup: Setup, tiling: Tiling, progress: Progress) -> tuple[Plan, ...]:
    """Plan every program of every tile, in running order.

    Roughing is planned tile by tile, since it must never begin in the middle of uncut stock. Finishing
    passes and scored lines are planned once for the whole relief and cut in two at the seams: so no seam
    shows. The cutout of the whole has its tabs; each tile then cuts its stretches of it, ramping into each.

    Raises
    ------
    PlanError, ShopError, JobError
        A cut that cannot be planned, or a cutter that the spindle cannot turn.
    """
    check_one_program(setup)
    rough: dict[int, tuple[Plan, ...]] = {}
    for tile in tiling.tiles:
        progress.stage(f"planning tile {tile.number} of {len(tiling.tiles)}")
        rough[tile.number] = _roughing(setup, tile, progress)
    done = tuple(plan for plans in rough.values() for plan in plans)
    surface: tuple[Plan, ...] = ()
    for operation in job_operations(setup):
        if operation.kind in ("finishing", "outline"):
            progress.stage(f"planning the {operation.name}")
            surface += (PLANNERS[operation.kind](operation, setup, (*done, *surface), progress),)
    if setup.part:
        progress.stage("planning the cutout")
    found: list[Plan] = []
    for tile in tiling.tiles:
        cuts = (*_holes(setup, tile), *rough[tile.number])
        for plan in surface:
            cuts += _share(plan, setup, tile, cuts)
        cuts += _cutout(setup, tiling, tile, progress)
        cuts = tuple(over_clamps(plan, setup) for plan in cuts if len(plan.toolpath.points))
        trace = replace(trace_plan(setup, cuts), notes=_notes(setup, tiling) if tile.number == 1 else ())
        found += [replace(plan, tile=tile.number) for plan in (trace, *cuts)]
    return tuple(found)


def _roughing(setup: Setup, tile: Tile, progress: Progress) -> tuple[Plan, ...]:
    whole, own = setup.region, tile.region.grown(setup.tile_overlap)
    region = Region(
        max(own.left, whole.left), max(own.near, whole.near), min(own.right, whole.right),
        min(own.far, whole.far),
    )  # fmt: skip
    plans: tuple[Plan, ...] = ()
    for operation in job_operations(setup):
        if operation.kind == "roughing":
            plans += (PLANNERS["roughing"](operation, replace(setup, region=region), plans, progress),)
    return plans


def _cutout(setup: Setup, tiling: Tiling, tile: Tile, progress: Progress) -> tuple[Plan, ...]:
    """Return what a tile cuts of the part's outline: one plan or none."""
    cell = Cell(tiling.seams, tiling.cell(tile))
    plans = (
        cutout_plan(operation, setup, (), progress, cell)
        for operation in job_operations(setup)
        if operation.kind == "cutout"
    )
    return tuple(plan if tile.number == 1 else replace(plan, notes=()) for plan in plans)


def _share(plan: Plan, setup: Setup, tile: Tile, done: tuple[Plan, ...]) -> tuple[Plan, ...]:
    """Return what of a plan lies in a tile, or a little beyond its seams: one plan or none."""
    assert plan.feeds is not None
    assert plan.cutter is not None
    toolpath, own, whole = plan.toolpath, tile.region, setup.region
    for axis, ends, all_of_it in (
        (0, (own.left, own.right), (whole.left, whole.right)),
        (1, (own.near, own.far), (whole.near, whole.far)),
    ):
        if ends != all_of_it and len(toolpath.points):
            low, high = (round(end / setup.step) * setup.step for end in (ends[0] - SEAM, ends[1] + SEAM))
            toolpath = clipped(toolpath, axis, low, high, setup.clearance, setup.step)
    if not len(toolpath.points):
        return ()
    share = toolpath.cutting_length() / max(plan.toolpath.cutting_length(), 1e-9)
    wanted = None
    if plan.load:
        toolpath, wanted = paced_by(plan.load, toolpath, plan.cutter, setup, left_standing(setup, done))
    feed = move_feeds(toolpath, plan.feeds, setup, wanted)
    notes = plan.notes if tile.number == 1 else ()
    return (replace(plan, toolpath=toolpath, feed=feed, yardstick=plan.yardstick * share, notes=notes),)


def clipped(path: Toolpath, axis: int, low: float, high: float, clearance: float, step: float) -> Toolpath:
    """Return what a toolpath cuts between two lines across an axis, each piece entered by a plunge.

    Parameters
    ----------
    path : cuts, plunges and rapids
    axis : 0 or 1
    low, high : mm
    clearance : mm, height of rapids
    step : mm, the lattice that the program text can express
    """
    starts, ends = path.points[:-1], path.points[1:]
    least, most = np.minimum(starts, ends)[:, axis], np.maximum(starts, ends)[:, axis]
    kept = np.flatnonzero((path.kinds[1:] != RAPID) & (most >= low) & (least <= high))
    first, last = _clip(starts[kept], ends[kept], axis, low, high, step)
    pieces = []
    joined = (np.diff(kept) == 1) & (last[:-1] == ends[kept[:-1]]).all(axis=1)
    joined &= (first[1:] == starts[kept[1:]]).all(axis=1)
    for run in np.split(np.arange(len(kept)), np.flatnonzero(~joined) + 1):
        if len(run):
            points = np.vstack([first[run[:1]], last[run]])
            kinds = np.concatenate([[PLUNGE], path.kinds[1:][kept[run]]]).astype(np.uint8)
            pieces.append(_entered(points, kinds, clearance))
    return Toolpath.join(pieces)


def _clip(
    starts: Points, ends: Points, axis: int, low: float, high: float, step: float
) -> tuple[Points, Points]:
    """Return the ends of the part of each move between two lines, on the lattice, never lower."""
    way = ends - starts
    run = np.where(way[:, axis] == 0, 1.0, way[:, axis])
    shares = np.sort(np.stack([(low - starts[:, axis]) / run, (high - starts[:, axis]) / run]), axis=0)
    level = way[:, axis] == 0
    enters = np.where(level, 0.0, np.clip(shares[0], 0.0, 1.0))[:, None]
    leaves = np.where(level, 1.0, np.clip(shares[1], 0.0, 1.0))[:, None]
    return (
        np.where(enters > 0, on_lattice(starts + enters * way, step), starts),
        np.where(leaves < 1, on_lattice(starts + leaves * way, step), ends),
    )


def _entered(points: Points, kinds: np.typing.NDArray[np.uint8], clearance: float) -> Toolpath:
    moved = np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))
    points, kinds = points[moved], kinds[moved]
    above, after = [*points[0, :2], clearance], [*points[-1, :2], clearance]
    return Toolpath(np.vstack([above, points, after]), np.concatenate([[RAPID], kinds, [RAPID]]))


def _holes(setup: Setup, tile: Tile) -> tuple[Plan, ...]:
    """Return the drilling of a tile's registration holes, peck by peck."""
    if not tile.holes:
        return ()
    thickness = setup.job.stock.thickness
    operation = Operation("holes", "roughing", setup.roughing_cutter)
    peck = setup.material.stepdown * operation.cutter.diameter
    paths = []
    for place in tile.holes:
        through = PIN_DEPTH if place in tile.pins else setup.job.cutout.through
        paths.append(_drilled(place, thickness + through, peck, setup))
    toolpath = Toolpath.join(paths)
    asked = setup.job.roughing
    feeds = feeds_for(operation, setup, Speeds(asked.rpm, asked.feed, asked.plunge), peck)
    feed = move_feeds(toolpath, feeds, setup)
    return (Plan("holes", toolpath, feed, operation.cutter, feeds),)


def _drilled(place: tuple[float, float], depth: float, peck: float, setup: Setup) -> Toolpath:
    x, y = (round(coordinate / setup.step) * setup.step for coordinate in place)
    heights, kinds = [setup.clearance, GAP], [RAPID, RAPID]
    count = math.ceil(depth / peck)
    for k in range(1, count + 1):
        bottom = -depth * k / count
        heights += [math.ceil(bottom / setup.step - 1e-6) * setup.step, GAP]
        kinds += [PLUNGE, RAPID]
        if k < count:
            heights.append(heights[-2] + GAP / 2)
            kinds.append(RAPID)
    heights.append(setup.clearance)
    kinds.append(RAPID)
    points = np.array([(x, y, z) for z in heights])
    return Toolpath(points, np.array(kinds, dtype=np.uint8))


def _notes(setup: Setup, tiling: Tiling) -> tuple[str, ...]:
    """Tell how the board is moved."""
    units, count = setup.job.output.units, len(tiling.tiles)
    pin = format_length(setup.roughing_cutter.diameter, units)
    deep = format_length(PIN_DEPTH, units)
    return (
        f"the relief is carved in {count} tiles along {' and '.join('XY'[axis] for axis in tiling.axes)};"
        " X0 and Y0 are set once, for tile 1, and stay as they are; Z0 is set for each cutter that is put in",
        f"tile 1 drills two pairs of holes of {pin} through the board; its first pair goes {deep} on into the"
        " bed, so a sacrificial board has to lie there",
        *(_told(leg, setup, pin) for leg in tiling.legs),
        "run all programs of a tile, tile-1-0-trace.nc and on, before the board is moved",
        *(_hanging(setup) if setup.part else ()),
    )


def _hanging(setup: Setup) -> tuple[str, ...]:
    """Tell how to take hold of a board in which the part hangs."""
    held = "a skin" if setup.job.cutout.skin else "tabs"
    return (
        f"each tile cuts its share of the outline, where only {held} then hold the part: lift the board by"
        " its frame, with both hands, and press nothing on the part",
    )


def _told(leg: Leg, setup: Setup, pin: str) -> str:
    """Tell how the board is moved on one pair of pins."""
    ways = (
        ("to the left", "to the right") if leg.axis == 0 else ("toward the near side", "toward the far side")
    )
    far = format_length(round(abs(leg.step), 3), setup.job.output.units)
    last = leg.last - leg.first
    again = f"; after tile {leg.last} move it on in the same way" if last == 1 else ""
    if last > 1:
        again = f"; after tiles {leg.first + 1} to {leg.last} move it on in the same way"
    pins = f"two pins of {pin} into the bed"
    if leg.first > 1:
        pins = f"the two pins from where they stand into the holes that tile {leg.first} drilled into the bed"
    return (
        f"after tile {leg.first} take the board off, put {pins}, and set the board down {far} further"
        f" {ways[leg.step < 0]}, its next pair of holes on the pins{again}"
    )
