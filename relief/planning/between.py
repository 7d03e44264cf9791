"""What stands between the nodes: tips of cusps, which the stock that is kept at the nodes does not tell of.

Where the nodes around a cutter say that nothing tall can be there, nothing is. Where they leave it open, the
places along its rim are looked at, close together, and all moves that have come near.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relief.heightfield import NEAREST
from relief.kernels.roughing import highest_left
from relief.planning.ground import Doubles, Ground, Rules, Span
from relief.planning.linking import link_height

Place = tuple[float, float]

# mm between places that are looked at, and what a cutter meets of less than this counts for nothing: no wider
# than what the roundings of its own ways leave.
CLOSE, SLIVER = 0.05, 0.01
# So many nodes of a pass in a row are looked at together.
TOGETHER = 16


def is_light(ground: Ground, rules: Rules, start: Place, end: Place, limit: float) -> bool:
    """Return whether nothing that the cutter meets on a straight way stands higher than a limit.

    Parameters
    ----------
    ground : what stands
    rules : the cutter's radius and its lattice
    start, end : (x, y) mm, measured from node (0, 0)
    limit : mm

    Returns
    -------
    bool
    """
    if link_height(ground.stock, ground.pitch, start, end, rules.radius + rules.step) > limit:
        return False
    if link_height(ground.cells, ground.pitch, start, end, widest(ground, rules)) <= limit:
        return True
    places = _rim(ground, rules, start, end)
    starts, ends = _moves_about(ground, rules, np.array([start, end]))
    return float(highest_left(places, ground.before_at(places), starts, ends, rules.radius, limit)) <= limit


def widest(ground: Ground, rules: Rules) -> float:
    """Return how far from the axis a node may be that tells of what the cutter could touch, mm."""
    return rules.radius + rules.step + NEAREST * ground.pitch


def met_between(ground: Ground, rules: Rules, span: Span, nodes: npt.NDArray[np.int64]) -> Doubles:
    """Return the highest stock that the cutter meets at some nodes of a span.

    Parameters
    ----------
    ground, rules : as in `is_light`
    span : the nodes of a pass
    nodes : (n,) which of them, counted from its first

    Returns
    -------
    (n,) mm
    """
    rim = _rim(ground, rules, (0.0, 0.0), (0.0, 0.0))
    met = np.empty(len(nodes))
    for group in np.split(np.arange(len(nodes)), np.flatnonzero(np.diff(nodes // TOGETHER)) + 1):
        at = ground.pitch * np.column_stack([span.first + nodes[group], np.full(len(group), span.row)])
        places = at[:, None] + rim
        starts, ends = _moves_about(ground, rules, at)
        before = ground.before_at(places)
        for n, here, there in zip(group, places, before, strict=True):
            met[n] = highest_left(here, there, starts, ends, rules.radius, math.inf)
    return met


def _moves_about(ground: Ground, rules: Rules, axis: Doubles) -> tuple[Doubles, Doubles]:
    """Return both ends of all moves whose cutter may have met what one at some places, (n, 2) mm, meets."""
    return ground.moves_near(axis.min(axis=0) - 2 * rules.radius, axis.max(axis=0) + 2 * rules.radius)


def _rim(ground: Ground, rules: Rules, start: Place, end: Place) -> Doubles:
    """Return close places under a cutter on a straight way, all of them or those a pitch from its rim.

    A cutter of many nodes has nothing in its middle that nodes do not tell of.
    """
    radius, apart = rules.radius - SLIVER, min(CLOSE, ground.pitch / 2)
    width = ground.pitch if ground.cells is ground.stock else radius
    x, y = (
        np.arange(min(a, b) - radius, max(a, b) + radius + apart, apart)
        for a, b in zip(start, end, strict=True)
    )
    along, length = np.subtract(end, start), math.dist(start, end)
    ex, ey = along / length if length else (1.0, 0.0)
    u = (x - start[0])[None, :] * ex + (y - start[1])[:, None] * ey
    v = (y - start[1])[:, None] * ex - (x - start[0])[None, :] * ey
    away = np.hypot(u - np.clip(u, 0.0, length), v)
    j, i = np.nonzero((away <= radius) & (away >= radius - width))
    return np.column_stack([x[i], y[j]])
