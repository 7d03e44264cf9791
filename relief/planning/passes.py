"""Cutting one pass: getting to it, getting down into the stock, and following the floor."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relief.kernels.roughing import (
    EVEN,
    carve_along_row,
    carve_capsule,
    descend,
    met_along_row,
    thin,
)
from relief.planning.ground import Doubles, Ground, Rules, Span
from relief.planning.linking import hop, link_height
from relief.toolpath import CUT, PLUNGE, RAPID

# mm; common practice, no source: rapids over cut ground stay this far above it, and this far away sideways.
GAP = 1.0
SIDE_GAP = 0.2
# The stock under the axis may stand this share of the stepdown above the tip before a descent becomes a ramp.
BITE = 0.25
# A pass that takes less than this nowhere is left out, mm.
TRIFLE = 0.05
# A pit of fewer nodes than this is left to the finishing cutter: there is no room to ramp.
SHORTEST_RAMP = 3


def cut_span(ground: Ground, rules: Rules, span: Span, floor: float, backward: bool) -> None:
    """Go to a span and cut it down to its floor, never deeper than the stepdown."""
    met = met_by(ground, rules, span)
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
    if _link(ground, rules, entry, float(floors[0]), float(near_to(ground, rules, span)[way][0])):
        axis = _axis(ground, span, way)
    near = np.ascontiguousarray(near_to(ground, rules, span)[way])
    _walk(ground, rules, span, nodes, floors, axis, near)


def _axis(ground: Ground, span: Span, way: slice) -> Doubles:
    """Return the stock under the axis along a span, in the direction of the cut."""
    return np.ascontiguousarray(ground.stock[span.row, span.first : span.last][way], dtype=np.float64)


def _reachable_floor(ground: Ground, rules: Rules, span: Span, met: Doubles, floor: float) -> Doubles:
    """Return the lowest tip heights of a span in this layer: no gouge, no deeper than the stepdown.

    On the way from one node to the next the cutter meets what it meets at either.
    """
    surface = ground.tip[span.row, span.first : span.last].astype(np.float64)
    near = met.copy()
    near[1:] = np.maximum(near[1:], met[:-1])
    near[:-1] = np.maximum(near[:-1], met[1:])
    return np.maximum(np.maximum(surface, floor), near - rules.stepdown)


def _link(ground: Ground, rules: Rules, entry: tuple[float, float], low: float, near: float) -> bool:
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
        blocked = rules.keep_out.blocks(ground.on_table(start, height), ground.on_table(entry, height))
        if stock - height <= rules.stepdown and not blocked:
            way = np.array([[*start, height], [*entry, height]])
            ground.go(way[0 if height > here[2] else 1 :], CUT)
            carve_capsule(ground.stock, ground.pitch, *start, *entry, rules.sure_radius, height)
            return True
    over = link_height(ground.stock, ground.pitch, start, entry, rules.radius + SIDE_GAP)
    height = max(float(here[2]), min(over + GAP, rules.clearance))
    ground.go(*hop(here, (*entry, low), height, min(landing, height)))
    return False


def _tip_along(ground: Ground, start: tuple[float, float], end: tuple[float, float]) -> float:
    """Return the highest tip height along a straight line: of the nodes nearest to it, safe all round."""
    count = math.ceil(2 * math.dist(start, end) / ground.pitch) + 1
    x, y = (
        np.rint(np.linspace(a, b, count) / ground.pitch).astype(int) for a, b in zip(start, end, strict=True)
    )
    return float(ground.tip[y, x].max())


def _walk(
    ground: Ground,
    rules: Rules,
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
    along = np.asarray(columns[at] * pitch, dtype=np.float64)
    kept, raised = np.empty(count, np.int64), np.empty(count)
    stay = thin(along, heights, 0.9 * rules.slack, rules.steepest * 0.98, kept, raised)
    kept, raised = kept[:stay], onto_lattice(rules.step, raised[:stay])
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


def met_by(ground: Ground, rules: Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter is sure to cut at each node of a span."""
    met = np.empty(span.last - span.first)
    met_along_row(ground.stock, _disc(rules.sure_radius, ground.pitch), *span, met)
    return met


def near_to(ground: Ground, rules: Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter could touch at each node of a span and halfway to the next."""
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


def onto_lattice(step: float, heights: Doubles) -> Doubles:
    """Return heights rounded up onto the lattice."""
    return np.ceil(heights / step - 1e-6) * step
