"""Clearing most of the waste with a flat end mill, layer by layer.

The grid of tip heights is made once, so wide that every straight step between neighbouring nodes is safe;
passes run along its rows (or columns, if those make longer passes), and the stock is kept as it stands after
every pass. So the depth of cut is known and not hoped for, and links are judged against what is really there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from scipy import ndimage

from relief.clamps import KeepOut
from relief.cutters import profile
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.planning.approach import BITE, CORE, onto_lattice
from relief.planning.ground import NOWHERE, TALL, Counts, Doubles, Ground, Mask, Rules, Span, ground_to_cut
from relief.planning.order import SHORTEST, Main, cut_nearest_first, distance, stands_high
from relief.planning.passes import STAY, met_by
from relief.planning.raster import (
    fine_rows,
    groups,
    joined,
    main_rows,
    other_way,
    spans,
    walls_along,
)
from relief.planning.remains import only_remains
from relief.planning.slices import WIDEST, Slice, slices
from relief.sections import Clamp, Roughing
from relief.shop.records import Cutter
from relief.toolpath import RAPID, Toolpath

# Passes between the main ones lie no closer than a quarter of the way between these: 2 halvings.
HALVINGS = 2
# What stands between passes is worth another if it is as much as a full cut takes over this way, mm: going
# there and down to it takes longer than cutting twice that. So is what stands tall.
LUMP = 12.0
# Passes of a layer that hang together are worth going to likewise, or where they take more than the finishing
# cutter may.
PATCH = 60.0
# A layer passes over what stands less than this share of a ridge above the tip's surface: the way along it
# would be as long as where a layer is full. More where the finishing cutter may take that besides.
THIN, THICK = 0.75, 0.9
# Passes are no nearer to each other for the deepest of what a row takes, over this share of its length: there
# they are fed slower.
DEEPEST = 0.05


def plan_roughing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    section: Roughing,
    *,
    overrun: float,
    clearance: float,
    step: float = 0.001,
    spare: float = 0.0,
    left: Heightfield | None = None,
    clamps: tuple[Clamp, ...] = (),
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
    spare : mm, how much more than the allowance the finishing cutter may be left with in small patches
    left : Heightfield, what larger cutters left of the stock; None: it is whole
        Then only what stands too high there is cut.
    clamps : in the target's coordinates; cuts go round them (rapids do not: see `plans.over_clamps`)

    Returns
    -------
    Toolpath
        Empty when nothing stands above target and allowance. Every descent into stock is a ramp of at most
        the entry angle, or a PLUNGE (which may slant along the surface) with the axis over cleared ground.

    Raises
    ------
    PlanError
        The cutter is not flat, a rule is left open, the grid is coarser than the stepover, or a clamp stands
        where the relief's edge has to be cleared.
    """
    rules = _rules(target, cutter, section, clearance, step, spare, clamps)
    stands = np.zeros_like(target.heights) if left is None else left.heights
    ground = ground_to_cut(target, stands, region, rules, section.allowance, overrun)
    if left is not None:
        ground = only_remains(ground, rules, overrun)
    layers = _layers(ground, rules)
    if not layers:
        return Toolpath.join([])
    grounds = _longest_first(ground, rules, layers)
    for layer, further in zip(layers, _overruns(layers, ground.pitch, rules.radius), strict=True):
        _cut_layer(grounds, rules, layer, further)
    toolpath = _finished(ground, rules)
    if spare and not len(toolpath.points):  # what is small is passed over between passes, not instead of them
        return plan_roughing(
            target,
            region,
            cutter,
            section,
            overrun=overrun,
            clearance=clearance,
            step=step,
            left=left,
            clamps=clamps,
        )
    return toolpath


def _rules(
    target: Heightfield,
    cutter: Cutter,
    section: Roughing,
    clearance: float,
    step: float,
    spare: float,
    clamps: tuple[Clamp, ...],
) -> Rules:
    _refuse_round(cutter)
    stepdown, stepover, angle = section.stepdown, section.stepover, section.entry_angle
    if stepdown is None or stepover is None or angle is None:
        message = "roughing needs stepdown, stepover and entry_angle; fill them in from the material's rules"
        raise PlanError(message)
    lines = math.floor(stepover / target.pitch + 1e-6)
    if lines < 1:
        message = (
            f"roughing.stepover = {stepover:g} mm is finer than the points of the relief, which lie"
            f" {target.pitch:g} mm apart; set a larger stepover or a finer output.pitch"
        )
        raise PlanError(message)
    ridge = max(section.allowance, BITE * stepdown)
    radius = profile(cutter).radius
    return Rules(
        radius=radius,
        sure_radius=radius - step,
        stepdown=stepdown,
        lines=lines,
        widest=max(math.floor(WIDEST * 2 * radius / target.pitch + 1e-6), lines),
        stepover=stepover,
        steepest=math.tan(math.radians(angle)),
        slack=min(0.01, stepdown / 20),
        bite=BITE * stepdown if cutter.plunges else min(0.01, stepdown / 20),
        core=0.0 if cutter.plunges else CORE * cutter.diameter / 2 + target.pitch,
        ridge=ridge,
        thin=min(max(spare, THIN * ridge), THICK * ridge),
        clearance=clearance,
        step=step,
        cut=section.cut,
        keep_out=KeepOut(clamps, cutter),
        spare=spare,
    )


def _refuse_round(cutter: Cutter) -> None:
    if cutter.kind != "flat":
        message = (
            f'roughing.cutter = "{cutter.name}" is a {cutter.kind} cutter; roughing needs a flat end mill'
        )
        raise PlanError(message)


def _layers(ground: Ground, rules: Rules) -> list[Slice]:
    """Return the layers of all that the tip can lower."""
    touched = ndimage.maximum_filter(ground.stock, size=2 * math.ceil(rules.radius / ground.pitch) + 1)
    there = ground.domain & (touched > -np.inf) & (ground.tip > NOWHERE / 2)
    return slices(
        ground.tip[there],
        _sloped(ground, rules)[there],
        ground.pitch,
        rules.radius,
        rules.stepdown - rules.slack,
        rules.stepover,
        rules.thin,
    )


def _sloped(ground: Ground, rules: Rules) -> Mask:
    """Return where the tip's surface is steeper than a ramp may be."""
    down = np.zeros(ground.tip.shape, dtype=bool)
    for axis in (0, 1):
        rise = np.abs(np.diff(ground.tip, axis=axis)) > rules.steepest * ground.pitch
        down |= np.pad(rise, [(0, 1) if axis == k else (0, 0) for k in (0, 1)])
    return down


def _longest_first(ground: Ground, rules: Rules, layers: Sequence[Slice]) -> tuple[Ground, Ground]:
    """Return the ground and itself turned, the one first whose rows are the direction of longer passes."""
    turned = ground.turn()
    better = _mean_pass(turned, rules, layers) > 1.05 * _mean_pass(ground, rules, layers)
    return (turned, ground) if better else (ground, turned)


def _mean_pass(ground: Ground, rules: Rules, layers: Sequence[Slice]) -> float:
    """Return the mean length of the passes of all layers, in nodes."""
    nodes = passes = 0
    for layer in layers:
        low = ground.domain & (ground.tip < layer.above - rules.thin)
        rows = main_rows(low, np.full(len(low), layer.lines), ground.pitch)
        low = np.pad(low[rows], ((0, 0), (1, 0)))
        nodes += int(low.sum())
        passes += int((low[:, 1:] & ~low[:, :-1]).sum())
    return nodes / max(passes, 1)


def _overruns(layers: Sequence[Slice], pitch: float, radius: float) -> list[float]:
    """Return how much further out the passes of each layer go than those of the last, mm.

    Between the ends of two passes a cusp is left standing. The layer below keeps away from it.
    """
    further = [0.0]
    for layer in reversed(layers[:-1]):
        half = min(layer.lines * pitch / 2, radius)
        further.append(further[-1] + radius - math.sqrt(radius**2 - half**2) + pitch)
    return [min(each, radius) for each in reversed(further)]


def _cut_layer(grounds: Sequence[Ground], rules: Rules, layer: Slice, further: float) -> None:
    """Cut one layer: where passes along the rows are long along these, elsewhere along the columns.

    `grounds` are two views of one ground, the second with its columns as rows; it begins and ends with the
    first up to date.
    """
    ground = grounds[0]
    low = ground.reached(further) & (ground.tip < layer.above - rules.thin)
    across = other_way(low, layer.lines, ground.pitch, rules.radius)
    sides = [
        _Side(grounds[0], rules, layer, low, low & ~across, further),
        _Side(grounds[1], rules, layer, np.ascontiguousarray(low.T), np.ascontiguousarray(across.T), further),
    ]
    now = sides[0]
    waiting = [
        (side, group)
        for side in sides
        for group in groups(side.spans, rules.widest)
        if _worth(side.ground, rules, layer, group)
    ]
    while waiting:
        number = min(range(len(waiting)), key=lambda n: distance(waiting[n][0].ground, waiting[n][1]))
        side, group = waiting.pop(number)
        now = _turn_to(side, now)
        Main(side.ground, rules, group, layer).cut()
    for side in (now, *(side for side in sides if side is not now)) if ground.whole else ():
        now = _turn_to(side, now)
        _cut_ridges(side, rules, layer)
    _turn_to(sides[0], now)


class _Side:
    """What of a layer is cut along the rows of a ground: its part, the rows and where along them."""

    def __init__(
        self, ground: Ground, rules: Rules, layer: Slice, low: Mask, part: Mask, further: float
    ) -> None:
        self.ground, self.low, self.part = ground, low, part
        self.rows = main_rows(part, _apart(ground, rules, layer, part), ground.pitch)
        stay = math.ceil(STAY / ground.pitch)
        within = ground.reached(further)
        self.spans = [s for row in self.rows for s in joined(list(spans(part, row)), within[row], stay)]


def _apart(ground: Ground, rules: Rules, layer: Slice, part: Mask) -> Counts:
    """Return how many rows apart passes may lie around each row: further where the layer takes less.

    What stands in a row but for its deepest DEEPEST, times their distance, is no more than a full cut.
    """
    stands = np.where(part, layer.above - np.maximum(ground.tip, layer.floor), 0.0)
    lowest = np.sort(stands, axis=1)[:, ::-1]
    count = (DEEPEST * part.sum(axis=1)).astype(np.int64)
    depth = ndimage.maximum_filter1d(lowest[np.arange(len(count)), count], rules.widest)
    full = rules.stepdown * rules.stepover / ground.pitch
    most = np.full(len(count), max(rules.widest, layer.lines))
    return np.clip(np.floor(full / np.maximum(depth, 1e-6)), layer.lines, most).astype(np.int64)


def _worth(ground: Ground, rules: Rules, layer: Slice, group: Sequence[Span]) -> bool:
    """Return whether passes that hang together take so much that it is worth going there."""
    stands = np.concatenate(
        [layer.above - np.maximum(ground.tip[row, first:last], layer.floor) for row, first, last in group]
    )
    volume = stands.sum() * layer.lines * ground.pitch**2
    deep = stands_high(stands, rules.small, ground.pitch) or not ground.whole
    return bool(deep or volume >= PATCH * rules.stepdown * rules.stepover)


def _turn_to(side: _Side, now: _Side) -> _Side:
    """Bring the stock of a side up to date with that of the other one."""
    if side is not now:
        side.ground.stock[:] = now.ground.stock.T
        if side.ground.cells is not side.ground.stock:
            side.ground.cells[:] = now.ground.cells.T
    return side


def _cut_ridges(side: _Side, rules: Rules, layer: Slice) -> None:
    """Cut what stands between the passes of a layer: along walls that they ended at, then in the open."""
    ground = side.ground
    walls = [(row, 0) for row in walls_along(side.low, layer.lines, ground.pitch)]
    for mask, rows in [(side.low, walls), *((side.part, rows) for rows in fine_rows(side.rows, HALVINGS))]:
        stands = ground.inside()
        ridges = [
            ridge
            for row, step in rows
            for span in spans(mask, row)
            for ridge in _ridges(ground, rules, span, step, layer, met_by(stands, ground.pitch, rules, span))
        ]
        cut_nearest_first(ground, rules, ridges, layer.floor)


def _ridges(
    ground: Ground, rules: Rules, span: Span, step: int, layer: Slice, met: Doubles
) -> Iterator[Span]:
    """Yield where more than a ridge still stands above what the tip could reach in this layer.

    Where a finer pass on the side of the higher ground can go as low, that one will do better.
    """
    row, first, last = span
    reach = np.maximum(ground.tip[row, first:last], layer.floor)
    over = met - reach
    high = over > rules.ridge
    if step > layer.lines // 6:
        left, right = ground.tip[row + step, first:last], ground.tip[row - step, first:last]
        half = (step + 1) // 2
        finer = np.where(left > right, ground.tip[row + half, first:last], ground.tip[row - half, first:last])
        high &= finer > reach + rules.ridge / 2
    for ridge in joined(list(spans(high[None], 0)), over > 0, 2 * layer.lines):
        stands = over[ridge.first : ridge.last]
        volume = stands.sum() * layer.lines / 2 * ground.pitch**2
        tall = np.count_nonzero(stands > TALL * rules.stepdown) * ground.pitch >= SHORTEST
        if tall or volume >= LUMP * rules.stepdown * rules.stepover:
            yield Span(row, first + ridge.first, first + ridge.last)


def _finished(ground: Ground, rules: Rules) -> Toolpath:
    """Return the whole way in the target's coordinates, on the lattice, ending at clearance height."""
    way = ground.trail.toolpath()
    points, kinds = way.points, way.kinds
    if not len(points):
        return way
    points = np.vstack([points, [*points[-1, :2], rules.clearance]])
    kinds = np.append(kinds, np.uint8(RAPID))
    points[:, :2] = np.rint((points[:, :2] + ground.corner) / rules.step) * rules.step
    points[:, 2] = onto_lattice(rules.step, points[:, 2])
    moved = np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))
    return Toolpath(points[moved], kinds[moved])
