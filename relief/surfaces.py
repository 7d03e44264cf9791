"""Where the cutter's tip may go, what it can leave at best, and the detail that it loses."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from relief.cutters import profile, profile_table
from relief.heightfield import Heightfield, Heights, Region
from relief.kernels.tip import reach_grid, tip_grid
from relief.shop.records import Cutter


def tip_surface(field: Heightfield, cutter: Cutter) -> Heights:
    """Return the lowest height of the tip at each node that does not gouge the sampled target.

    Parameters
    ----------
    field : Heightfield, the target
    cutter : Cutter

    Returns
    -------
    (rows, columns) float32, mm

    Notes
    -----
    t(p) = max over |d| ≤ R of z(p + d) − s(|d|): grey dilation by the inverted cutter (the naive algorithm of
    ISO 16610-85). Outside the field nothing is in the way.
    """
    return tip_grid(field.heights, profile_table(profile(cutter), field.pitch))


def reachable_surface(field: Heightfield, cutter: Cutter) -> Heights:
    """Return the best surface that this cutter can leave with its axis over the field.

    Parameters
    ----------
    field : Heightfield, the target
    cutter : Cutter

    Returns
    -------
    (rows, columns) float32, mm, nowhere below the target

    Notes
    -----
    r(p) = min over |d| ≤ R of t(p + d) + s(|d|): the morphological closing of the target.
    """
    table = profile_table(profile(cutter), field.pitch)
    return reach_grid(tip_grid(field.heights, table), table)


def reachable_inside(target: Heightfield, region: Region, cutter: Cutter) -> Heightfield:
    """Return the best surface that a cutter can leave inside a region, with its axis over that region.

    Parameters
    ----------
    target : Heightfield, over the whole stock: a wall round the region keeps the cutter away
    region : Region
    cutter : Cutter
    """
    return reachable_from(tip_inside(target, region, cutter), cutter)


def tip_inside(target: Heightfield, region: Region, cutter: Cutter) -> Heightfield:
    """Return the lowest height of the tip with its axis over a region of the target (see `tip_surface`)."""
    return target.with_heights(tip_surface(target, cutter)).cropped(region)


def reachable_from(tip: Heightfield, cutter: Cutter) -> Heightfield:
    """Return the best surface that a cutter can leave where its tip goes down to `tip`."""
    return tip.with_heights(reach_grid(tip.heights, profile_table(profile(cutter), tip.pitch)))


def surround(
    relief: Heightfield,
    margin: tuple[float, float],
    edge: Literal["open", "walled"],
    floor: float | None = None,
) -> Heightfield:
    """Return the target over the whole stock: the relief and what lies around it.

    Parameters
    ----------
    relief : Heightfield with its near left node at (0, 0)
    margin : (x, y) mm of stock on each side; rounded outward to whole nodes
    edge : "open": the surround is waste down to `floor`; "walled": it stays at stock top
    floor : mm; None: the relief's lowest height
    """
    across, along = (math.ceil(side / relief.pitch - 1e-6) for side in margin)
    lowest = float(relief.heights.min()) if floor is None else floor
    around = 0.0 if edge == "walled" else lowest
    heights = np.pad(relief.heights, ((along, along), (across, across)), constant_values=np.float32(around))
    corner = (relief.origin[0] - across * relief.pitch, relief.origin[1] - along * relief.pitch)
    return Heightfield(heights, relief.pitch, corner)
