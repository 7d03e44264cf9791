"""Clearing most of the waste with a flat end mill, layer by layer.

The grid of tip heights is made once, so wide that every straight step between neighbouring nodes is safe;
passes run along its rows (or columns, if those make longer passes), and the stock is kept as it stands after
every pass. So the depth of cut is known and not hoped for, and links are judged against what is really there.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.cutters import Profile, profile, profile_height
from relief.errors import PlanError
from relief.heightfield import Heightfield, Heights, Region
from relief.job import CutDirection, Roughing
from relief.kernels.roughing import (
    EVEN,
    carve_along_row,
    carve_capsule,
    descend,
    met_along_row,
    thin,
)
from relief.kernels.tip import reach_grid, tip_grid
from relief.planning.linking import hop, link_height
from relief.shop.records import Cutter
from relief.toolpath import CUT, PLUNGE, RAPID, Kinds, Points, Toolpath

# mm; common practice, no source: rapids over cut ground stay this far above it, and this far away sideways.
GAP = 1.0
SIDE_GAP = 0.2
# Passes between the main ones lie no closer than an eighth of the stepover: 3 halvings.
HALVINGS = 3
# A ridge shorter than this is a cusp that the finishing cutter takes in its stride, mm.
SHORTEST_RIDGE = 0.5
# The stock under the axis may stand this share of the stepdown above the tip before a descent becomes a ramp.
BITE = 0.25
# A pass that takes less than this nowhere is left out, mm.
TRIFLE = 0.05
# A pit of fewer nodes than this is left to the finishing cutter: there is no room to ramp.
SHORTEST_RAMP = 3
# Where there is no stock the ground is this deep, mm: below any layer.
NOWHERE = -1000.0

Doubles = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class Span(NamedTuple):
    """Part of a pass that is cut in one go: columns first ≤ i < last of a row."""

    row: int
    first: int
    last: int


@dataclass(frozen=True)
class _Rules:
    """What a pass must keep to, mm; `steepest` is the rise over run of a ramp."""

    radius: float
    sure_radius: float  # the lattice cannot round a position out of reach of a node so near
    stepdown: float
    lines: int  # nodes from one main pass to the next, at most
    steepest: float
    slack: float
    ridge: float
    clearance: float
    step: float
    cut: CutDirection


@dataclass
class _Ground:
    """The stock as it stands, and where the cutter has been: what grows while the plan is made.

    Positions are in mm from node (0, 0) of a grid whose rows are the direction of the passes. `domain` is
    where the tip may go, `rows` are those of the region and its overrun.
    """

    tip: Heights
    stock: Heights
    pitch: float
    domain: Mask
    rows: slice
    corner: tuple[float, float]
    turned: bool
    points: list[Points] = field(default_factory=list)
    kinds: list[Kinds] = field(default_factory=list)

    @property
    def here(self) -> Doubles | None:
        """Where the cutter is."""
        return self.points[-1][-1] if self.points else None

    def go(self, points: npt.ArrayLike, kinds: npt.ArrayLike) -> None:
        """Go on to further positions."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 3)
        if len(points):
            self.points.append(points)
            self.kinds.append(np.broadcast_to(np.asarray(kinds, dtype=np.uint8), len(points)))


def plan_roughing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    section: Roughing,
    *,
    overrun: float,
    clearance: float,
    step: float = 0.001,
) -> Toolpath:
    """Plan the roughing of a relief.

    Parameters
    ----------
    target : Heightfield
        The target over the whole stock, what lies around the relief included.
    region : Region
        The relief's box; passes cover it edge to edge.
    cutter : Cutter, a flat end mill
    section : Roughing
        Allowance, stepdown, stepover (mm), entry_angle (degrees) and cut; none of them left open.
    overrun : float, mm
        How far the tip goes past the region, so that walls at an open edge are clear. It goes further where
        an edge that falls outward can only be reached from there.
    clearance : float, mm, height of rapids above the stock top
    step : float, mm
        The lattice that program text can express; every position lies on it.

    Returns
    -------
    Toolpath
        Empty when nothing stands above target and allowance. Every descent into stock is a ramp of at most
        the entry angle, or a PLUNGE (which may slant along the surface) with the axis over cleared ground.

    Raises
    ------
    PlanError
        The cutter is not flat, a rule is left open, or the grid is coarser than the stepover.
    """
    rules = _rules(target, cutter, section, clearance, step)
    ground = _ground(target, region, rules, section.allowance, overrun)
    floors = _floors(ground, rules)
    if len(floors) < 2:
        return Toolpath.join([])
    ground = _turned(ground, rules, floors)
    for above, floor in itertools.pairwise(floors):
        _cut_layer(ground, rules, above, floor)
    return _finished(ground, rules)


def _rules(target: Heightfield, cutter: Cutter, section: Roughing, clearance: float, step: float) -> _Rules:
    if cutter.kind != "flat":
        message = (
            f'roughing.cutter = "{cutter.name}" is a {cutter.kind} cutter; roughing needs a flat end mill'
        )
        raise PlanError(message)
    stepdown, stepover, angle = section.stepdown, section.stepover, section.entry_angle
    if stepdown is None or stepover is None or angle is None:
        message = "roughing needs stepdown, stepover and entry_angle; fill them in from the material's rules"
        raise PlanError(message)
    lines = math.floor(stepover / target.pitch + 1e-6)
    if lines < 1:
        message = (
            f"roughing.stepover = {stepover:g} mm is finer than the grid's nodes, {target.pitch:g} mm apart;"
            " set a larger stepover or a finer output.pitch"
        )
        raise PlanError(message)
    return _Rules(
        radius=profile(cutter).radius,
        sure_radius=profile(cutter).radius - step,
        stepdown=stepdown,
        lines=lines,
        steepest=math.tan(math.radians(angle)),
        slack=min(0.01, stepdown / 20),
        ridge=max(section.allowance, BITE * stepdown),
        clearance=clearance,
        step=step,
        cut=section.cut,
    )


def _ground(target: Heightfield, region: Region, rules: _Rules, allowance: float, overrun: float) -> _Ground:
    """Return the uncut stock and the tip heights, on a grid that holds every place of the tip."""
    pitch, grid = target.pitch, target.region
    outer = region.grown(max(overrun, rules.radius + allowance + 2 * pitch))
    edges = (grid.left - outer.left, grid.near - outer.near, outer.right - grid.right, outer.far - grid.far)
    left, near, right, far = (max(math.ceil(edge / pitch - 1e-6), 0) + 1 for edge in edges)
    around = ((near, far), (left, right))
    heights = np.pad(target.heights, around, constant_values=np.float32(NOWHERE))
    stock = np.pad(np.zeros_like(target.heights), around, constant_values=np.float32(-np.inf))
    x0, y0 = grid.left - left * pitch, grid.near - near * pitch
    tip = _tip_heights(heights, pitch, rules.radius, allowance, rules.step)
    inner = _nodes(region.grown(overrun), (x0, y0), pitch)
    beyond = _nodes(outer, (x0, y0), pitch)
    domain = np.zeros(tip.shape, dtype=bool)
    domain[beyond] = _needed(tip, inner, _nodes(region, (x0, y0), pitch), rules, pitch)[beyond]
    domain[inner] = True
    return _Ground(tip, stock, pitch, domain, inner[0], (x0, y0), turned=False)


def _nodes(region: Region, corner: tuple[float, float], pitch: float) -> tuple[slice, slice]:
    """Return the (rows, columns) of a box, rounded outward."""
    x0, y0 = corner
    return (
        slice(_outward(region.near - y0, pitch, -1), _outward(region.far - y0, pitch, 1) + 1),
        slice(_outward(region.left - x0, pitch, -1), _outward(region.right - x0, pitch, 1) + 1),
    )


def _needed(
    tip: Heights, inner: tuple[slice, slice], relief: tuple[slice, slice], rules: _Rules, pitch: float
) -> Mask:
    """Return where the tip can still lower the relief's own edge from further outside.

    A flat cutter whose axis stays inside cannot follow an edge that falls outward: its inner half stands on
    what lies further in.
    """
    disc = np.where(_disc_mask(rules.radius, pitch), np.float32(0), np.float32(np.inf))
    inside = np.full(tip.shape, np.inf, dtype=np.float32)
    inside[inner] = tip[inner]
    left = np.full(tip.shape, NOWHERE, dtype=np.float32)
    left[relief] = np.minimum(reach_grid(inside, disc), np.float32(0))[relief]
    return np.asarray(tip_grid(left, disc) > tip + rules.ridge / 2)


def _disc_mask(radius: float, pitch: float) -> Mask:
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


def _floors(ground: _Ground, rules: _Rules) -> list[float]:
    """Return the heights that bound the layers, the stock top first.

    Layers are as deep as the rule lets them be from the top down, so that the deepest are the smallest.
    """
    touched = ndimage.maximum_filter(ground.stock, size=2 * math.ceil(rules.radius / ground.pitch) + 1)
    tip = ground.tip[ground.domain & (touched > -np.inf)]
    deepest = float(tip.min()) if tip.size else 0.0
    layer = rules.stepdown - rules.slack
    count = max(math.ceil((-deepest - TRIFLE) / layer), 0)
    return [0.0] + [max(-layer * number, deepest) for number in range(1, count + 1)]


def _turned(ground: _Ground, rules: _Rules, floors: Sequence[float]) -> _Ground:
    """Return the ground turned so that its rows are the direction of the longest passes."""
    columns = np.flatnonzero(ground.domain[ground.rows].all(axis=0))
    turned = _Ground(
        tip=np.ascontiguousarray(ground.tip.T),
        stock=np.ascontiguousarray(ground.stock.T),
        pitch=ground.pitch,
        domain=np.ascontiguousarray(ground.domain.T),
        rows=slice(int(columns[0]), int(columns[-1]) + 1),
        corner=ground.corner,
        turned=True,
    )
    better = _mean_pass(turned, rules, floors) > 1.05 * _mean_pass(ground, rules, floors)
    return turned if better else ground


def _mean_pass(ground: _Ground, rules: _Rules, floors: Sequence[float]) -> float:
    """Return the mean length of the main passes of all layers, in nodes."""
    rows = _main_rows(ground, rules)
    tip, domain = ground.tip[rows], ground.domain[rows]
    nodes = passes = 0
    for above in floors[:-1]:
        low = np.pad(domain & (tip < above), ((0, 0), (1, 0)))
        nodes += int(low.sum())
        passes += int((low[:, 1:] & ~low[:, :-1]).sum())
    return nodes / max(passes, 1)


def _main_rows(ground: _Ground, rules: _Rules) -> list[int]:
    """Return the rows of the main passes: evenly from edge to edge, at most a stepover apart, and beyond."""
    first, last = ground.rows.start, ground.rows.stop - 1
    count = max(math.ceil((last - first) / rules.lines), 1)
    inner = [round(row) for row in np.linspace(first, last, count + 1)]
    used = np.flatnonzero(ground.domain.any(axis=1))
    before = range(first - rules.lines, int(used[0]) - rules.lines, -rules.lines)
    after = range(last + rules.lines, int(used[-1]) + rules.lines, rules.lines)
    beyond = [min(max(row, int(used[0])), int(used[-1])) for row in (*before, *after)]
    return sorted({*inner, *beyond})


def _fine_rows(main: Sequence[int]) -> Iterator[list[tuple[int, int]]]:
    """Yield the rows half-way between passes and the step to these, then those half-way again, and so on."""
    known = list(main)
    for _ in range(HALVINGS):
        between = [((a + b) // 2, (b - a) // 2) for a, b in itertools.pairwise(known) if b - a > 1]
        yield between
        known = sorted(known + [row for row, _ in between])


def _cut_layer(ground: _Ground, rules: _Rules, above: float, floor: float) -> None:
    """Cut one layer: each connected region of it to the end before the next is begun."""
    low = ground.domain & (ground.tip < above - EVEN)
    labels, _ = ndimage.label(low, structure=np.ones((3, 3)))
    boxes = ndimage.find_objects(labels)
    main = _main_rows(ground, rules)
    waiting = list(range(1, len(boxes) + 1))
    while waiting:
        label = min(waiting, key=lambda k: _distance_to_box(ground, boxes[k - 1]))
        waiting.remove(label)
        rows, columns = boxes[label - 1]
        mine = labels[rows, columns] == label
        spans = list(_spans(mine, rows, columns, main))
        _cut_main(ground, rules, spans, floor)
        for between in _fine_rows(main):
            ridges = [
                ridge
                for row, step in between
                for span in _spans(mine, rows, columns, (row,))
                for ridge in _ridges(ground, rules, span, step, floor)
            ]
            _cut_nearest_first(ground, rules, ridges, floor)


def _distance_to_box(ground: _Ground, box: tuple[slice, ...]) -> float:
    """Return how far the cutter is from a box of nodes (at first: how far node 0 is), in nodes."""
    rows, columns = box
    y, x = (
        (0.0, 0.0) if ground.here is None else (ground.here[1] / ground.pitch, ground.here[0] / ground.pitch)
    )
    return math.hypot(max(columns.start - x, x - columns.stop, 0.0), max(rows.start - y, y - rows.stop, 0.0))


def _spans(mask: Mask, rows: slice, columns: slice, wanted: Sequence[int]) -> Iterator[Span]:
    """Yield the spans of the wanted rows where the mask, which begins at a corner of the grid, is true."""
    for row in wanted:
        if rows.start <= row < rows.stop:
            edges = np.flatnonzero(np.diff(np.pad(mask[row - rows.start], 1).astype(np.int8)))
            for first, last in edges.reshape(-1, 2):
                yield Span(row, columns.start + int(first), columns.start + int(last))


def _ridges(ground: _Ground, rules: _Rules, span: Span, step: int, floor: float) -> Iterator[Span]:
    """Yield where more than a ridge still stands above what the tip could reach in this layer.

    Where a finer pass on the side of the higher ground can go as low, that one will do better.
    """
    row, first, last = span
    reach = np.maximum(ground.tip[row, first:last], floor)
    high = _met(ground, rules, span) > reach + rules.ridge
    if step > 1:
        left, right = ground.tip[row + step, first:last], ground.tip[row - step, first:last]
        half = (step + 1) // 2
        finer = np.where(left > right, ground.tip[row + half, first:last], ground.tip[row - half, first:last])
        high &= finer > reach + rules.ridge / 2
    for ridge in _spans(high[None], slice(row, row + 1), slice(first, last), (row,)):
        if (ridge.last - ridge.first) * ground.pitch >= SHORTEST_RIDGE:
            yield ridge


def _met(ground: _Ground, rules: _Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter is sure to cut at each node of a span."""
    met = np.empty(span.last - span.first)
    met_along_row(ground.stock, _disc(rules.sure_radius, ground.pitch), *span, met)
    return met


def _near(ground: _Ground, rules: _Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter could touch at each node of a span and half-way to the next."""
    near = np.empty(span.last - span.first)
    met_along_row(
        ground.stock, _disc(math.hypot(rules.radius, ground.pitch / 2) + EVEN, ground.pitch), *span, near
    )
    return near


def _disc(radius: float, pitch: float) -> npt.NDArray[np.int64]:
    """Return the half width of a disc of nodes in each of its rows, in nodes."""
    reach = math.floor(radius / pitch + 1e-6)
    down = np.arange(-reach, reach + 1) * pitch
    half = np.floor(np.sqrt(np.maximum(radius**2 - down**2, 0.0)) / pitch + 1e-6)
    return np.asarray(half, dtype=np.int64)


def _cut_main(ground: _Ground, rules: _Rules, spans: Sequence[Span], floor: float) -> None:
    """Cut the main passes of a region, each beside one that is already cut wherever there is one."""
    sweep = 0
    if rules.cut != "both ways":
        # With a clockwise spindle climb cutting has the material on the right of the way the cutter goes.
        sweep = -1 if (rules.cut == "climb") != ground.turned else 1
    before, after = _neighbours(spans)
    waiting = set(range(len(spans)))
    last, trend = -1, 0
    while waiting:
        choice = _candidates(waiting, before, after, last, trend, sweep)
        number, backward = _nearest(ground, [(k, spans[k]) for k in choice], both=sweep == 0)
        waiting.remove(number)
        trend = 0 if last < 0 else int(np.sign(spans[number].row - spans[last].row))
        last = number
        _cut_span(ground, rules, spans[number], floor, backward)


def _neighbours(spans: Sequence[Span]) -> tuple[list[list[int]], list[list[int]]]:
    """Return for each span those of the passes before and after it that lie beside it."""
    by_row: dict[int, list[int]] = {}
    for number, span in enumerate(spans):
        by_row.setdefault(span.row, []).append(number)
    rows = sorted(by_row)
    before: list[list[int]] = [[] for _ in spans]
    after: list[list[int]] = [[] for _ in spans]
    for row, following in itertools.pairwise(rows):
        for k in by_row[row]:
            for m in by_row[following]:
                if spans[k].first < spans[m].last and spans[m].first < spans[k].last:
                    after[k].append(m)
                    before[m].append(k)
    return before, after


def _candidates(
    waiting: set[int],
    before: list[list[int]],
    after: list[list[int]],
    last: int,
    trend: int,
    sweep: int,
) -> list[int]:
    """Return the spans that may come next: beside the last one if there are any, else those at an end."""
    if sweep:
        ahead, behind = (after, before) if sweep > 0 else (before, after)
        ready = [k for k in sorted(waiting) if not any(m in waiting for m in behind[k])]
        beside = [k for k in ready if last >= 0 and k in ahead[last]]
        return beside or ready
    if last >= 0:
        for side in (after, before) if trend >= 0 else (before, after):
            beside = [k for k in side[last] if k in waiting]
            if beside:
                return beside
    ends = [
        k
        for k in sorted(waiting)
        if not any(m in waiting for m in before[k]) or not any(m in waiting for m in after[k])
    ]
    return ends


def _cut_nearest_first(ground: _Ground, rules: _Rules, spans: list[Span], floor: float) -> None:
    """Cut passes between the main ones."""
    waiting = dict(enumerate(spans))
    while waiting:
        number, backward = _nearest(ground, list(waiting.items()), both=True)
        span = waiting.pop(number)
        if rules.cut != "both ways":
            backward = _wall_on_the_left(ground, span) == ((rules.cut == "climb") != ground.turned)
        _cut_span(ground, rules, span, floor, backward)


def _wall_on_the_left(ground: _Ground, span: Span) -> bool:
    """Whether the ground is higher on the left of a span that is cut forward."""
    row, columns = span.row, slice(span.first, span.last)
    left = ground.tip[min(row + 1, ground.tip.shape[0] - 1), columns]
    return bool(left.sum() > ground.tip[max(row - 1, 0), columns].sum())


def _nearest(ground: _Ground, choice: Sequence[tuple[int, Span]], *, both: bool) -> tuple[int, bool]:
    """Return the number of the span that begins nearest, and whether that is its far end."""
    table = np.array([span for _, span in choice], dtype=np.float64)
    x, y = (0.0, 0.0) if ground.here is None else ground.here[:2] / ground.pitch
    from_first = np.hypot(table[:, 1] - x, table[:, 0] - y)
    from_last = np.hypot(table[:, 2] - 1 - x, table[:, 0] - y) if both else np.full(len(table), np.inf)
    best = int(np.argmin(np.minimum(from_first, from_last)))
    return choice[best][0], bool(from_last[best] < from_first[best])


def _cut_span(ground: _Ground, rules: _Rules, span: Span, floor: float, backward: bool) -> None:
    """Go to a span and cut it down to its floor, never deeper than the stepdown."""
    met = _met(ground, rules, span)
    floors = _reachable_floor(ground, rules, span, met, floor)
    taken = np.flatnonzero(met > floors + TRIFLE)
    if not taken.size:
        return
    # One node more at each end: where that is air, the cutter comes down beside the stock.
    start, stop = max(int(taken[0]) - 1, 0), min(int(taken[-1]) + 2, len(floors))
    span = Span(span.row, span.first + start, span.first + stop)
    way = slice(None, None, -1) if backward else slice(None)
    floors = np.ascontiguousarray(floors[start:stop][way])
    nodes = np.arange(span.first, span.last)[way]
    axis = _axis(ground, span, way)
    if len(floors) < SHORTEST_RAMP and (axis > floors + BITE * rules.stepdown).all():
        return
    entry = (nodes[0] * ground.pitch, span.row * ground.pitch)
    if _link(ground, rules, entry, float(floors[0]), float(_near(ground, rules, span)[way][0])):
        axis = _axis(ground, span, way)
    near = np.ascontiguousarray(_near(ground, rules, span)[way])
    _walk(ground, rules, span, nodes, floors, axis, near)


def _axis(ground: _Ground, span: Span, way: slice) -> Doubles:
    """Return the stock under the axis along a span, in the direction of the cut."""
    return np.ascontiguousarray(ground.stock[span.row, span.first : span.last][way], dtype=np.float64)


def _reachable_floor(ground: _Ground, rules: _Rules, span: Span, met: Doubles, floor: float) -> Doubles:
    """Return the lowest tip heights of a span in this layer: no gouge, no deeper than the stepdown.

    On the way from one node to the next the cutter meets what it meets at either.
    """
    surface = ground.tip[span.row, span.first : span.last].astype(np.float64)
    near = met.copy()
    near[1:] = np.maximum(near[1:], met[:-1])
    near[:-1] = np.maximum(near[:-1], met[1:])
    return np.maximum(np.maximum(surface, floor), near - rules.stepdown)


def _link(ground: _Ground, rules: _Rules, entry: tuple[float, float], low: float, near: float) -> bool:
    """Go above the entry of a pass: straight across if that is a light cut, else over the stock.

    Returns whether stock was cut on the way.
    """
    here = ground.here
    landing = max(low, near) + GAP
    if here is None:
        ground.go([[*entry, rules.clearance], [*entry, min(landing, rules.clearance)]], RAPID)
        return False
    start = (float(here[0]), float(here[1]))
    height = max(float(here[2]), low, _tip_along(ground, start, entry))
    if math.dist(start, entry) <= 3 * rules.lines * ground.pitch and height <= max(here[2], low) + GAP:
        stock = link_height(ground.stock, ground.pitch, start, entry, rules.radius + EVEN)
        if stock - height <= rules.stepdown:
            way = np.array([[*start, height], [*entry, height]])
            ground.go(way[0 if height > here[2] else 1 :], CUT)
            carve_capsule(ground.stock, ground.pitch, *start, *entry, rules.sure_radius, height)
            return True
    over = link_height(ground.stock, ground.pitch, start, entry, rules.radius + SIDE_GAP)
    height = max(float(here[2]), min(over + GAP, rules.clearance))
    ground.go(*hop(here, (*entry, low), height, min(landing, height)))
    return False


def _tip_along(ground: _Ground, start: tuple[float, float], end: tuple[float, float]) -> float:
    """Return the highest tip height along a straight line: of the nodes nearest to it, safe all round."""
    count = math.ceil(2 * math.dist(start, end) / ground.pitch) + 1
    x, y = (
        np.rint(np.linspace(a, b, count) / ground.pitch).astype(int) for a, b in zip(start, end, strict=True)
    )
    return float(ground.tip[y, x].max())


def _walk(
    ground: _Ground,
    rules: _Rules,
    span: Span,
    columns: npt.NDArray[np.int64],
    floors: Doubles,
    axis: Doubles,
    near: Doubles,
) -> None:
    """Cut along a span from where the cutter stands above its first node."""
    pitch = ground.pitch
    # A ramp that is planned a little flatter is not steeper than the rule when its heights are rounded.
    drop = 0.97 * rules.steepest * pitch
    room = 8 * len(floors) + 4 * math.ceil(2 * rules.stepdown / drop)
    at, heights, cuts = np.empty(room, np.int64), np.empty(room), np.empty(room, np.bool_)
    count = descend(floors, axis, near, drop, BITE * rules.stepdown, at, heights, cuts)
    at, heights, cuts = at[:count], heights[:count], cuts[:count]
    along = columns[at] * pitch
    kept, raised = np.empty(count, np.int64), np.empty(count)
    stay = thin(along, heights, 0.9 * rules.slack, rules.steepest * 0.98, kept, raised)
    kept, raised = kept[:stay], _onto(rules.step, raised[:stay])
    points = np.column_stack([along[kept], np.full(stay, span.row * pitch), raised])
    here = ground.here
    assert here is not None  # a link came before
    kinds = np.full(stay, CUT, dtype=np.uint8)
    kinds[0] = PLUNGE if here[2] > raised[0] else CUT
    run, fall = np.abs(np.diff(points[:, 0])), -np.diff(raised)
    biting = np.logical_or.reduceat(cuts, kept[:-1] + 1) | cuts[kept[:-1]]
    kinds[1:][biting & (fall > rules.steepest * run)] = PLUNGE
    ground.go(points, kinds)
    lowest: Doubles = np.full(len(floors), np.inf, dtype=np.float64)
    np.minimum.at(lowest, at, heights)
    lowest = np.ascontiguousarray(lowest[:: 1 if columns[0] <= columns[-1] else -1])
    lowest += rules.slack
    carve_along_row(ground.stock, _disc(rules.sure_radius, pitch), span.row, span.first, lowest)


def _onto(step: float, heights: Doubles) -> Doubles:
    """Return heights rounded up onto the lattice."""
    return np.ceil(heights / step - 1e-6) * step


def _finished(ground: _Ground, rules: _Rules) -> Toolpath:
    """Return the whole way in the target's coordinates, on the lattice, ending at clearance height."""
    if not ground.points:
        return Toolpath.join([])
    points, kinds = np.concatenate(ground.points), np.concatenate(ground.kinds)
    points = np.vstack([points, [*points[-1, :2], rules.clearance]])
    kinds = np.append(kinds, np.uint8(RAPID))
    if ground.turned:
        points = points[:, [1, 0, 2]]
    points[:, :2] = np.rint((points[:, :2] + ground.corner) / rules.step) * rules.step
    points[:, 2] = _onto(rules.step, points[:, 2])
    moved = np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))
    return Toolpath(points[moved], kinds[moved])
