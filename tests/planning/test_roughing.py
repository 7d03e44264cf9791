"""Roughing, judged by a slow carver of the tests' own: every move stamped densely, in order, with numpy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from scipy import ndimage

from relief.errors import PlanError
from relief.heightfield import Heightfield
from relief.planning.approach import BITE
from relief.planning.order import SHORTEST
from relief.planning.roughing import HALVINGS, TALL, plan_roughing
from relief.sections import CutDirection, Roughing
from relief.shop.records import Cutter
from relief.surfaces import surround
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from tests import fields

# The radius is no multiple of the pitch: a node exactly on the rim is cut by a sliver of no width, in one
# simulation and not in another.
CUTTER = Cutter(kind="flat", diameter=6.1)
RULES = replace(Roughing(), allowance=0.4, stepdown=2.5, stepover=2.4, entry_angle=5.0)
CLEARANCE, OVERRUN, STEP, MARGIN = 5.0, 1.0, 0.001, 9.0
PITCH = 0.25
FIELDS = fields.every_field(PITCH)
# What thinning, the lattice and heights that count as the same may add up to, mm.
BLUR = 0.02


@dataclass(frozen=True, eq=False)
class Case:
    """A planned roughing."""

    target: Heightfield
    path: Toolpath
    rules: Roughing
    relief: Heightfield


@dataclass(frozen=True, eq=False)
class Facts:
    """What each move of a plan does, as the stock stands at that moment.

    `run` and `fall` along the move; `taken`, the most that it lowers any node; `axis`, how much of that under
    the axis where the move ends; `carved`, the stock in the end.
    """

    kinds: np.ndarray
    run: np.ndarray
    fall: np.ndarray
    taken: np.ndarray
    axis: np.ndarray
    carved: np.ndarray


@cache
def case(name: str, edge: str = "open", cut: CutDirection = "both ways", allowance: float = 0.4) -> Case:
    """Return a planned field."""
    relief, rules = FIELDS[name], replace(RULES, cut=cut, allowance=allowance)
    target = surround(relief, (MARGIN, MARGIN), edge)
    path = plan_roughing(
        target, relief.region, CUTTER, rules, overrun=OVERRUN, clearance=CLEARANCE, step=STEP
    )
    return Case(target, path, rules, relief)


def simulated(
    case: Case, before: np.ndarray | None = None, radius: float = CUTTER.diameter / 2
) -> Iterator[tuple[int, np.ndarray, np.ndarray]]:
    """Yield for each move its number, the stock after it and what it took from each node.

    The cutter is stamped at most a third of a node apart along the move. The arrays live until the next move.
    """
    removed = np.zeros(case.target.heights.shape)
    stock = np.zeros(case.target.heights.shape) if before is None else before.copy()
    x, y = case.target.x, case.target.y
    for k in range(1, len(case.path.points)):
        a, b = case.path.points[k - 1 : k + 1]
        touched = []
        for share in np.linspace(0, 1, max(math.ceil(3 * math.dist(a[:2], b[:2]) / PITCH), 1) + 1):
            px, py, pz = a + share * (b - a)
            i0, i1 = np.searchsorted(x, [px - radius, px + radius])
            j0, j1 = np.searchsorted(y, [py - radius, py + radius])
            part = stock[j0:j1, i0:i1]
            if part.size and part.max() > pz:
                under = (x[None, i0:i1] - px) ** 2 + (y[j0:j1, None] - py) ** 2 <= radius**2
                after = np.where(under & (part > pz), pz, part)
                removed[j0:j1, i0:i1] += part - after
                part[:] = after
                touched.append((slice(j0, j1), slice(i0, i1)))
        yield k, stock, removed
        for window in touched:
            removed[window] = 0.0


@cache
def facts(name: str, edge: str = "open", cut: CutDirection = "both ways", allowance: float = 0.4) -> Facts:
    """Play a planned field."""
    return played(case(name, edge, cut, allowance))


def played(it: Case, radius: float = CUTTER.diameter / 2) -> Facts:
    """Play a plan."""
    points = it.path.points
    taken, axis = np.zeros(len(points)), np.zeros(len(points))
    nodes = np.rint((points[:, :2] - it.target.origin) / PITCH).astype(int)
    carved = np.zeros(it.target.heights.shape)
    for k, stock, removed in simulated(it, radius=radius):
        carved, taken[k] = stock, removed.max()
        column, row = nodes[k]
        axis[k] = removed[row, column] if removed.any() else 0.0
    steps = np.diff(points, axis=0, prepend=points[:1])
    run, fall = np.hypot(steps[:, 0], steps[:, 1]), -steps[:, 2]
    return Facts(it.path.kinds, run, fall, taken, axis, carved)


def flat_disc(radius: float) -> np.ndarray:
    """Return a disc of nodes."""
    reach = math.floor(radius / PITCH + 1e-9)
    steps = np.arange(-reach, reach + 1) * PITCH
    return np.hypot(steps[:, None], steps[None, :]) <= radius + 1e-9


def kept_clear(case: Case) -> np.ndarray:
    """Return the best surface that a flat cutter can leave which keeps the allowance on every side.

    Grey dilation and erosion by scipy: the target grown by a sphere of the allowance's radius, closed by the
    cutter's disc, a node wider as the plan is.
    """
    a = case.rules.allowance
    grown = case.target.heights.astype(np.float64)
    if a:
        disc = flat_disc(a + PITCH)
        reach = disc.shape[0] // 2
        steps = np.arange(-reach, reach + 1) * PITCH
        r = np.maximum(np.hypot(steps[:, None], steps[None, :]) - PITCH, 0.0)
        grown = ndimage.grey_dilation(
            grown, structure=np.where(disc, np.sqrt(np.maximum(a**2 - r**2, 0)), -99.0)
        )
    disc = flat_disc(CUTTER.diameter / 2)
    tip = ndimage.maximum_filter(grown, footprint=flat_disc(CUTTER.diameter / 2 + PITCH))
    return ndimage.minimum_filter(tip, footprint=disc)


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_nothing_is_cut_below_the_target(name: str, edge: str) -> None:
    """The carved stock stands on or above the target everywhere, the surround of a walled relief included."""
    assert (facts(name, edge).carved - case(name, edge).target.heights).min() >= -1e-6


@pytest.mark.parametrize("name", FIELDS)
def test_the_allowance_is_left_on_every_side(name: str) -> None:
    """No node of the carved stock is nearer to the target's nodes than the allowance, square to the surface.

    A surface grown by a sphere (scipy's grey dilation): standing above it means keeping the distance.
    """
    it = case(name)
    a = it.rules.allowance
    steps = np.arange(-1, 2) * PITCH
    squared = a**2 - steps[:, None] ** 2 - steps[None, :] ** 2
    sphere = np.where(squared >= 0, np.sqrt(np.maximum(squared, 0)), -99.0)
    grown = ndimage.grey_dilation(it.target.heights.astype(np.float64), structure=sphere)
    assert (facts(name).carved - np.minimum(grown, 0.0)).min() >= -1e-3


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_what_is_left_is_explained(name: str, edge: str) -> None:
    """Over the relief little more than a ridge stands above what the cutter can reach beside the allowance.

    Three quarters of one more may stay where a layer would be thinner than that, or where a pass is eased
    over a bend; and lumps that are not TALL over SHORTEST.
    Beside a wall the last pass may stop short by the distance of the finest passes, and no more.
    """
    it = case(name, edge)
    ridge = max(it.rules.allowance, BITE * it.rules.stepdown)
    lines = math.floor(it.rules.stepover / PITCH)
    disc = flat_disc(math.ceil(lines / 2**HALVINGS) * PITCH + PITCH)
    clear = np.minimum(ndimage.maximum_filter(kept_clear(it), footprint=disc), 0.0)
    explained = clear + max(1.75 * ridge, TALL * it.rules.stepdown) + 0.05 + BLUR
    window = it.target.window(it.relief.region)
    tall = (facts(name, edge).carved > explained)[window]
    short = math.ceil(SHORTEST / PITCH) + 1
    assert not all(ndimage.binary_opening(tall, np.ones(along)).any() for along in ((1, short), (short, 1)))


@pytest.mark.parametrize("name", ["plane", "step", "plaque"])
def test_level_ground_is_left_at_the_allowance(name: str) -> None:
    """Level ground away from walls stands exactly the allowance above the target."""
    it = case(name)
    wall_near = ndimage.maximum_filter(it.target.heights, footprint=flat_disc(CUTTER.diameter + 1.5))
    level = wall_near == it.target.heights
    window = it.target.window(it.relief.region)
    left = (facts(name).carved - np.minimum(it.target.heights + it.rules.allowance, 0.0))[window][
        level[window]
    ]
    assert left.size > 50
    assert np.abs(left).max() <= BLUR


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_no_pass_is_deeper_than_the_stepdown(name: str, edge: str) -> None:
    """No feed move lowers any node by more than the stepdown, as the stock stands at that moment."""
    it = facts(name, edge)
    assert it.taken[it.kinds != RAPID].max(initial=0.0) <= RULES.stepdown + 1e-3


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_rapids_touch_nothing(name: str, edge: str) -> None:
    """No rapid takes anything, as the stock stands at that moment; rapids across keep their height."""
    it = facts(name, edge)
    rapid = it.kinds == RAPID
    assert it.taken[rapid].max(initial=0.0) <= 1e-9
    assert (it.fall[rapid] * it.run[rapid] == 0.0).all()


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_entries_are_ramps(name: str, edge: str) -> None:
    """A cut that falls more steeply than the entry angle meets no stock; only plunges may.

    A plunge finds at most a quarter of the stepdown under the axis (common practice, no source).
    """
    it = facts(name, edge)
    steep = it.fall > math.tan(math.radians(RULES.entry_angle)) * it.run + 1e-9
    assert it.taken[steep & (it.kinds == CUT)].max(initial=0.0) <= BLUR
    assert it.axis[it.kinds == PLUNGE].max(initial=0.0) <= BITE * RULES.stepdown + BLUR


@pytest.mark.parametrize("edge", ["open", "walled"])
@pytest.mark.parametrize("name", FIELDS)
def test_the_path_is_whole(name: str, edge: str) -> None:
    """It starts and ends at clearance, lies on the lattice, stays near the relief and never stands still."""
    it = case(name, edge)
    if not len(it.path.points):
        return
    points, kinds = it.path.points, it.path.kinds
    assert kinds[0] == kinds[-1] == RAPID
    assert points[0, 2] == points[-1, 2] == points[:, 2].max() == CLEARANCE
    np.testing.assert_allclose(points / STEP, np.rint(points / STEP), atol=1e-6)
    assert (np.diff(points, axis=0) != 0).any(axis=1).all()
    box = it.relief.region.grown(CUTTER.diameter / 2 + it.rules.allowance + 3 * PITCH)
    assert points[:, 0].min() >= box.left
    assert points[:, 0].max() <= box.right
    assert points[:, 1].min() >= box.near
    assert points[:, 1].max() <= box.far


def test_a_walled_surround_is_not_touched() -> None:
    """Outside a walled relief the stock stays whole."""
    it = case("bowl", "walled")
    outside = np.ones(it.target.heights.shape, dtype=bool)
    outside[it.target.window(it.relief.region)] = False
    assert facts("bowl", "walled").carved[outside].min() == 0.0


def test_nothing_to_rough() -> None:
    """A relief no deeper than the allowance, and a pit smaller than the cutter, need no roughing."""
    shallow = surround(fields.plane(at=-0.3), (MARGIN, MARGIN), "walled")
    region = fields.plane().region
    path = plan_roughing(shallow, region, CUTTER, RULES, overrun=0.0, clearance=CLEARANCE)
    assert len(path.points) == 0
    pit = np.zeros((81, 81))
    pit[35:45, 35:45] = -4.0
    field = Heightfield(pit, PITCH)
    path = plan_roughing(field, field.region, CUTTER, RULES, overrun=0.0, clearance=CLEARANCE)
    assert len(path.points) == 0


@pytest.mark.parametrize(("spare", "depth", "cut"), [(0.0, 1.4, 2), (1.6, 1.4, 1), (1.6, 2.4, 2)])
def test_a_shallow_patch_is_left_to_a_finishing_cutter_that_may_take_it(
    spare: float, depth: float, cut: int
) -> None:
    """Of two hollows the one too small to be worth the way is passed over, if it is not too deep."""
    heights = np.zeros((121, 321))
    heights[20:100, 20:100] = -2.5
    heights[45:81, 265:301] = -depth
    field = Heightfield(heights, PITCH)
    path = plan_roughing(field, field.region, CUTTER, RULES, overrun=0.0, clearance=CLEARANCE, spare=spare)
    places = path.points[path.kinds != RAPID][:, 0]
    assert len(set(places > 40.0)) == cut


def test_no_allowance_leaves_none() -> None:
    """With allowance 0 nothing is gouged and level ground is cut to the target."""
    it = case("plaque", allowance=0.0)
    left = facts("plaque", allowance=0.0).carved - it.target.heights
    assert left.min() >= -1e-6
    assert np.median(left[it.target.window(it.relief.region)]) <= BLUR


def test_stock_without_a_margin_is_entered_from_the_air() -> None:
    """Where the stock ends with the relief, the first entry lies outside of it and meets no stock."""
    relief = FIELDS["plane"]
    path = plan_roughing(
        relief, relief.region, CUTTER, RULES, overrun=CUTTER.diameter / 2 + 1, clearance=CLEARANCE
    )
    lone = Case(relief, path, RULES, relief)
    first = next(k for k in range(1, len(path.points)) if path.kinds[k] != RAPID)
    for k, stock, removed in simulated(lone):
        carved = stock
        if k <= first:
            assert removed.max() == 0.0
    assert (carved - relief.heights).max() <= RULES.allowance + BLUR
    assert -RULES.stepdown - BLUR <= path.points[first, 2] < -1.0


@pytest.mark.parametrize("margin", [0.0, 2.0])
@pytest.mark.parametrize("width", [40.0, 20.0])
def test_no_rapid_goes_down_beside_the_board(margin: float, width: float) -> None:
    """A board may be 2 mm larger than told: beside it, no rapid comes in or goes down below its top."""
    relief = fields.plane(width=width, length=30.0)
    target = surround(relief, (margin, margin), "open")
    path = plan_roughing(
        target, relief.region, CUTTER, RULES, overrun=CUTTER.diameter / 2 + 1, clearance=CLEARANCE
    )
    board, radius = target.region, CUTTER.diameter / 2
    below = 0
    for start, end, kind in zip(path.points[:-1], path.points[1:], path.kinds[1:], strict=True):
        # how far the cutter's edge stands past the board on that side where it does so most
        past = radius + max(
            board.left - end[0], end[0] - board.right, board.near - end[1], end[1] - board.far
        )
        lifts = end[2] >= start[2] and tuple(end[:2]) == tuple(start[:2])
        if 0 < past < 2 * radius + 2 and end[2] < 0:
            below += 1
            assert kind != RAPID or lifts, (start, end)
    assert below


def test_passes_run_the_long_way() -> None:
    """A long narrow relief is roughed along its length, whichever way it lies."""
    along_x = fields.plane(width=40.0, length=12.0)
    along_y = Heightfield(along_x.heights.T, PITCH)
    lengths = []
    for relief in (along_x, along_y):
        target = surround(relief, (MARGIN, MARGIN), "open")
        path = plan_roughing(target, relief.region, CUTTER, RULES, overrun=1.0, clearance=CLEARANCE)
        across = np.abs(np.diff(path.points, axis=0))[path.kinds[1:] == CUT].sum(axis=0)
        lengths.append((across[0], across[1]))
    assert lengths[0][0] > 5 * lengths[0][1]
    assert lengths[1] == pytest.approx(lengths[0][::-1], rel=1e-6)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("cut", ["climb", "conventional"])
def test_climb_and_conventional(cut: CutDirection, turned: bool) -> None:
    """Seen along the cut, the stock that a main pass takes lies on the right, on the left if conventional.

    Common practice for a clockwise spindle: climb cutting moves with the uncut stock on the right.
    """
    relief = fields.plane(width=40.0, length=30.0, at=-2.0)
    if turned:
        relief = Heightfield(relief.heights.T, PITCH)
    target = surround(relief, (MARGIN, MARGIN), "open")
    rules = replace(RULES, cut=cut)
    path = plan_roughing(target, relief.region, CUTTER, rules, overrun=1.0, clearance=CLEARANCE)
    it = Case(target, path, rules, relief)
    x, y = np.meshgrid(target.x, target.y)
    sides = []
    for k, _, removed in simulated(it):
        way = path.points[k] - path.points[k - 1]
        if path.kinds[k] == CUT and np.hypot(*way[:2]) > 20:
            left_of = way[0] * (y - path.points[k, 1]) - way[1] * (x - path.points[k, 0])
            sides.append((removed * np.sign(left_of)).sum() / max(removed.sum(), 1e-9))
    assert len(sides) > 5
    # The first pass is a slot: stock on both sides, and the ramp back over it takes the rest.
    later = np.array([side for side in sides if abs(side) > 0.2])
    assert len(later) > 5
    assert (later < 0).all() if cut == "climb" else (later > 0).all()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stepdown": None}, "stepdown"),
        ({"stepover": None}, "stepover"),
        ({"entry_angle": None}, "entry_angle"),
        ({"stepover": 0.1}, "output.pitch"),
    ],
)
def test_rules_left_open_are_refused(changes: dict[str, float | None], words: str) -> None:
    """The planner takes no rule from thin air."""
    relief = FIELDS["plane"]
    with pytest.raises(PlanError, match=words):
        plan_roughing(relief, relief.region, CUTTER, replace(RULES, **changes), overrun=1.0, clearance=5.0)


def test_only_flat_cutters_rough() -> None:
    """A ball nose is refused by name."""
    relief = FIELDS["plane"]
    with pytest.raises(PlanError, match="flat end mill"):
        plan_roughing(
            relief, relief.region, Cutter(kind="ball", diameter=6.0), RULES, overrun=1.0, clearance=5.0
        )


def test_the_same_job_gives_the_same_path() -> None:
    """Planning is deterministic to the bit."""
    first, again = case("terrain"), case.__wrapped__("terrain")
    assert np.array_equal(first.path.points, again.path.points)
    assert np.array_equal(first.path.kinds, again.path.kinds)


SMALL = Cutter(kind="flat", diameter=2.1)
SMALL_RULES = replace(RULES, stepdown=1.0, stepover=0.8)


def narrow() -> Heightfield:
    """Return a level floor with a groove and a pit that the larger cutter cannot enter."""
    heights = np.full((121, 161), -1.0)
    heights[55:70, 20:140] = -5.0  # 3.5 mm wide
    heights[90:110, 70:90] = -4.0  # 4.75 mm square
    return Heightfield(heights, PITCH)


@cache
def rest_case() -> tuple[Case, np.ndarray]:
    """Return a rest roughing, and the stock before it."""
    relief = narrow()
    target = surround(relief, (MARGIN, MARGIN), "walled")
    how = {"overrun": OVERRUN, "clearance": CLEARANCE, "step": STEP}
    first = plan_roughing(target, relief.region, CUTTER, RULES, **how)
    for _, stock, _ in simulated(Case(target, first, RULES, relief)):
        left = stock
    stands = target.with_heights(left.astype(np.float32))
    path = plan_roughing(target, relief.region, SMALL, SMALL_RULES, left=stands, **how)
    return Case(target, path, SMALL_RULES, relief), left


def test_rest_roughing_clears_what_the_first_cutter_could_not_enter() -> None:
    """Groove and pit are full before and down to about the allowance after; nothing else is gone over.

    No gouge, no cut deeper than the smaller cutter's stepdown, no rapid through stock.
    """
    it, before = rest_case()
    window = it.target.window(it.relief.region)
    groove = (slice(59, 66), slice(30, 130))
    assert (before[window] - it.relief.heights)[groove].min() > 3.0
    for k, stock, removed in simulated(it, before, SMALL.diameter / 2):
        assert removed.max() <= (1e-9 if it.path.kinds[k] == RAPID else SMALL_RULES.stepdown + 1e-3)
        after = stock
    assert (after - it.target.heights).min() >= -1e-6
    left = (after[window] - it.relief.heights)[groove]
    assert np.median(left) == pytest.approx(0.4, abs=BLUR)
    assert left.max() <= 0.4 + 1.5 * 0.4
    touched = (before - after)[window] > 0.01
    touched[52:73, 17:143] = touched[87:113, 67:93] = False
    assert not touched.any()


def test_rest_roughing_of_what_is_clear_has_no_path() -> None:
    """Where the first cutter left nothing but the allowance, the second has nothing to do."""
    it = case("plane")
    stands = it.target.with_heights(facts("plane").carved.astype(np.float32))
    path = plan_roughing(
        it.target, it.relief.region, SMALL, SMALL_RULES, left=stands, overrun=OVERRUN, clearance=CLEARANCE
    )
    assert len(path.points) == 0


@pytest.mark.parametrize("diameter", [0.3, 0.4, 0.6, 1.0])
def test_a_cutter_of_few_nodes_keeps_to_the_stepdown(diameter: float) -> None:
    """Even one so thin that nothing about a node is surely cut where it goes."""
    relief, cutter = fields.terrain(6.0, 2.0, PITCH), Cutter(kind="flat", diameter=diameter)
    target, rules = surround(relief, (2.0, 2.0), "open"), replace(RULES, stepdown=0.5, stepover=PITCH)
    path = plan_roughing(target, relief.region, cutter, rules, overrun=0.5, clearance=CLEARANCE, step=STEP)
    found = played(Case(target, path, rules, relief), radius=diameter / 2)
    rapid = found.kinds == RAPID
    assert found.taken[~rapid].max() <= rules.stepdown + BLUR
    assert found.taken[rapid].max() <= BLUR
