"""Scoring: a point that is dragged, not turned, along the picture's silhouette and its level lines."""

from __future__ import annotations

from collections.abc import Sequence

import contourpy
import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.kernels.sweep import sweep
from relief.shop.records import Cutter
from relief.surfaces import tip_surface
from relief.toolpath import CUT, PLUNGE, RAPID, Points, Toolpath, on_lattice

# The silhouette lies where the relief has risen from its ground by this share of its depth: common practice,
# no source.
RISEN = 0.02
# A line shorter than this is a speck, mm.
SHORTEST = 2.0
# How far a straight move may stray from its line, mm, and how far the lattice of the text may shift it.
STRAY, SHIFT = 0.005, 0.001


def plan_scoring(
    surface: Heightfield,
    region: Region,
    cutter: Cutter,
    depth: float,
    lines: int,
    *,
    clearance: float,
    step: float = 0.001,
) -> Toolpath:
    """Plan the scoring of a finished relief.

    Parameters
    ----------
    surface : what stands before it, over the whole stock
    region : the relief's box
    cutter : a drag point
    depth : mm, how deep the point goes below the surface; nothing beside the line is cut deeper either
    lines : number of level lines, evenly between the relief's ground and its top; the silhouette is one more
    clearance : mm, height of rapids
    step : mm, the lattice that program text can express

    Returns
    -------
    Toolpath, empty for a relief without height

    Raises
    ------
    PlanError
        The cutter turns.

    Notes
    -----
    Marching squares with linear interpolation (contourpy). The point's height is that of its tip over the
    surface lowered by `depth`, so the flanks of its cone stay within the depth too, on every slope.
    """
    if cutter.turns:
        message = f'scoring drags a point, and "{cutter.name}" turns; choose a drag point'
        raise PlanError(message)
    relief = surface.cropped(region)
    ground, top = float(relief.heights.min()), float(relief.heights.max())
    if top <= ground:
        return Toolpath.join([])
    lowered = surface.with_heights(surface.heights - np.float32(depth))
    tip = surface.with_heights(tip_surface(lowered, cutter)).cropped(region)
    shares = [RISEN, *(np.arange(1, lines + 1) / (lines + 1))]
    squares = contourpy.contour_generator(relief.x, relief.y, relief.heights.astype(np.float64))
    found = [line for share in shares for line in squares.lines(ground + share * (top - ground))]
    ways = [_followed(np.asarray(line), tip) for line in found if _length(np.asarray(line)) >= SHORTEST]
    lift = _too_deep(lowered, ways, cutter)
    up = np.array([0.0, 0.0, lift])
    lifted = [on_lattice(way + up, step) for way in _in_order(ways)]
    return Toolpath.join([_scored(way, clearance) for way in lifted])


def _too_deep(lowered: Heightfield, ways: Sequence[Points], cutter: Cutter) -> float:
    """Return how far the ways go below what they may leave at any node, mm, as the lattice may shift them.

    Their points are safe where they stand, but what is between them is not quite: simulation tells.
    """
    carved = np.full_like(lowered.heights, np.inf)
    shape = np.array(profile(cutter), dtype=np.float64)
    for way in ways:
        points = np.ascontiguousarray(way - (*lowered.origin, 0.0))
        sweep(carved, lowered.pitch, shape, points[:-1].copy(), points[1:].copy())
    return max(0.0, float((lowered.heights - carved).max())) + SHIFT


def _length(line: Points) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def _followed(line: Points, tip: Heightfield) -> Points:
    """Return a line at the height of the tip, with as few points as its stray allows."""
    i = np.clip((line[:, 0] - tip.origin[0]) / tip.pitch, 0, tip.columns - 1)
    j = np.clip((line[:, 1] - tip.origin[1]) / tip.pitch, 0, tip.rows - 1)
    corners = [(np.floor(j), np.floor(i)), (np.floor(j), np.ceil(i)), (np.ceil(j), np.floor(i)),
               (np.ceil(j), np.ceil(i))]  # fmt: skip
    # a point on the side of a square lies between two nodes: the higher of them is safe for both
    heights = np.max([tip.heights[a.astype(int), b.astype(int)] for a, b in corners], axis=0)
    way = np.column_stack([line, heights.astype(np.float64)])
    return way[_kept(way)]


def _kept(way: Points) -> npt.NDArray[np.bool_]:
    """Return which points must stay so that no other strays from the straight moves (Douglas and Peucker)."""
    kept = np.zeros(len(way), dtype=np.bool_)
    kept[[0, -1]] = True
    middle = len(way) // 2 if np.array_equal(way[0], way[-1]) else 0
    kept[middle] = True
    spans = [(0, middle), (middle, len(way) - 1)]
    while spans:
        first, last = spans.pop()
        if last - first < 2:
            continue
        chord, inner = way[last] - way[first], way[first + 1 : last] - way[first]
        along = np.clip(inner @ chord / max(float(chord @ chord), 1e-12), 0.0, 1.0)
        away = np.linalg.norm(inner - along[:, None] * chord, axis=1)
        worst = int(np.argmax(away))
        if away[worst] > STRAY:
            far = first + 1 + worst
            kept[far] = True
            spans += [(first, far), (far, last)]
    return kept


def _in_order(ways: Sequence[Points]) -> list[Points]:
    """Return the ways one after the other, each the nearest to where the one before ends."""
    left, here, order = list(ways), np.zeros(2), []
    while left:
        nearest = min(range(len(left)), key=lambda k: float(np.hypot(*(left[k][0, :2] - here))))
        order.append(left.pop(nearest))
        here = order[-1][-1, :2]
    return order


def _scored(way: Points, clearance: float) -> Toolpath:
    """Return the path of one line: above it, down, along it, up."""
    above, after = [*way[0, :2], clearance], [*way[-1, :2], clearance]
    kinds = np.array([RAPID, PLUNGE, *[CUT] * (len(way) - 1), RAPID], dtype=np.uint8)
    return Toolpath(np.concatenate([[above], way, [after]]), kinds)
