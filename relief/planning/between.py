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


def is_light(ground: Ground, rules: Rules, start: Place, end: Place, limit: float) -> bool:
    """Return whether nothing that the cutter meets on a straight way stands higher than a limit, mm.

    Parameters
    ----------
    ground : what stands
    rules : the cutter's radius and its lattice
    start, end : (x, y) mm, measured from node (0, 0)
    limit : mm
    """
    if link_height(ground.stock, ground.pitch, start, end, rules.radius + rules.step) > limit:
        return False
    if link_height(ground.cells, ground.pitch, start, end, widest(ground, rules)) <= limit:
        return True
    rim = _rim(start, end, rules.radius - SLIVER, ground.pitch)
    return _highest_at(ground, rules, rim, limit) <= limit


def widest(ground: Ground, rules: Rules) -> float:
    """Return how far from the axis a node may be that tells of what the cutter could touch, mm."""
    return rules.radius + rules.step + NEAREST * ground.pitch


def met_between(ground: Ground, rules: Rules, span: Span, nodes: npt.NDArray[np.int64]) -> Doubles:
    """Return the highest stock that the cutter meets at the rim at some nodes of a span, mm."""
    rim = _rim((0.0, 0.0), (0.0, 0.0), rules.radius - SLIVER, ground.pitch)
    places = ground.pitch * np.column_stack([span.first + nodes, np.full(len(nodes), span.row)])
    return np.array([_highest_at(ground, rules, place + rim, math.inf) for place in places])


def _highest_at(ground: Ground, rules: Rules, places: Doubles, limit: float) -> float:
    """Return the highest stock at some places, (n, 2) mm, or the first that is over a limit."""
    starts, ends = ground.moves_near(places.min(axis=0) - rules.radius, places.max(axis=0) + rules.radius)
    return float(highest_left(places, ground.before_at(places), starts, ends, rules.radius, limit))


def _rim(start: Place, end: Place, radius: float, width: float) -> Doubles:
    """Return close places that are no further from a straight way than the radius, and hardly nearer."""
    x, y = (
        np.arange(min(a, b) - radius, max(a, b) + radius + CLOSE, CLOSE)
        for a, b in zip(start, end, strict=True)
    )
    along, length = np.subtract(end, start), math.dist(start, end)
    ex, ey = along / length if length else (1.0, 0.0)
    u = (x - start[0])[None, :] * ex + (y - start[1])[:, None] * ey
    v = (y - start[1])[:, None] * ex - (x - start[0])[None, :] * ey
    away = np.hypot(u - np.clip(u, 0.0, length), v)
    j, i = np.nonzero((away <= radius) & (away > radius - width))
    return np.column_stack([x[i], y[j]])
