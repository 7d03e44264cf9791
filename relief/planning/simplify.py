"""The fewest vertices that keep a path inside a tube around it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.kernels.simplify import keep_vertices

Points = npt.NDArray[np.float64]


def simplify(
    points: Points, below: float, above: float, across: float, lift: float = 0.0
) -> npt.NDArray[np.bool_]:
    """Return which vertices of a path to keep so that the rest stay inside a tube around the new path.

    Parameters
    ----------
    points : (n, 3) mm
        The path; every straight piece of it is taken as true.
    below, above : mm
        How far, straight down and straight up, the new path may lie from an old vertex. `above` counts normal
        to a sloping path: up to six times as much straight up.
    across : mm, how far it may lie beside an old vertex, seen from above
    lift : mm, how far (as for `above`) the kept vertices will be raised, both ends excepted; 0 ≤ lift ≤ above

    Returns
    -------
    (n,) bool; the first and the last vertex are always kept

    Notes
    -----
    One pass, O(n): from each kept vertex the cone of slopes and of bearings that all vertices passed since
    allow; the last vertex inside its own cone is kept next. The cone ends where the path turns back, stands
    (a vertical move), or after 400 vertices. The swinging door in two planes (E. H. Bristol, 1990, from
    memory).
    """
    keep = np.zeros(len(points), dtype=np.bool_)
    if len(points):
        keep_vertices(np.ascontiguousarray(points, dtype=np.float64), below, above, across, lift, keep)
    return keep
