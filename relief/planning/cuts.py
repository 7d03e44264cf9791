"""From cuts to a toolpath: down on each, along it, up again, and low across to the next."""

from __future__ import annotations

import numpy as np

from relief.heightfield import NEAREST, Heightfield
from relief.kernels.finish import Ground, blocks, exact_tip, untouched
from relief.planning.approach import GAP, SIDE_GAP
from relief.planning.linking import hop, link_height
from relief.planning.task import UNTRACED, Points
from relief.toolpath import CUT, PLUNGE, RAPID, Kinds, Toolpath


def path_to_toolpath(
    path: Points, clearance: float, left: Heightfield | None = None, shape: Points | None = None
) -> Toolpath:
    """Return a toolpath that comes down on each cut of a path, follows it and goes up again."""
    cuts = cuts_of(path)
    if left is None or shape is None:
        return Toolpath.join([_entered(cut, clearance) for cut in cuts])
    return from_cut_to_cut(cuts, left, shape, clearance)


def cuts_of(path: Points) -> list[Points]:
    """Return the parts of a path between its rows of NaN."""
    gaps = np.flatnonzero(np.isnan(path[:, 0]))
    return [cut for cut in np.split(path[~np.isnan(path[:, 0])], gaps - np.arange(len(gaps))) if len(cut)]


def standing_ground(left: Heightfield, shape: Points) -> Ground:
    """Return what stands before as the kernels see it."""
    return Ground(left.heights, blocks(left.heights), *UNTRACED, left.pitch, *left.origin, shape)


def from_cut_to_cut(cuts: list[Points], left: Heightfield, shape: Points, clearance: float) -> Toolpath:
    """Return a toolpath that goes from cut to cut no higher than what stood before asks for."""
    # so wide that it meets what stands between the nodes, too
    wide = NEAREST * left.pitch
    standing = standing_ground(left, shape + np.array([wide, 0.0, 0.0, wide]))
    points, kinds = [np.array([[*cuts[0][0, :2], clearance]])], [np.array([RAPID])]
    for cut in cuts:
        here, start = points[-1][-1], cut[0]
        a, b = ((float(x), float(y)) for x, y in (here[:2] - left.origin, start[:2] - left.origin))
        over = link_height(left.heights, left.pitch, a, b, float(shape[3]) + max(SIDE_GAP, wide))
        height = max(float(here[2]), min(over + GAP, clearance), float(start[2]))
        touch = exact_tip(standing, start[0], start[1], untouched())
        way, rapids = hop(here, start, height, min(max(touch, float(start[2])) + GAP, height))
        moves, of_each = entered(cut)
        points += [way, moves]
        kinds += [rapids, of_each]
    points.append(np.array([[*points[-1][-1, :2], clearance]]))
    kinds.append(np.array([RAPID]))
    return Toolpath(np.concatenate(points), np.concatenate(kinds).astype(np.uint8))


def _entered(cut: Points, clearance: float) -> Toolpath:
    points, kinds = entered(cut)
    above, after = [*cut[0, :2], clearance], [*cut[-1, :2], clearance]
    return Toolpath(
        np.concatenate([[above], points, [after]]), np.concatenate([[RAPID], kinds, [RAPID]]).astype(np.uint8)
    )


def entered(cut: Points) -> tuple[Points, Kinds]:
    """Return a cut's vertices, none twice in a row, and the moves to them: straight down at plunge feed."""
    cut = cut[np.concatenate([[True], np.any(np.diff(cut, axis=0) != 0, axis=1)])]
    level = np.all(np.diff(cut[:, :2], axis=0) == 0, axis=1)
    falls = level & (np.diff(cut[:, 2]) < 0)
    return cut, np.concatenate([[PLUNGE], np.where(falls, PLUNGE, CUT)]).astype(np.uint8)
