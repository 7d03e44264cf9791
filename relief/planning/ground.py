"""The ground that roughing works on: where the tip may go, and the stock as it stands."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.clamps import KeepOut
from relief.cutters import Profile, profile_height
from relief.errors import PlanError
from relief.heightfield import Heightfield, Heights, Region
from relief.kernels.tip import reach_grid, tip_grid
from relief.planning.trail import Trail
from relief.sections import CutDirection
from relief.units import format_length

# Where there is no stock the ground is this deep, mm: below any layer.
NOWHERE = -1000.0
# What stands so high, as a share of the stepdown, is tall: it is cut wherever it is.
TALL = 0.65

# A radius of fewer nodes leaves peaks that no node tells of: what stands about each is kept too.
FEW = 5

# How much further than told a board may reach on a side, mm: common practice, no source.
UNSURE = 2.0

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]


class Span(NamedTuple):
    """Part of a pass that is cut in one go: columns first ≤ i < last of a row."""

    row: int
    first: int
    last: int


@dataclass(frozen=True)
class Rules:
    """What a pass must keep to, mm; `steepest` is the rise over run of a ramp.

    Where the stock under the axis, within `core` of it, stands no more than `bite` above the tip, a descent
    need be no ramp.
    """

    radius: float
    sure_radius: float  # the lattice cannot round a position out of reach of a node so near
    stepdown: float
    lines: int  # nodes from one main pass to the next, at most
    widest: int  # the same where little stands
    stepover: float
    steepest: float
    slack: float
    bite: float
    core: float
    ridge: float
    thin: float
    clearance: float
    step: float
    cut: CutDirection
    keep_out: KeepOut
    spare: float = 0.0  # that the finishing cutter may take besides the allowance

    @property
    def small(self) -> float:
        """What may be left of a layer here and there: no more than the finishing cutter takes, nor tall."""
        return min(self.spare, TALL * self.stepdown)


@dataclass
class Ground:
    """The stock as it stands, and where the cutter has been: what grows while the plan is made.

    Positions are in mm from node (0, 0) of a grid whose rows are the direction of the passes: the target's
    own, or `turned`, its columns. `before` is the stock before the first move; `cells` tells how high it may
    stand anywhere nearer to a node than to others (`stock` itself, where a cutter spans many nodes). `board`
    is the box of the stock, `domain` where the tip may go, `blocked` what is too near to a clamp, `inner` the
    box of the relief and its overrun, cut on the `whole` or where something was left; `trail` is the way so
    far, never turned.
    """

    tip: Heights
    stock: Heights
    before: Heights
    cells: Heights
    pitch: float
    domain: Mask
    blocked: Mask
    inner: tuple[slice, slice]
    board: tuple[slice, slice]
    corner: tuple[float, float]
    turned: bool
    whole: bool = True
    trail: Trail = field(default_factory=Trail)

    @property
    def here(self) -> Doubles | None:
        """Where the cutter is."""
        return self.lately(1)[0] if len(self.trail) else None

    def lately(self, count: int) -> Doubles:
        """Return the last positions, (count, 3) mm; fewer where there are no more."""
        last = self.trail.last(count)
        return np.asarray(last[:, [1, 0, 2]] if self.turned else last)

    def moves_near(self, low: Doubles, high: Doubles) -> tuple[Doubles, Doubles]:
        """Return both ends, (n, 3) mm each, of all moves that came into a box seen from above."""
        if not self.turned:
            return self.trail.near(low, high)
        starts, ends = self.trail.near(low[::-1], high[::-1])
        return starts[:, [1, 0, 2]], ends[:, [1, 0, 2]]

    def on_table(self, place: tuple[float, float], z: float) -> tuple[float, float, float]:
        """Return a position of this grid in the target's coordinates."""
        x, y = place[::-1] if self.turned else place
        return x + self.corner[0], y + self.corner[1], z

    def go(self, points: npt.ArrayLike, kinds: npt.ArrayLike) -> None:
        """Go on to further positions."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        self.trail.go(points[:, [1, 0, 2]] if self.turned else points, kinds)

    def before_at(self, places: Doubles) -> Doubles:
        """Return the stock before the first move at places, (..., 2) mm: (...) mm, of the nearest nodes."""
        node = np.rint(places / self.pitch).astype(np.int64)
        x, y = node[..., 0], node[..., 1]
        rows, columns = self.before.shape
        there = (x >= 0) & (y >= 0) & (x < columns) & (y < rows)
        return np.where(there, self.before[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)], -np.inf)

    def beside_board(self, place: tuple[float, float], radius: float) -> bool:
        """Return whether a cutter stands partly past the board's edge, where stock may still be.

        A board is never sawn, nor set down, quite as it was told.
        """
        past, near = False, True
        for along, side in zip(place, self.board[::-1], strict=True):
            first, last = side.start * self.pitch, (side.stop - 1) * self.pitch
            past = past or not first + radius <= along <= last - radius
            near = near and first - radius - UNSURE < along < last + radius + UNSURE
        return past and near

    def reached(self, further: float) -> Mask:
        """Return where the tip may go that goes so much further out than it has to, mm."""
        if not self.whole:
            return self.domain
        wider = self.domain.copy()
        steps = math.ceil(further / self.pitch)
        wider[tuple(slice(max(side.start - steps, 0), side.stop + steps) for side in self.inner)] = True
        return wider & ~self.blocked

    def inside(self) -> Heights:
        """Return the stock as it stands over the relief and its overrun; nothing outside of it."""
        stock = np.full_like(self.stock, -np.inf)
        stock[self.inner] = self.stock[self.inner]
        return stock

    def turn(self) -> Ground:
        """Return the same ground with its columns as rows; the way goes on, the stock is a copy."""
        turned = np.ascontiguousarray(self.stock.T)
        return Ground(
            tip=np.ascontiguousarray(self.tip.T),
            stock=turned,
            before=self.before.T,
            cells=turned if self.cells is self.stock else np.ascontiguousarray(self.cells.T),
            pitch=self.pitch,
            domain=np.ascontiguousarray(self.domain.T),
            blocked=np.ascontiguousarray(self.blocked.T),
            inner=self.inner[::-1],
            board=self.board[::-1],
            corner=self.corner,
            turned=not self.turned,
            whole=self.whole,
            trail=self.trail,
        )


def ground_to_cut(
    target: Heightfield,
    stands: Heights,
    region: Region,
    rules: Rules,
    allowance: float,
    overrun: float,
) -> Ground:
    """Return the stock as it stands and the tip heights, on a grid that holds every place of the tip."""
    pitch, grid = target.pitch, target.region
    outer = region.grown(max(overrun, rules.radius + allowance + 2 * pitch))
    edges = (grid.left - outer.left, grid.near - outer.near, outer.right - grid.right, outer.far - grid.far)
    left, near, right, far = (max(math.ceil(edge / pitch - 1e-6), 0) + 1 for edge in edges)
    around = ((near, far), (left, right))
    heights = np.pad(target.heights, around, constant_values=np.float32(NOWHERE))
    stock = np.pad(stands, around, constant_values=np.float32(-np.inf))
    x0, y0 = grid.left - left * pitch, grid.near - near * pitch
    tip = _tip_heights(heights, pitch, rules.radius, allowance, rules.step)
    inner = _nodes(region.grown(overrun), (x0, y0), pitch)
    beyond = _nodes(outer, (x0, y0), pitch)
    domain = np.zeros(tip.shape, dtype=bool)
    domain[beyond] = _needed(tip, inner, _nodes(region, (x0, y0), pitch), rules, pitch)[beyond]
    domain[inner] = True
    tip = np.where(domain, tip, np.maximum(tip, _continued(tip, inner)))
    blocked = _trim(domain, tip, target, region, rules, (x0, y0))
    board = slice(near, near + target.heights.shape[0]), slice(left, left + target.heights.shape[1])
    before = stock.copy()
    cells = stock.copy() if rules.radius < FEW * pitch else stock
    return Ground(tip, stock, before, cells, pitch, domain, blocked, inner, board, (x0, y0), turned=False)


def _continued(tip: Heights, inner: tuple[slice, slice]) -> Heights:
    """Return the tip heights of a box, each node outside of it as high as the nearest one inside."""
    rows, columns = (
        np.clip(np.arange(count), side.start, side.stop - 1)
        for count, side in zip(tip.shape, inner, strict=True)
    )
    return np.asarray(tip[np.ix_(rows, columns)])


def _trim(
    domain: Mask, tip: Heights, target: Heightfield, region: Region, rules: Rules, corner: tuple[float, float]
) -> Mask:
    """Take out of the domain what is too near to a clamp, and return where that is.

    Raises
    ------
    PlanError
        Stock would stay beside the relief that the finishing cutter cannot be left with.
    """
    blocked = np.zeros_like(domain)
    if not rules.keep_out.clamps or not domain.any():
        return blocked
    pitch = target.pitch
    x, y = (corner[axis] + pitch * np.arange(domain.shape[1 - axis], dtype=np.float64) for axis in (0, 1))
    disc = np.where(disc_mask(rules.radius, pitch), np.float32(0), np.float32(np.inf))
    whole = domain.copy()
    for clamp, mask, short in rules.keep_out.masks(x, y, float(tip[domain].min()), pitch):
        blocked |= mask
        if not (mask & whole).any():
            continue
        domain &= ~mask
        relief = _nodes(region, corner, pitch)
        more = (_left_by(tip, domain, disc) - _left_by(tip, whole, disc))[relief].max(initial=0.0)
        if more > rules.ridge:
            further = round(float(short[mask & whole].max()), 2)
            message = (
                f"{clamp.name} stands in the way of the roughing, which would leave"
                f" {format_length(round(float(more), 2))} too much on the relief beside it;"
                f" move it {format_length(further)} further away"
            )
            raise PlanError(message)
    return blocked


def _left_by(tip: Heights, domain: Mask, disc: Heights) -> Heights:
    """Return what a flat cutter leaves that comes to every place of a domain."""
    there = np.where(domain, tip, np.float32(np.inf)).astype(np.float32)
    return np.minimum(reach_grid(there, disc), np.float32(0))


def _nodes(region: Region, corner: tuple[float, float], pitch: float) -> tuple[slice, slice]:
    """Return the (rows, columns) of a box, rounded outward."""
    x0, y0 = corner
    return (
        slice(_outward(region.near - y0, pitch, -1), _outward(region.far - y0, pitch, 1) + 1),
        slice(_outward(region.left - x0, pitch, -1), _outward(region.right - x0, pitch, 1) + 1),
    )


def _needed(
    tip: Heights, inner: tuple[slice, slice], relief: tuple[slice, slice], rules: Rules, pitch: float
) -> Mask:
    """Return where the tip can still lower the relief's own edge from further outside.

    A flat cutter whose axis stays inside cannot follow an edge that falls outward: its inner half stands on
    what lies further in.
    """
    disc = np.where(disc_mask(rules.radius, pitch), np.float32(0), np.float32(np.inf))
    inside = np.full(tip.shape, np.inf, dtype=np.float32)
    inside[inner] = tip[inner]
    left = np.full(tip.shape, NOWHERE, dtype=np.float32)
    left[relief] = np.minimum(reach_grid(inside, disc), np.float32(0))[relief]
    return np.asarray(tip_grid(left, disc) > tip + rules.ridge / 2)


def disc_mask(radius: float, pitch: float) -> Mask:
    """Return which nodes of a square lie within a disc."""
    steps = np.arange(-math.floor(radius / pitch), math.floor(radius / pitch) + 1) * pitch
    return np.asarray(np.hypot(steps[:, None], steps[None, :]) <= radius)


def _outward(distance: float, pitch: float, way: int) -> int:
    """Return the node at a distance from node 0, or the next one outward."""
    steps = distance / pitch
    return math.floor(steps + 1e-6) if way < 0 else math.ceil(steps - 1e-6)


def _tip_heights(heights: Heights, pitch: float, radius: float, allowance: float, step: float) -> Heights:
    """Return tip heights that leave the allowance all round the target, and are safe between nodes too.

    A flat cutter that keeps a distance a from the target is a flat cutter with corners of radius a around it,
    its tip a above: the allowance is measured square to the surface, and sideways at walls. The disc is wider
    by a node's distance (and the lattice), so that on the way from one node to the next the tip may be as low
    as the lower of the two.
    """
    wider = pitch + step
    shape = Profile(radius, allowance, math.inf, radius + allowance)
    reach = math.floor((shape.radius + wider) / pitch + 1e-9)
    steps = np.arange(-reach, reach + 1) * pitch
    distance = np.maximum(np.hypot(steps[:, None], steps[None, :]) - wider - 1e-9, 0.0)
    return tip_grid(heights, profile_height(shape, distance).astype(np.float32)) + np.float32(
        allowance + 1e-5
    )
