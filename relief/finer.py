"""A relief from closer up: windows of it on a grid twice as fine, and the noise of the grid it has.

A plan knows the target at the nodes of its grid alone. Half-way between them, wherever the cutter touches two
places at once, even passes along every row of nodes leave ridges: that is the noise of the grid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
import numpy.typing as npt

from relief.cutters import profile, profile_table
from relief.heightfield import Heightfield, Heights, Region
from relief.kernels.bands import in_bands
from relief.kernels.tip import reach_grid, tip_grid
from relief.measures import NoiseFloor, scallop_figures, scallop_heights, wall_nodes
from relief.shop.records import Cutter

Flags = npt.NDArray[np.bool_]

# Cells of the relief's grid along a window, at least; a window is never narrower than the cutter.
WINDOW = 64
# Nodes of the finer grid round a window that count for its slopes.
RIM = 2
# Steps of the R2 sequence, which spreads points evenly over a square: the powers of 1/g with g³ = g + 1
# (the plastic number; common practice, no source).
SPREAD = (0.7548776662466927, 0.5698402909980532)


@dataclass(frozen=True)
class Window:
    """A piece of a relief: rows `near` to `far` and columns `left` to `right` of its nodes, all included."""

    near: int
    far: int
    left: int
    right: int

    @property
    def nodes(self) -> tuple[slice, slice]:
        """(rows, columns) of the relief's nodes that belong to it: those it shares go to the next one."""
        return slice(self.near, self.far), slice(self.left, self.right)


@dataclass(frozen=True, eq=False)
class CloseUp:
    """A window of a relief on a grid twice as fine, linear between the nodes of the relief's own.

    Parameters
    ----------
    reach : Heightfield, the best surface that the cutter can leave there
    walls : (rows, columns), which nodes are steeper than 75°
    noise : (2, rows, columns) mm, what passes along every row, or every column, of the relief's nodes leave
    """

    reach: Heightfield
    walls: Flags
    noise: Heights


def finer(field: Heightfield) -> Heightfield:
    """Return a field on a grid of half its pitch, linear between its nodes."""
    return Heightfield(halved(field.heights), field.pitch / 2, field.origin)


def halved(values: Heights) -> Heights:
    """Return values at the nodes and half-way between them, (2 rows − 1, 2 columns − 1)."""
    rows, columns = values.shape
    fine = np.zeros((2 * rows - 1, 2 * columns - 1), dtype=np.float32)
    fine[::2, ::2] = values
    fine[1::2, ::2] = (values[1:] + values[:-1]) / 2
    fine[:, 1::2] = (fine[:, 2::2] + fine[:, :-1:2]) / 2
    return fine


@dataclass(frozen=True, eq=False)
class Lens:
    """A relief, and the cutter that makes its surface, to be looked at in windows.

    Parameters
    ----------
    target : over the whole stock
    region : the relief's box: the cutter's axis stays over it
    table : its profile at the offsets of the finer grid, as far as it can matter
    """

    target: Heightfield
    region: Region
    table: Heights

    @staticmethod
    def over(target: Heightfield, region: Region, cutter: Cutter) -> Lens:
        """Return the lens for a relief and a cutter."""
        table = profile_table(profile(cutter), target.pitch / 2)
        k = table.shape[0] // 2
        # what stands higher above the tip than the target is deep can touch nothing of it
        low = int((table[k, k + 1 :] <= float(np.ptp(target.heights))).sum())
        beyond = k - min(max(low + 1, 2), k)
        return Lens(target, region, table[beyond : 2 * k + 1 - beyond, beyond : 2 * k + 1 - beyond])

    @property
    def radius(self) -> int:
        """How many nodes of the finer grid the cutter reaches to each side."""
        return int(self.table.shape[0]) // 2

    def windows(self) -> list[Window]:
        """Return the windows that cover the relief, row by row."""
        size = max(WINDOW, self.radius)
        edges = [
            np.linspace(0, cells, math.ceil(cells / size) + 1).round().astype(int).tolist()
            for cells in (side.stop - side.start - 1 for side in self.target.window(self.region))
        ]
        return [Window(*tall, *wide) for tall, wide in product(pairwise(edges[0]), pairwise(edges[1]))]

    def affordable(self, windows: Sequence[Window], nodes: float) -> int:
        """Return how many of such windows are the work of so many nodes of the finer grid."""
        side = max(max(window.far - window.near, window.right - window.left) for window in windows)
        return max(1, int(nodes / (2 * side + 4 * self.radius) ** 2))

    def look(self, windows: Sequence[Window]) -> list[CloseUp]:
        """Return windows of the relief on a grid twice as fine."""
        seen: dict[int, CloseUp] = {}

        def look(first: int, last: int) -> None:
            for k in range(first, last):
                seen[k] = _close_up(self, windows[k])

        in_bands(look, len(windows), 1)
        return [seen[k] for k in range(len(windows))]


def spread_out(windows: Sequence[Window], count: int) -> list[Window]:
    """Return some of all windows, spread evenly over the relief; the same ones every time."""
    if len(windows) <= count:
        return list(windows)
    rows = sorted({window.near for window in windows})
    grid = [[window for window in windows if window.near == near] for near in rows]
    chosen: dict[Window, None] = {}
    k = 0
    while len(chosen) < count:
        k += 1
        row = grid[int(k * SPREAD[0] % 1 * len(grid))]
        chosen[row[int(k * SPREAD[1] % 1 * len(row))]] = None
    return list(chosen)


def _close_up(lens: Lens, window: Window) -> CloseUp:
    target, region, table, radius = lens.target, lens.region, lens.table, lens.radius
    inside, whole = target.window(region), (slice(0, target.rows), slice(0, target.columns))
    core = tuple(
        slice(box.start + low, box.start + high + 1)
        for box, low, high in zip(inside, (window.near, window.left), (window.far, window.right), strict=True)
    )
    # what the window's nodes depend on: tips within a radius of it, and the target within one of those
    tips = _grown(core, -(-(radius + RIM) // 2), inside)
    ground = _grown(tips, -(-radius // 2), whole)
    z = halved(target.heights[ground])
    tip = np.ascontiguousarray(tip_grid(z, table)[_within(tips, ground)])
    near, at = _grown(core, RIM, inside), _grown(core, 0, inside)
    pitch = target.pitch / 2
    origin = (float(target.x[near[1].start]), float(target.y[near[0].start]))

    def left(tip: Heights) -> Heightfield:
        return Heightfield(np.minimum(reach_grid(tip, table)[_within(near, tips)], 0), pitch, origin)

    reach = left(tip)
    noise = [scallop_heights(left(_raster(tip, axis)), reach) for axis in (0, 1)]
    own = _owned(at, inside, _within(at, near))
    corner = (float(target.x[at[1].start]), float(target.y[at[0].start]))
    return CloseUp(
        reach=Heightfield(reach.heights[own], pitch, corner),
        walls=wall_nodes(reach)[own],
        noise=np.stack([ridges[own] for ridges in noise]),
    )


def _grown(box: tuple[slice, ...], by: int, within: tuple[slice, ...]) -> tuple[slice, slice]:
    """Return a box of nodes with `by` more on every side, as far as there are any."""
    rows, columns = (
        slice(max(side.start - by, most.start), min(side.stop + by, most.stop))
        for side, most in zip(box, within, strict=True)
    )
    return rows, columns


def _within(box: tuple[slice, slice], around: tuple[slice, slice]) -> tuple[slice, slice]:
    """Return a box of nodes as nodes of the finer grid, counted from the corner of the box around it."""
    rows, columns = (
        slice(2 * (side.start - out.start), 2 * (side.stop - 1 - out.start) + 1)
        for side, out in zip(box, around, strict=True)
    )
    return rows, columns


def _raster(tip: Heights, axis: int) -> Heights:
    """Return the tip of passes along every row (or column) of the relief's own nodes, which come second."""
    raster = tip.copy()
    between = raster[1::2] if axis == 0 else raster[:, 1::2]
    between[:] = np.inf
    return raster


def _owned(
    at: tuple[slice, slice], inside: tuple[slice, ...], within: tuple[slice, slice]
) -> tuple[slice, slice]:
    """Return the finer nodes of a window, without the edges that it shares with the next one."""
    rows, columns = (
        slice(own.start, own.stop if side.stop == most.stop else own.stop - 1)
        for own, side, most in zip(within, at, inside, strict=True)
    )
    return rows, columns


def noise_floor(windows: Sequence[CloseUp]) -> NoiseFloor:
    """Return what the densest raster leaves off the walls: along X or along Y, whichever leaves more."""
    floors = []
    for axis in (0, 1):
        figures = scallop_figures(
            np.concatenate([seen.noise[axis].ravel() for seen in windows]),
            np.concatenate([seen.walls.ravel() for seen in windows]),
            0.0,
        )
        floors.append(NoiseFloor(p999=figures.p999, max=figures.max))
    return max(floors, key=lambda floor: floor.p999)
