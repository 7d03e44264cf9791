"""Finishing: one ball-ended cutter along the surface, so that no ridge stands higher than the scallop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.cutters import Profile, profile, profile_table
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.kernels.cover import grow_runs
from relief.kernels.finish import DIP, blocks, traces
from relief.kernels.lines import lay_lines
from relief.kernels.route import bring_in, cover, shorten, split
from relief.kernels.sweep import sweep
from relief.kernels.tip import reach_grid_source, tip_grid
from relief.progress import Progress, Silent
from relief.shop.records import Cutter
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from relief.units import format_length

Points = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

SAG = 0.0006  # mm: how deep a traced chord may cut …
DEPTH = 0.001  # mm: … and one of the finished path
MARGIN = 0.995  # of the scallop is aimed at, so that rounding cannot exceed it
BENT = True
REACH = 0.5
CLIMB = 0.02
WINDOW = 2.0
SPLIT = 0.5
GAIN = 0.05
CLOSE = 0.6
PASSES = 1


def stepover(radius: float, scallop: float) -> float:
    """Return the distance of passes that leaves ridges of height `scallop` on a plane.

    Parameters
    ----------
    radius : float, mm, of the ball
    scallop : float, mm, normal to the plane

    Raises
    ------
    PlanError
        A scallop that is not between 0 and the radius.

    Notes
    -----
    s = 2 √(2 R h − h²): two circles of radius R, s apart, cross R − h below their middles (textbook geometry).
    """
    if not 0 < scallop < radius:
        message = (
            f"a scallop of {format_length(scallop)} is not between 0 and the ball's radius of"
            f" {format_length(radius)}; ask for a lower scallop"
        )
        raise PlanError(message)
    return 2 * math.sqrt(2 * radius * scallop - scallop**2)


def scallop_height(radius: float, spacing: float) -> float:
    """Return the height of the ridges that passes `spacing` mm apart leave on a plane, mm.

    Raises
    ------
    PlanError
        Passes further apart than the ball is wide.

    Notes
    -----
    h = R − √(R² − s²/4), the inverse of `stepover`.
    """
    if not 0 <= spacing <= 2 * radius:
        message = (
            f"passes {format_length(spacing)} apart leave walls, not ridges, with a ball of"
            f" {format_length(2 * radius)} diameter; set them closer"
        )
        raise PlanError(message)
    return radius - math.sqrt(radius**2 - spacing**2 / 4)


@dataclass(frozen=True, eq=False)
class FinishingPlan:
    """The finishing of a relief.

    Parameters
    ----------
    toolpath : Toolpath, in the target's coordinates
    yardstick : float, mm
        Area of the surface of ball middles over the stepover of a plane: what the length is compared with. It is
        not a bound: where the surface is all convex caps, less is enough.
    length : float, mm, of all that is cut, 3-D
    """

    toolpath: Toolpath
    yardstick: float
    length: float


def plan_finishing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    scallop: float,
    *,
    angle: float | Literal["auto"] = "auto",
    cut: Literal["both ways", "climb", "conventional"] = "both ways",
    clearance: float = 5.0,
    tolerance: float = 0.005,
    step: float = 0.001,
    progress: Progress | None = None,
) -> FinishingPlan:
    """Plan the finishing of a relief.

    Parameters
    ----------
    target : Heightfield, the target over the whole stock
    region : Region, the relief's box: the cutter's axis stays over it
    cutter : Cutter with a rounded end
    scallop : mm, ridge height, normal to the surface
    angle : bearing of the passes from X in degrees, or "auto"
    cut : direction of the passes, for a clockwise spindle
    clearance : mm, height of rapids
    tolerance : mm, how far above the exact path the simplified one may run
    step : mm, the lattice that program text can express
    progress : Progress

    Raises
    ------
    PlanError
        A scallop that the cutter cannot leave.
    """
    told = progress or Silent()
    shape = profile(cutter)
    spacing = stepover(shape.corner_radius, scallop)
    task = _task(target, region, shape, scallop, tolerance, step)
    told.fraction(0.2)
    laid = stepover(shape.corner_radius, MARGIN * scallop - min(max(step - DIP, 0), scallop / 10))
    path = _passes(task, region, laid, angle)
    told.fraction(0.4)
    path, touched = _repaired(task, path, spacing)
    told.fraction(0.7)
    path = _shortened(task, path, touched, spacing)
    path, _ = _repaired(task, path, spacing)
    toolpath = _entered(path, clearance)
    told.fraction(1.0)
    return FinishingPlan(toolpath, ball_area(task.tip) / spacing, toolpath.cutting_length())


class Ground(NamedTuple):
    """The target as the tracing kernels see it (see `relief.kernels.finish`)."""

    z: Floats
    high: Floats
    pitch: float
    x: float
    y: float
    shape: Points


class Aim(NamedTuple):
    """What counts as finished, as the covering kernels see it (see `relief.kernels.cover`)."""

    limit: Floats
    most: Floats
    pitch: float
    x: float
    y: float
    shape: Points


@dataclass(frozen=True, eq=False)
class _Task:
    """What has to be finished, and how paths are traced.

    Parameters
    ----------
    tip : exact tip heights at the relief's nodes
    reach : the best surface that the cutter can leave there
    source : place of the tip that leaves each node at its best
    ground, aim, how, tube : as the kernels see them
    """

    tip: Heightfield
    reach: Heightfield
    source: npt.NDArray[np.int32]
    ground: Ground
    aim: Aim
    how: Points
    tube: Points


def _task(
    target: Heightfield, region: Region, shape: Profile, scallop: float, tolerance: float, step: float
) -> _Task:
    table = profile_table(shape, target.pitch)
    tip = target.with_heights(tip_grid(target.heights, table)).cropped(region)
    heights, source = reach_grid_source(tip.heights, table)
    reach = tip.with_heights(heights)
    limit = (heights + MARGIN * scallop * np.sqrt(1 + reach.slope() ** 2)).astype(np.float32)
    form = np.array(shape, dtype=np.float64)
    ground = Ground(target.heights, blocks(target.heights, True), target.pitch, *target.origin, form)
    aim = Aim(limit, blocks(limit, True), tip.pitch, *tip.origin, form)
    above = min(tolerance, scallop / 10)
    how = np.array([step, target.pitch, SAG, max(2 * step, min(0.01, scallop / 5))])
    tube = np.array([DEPTH - SAG, above, 0.001, above / 2, DEPTH])
    return _Task(tip, reach, source.ravel(), ground, aim, how, tube)


def ball_area(tip: Heightfield) -> float:
    """Return the area of the surface of ball middles, mm² (its height differs from the tip's by a constant)."""
    element = np.sqrt(1 + tip.slope() ** 2)
    return float(np.trapezoid(np.trapezoid(element, dx=tip.pitch, axis=1), dx=tip.pitch))


def _passes(task: _Task, region: Region, spacing: float, angle: float | Literal["auto"]) -> Points:
    """Return one cut through all passes, forth and back, edge to edge."""
    along_x, cost_x = _lines(task.tip, task.ground.shape, spacing, turned=False)
    along_y, cost_y = _lines(task.tip, task.ground.shape, spacing, turned=True)
    turned = cost_y < cost_x if angle == "auto" else angle == 90
    lines = along_y if turned else along_x
    near, left, right = (region.left, region.near, region.far) if turned else (region.near, region.left, region.right)
    v = np.repeat(near + lines, 2)
    u = np.tile([left, right, right, left], len(lines) // 2 + 1)[: len(v)]
    corners = np.round(np.column_stack([v, u] if turned else [u, v]) / task.how[0]) * task.how[0]
    cuts = [corners[k : k + 2] for k in range(len(corners) - 1)]
    found = traces(task.ground, cuts, task.how, task.tube)
    return np.concatenate([found[0][:1], *(part[1:] for part in found)])


def _lines(tip: Heightfield, shape: Points, spacing: float, *, turned: bool) -> tuple[Points, float]:
    """Return where to lay the passes, mm from the first edge, and their expected length."""
    t = np.ascontiguousarray(tip.heights.T if turned else tip.heights)
    by_v, by_u = np.gradient(t, np.float32(tip.pitch))
    along = np.sqrt(1 + by_u**2)
    normal = np.sqrt(1 + by_u**2 + by_v**2)
    bend = np.gradient(by_v, np.float32(tip.pitch), axis=0) / (normal * (1 + by_v**2))
    radius = np.float32(shape[1])
    element = normal / along * np.sqrt(np.clip(1 + radius * bend, 0, 1)) if BENT else normal / along
    across = np.zeros_like(t)
    np.cumsum((element[1:] + element[:-1]) * np.float32(tip.pitch / 2), axis=0, out=across[1:], dtype=np.float32)
    lines, cost = lay_lines(across, along, tip.pitch, spacing)
    # a machine climbs slower than it runs level: of two equal directions take the one that climbs less
    return lines, cost * (1 + CLIMB * float(np.abs(by_u).mean()))


def _repaired(task: _Task, path: Points, spacing: float) -> tuple[Points, npt.NDArray[np.bool_]]:
    """Return the path with runs that finish what its passes leave too high."""
    aim = task.aim
    carved = np.full(aim.limit.shape, np.float32(np.inf))
    points = path - (aim.x, aim.y, 0.0)
    sweep(carved, aim.pitch, aim.shape, np.ascontiguousarray(points[:-1]), np.ascontiguousarray(points[1:]))
    short = carved > aim.limit
    leftover = ((carved - task.reach.heights) / (aim.limit - task.reach.heights)).ravel()
    places = np.flatnonzero(short).astype(np.int32)
    order = places[np.argsort(-leftover[places], kind="stable")]
    done = np.where(short, 0, 1).astype(np.uint8).ravel()
    runs, ends = grow_runs(
        task.ground, aim, task.tip.heights, task.source, order, leftover, done, REACH * spacing, task.how, task.tube
    )
    if not len(ends):
        return path, np.zeros(len(path), dtype=np.bool_)
    near = path[:, :2].min(axis=0)
    cells = np.floor((path[:, :2].max(axis=0) - near) / spacing) + 1
    frame = np.array([*near, spacing, *cells])
    return bring_in(task.ground, path, runs, ends, frame, task.how, task.tube)


def _shortened(task: _Task, path: Points, touched: npt.NDArray[np.bool_], spacing: float) -> Points:
    """Return the path without the detours that it can do without."""
    limits = np.array([WINDOW, GAIN, CLOSE]) * spacing
    path = split(task.ground, path, touched, SPLIT * spacing, task.how, DEPTH)
    for _ in range(PASSES):
        counts = np.zeros(task.aim.limit.size, dtype=np.uint16)
        nodes, spans = cover(task.aim, path, counts)
        path = shorten(
            task.ground, task.aim, task.source, path, nodes, spans, counts, limits, task.how, task.tube
        )
    return path


def _entered(trace: Points, clearance: float) -> Toolpath:
    """Return a toolpath that comes down on a trace, follows it and goes up again."""
    kept = np.concatenate([[True], np.any(np.diff(trace, axis=0) != 0, axis=1)])
    trace = trace[kept]
    above = [[*trace[0, :2], clearance]]
    after = [[*trace[-1, :2], clearance]]
    flat = np.all(np.diff(trace[:, :2], axis=0) == 0, axis=1)
    falls = flat & (np.diff(trace[:, 2]) < 0)
    kinds = np.concatenate([[RAPID, PLUNGE], np.where(falls, PLUNGE, CUT), [RAPID]])
    return Toolpath(np.concatenate([above, trace, after]), kinds)
