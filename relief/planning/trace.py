"""The trace: a walk round all that will be cut, above the stock, with the spindle off."""

from __future__ import annotations

import numpy as np

from relief.heightfield import Region
from relief.toolpath import RAPID, Toolpath


def plan_trace(outline: Region, clearance: float) -> Toolpath:
    """Return a walk round a box, at clearance height, back to where it began.

    Parameters
    ----------
    outline : Region
        The box that the cutters sweep, their radius included.
    clearance : float, mm above the stock top

    Returns
    -------
    Toolpath, every move a rapid: nothing is cut, and the height never changes
    """
    corners = [
        (outline.left, outline.near),
        (outline.right, outline.near),
        (outline.right, outline.far),
        (outline.left, outline.far),
        (outline.left, outline.near),
    ]
    points = np.array([(x, y, clearance) for x, y in corners])
    return Toolpath(points, np.full(len(points), RAPID, dtype=np.uint8))
