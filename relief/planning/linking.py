"""Getting from one cut to the next: how low the cutter may go straight across."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.clamps import LEAST_ROOM, ROOM, spare_room
from relief.errors import PlanError
from relief.heightfield import Heights
from relief.kernels.roughing import capsule_highest
from relief.sections import Clamp
from relief.shop.records import Cutter
from relief.toolpath import RAPID, Kinds, Points, Toolpath
from relief.units import Units, format_length

# A lattice step or two less than the room that is planned is no reason to go another way, mm.
ROUNDING = 0.02


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


def lifted(
    toolpath: Toolpath,
    cutter: Cutter,
    clamps: tuple[Clamp, ...],
    clearance: float,
    operation: str,
    units: Units = "mm",
) -> tuple[Toolpath, npt.NDArray[np.bool_]]:
    """Return a toolpath whose rapids go over the clamps, and which of its points are new.

    Parameters
    ----------
    toolpath : in the relief's coordinates
    cutter : what turns
    clamps : with their names
    clearance : mm, a height that is above them all
    operation : named where a cut comes too near
    units : in which a refusal tells lengths

    Raises
    ------
    PlanError
        A cut, or a place that a rapid has to come to, is too near to a clamp.
    """
    near = np.zeros(len(toolpath.points), dtype=np.bool_)
    for clamp in clamps:
        near[1:] |= spare_room(toolpath.points, (cutter,), clamp, ROOM) < ROOM - ROUNDING
    over = np.flatnonzero(near & (toolpath.kinds == RAPID))
    high = np.full((2 * len(over), 1), clearance)
    # up from where the rapid begins, across, and down again to where it ends
    way = np.hstack([toolpath.points[np.column_stack([over - 1, over]).ravel(), :2], high])
    points = np.insert(toolpath.points, np.repeat(over, 2), way, axis=0)
    kinds = np.insert(toolpath.kinds, np.repeat(over, 2), np.uint8(RAPID))
    fresh = np.insert(np.zeros(len(toolpath.points), np.bool_), np.repeat(over, 2), np.True_)
    for clamp in clamps:
        room = float(spare_room(points, (cutter,), clamp, ROOM).min(initial=ROOM))
        if room < LEAST_ROOM:
            message = (
                f"{clamp.name} stands in the way of the {operation}: it leaves"
                f" {format_length(round(room, 2), units)} where {format_length(ROOM, units)} are needed;"
                f" move it {format_length(round(ROOM - room, 2), units)} further away"
            )
            raise PlanError(message)
    return Toolpath(points, kinds), fresh
