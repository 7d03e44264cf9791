"""Cutting one pass: getting down into the stock, and following the floor."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.heightfield import NEAREST, Heights
from relief.kernels.roughing import (
    carve_along_row,
    descend,
    ease_over,
    met_along_row,
    thin,
)
from relief.planning.approach import GAP, onto_lattice, over, straight
from relief.planning.between import met_between, widest
from relief.planning.ground import Doubles, Ground, Mask, Rules, Span
from relief.planning.turning import turn_round
from relief.toolpath import CUT, PLUNGE

# A pass that takes less than this nowhere is left out, mm.
TRIFLE = 0.05
# What is solid over fewer nodes of a part than SHORTEST_RAMP is left to the finishing cutter where more than
# MOST_LEGS ramps from end to end of the part would not get down to its floor.
SHORTEST_RAMP, MOST_LEGS = 3, 25
# A ramp that is planned as so much of the rule is not steeper than it when its heights are rounded.
RAMP = 0.97
# mm: going to and fro is for wedges that are high over so much, or over a third of a short pass: the passes
# beside it, or along ridges, take what else is left. A cutter that does not cut at its middle leaves none.
NARROW = 1.0
# mm: so much of a pass is left out at its ends, where little stands.
ROOM_TO_TURN = 1.5
# The cutter stays down over ground that is cut already where that is shorter than this, mm.
STAY = 30.0
# How a pass is eased: 1/mm³, what it leaves weighs so much against its bends; mm, the swings that are eased
# first; and the rounds of that. Found by trial: a machine that speeds up its Z by 200 mm/s² follows a bend of
# radius r at √(200 r) mm/s, and what is left higher the finishing cutter has to take.
LIFT, SWING, ROUNDS = 0.004, 4.0, 100


class Part(NamedTuple):
    """A part of a pass that is cut in one go: where it is, how low it goes, and the stock that is met, mm."""

    span: Span
    floors: Doubles
    met: Doubles


def parts_of(ground: Ground, rules: Rules, span: Span, floor: float) -> list[Part]:
    """Return what of a span there is to cut, down to a floor and never deeper than the stepdown."""
    floors, slivers = _reachable_floor(ground, rules, span, floor)
    free = np.flatnonzero(~slivers)
    if free.size:  # a pass ends before a sliver at its ends, rather than rise over it
        floors = floors[free[0] : free[-1] + 1]
        span = Span(span.row, span.first + int(free[0]), span.first + int(free[-1]) + 1)
    met = met_by(ground.stock, ground.pitch, rules, span)
    floors = _eased(ground, rules, floors, met)
    taken = np.flatnonzero(met > floors + TRIFLE)
    if not taken.size:
        return []
    taken = _but_light_ends(ground, rules, taken, met - floors)
    breaks = np.flatnonzero(np.diff(taken) > STAY / ground.pitch)
    firsts, lasts = taken[np.append(0, breaks + 1)], taken[np.append(breaks, taken.size - 1)]
    # One node more at each end: where that is air, the cutter comes down beside the stock.
    pieces = [(max(int(a) - 1, 0), min(int(b) + 2, len(floors))) for a, b in zip(firsts, lasts, strict=True)]
    return [Part(Span(span.row, span.first + a, span.first + b), floors[a:b], met[a:b]) for a, b in pieces]


def _but_light_ends(
    ground: Ground, rules: Rules, taken: npt.NDArray[np.int64], stands: Doubles
) -> npt.NDArray[np.int64]:
    """Return the nodes of a pass without its ends where little stands: there the cutter turns round."""
    heavy = np.flatnonzero(stands > rules.small)
    if rules.cut != "both ways" or not ground.whole or not heavy.size:
        return taken
    room = round(ROOM_TO_TURN / ground.pitch)
    first, last = min(heavy[0], taken[0] + room), max(heavy[-1], taken[-1] - room)
    return np.asarray(taken[(taken >= first) & (taken <= last)])


def cut_part(ground: Ground, rules: Rules, part: Part, backward: bool, leave: float) -> None:
    """Go to a part of a pass and cut it, but for wedges that are no higher than `leave` mm."""
    span = part.span
    way = slice(None, None, -1) if backward else slice(None)
    floors = np.ascontiguousarray(part.floors[way])
    nodes = np.arange(span.first, span.last)[way]
    axis = _axis(ground, rules, span, way)
    if _cramped(ground, rules, floors, axis):
        return
    begin, heading = 0, -1 if backward else 1
    entry = (nodes[0] * ground.pitch, span.row * ground.pitch)
    low = float(floors[0])
    if turn_round(ground, rules, entry, low, heading) or straight(ground, rules, entry, low, heading):
        axis = _axis(ground, rules, span, way)
    else:
        begin = _further_in(ground, rules, floors, axis)
        entry = (nodes[begin] * ground.pitch, span.row * ground.pitch)
        near = near_to(ground, rules, Span(span.row, int(nodes[begin]), int(nodes[begin]) + 1))
        over(ground, rules, entry, float(floors[begin]), float(near[0]))
    near = np.ascontiguousarray(near_to(ground, rules, span)[way])
    _walk(ground, rules, span, nodes, floors, axis, near, begin, leave)


def _cramped(ground: Ground, rules: Rules, floors: Doubles, axis: Doubles) -> bool:
    """Return whether what is solid in a part of a pass is too narrow for ramps along the part to get down."""
    deep = (axis - floors)[axis > floors + rules.bite]
    leg = RAMP * rules.steepest * ground.pitch * len(floors)
    return 0 < len(deep) < SHORTEST_RAMP and bool(deep.max() > MOST_LEGS * leg)


def _further_in(ground: Ground, rules: Rules, floors: Doubles, axis: Doubles) -> int:
    """Return where to go down on a pass: at its first node, or so far in that a ramp back ends there."""
    deep = axis[0] - floors[0]
    run = math.ceil(deep / (RAMP * rules.steepest * ground.pitch)) if deep > rules.bite else 0
    return run if run < len(floors) and axis[run] > floors[run] + rules.bite else 0


def _eased(ground: Ground, rules: Rules, floors: Doubles, met: Doubles) -> Doubles:
    """Return floors that a machine can follow at speed: a little higher where they bend sharply.

    Where what stands is so thin that it may be left, it may be as high as rapids are over the stock.
    """
    if len(floors) * ground.pitch < SWING:  # too short to be run at speed
        return floors
    free = np.maximum(floors, min(GAP, rules.clearance))
    high = np.where(met > floors + rules.thin, floors + rules.thin, free)
    return eased(floors, high, ground.pitch)


def eased(low: Doubles, high: Doubles, pitch: float) -> Doubles:
    """Return the way between two heights at nodes in a row that a machine can follow best."""
    way = np.empty(len(low))
    ease_over(low, high, LIFT * pitch**4, (2 * math.pi * pitch / SWING) ** 4, ROUNDS, way)
    return way


def _axis(ground: Ground, rules: Rules, span: Span, way: slice) -> Doubles:
    """Return the stock under the cutter's middle along a span, in the direction of the cut."""
    return np.ascontiguousarray(_highest(ground.stock, rules.core, ground.pitch, span)[way])


def _reachable_floor(ground: Ground, rules: Rules, span: Span, floor: float) -> tuple[Doubles, Mask]:
    """Return the lowest tip heights of a span in this layer, and where slivers between nodes raise them.

    No gouge, and no cut deeper than the stepdown. On the way from one node to the next the cutter meets what
    it meets at either; a node just on its rim is met too.
    """
    surface = ground.tip[span.row, span.first : span.last].astype(np.float64)
    lowest = np.maximum(surface, floor)
    least = ndimage.minimum_filter1d(lowest, 3, mode="nearest")
    met, slivers = _met(ground, rules, span, least + rules.stepdown)
    near = ndimage.maximum_filter1d(met, 3, mode="nearest")
    beside = ndimage.maximum_filter1d(slivers, 3, mode="nearest")
    return np.maximum(lowest, near - rules.stepdown), beside


def _met(ground: Ground, rules: Rules, span: Span, enough: Doubles) -> tuple[Doubles, Mask]:
    """Return the highest stock met at each node of a span, and where the nodes do not tell of it.

    What is under `enough` may be lower.
    """
    around = _highest(ground.cells, widest(ground, rules), ground.pitch, span)
    if (around <= enough).all():
        return around, np.zeros(len(around), dtype=np.bool_)
    met = _highest(ground.stock, rules.radius + rules.step, ground.pitch, span)
    unsure = np.flatnonzero((around > enough) & (around > met))
    between = np.full(len(met), -np.inf)
    if unsure.size:
        between[unsure] = met_between(ground, rules, span, unsure)
    return np.maximum(met, between), (between > enough) & (between > met)


def _walk(
    ground: Ground,
    rules: Rules,
    span: Span,
    columns: npt.NDArray[np.int64],
    floors: Doubles,
    axis: Doubles,
    near: Doubles,
    begin: int,
    leave: float,
) -> None:
    """Cut along a span from where the cutter stands above one of its nodes."""
    pitch = ground.pitch
    drop = RAMP * rules.steepest * pitch
    room = 8 * len(floors) + 4 * math.ceil(2 * rules.stepdown / drop)
    at, heights, cuts = np.empty(room, np.int64), np.empty(room), np.empty(room, np.bool_)
    least = 1 if rules.core else max(min(round(NARROW / pitch), len(floors) // 3), 1)
    count = descend(floors, axis, near, drop, rules.bite, leave, least, begin, at, heights, cuts)
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
    _carve(ground, rules, span, lowest)


def _carve(ground: Ground, rules: Rules, span: Span, lowest: Doubles) -> None:
    """Lower the stock to what a pass leaves whose tip was so low at each node of a span."""
    pitch = ground.pitch
    carve_along_row(ground.stock, _disc(rules.sure_radius, pitch), span.row, span.first, lowest)
    about = rules.sure_radius - NEAREST * pitch
    if ground.cells is not ground.stock and about >= 0.0:
        carve_along_row(ground.cells, _disc(about, pitch), span.row, span.first, lowest)


def met_by(stock: Heights, pitch: float, rules: Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter is sure to cut at each node of a span."""
    return _highest(stock, rules.sure_radius, pitch, span)


def near_to(ground: Ground, rules: Rules, span: Span) -> Doubles:
    """Return the highest stock that the cutter could touch at each node of a span, between nodes too."""
    return _highest(ground.cells, widest(ground, rules), ground.pitch, span)


def _highest(stock: Heights, radius: float, pitch: float, span: Span) -> Doubles:
    """Return the highest stock within a radius of each node of a span."""
    highest = np.empty(span.last - span.first)
    met_along_row(stock, _disc(radius, pitch), *span, highest)
    return highest


def _disc(radius: float, pitch: float) -> npt.NDArray[np.int64]:
    """Return the half width of a disc of nodes in each of its rows, in nodes."""
    reach = math.floor(radius / pitch + 1e-6)
    down = np.arange(-reach, reach + 1) * pitch
    half = np.floor(np.sqrt(np.maximum(radius**2 - down**2, 0.0)) / pitch + 1e-6)
    return np.asarray(half, dtype=np.int64)
