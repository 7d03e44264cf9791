"""Finishing: one ball-ended cutter along the surface, so that no ridge stands higher than the scallop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.cutters import Profile, profile
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.kernels.finish import blocks, traces
from relief.progress import Progress, Silent
from relief.shop.records import Cutter
from relief.surfaces import tip_surface
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from relief.units import format_length

Points = npt.NDArray[np.float64]


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


class Ground(NamedTuple):
    """The target as the tracing kernels see it (see `relief.kernels.finish`)."""

    z: npt.NDArray[np.float32]
    high: npt.NDArray[np.float32]
    pitch: float
    x: float
    y: float
    shape: Points


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
    tip = target.with_heights(tip_surface(target, cutter)).cropped(region)
    yardstick = ball_area(tip, shape) / spacing
    ground = ground_of(target, shape)
    lines = _raster(region, spacing, step)
    how = np.array([step, target.pitch, 0.0005, max(2 * step, min(0.01, scallop / 5))])
    trace = np.concatenate(traces(ground, lines, how))
    toolpath = _entered(trace, clearance)
    told.fraction(1.0)
    return FinishingPlan(toolpath, yardstick, toolpath.cutting_length())


def ground_of(target: Heightfield, shape: Profile) -> Ground:
    """Return the target as the tracing kernels see it."""
    x, y = target.origin
    z = target.heights
    return Ground(z, blocks(z, True), target.pitch, x, y, np.array(shape, dtype=np.float64))


def ball_area(tip: Heightfield, shape: Profile) -> float:
    """Return the area of the surface of ball middles, mm² (their height differs from the tip's by a constant)."""
    del shape
    slope = tip.slope()
    element = np.sqrt(1 + slope**2)
    return float(np.trapezoid(np.trapezoid(element, dx=tip.pitch, axis=1), dx=tip.pitch))


def _raster(region: Region, spacing: float, step: float) -> list[Points]:
    """Return one line through all passes, forth and back, edge to edge."""
    count = math.ceil(region.length / spacing - 1e-9) + 1
    y = np.repeat(np.linspace(region.near, region.far, max(count, 2)), 2)
    x = np.tile([region.left, region.right, region.right, region.left], len(y) // 4 + 1)[: len(y)]
    corners = np.round(np.column_stack([x, y]) / step) * step
    cuts = [corners[k : k + 2] for k in range(len(corners) - 1)]
    return [cuts[0]] + [line for line in cuts[1:]]


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
