"""How far apart passes of a round-ended cutter may lie: on a plane by formula, on a relief by its shape."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.errors import PlanError
from relief.heightfield import Heightfield
from relief.kernels.bands import in_bands
from relief.kernels.lines import lay_lines
from relief.units import format_length

Points = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

# A machine climbs slower than it runs level: of two equal directions the one that climbs less is taken.
CLIMB = 0.02
SHARPEST = 2.5  # 1 + R κ counts no more than this
NARROW = 1.6  # stepovers: narrower hollows are not worth a denser pass


def stepover(radius: float, scallop: float) -> float:
    """Return the distance of passes that leaves ridges of height `scallop` on a plane.

    Parameters
    ----------
    radius : float, mm, of the ball; of a bull's corner or a taper's ball, where that does the cutting
    scallop : float, mm, normal to the plane

    Raises
    ------
    PlanError
        A scallop that is not between 0 and the radius.

    Notes
    -----
    s = 2 √(2 R h − h²): two circles of radius R, s apart, cross R − h below their middles (textbook
    geometry). A bull on a level floor leaves no ridge below that distance plus its flat. A vee or a flat
    end mill has no radius: what it leaves depends on the slope alone, so no scallop can be asked of it.

    Examples
    --------
    >>> round(stepover(3.0, 0.01), 7)
    0.4894895
    """
    if not 0 < scallop < radius:
        message = (
            f"a scallop of {format_length(scallop)} is not between 0 and the ball's radius of"
            f" {format_length(radius)}; ask for a lower scallop, or choose a cutter with a round end"
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

    Examples
    --------
    >>> round(scallop_height(3.0, 0.5), 7)
    0.0104348
    """
    if not 0 <= spacing <= 2 * radius:
        message = (
            f"passes {format_length(spacing)} apart leave walls, not ridges, with a ball of"
            f" {format_length(2 * radius)} diameter; set them closer"
        )
        raise PlanError(message)
    return radius - math.sqrt(radius**2 - spacing**2 / 4)


def ball_area(tip: Heightfield) -> float:
    """Return the area of the surface of ball middles, mm² (they lie a constant height above the tip)."""
    by_v, by_u = np.gradient(tip.heights, np.float32(tip.pitch))
    element = np.sqrt(1 + by_u * by_u + by_v * by_v)
    # the rule of trapezia: half along the edges, a quarter at the corners
    element[:, [0, -1]] /= 2
    element[[0, -1]] /= 2
    return float(element.sum(dtype=np.float64)) * tip.pitch**2


@dataclass(frozen=True, eq=False)
class Lines:
    """Whole passes across a relief, in the order in which they lie.

    Parameters
    ----------
    angle_deg : float, their bearing from X
    starts, ends : (n, 2) mm, from edge to edge of the relief's box
    """

    angle_deg: float
    starts: Points
    ends: Points

    def every(self, step: int) -> Lines:
        """Return one of so many passes, the middle one of each; of fewer passes the middle one."""
        first = min(step, len(self.starts)) // 2
        return Lines(self.angle_deg, self.starts[first::step], self.ends[first::step])


def whole_passes(tip: Heightfield, radius: float, spacing: float, angle: float | Literal["auto"]) -> Lines:
    """Return the passes that finish a tip surface with the least length, partial ones between them included.

    Parameters
    ----------
    tip : Heightfield, exact tip heights over the relief's box
    radius : mm, of the ball
    spacing : mm, distance of passes on a plane
    angle : bearing of the passes from X in degrees, or "auto": along X or along Y, whichever is shorter
    """
    if angle == "auto":
        found = {}

        def lay(first: int, last: int) -> None:
            for turn in range(first, last):
                found[turn] = _laid(tip, radius, spacing, 90.0 * turn)

        in_bands(lay, 2, 1)
        return found[1][0] if found[1][1] < found[0][1] else found[0][0]
    return _laid(tip, radius, spacing, angle % 180)[0]


def _laid(tip: Heightfield, radius: float, spacing: float, angle_deg: float) -> tuple[Lines, float]:
    """Return the passes at one bearing, and a figure for their cost."""
    turn = math.radians(angle_deg)
    way = np.round([math.cos(turn), math.sin(turn)], 15)
    side = np.array([-way[1], way[0]])
    t, inside, corner = _turned(tip, angle_deg, way, side)
    by_v, by_u = (np.gradient(t, np.float32(tip.pitch), axis=axis) for axis in (0, 1))
    along = np.sqrt(1 + by_u**2)
    narrow = round(NARROW * spacing / tip.pitch) + 1
    across = _across(along, by_v, np.float32(radius), np.float32(tip.pitch), inside, narrow)
    beside = (np.float32(radius) * by_v / np.sqrt(along**2 + by_v**2)).astype(np.float32)
    rows, cost = lay_lines(across, along * inside, beside, tip.pitch, spacing, radius)
    starts, ends = _clipped(tip, corner + rows[:, None] * side, way)
    climb = float(np.abs(by_u).mean())
    return Lines(angle_deg, starts, ends), cost * (1 + CLIMB * climb)


def _across(
    along: Floats, by_v: Floats, radius: np.float32, pitch: np.float32, inside: Floats, narrow: int
) -> Floats:
    """Return the distance of each node from the first row over the surface, square to the passes.

    An element counts √((1 + t_u² + t_v²) / (1 + t_u²)) per mm, and √(1 + R κ) of that for the curvature κ of
    the ball's middles across the passes: h ≈ d² (1/R + κ) / 8 for passes d apart (both circles' parabolas).
    At creases κ knows no bound; hollows narrower than `narrow` nodes are left to the repairs.
    """
    normal = np.sqrt(along**2 + by_v**2)
    bend = 1 + radius * np.gradient(by_v, pitch, axis=0) / (normal * (1 + by_v**2))
    hollow = ndimage.minimum_filter1d(bend, narrow, axis=0)
    bend = np.clip(np.where(bend > 1, np.maximum(hollow, 1), bend), 0, SHARPEST)
    element = inside * normal / along * np.sqrt(bend)
    across: Floats = np.zeros_like(element)
    np.cumsum((element[1:] + element[:-1]) * (pitch / 2), axis=0, out=across[1:])
    return across


def _turned(tip: Heightfield, angle_deg: float, way: Points, side: Points) -> tuple[Floats, Floats, Points]:
    """Return the heights on a grid along and square to the passes, where it is inside, and its corner."""
    left, near = tip.origin
    if angle_deg == 0:
        return tip.heights, np.ones_like(tip.heights), np.array([left, near])
    if angle_deg == 90:
        heights = np.ascontiguousarray(tip.heights.T[::-1])
        return heights, np.ones_like(heights), np.array([left + tip.width, near])
    box = np.array([(x, y) for x in (left, left + tip.width) for y in (near, near + tip.length)])
    u, v = box @ way, box @ side
    steps = [np.arange(math.ceil(float(np.ptp(s)) / tip.pitch) + 1) * tip.pitch for s in (u, v)]
    corner = u.min() * way + v.min() * side
    x, y = (corner[axis] + steps[0][None, :] * way[axis] + steps[1][:, None] * side[axis] for axis in (0, 1))
    i, j = (x - left) / tip.pitch, (y - near) / tip.pitch
    heights = ndimage.map_coordinates(tip.heights, [j, i], order=1, mode="nearest")
    inside = (i >= 0) & (i <= tip.columns - 1) & (j >= 0) & (j <= tip.rows - 1)
    return heights, inside.astype(np.float32), corner


def _clipped(tip: Heightfield, points: Points, way: Points) -> tuple[Points, Points]:
    """Return start and end of the lines through the points inside the box, without those that miss it."""
    low, high = np.full(len(points), -np.inf), np.full(len(points), np.inf)
    box = tip.region
    for axis, (least, most) in enumerate(((box.left, box.right), (box.near, box.far))):
        if abs(way[axis]) > 1e-9:
            cuts = (np.array([[least], [most]]) - points[:, axis]) / way[axis]
            low, high = np.maximum(low, cuts.min(axis=0)), np.minimum(high, cuts.max(axis=0))
    met = high - low > 1e-6
    low, high, points = low[met, None], high[met, None], points[met]
    return points + low * way, points + high * way
