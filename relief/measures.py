"""What a carved surface is worth: gouge, scallop, lost detail and removed volume."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relief.heightfield import Heightfield, Heights

# Steeper than this a reachable surface is a wall: a lateral error of a fraction of the pitch shows there as
# a large vertical one, so walls are counted apart.
WALL_ANGLE = math.radians(75)
# Why a ridge may stand higher than asked: the first that fits explains it.
CAUSES = {
    "wall": "on walls steeper than 75°, where a hair sideways counts as height",
    "beside a wall": "at the head or the foot of walls steeper than 75°",
    "rim": "at the rim of the relief",
    "between": "in creases finer than the points of the plan lie",
    "passes": "where passes lie too far apart",
}


@dataclass(frozen=True)
class ScallopFigures:
    """How high the ridges between passes stand, normal to the surface.

    Parameters
    ----------
    tolerance : float, mm, as asked
    max, p999, p99 : float, mm, largest value and percentiles over the finished area without its walls
    within : float, share of that area inside the tolerance
    walls : float, share of the relief that is steeper than 75° and counted apart
    walls_max : float, mm, largest value on those walls
    """

    tolerance: float
    max: float
    p999: float
    p99: float
    within: float
    walls: float
    walls_max: float


@dataclass(frozen=True)
class NoiseFloor:
    """What the densest raster of a grid, half-way between its nodes, leaves: no plan on it can promise less.

    Parameters
    ----------
    p999, max : float, mm, normal to the surface, without its walls
    """

    p999: float
    max: float


@dataclass(frozen=True)
class Shortfall:
    """Places of one kind where the ridges are higher than asked.

    Parameters
    ----------
    cause : why, one of `CAUSES`
    share : float, of the area looked at
    max : float, mm, the highest ridge among them …
    x, y : float, mm, … and where it stands
    """

    cause: str
    share: float
    max: float
    x: float
    y: float


@dataclass(frozen=True)
class FineFigures(ScallopFigures):
    """The ridges seen on a grid twice as fine as the one that was planned on.

    Parameters
    ----------
    pitch : float, mm, of that grid
    share : float, of the relief that was looked at
    floor : what the grid of the plan cannot pass
    short : where it is not met, the largest share first
    """

    pitch: float
    share: float
    floor: NoiseFloor
    short: tuple[Shortfall, ...] = ()


@dataclass(frozen=True)
class LostDetail:
    """How far the reachable surface stands above the target.

    Parameters
    ----------
    max, p99, rms : float, mm
    share : float, share of the area that loses more than the scallop height
    """

    max: float
    p99: float
    rms: float
    share: float


def where_short(
    short: Sequence[Shortfall], told: Callable[[float], str], zero: tuple[float, float] = (0.0, 0.0)
) -> str:
    """Return where ridges stand higher than asked and why, each cause with its share and its worst place.

    Parameters
    ----------
    short : from `FineFigures`
    told : a length, mm, to text in the user's unit
    zero : (x, y) mm, what the programs' coordinates are ahead of the relief's
    """
    return "; ".join(
        f"{CAUSES[each.cause]} ({percent(each.share)}, worst {told(each.max)}"
        f" at X {told(each.x + zero[0])} Y {told(each.y + zero[1])})"
        for each in short
    )


def percent(share: float) -> str:
    """Write a share for people; what is not whole never reads "100 %", what is not nothing never "0 %".

    Examples
    --------
    >>> percent(0.5), percent(1.0), percent(0.99999), percent(0.00001), percent(0.0)
    ('50 %', '100 %', 'over 99.9 %', 'under 0.1 %', '0 %')
    """
    if 0 < share < 0.001:
        return "under 0.1 %"
    if 0.999 < share < 1:
        return "over 99.9 %"
    return f"{100 * share:.1f}".removesuffix(".0") + " %"


def scallop_heights(carved: Heightfield, reachable: Heightfield) -> Heights:
    """Return the height of what was left above the reachable surface, normal to it, in mm."""
    steepness = reachable.slope()
    leftover = np.maximum(carved.heights - reachable.heights, 0.0)
    return np.asarray(leftover / np.sqrt(1 + steepness**2), dtype=np.float32)


def wall_nodes(reachable: Heightfield) -> npt.NDArray[np.bool_]:
    """Return which nodes lie on walls."""
    return np.asarray(reachable.slope() > math.tan(WALL_ANGLE))


def scallop_figures(scallops: Heights, walls: npt.NDArray[np.bool_], tolerance: float) -> ScallopFigures:
    """Return the figures of the scallop over the finished area.

    Parameters
    ----------
    scallops : (rows, columns) from `scallop_heights`
    walls : (rows, columns) from `wall_nodes`
    tolerance : float, mm, the scallop height asked for
    """
    finished = scallops[~walls]
    if finished.size == 0:
        finished = scallops.ravel()
    p99, p999 = np.percentile(finished, (99, 99.9))
    return ScallopFigures(
        tolerance=tolerance,
        max=float(finished.max()),
        p999=float(p999),
        p99=float(p99),
        within=float((finished <= tolerance).mean()),
        walls=float(walls.mean()),
        walls_max=float(scallops[walls].max()) if walls.any() else 0.0,
    )


def lost_detail(target: Heights, reachable: Heights, tolerance: float) -> LostDetail:
    """Return how much of the target the finishing cutter cannot reach.

    Parameters
    ----------
    target, reachable : (rows, columns) float32, mm
    tolerance : float, mm, the scallop height: a loss below it does not show
    """
    lost = np.maximum(reachable - target, 0.0)
    return LostDetail(
        max=float(lost.max()),
        p99=float(np.percentile(lost, 99)),
        rms=float(np.sqrt(np.mean(lost.astype(np.float64) ** 2))),
        share=float((lost > tolerance).mean()),
    )


def volume_below(top: float, surface: Heightfield) -> float:
    """Return the volume between the plane z = `top` and the surface, mm³ (trapezoid rule on the cells)."""
    gap = top - surface.heights.astype(np.float64)
    return float(np.trapezoid(np.trapezoid(gap, dx=surface.pitch, axis=1), dx=surface.pitch))
