"""Getting from one cut to the next: how low the cutter may go straight across."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.heightfield import Heights
from relief.kernels.roughing import capsule_highest
from relief.toolpath import RAPID, Kinds, Points


def link_height(
    stock: Heights, pitch: float, start: tuple[float, float], end: tuple[float, float], radius: float
) -> float:
    """Return the highest stock in the way of a straight link.

    Parameters
    ----------
    stock : (rows, columns) float32, mm
        The stock as it stands when the link is run, or anything above it.
    pitch : float, mm
    start, end : (x, y) mm, measured from node (0, 0)
    radius : float, mm, of the widest thing that turns; add what the machine may stray

    Returns
    -------
    float, mm
        A cutter of any kind that goes from start to end with its tip at this height touches nothing; −∞ where
        there is no stock near the line.
    """
    return float(capsule_highest(stock, pitch, *start, *end, radius))


def hop(
    start: npt.ArrayLike, end: npt.ArrayLike, height: float, touch_down: float | None = None
) -> tuple[Points, Kinds]:
    """Return the rapids from one position to above another: up, across at one height, down.

    Parameters
    ----------
    start, end : (x, y, z) mm
    height : float, mm, of the way across; not below `start`
    touch_down : float, mm, where the rapid down stops (default: at `end`)

    Returns
    -------
    points : (m, 3) float64 mm, the positions after `start`; a step that moves nothing is left out
    kinds : (m,) uint8, all RAPID
    """
    here, there = np.asarray(start, dtype=np.float64), np.asarray(end, dtype=np.float64)
    low = there[2] if touch_down is None else touch_down
    way = np.array(
        [[here[0], here[1], height], [there[0], there[1], height], [there[0], there[1], min(low, height)]]
    )
    moved = (np.diff(way, axis=0, prepend=here[None]) != 0).any(axis=1)
    return way[moved], np.full(int(moved.sum()), RAPID, dtype=np.uint8)
