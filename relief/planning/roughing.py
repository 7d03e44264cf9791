"""Clearing most of the waste with a flat end mill, layer by layer.

The grid of tip heights is made once, so wide that every straight step between neighbouring nodes is safe;
passes run along its rows (or columns, if those make longer passes), and the stock is kept as it stands after
every pass. So the depth of cut is known and not hoped for, and links are judged against what is really there.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
from scipy import ndimage

from relief.clamps import KeepOut
from relief.cutters import profile
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.job import Clamp, Roughing
from relief.kernels.roughing import EVEN
from relief.planning.ground import Ground, Mask, Rules, Span, uncut_ground
from relief.planning.passes import BITE, TRIFLE, cut_span, met_by, onto_lattice
from relief.shop.records import Cutter
from relief.toolpath import RAPID, Toolpath

# Passes between the main ones lie no closer than an eighth of the stepover: 3 halvings.
HALVINGS = 3
# A ridge shorter than this is a cusp that the finishing cutter takes in its stride, mm.
SHORTEST_RIDGE = 0.5


def plan_roughing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    section: Roughing,
    *,
    overrun: float,
    clearance: float,
    step: float = 0.001,
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
    rules = _rules(target, cutter, section, clearance, step, clamps)
    ground = uncut_ground(target, region, rules, section.allowance, overrun)
    floors = _floors(ground, rules)
    if len(floors) < 2:
        return Toolpath.join([])
    ground = _turned(ground, rules, floors)
    for above, floor in itertools.pairwise(floors):
        _cut_layer(ground, rules, above, floor)
    return _finished(ground, rules)


def _rules(
    target: Heightfield,
    cutter: Cutter,
    section: Roughing,
    clearance: float,
    step: float,
    clamps: tuple[Clamp, ...],
) -> Rules:
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
    return Rules(
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
        keep_out=KeepOut(clamps, cutter),
    )


def _floors(ground: Ground, rules: Rules) -> list[float]:
    """Return the heights that bound the layers, the stock top first.

    Layers are as deep as the rule lets them be from the top down, so that the deepest are the smallest.
    """
    touched = ndimage.maximum_filter(ground.stock, size=2 * math.ceil(rules.radius / ground.pitch) + 1)
    tip = ground.tip[ground.domain & (touched > -np.inf)]
    deepest = float(tip.min()) if tip.size else 0.0
    layer = rules.stepdown - rules.slack
    count = max(math.ceil((-deepest - TRIFLE) / layer), 0)
    return [0.0] + [max(-layer * number, deepest) for number in range(1, count + 1)]


def _turned(ground: Ground, rules: Rules, floors: Sequence[float]) -> Ground:
    """Return the ground turned so that its rows are the direction of the longest passes."""
    turned = Ground(
        tip=np.ascontiguousarray(ground.tip.T),
        stock=np.ascontiguousarray(ground.stock.T),
        pitch=ground.pitch,
        domain=np.ascontiguousarray(ground.domain.T),
        rows=ground.columns,
        columns=ground.rows,
        corner=ground.corner,
        turned=True,
    )
    better = _mean_pass(turned, rules, floors) > 1.05 * _mean_pass(ground, rules, floors)
    return turned if better else ground


def _mean_pass(ground: Ground, rules: Rules, floors: Sequence[float]) -> float:
    """Return the mean length of the main passes of all layers, in nodes."""
    rows = _main_rows(ground, rules)
    tip, domain = ground.tip[rows], ground.domain[rows]
    nodes = passes = 0
    for above in floors[:-1]:
        low = np.pad(domain & (tip < above), ((0, 0), (1, 0)))
        nodes += int(low.sum())
        passes += int((low[:, 1:] & ~low[:, :-1]).sum())
    return nodes / max(passes, 1)


def _main_rows(ground: Ground, rules: Rules) -> list[int]:
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


def _cut_layer(ground: Ground, rules: Rules, above: float, floor: float) -> None:
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


def _distance_to_box(ground: Ground, box: tuple[slice, ...]) -> float:
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


def _ridges(ground: Ground, rules: Rules, span: Span, step: int, floor: float) -> Iterator[Span]:
    """Yield where more than a ridge still stands above what the tip could reach in this layer.

    Where a finer pass on the side of the higher ground can go as low, that one will do better.
    """
    row, first, last = span
    reach = np.maximum(ground.tip[row, first:last], floor)
    high = met_by(ground, rules, span) > reach + rules.ridge
    if step > 1:
        left, right = ground.tip[row + step, first:last], ground.tip[row - step, first:last]
        half = (step + 1) // 2
        finer = np.where(left > right, ground.tip[row + half, first:last], ground.tip[row - half, first:last])
        high &= finer > reach + rules.ridge / 2
    for ridge in _spans(high[None], slice(row, row + 1), slice(first, last), (row,)):
        if (ridge.last - ridge.first) * ground.pitch >= SHORTEST_RIDGE:
            yield ridge


def _cut_main(ground: Ground, rules: Rules, spans: Sequence[Span], floor: float) -> None:
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
        cut_span(ground, rules, spans[number], floor, backward)


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


def _cut_nearest_first(ground: Ground, rules: Rules, spans: list[Span], floor: float) -> None:
    """Cut passes between the main ones."""
    waiting = dict(enumerate(spans))
    while waiting:
        number, backward = _nearest(ground, list(waiting.items()), both=True)
        span = waiting.pop(number)
        if rules.cut != "both ways":
            backward = _wall_on_the_left(ground, span) == ((rules.cut == "climb") != ground.turned)
        cut_span(ground, rules, span, floor, backward)


def _wall_on_the_left(ground: Ground, span: Span) -> bool:
    """Whether the ground is higher on the left of a span that is cut forward."""
    row, columns = span.row, slice(span.first, span.last)
    left = ground.tip[min(row + 1, ground.tip.shape[0] - 1), columns]
    return bool(left.sum() > ground.tip[max(row - 1, 0), columns].sum())


def _nearest(ground: Ground, choice: Sequence[tuple[int, Span]], *, both: bool) -> tuple[int, bool]:
    """Return the number of the span that begins nearest, and whether that is its far end."""
    table = np.array([span for _, span in choice], dtype=np.float64)
    x, y = (0.0, 0.0) if ground.here is None else ground.here[:2] / ground.pitch
    from_first = np.hypot(table[:, 1] - x, table[:, 0] - y)
    from_last = np.hypot(table[:, 2] - 1 - x, table[:, 0] - y) if both else np.full(len(table), np.inf)
    best = int(np.argmin(np.minimum(from_first, from_last)))
    return choice[best][0], bool(from_last[best] < from_first[best])


def _finished(ground: Ground, rules: Rules) -> Toolpath:
    """Return the whole way in the target's coordinates, on the lattice, ending at clearance height."""
    if not ground.points:
        return Toolpath.join([])
    points, kinds = np.concatenate(ground.points), np.concatenate(ground.kinds)
    points = np.vstack([points, [*points[-1, :2], rules.clearance]])
    kinds = np.append(kinds, np.uint8(RAPID))
    if ground.turned:
        points = points[:, [1, 0, 2]]
    points[:, :2] = np.rint((points[:, :2] + ground.corner) / rules.step) * rules.step
    points[:, 2] = onto_lattice(rules.step, points[:, 2])
    moved = np.append(True, (np.diff(points, axis=0) != 0).any(axis=1))
    return Toolpath(points[moved], kinds[moved])
