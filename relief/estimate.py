"""How long an operation would take: the real planner and the real timing, on parts of the relief if need be.

A relief that few passes finish is planned whole. Of another strips are planned, each from edge to edge along
the passes and with passes beside it that do not count, so that a strip is cut as it would be cut among its
neighbours; their time stands for the rest in proportion to the area over which the tip moves. What counts
begins and ends softly, over the distance of two passes: else it would matter on which side of an end a pass
happens to lie.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.cutting import deepest_layer
from relief.feeds import Feeds, Speeds
from relief.heightfield import Heightfield, Region
from relief.operations import Operation
from relief.planning.finishing import (
    TOLERANCE,
    FinishingPlan,
    Piece,
    laid_stepover,
    plan_alike,
    plan_finishing,
)
from relief.planning.rest import plan_rest
from relief.planning.spacing import stepover, whole_passes
from relief.planning.task import finishing_task
from relief.plans import Plan, feeds_for, load_of, move_feeds, paced_by, roughing_plan
from relief.program.read import read_program
from relief.progress import Silent
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_surface, tip_inside
from relief.texts import program_text
from relief.timing import move_seconds, program_seconds

Doubles = npt.NDArray[np.float64]

# Nodes of the target that are planned for one finishing cutter, the most strips of them, the fewest passes in
# all of them, and how many passes lie beside each on each side.
FINISHED_NODES = 300_000
STRIPS, FEWEST, BESIDE = 8, 36.0, 1.5
# A taper's own path takes so many times longer to plan, and is planned where its flank keeps its tip from
# more than so much of the area.
SLOWER, FEW_WALLS = 1.25, 0.001
# Nodes that are planned for a fine cutter after a coarse one.
RESTED_NODES = 150_000
# Strips and what lies beside them may be so much of the relief; beyond that all of it is as soon planned.
WORTH_STRIPS = 0.6
# Nodes on which roughing is planned for each mm of its cutter, whose passes are the fewer the thicker it is,
# and how many nodes the cutter must span. Where its radius is a whole number of nodes, passes surely clear
# one less than they keep off walls, and links go round the rims (14 % of the time in a full plan): a coarser
# grid does not show that, so more are planned.
ROUGHED_NODES, SPAN, RIMMED = 90_000, 12.0, 2
# Where no more than so much of the area holds more than feeds were chosen for, slowing there hardly counts.
FEW_DEEP = 0.2
# Where the strips lie in their shares of the relief: the golden ratio spreads them over its forms.
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True)
class Estimate:
    """How long an operation takes.

    Parameters
    ----------
    seconds : s, on the machine of the job
    planned : share of the relief that was planned for it, 0 to 1
    """

    seconds: float
    planned: float


@dataclass(frozen=True, eq=False)
class _Strip:
    """What was planned for one strip, and between which two places along the axis it counts.

    Parameters
    ----------
    setup, plan : of the box that was planned
    low, high : mm along the axis
    soft : mm, over which the count goes from nothing to all at each end
    left : what stands there when the cutter comes
    """

    setup: Setup
    plan: Plan
    low: float
    high: float
    soft: float
    left: Heightfield

    def counted(self, at: Doubles) -> Doubles:
        """Return how much counts what lies at these places along the axis, 0 to 1."""
        inside: Doubles = np.minimum(at - self.low, self.high - at)
        return np.clip(inside / self.soft + 0.5, 0.0, 1.0)


@dataclass(frozen=True, eq=False)
class Sample:
    """Finishing paths of one round end over all of a relief, or over strips of it.

    Parameters
    ----------
    strips : in the order in which they lie
    axis : along which they lie: 0 for X, 1 for Y
    planned : share of the area over which the tip moves that lies in them
    """

    strips: tuple[_Strip, ...]
    axis: int
    planned: float


def path_cutter(setup: Setup, cutter: Cutter) -> Cutter:
    """Return the cutter whose finishing path stands for that of `cutter`: for a taper, the ball of its tip.

    Cutters with the same round end get the same one, whatever else they differ in.

    A taper's flank leans by half its angle, so it touches nothing but walls that are steeper than that. Where
    a relief has more than a few of them the taper needs a path of its own; what of it stays above the stock
    top touches nothing, and is left out.
    """
    if cutter.kind == "ball":
        return Cutter("ball", cutter.diameter)
    if cutter.kind != "taper":
        return cutter
    ball = Cutter("ball", 2 * cutter.tip_radius)
    own, shared = (tip_inside(setup.target, setup.region, c).heights for c in (cutter, ball))
    touched = float((np.abs(own - shared) > setup.job.finishing.scallop / 10).mean())
    if touched < FEW_WALLS:
        return ball
    tangent = math.tan(math.radians(cutter.angle) / 2)
    widest = 2 * (cutter.tip_radius + setup.depth * tangent)
    return replace(cutter, diameter=min(cutter.diameter, widest))


def sample_finishing(setup: Setup, cutter: Cutter) -> Sample:
    """Plan the finishing of a relief with one cutter, or of strips where the relief is large.

    Parameters
    ----------
    setup : the job; its own finishing cutters do not matter
    cutter : one with a round end

    Raises
    ------
    PlanError, ShopError
        The cutter cannot leave such a scallop, or the spindle cannot turn slowly enough for it.
    """
    job, shape = setup.job, profile(cutter)
    spacing = stepover(shape.corner_radius, job.finishing.scallop)
    share = FINISHED_NODES / (SLOWER if cutter.kind == "taper" else 1.0) / setup.relief.heights.size
    if not any(list(_strips(setup.region, axis, spacing, share)) for axis in (0, 1)):
        return _whole(setup, _finishing(setup, cutter), spacing, roughed(setup))
    task = finishing_task(setup.target, setup.region, shape, job.finishing.scallop, TOLERANCE, setup.step)
    laid = laid_stepover(shape, job.finishing.scallop, setup.step)
    lines = whole_passes(task.tip, shape.corner_radius, laid, job.finishing.angle)
    # strips lie along the passes, one after the other across them
    turn = math.radians(lines.angle_deg)
    axis = 1 if abs(math.cos(turn)) > abs(math.sin(turn)) else 0
    places = list(_strips(setup.region, axis, spacing, share))
    if not places:
        return _whole(setup, _finishing(setup, cutter), spacing, roughed(setup))
    parts = list(_parts(setup, cutter, places))
    paths = _alike([part for part, _, _ in parts], cutter, lines.angle_deg)
    strips = [
        _Strip(part, plan, low, high, spacing, roughed(part))
        for (part, low, high), plan in zip(parts, paths, strict=True)
    ]
    element = np.sqrt(1.0 + task.tip.slope() ** 2).sum(axis=1 if axis else 0)
    return Sample(tuple(strips), axis, _share(strips, element, task.tip.y if axis else task.tip.x))


def sample_rest(setup: Setup, cutter: Cutter, coarse: Heightfield, best: Heightfield) -> Sample:
    """Plan the finishing of what a coarser cutter leaves, or strips of it where the relief is large.

    Parameters
    ----------
    setup : the job; its own finishing cutters do not matter
    cutter : the fine one
    coarse, best : on the relief's grid, the best that the coarse one and the fine one can leave

    Raises
    ------
    PlanError
        The cutter cannot leave such a scallop.
    """
    scallop, target = setup.job.finishing.scallop, setup.target
    spacing = stepover(profile(cutter).corner_radius, scallop)
    axis = 1 if setup.region.length >= setup.region.width else 0
    amount = rest_area(coarse, best, scallop, deepest_layer(cutter, setup.material)).sum(
        axis=1 if axis else 0
    )
    board = target.heights.copy()
    board[target.window(setup.region)] = coarse.heights
    left = target.with_heights(board)
    places = list(_strips(setup.region, axis, spacing, RESTED_NODES / coarse.heights.size))
    if not places:
        return _whole(setup, _rest(setup, cutter, left), spacing, left)
    strips = [
        _Strip(part, _rest(part, cutter, own), low, high, spacing, own)
        for part, low, high in _parts(setup, cutter, places)
        for own in [left.cropped(part.target.region)]
    ]
    return Sample(tuple(strips), axis, _share(strips, amount, best.y if axis else best.x))


def _whole(setup: Setup, plan: Plan, spacing: float, left: Heightfield) -> Sample:
    return Sample((_Strip(setup, plan, -math.inf, math.inf, spacing, left),), 0, 1.0)


def roughed(setup: Setup) -> Heightfield:
    """Return about what the roughing of a job leaves: what its cutter can reach, and the allowance."""
    lowest = reachable_surface(setup.target, setup.roughing_cutter) + setup.job.roughing.allowance
    return setup.target.with_heights(np.minimum(lowest, np.float32(0.0)))


def rest_area(coarse: Heightfield, best: Heightfield, scallop: float, deepest: float) -> Doubles:
    """Return how much surface a fine cutter has to cut after a coarse one, for each node.

    Parameters
    ----------
    coarse, best : the best that the coarse one and the fine one can leave
    scallop : mm, what the coarse one may leave over that
    deepest : mm, the deepest layer that the fine one may take: what stands higher is cut in several

    Returns
    -------
    (rows, columns) area over that of a level node
    """
    steep = np.sqrt(1.0 + best.slope() ** 2)
    gap = coarse.heights - best.heights
    return np.where(gap > scallop * steep, steep * np.maximum(np.ceil(gap / deepest), 1.0), 0.0)


def _share(strips: Sequence[_Strip], amount: Doubles, at: Doubles) -> float:
    """Return how much of an amount that is spread along an axis counts in the strips."""
    counted = sum(strip.counted(at) for strip in strips)
    return float((amount * counted).sum() / max(amount.sum(), 1e-9))


def _much_is_left(strip: _Strip, load: Feeds, cutter: Cutter) -> bool:
    """Return whether so much stands before a cutter that its feed by load is worth reckoning."""
    stands = (strip.left.heights - strip.setup.target.heights)[strip.setup.target.window(strip.setup.region)]
    return bool((stands > load.section / cutter.diameter).mean() > FEW_DEEP)


def finishing_estimate(sample: Sample, cutter: Cutter) -> Estimate:
    """Return how long a cutter takes to run paths that were planned for one with the same round end.

    Raises
    ------
    ShopError
        The spindle cannot turn slowly enough for the cutter.
    """
    operation, seconds, waits = Operation("finishing", "finishing", cutter), 0.0, 0.0
    for strip in sample.strips:
        setup, path, asked = strip.setup, strip.plan.toolpath, strip.setup.job.finishing
        if not len(path.points):
            continue
        feeds = feeds_for(operation, setup, Speeds(asked.rpm, asked.feed, asked.plunge))
        load, wanted = load_of(operation, setup, feeds), None
        if load and _much_is_left(strip, load, cutter):
            path, wanted = paced_by(load, path, cutter, setup, strip.left)
        feed = move_feeds(path, feeds, setup, wanted)
        plan = replace(strip.plan, toolpath=path, feeds=feeds, feed=feed, cutter=cutter)
        moves = read_program(program_text(plan, setup))
        ends = moves.points[:, sample.axis] - setup.zero[sample.axis]
        middles: Doubles = np.nan_to_num((ends[1:] + ends[:-1]) / 2)
        taken = move_seconds(moves, setup.machine)
        if sample.planned < 1.0:
            cuts = np.flatnonzero(~moves.rapid)
            taken[: cuts[0]], taken[cuts[-1] + 1 :] = 0.0, 0.0
        seconds += float((taken * strip.counted(middles)).sum())
        waits = moves.dwell
    return Estimate(seconds / max(sample.planned, 1e-9) + waits, sample.planned)


def _strips(region: Region, axis: int, spacing: float, share: float) -> Iterator[tuple[float, float, Region]]:
    """Yield where each strip begins and ends along the axis, and the box that is planned for it.

    Nothing where all of the region is as soon planned.
    """
    low, high = (region.near, region.far) if axis else (region.left, region.right)
    size = high - low
    wide, beside = max(share * size, FEWEST * spacing) / STRIPS, BESIDE * spacing
    if STRIPS * (wide + 2 * beside) > WORTH_STRIPS * size:
        return
    for number in range(STRIPS):
        first = low + number * size / STRIPS + (0.5 + number * GOLDEN) % 1.0 * (size / STRIPS - wide)
        near, far = max(first - beside, low), min(first + wide + beside, high)
        box = _with_side(region, axis, near, far)
        yield first, first + wide, box


def _with_side(region: Region, axis: int, low: float, high: float) -> Region:
    """Return the region with its extent along an axis (0: X, 1: Y) replaced."""
    if axis:
        return Region(region.left, low, region.right, high)
    return Region(low, region.near, high, region.far)


def _parts(
    setup: Setup, cutter: Cutter, places: Sequence[tuple[float, float, Region]]
) -> Iterator[tuple[Setup, float, float]]:
    """Yield the job of each strip alone, and where it begins and ends along the axis."""
    board = setup.target.region
    for low, high, box in places:
        around = box.grown(cutter.diameter / 2 + 2 * setup.target.pitch)
        inside = Region(
            max(around.left, board.left), max(around.near, board.near),
            min(around.right, board.right), min(around.far, board.far),
        )  # fmt: skip
        yield replace(setup, target=setup.target.cropped(inside), region=box), low, high


def _rest(setup: Setup, cutter: Cutter, left: Heightfield) -> Plan:
    plan = plan_rest(
        setup.target, setup.region, cutter, setup.job.finishing.scallop, left,
        stepdown=deepest_layer(cutter, setup.material), clearance=setup.clearance, step=setup.step,
    )  # fmt: skip
    return Plan("rest finishing", plan.toolpath, np.zeros(len(plan.toolpath.points)), cutter)


def _finishing(setup: Setup, cutter: Cutter) -> Plan:
    asked = setup.job.finishing
    plan = plan_finishing(
        setup.target, setup.region, cutter, asked.scallop, angle=asked.angle, cut=asked.cut,
        clearance=setup.clearance, step=setup.step, left=None if asked.cut == "both ways" else setup.stock,
    )  # fmt: skip
    return _plan(plan, cutter)


def _alike(parts: Sequence[Setup], cutter: Cutter, angle: float) -> list[Plan]:
    """Return the finishing of strips of a relief, each planned as all of it would be."""
    setup, asked = parts[0], parts[0].job.finishing
    pieces = [
        Piece(part.target, part.region, None if asked.cut == "both ways" else part.stock) for part in parts
    ]
    plans = plan_alike(
        pieces, cutter, asked.scallop, angle=angle, cut=asked.cut, clearance=setup.clearance, step=setup.step
    )
    return [_plan(plan, cutter) for plan in plans]


def _plan(plan: FinishingPlan, cutter: Cutter) -> Plan:
    return Plan("finishing", plan.toolpath, np.zeros(len(plan.toolpath.points)), cutter)


def roughing_estimate(setup: Setup, cutter: Cutter, shop: Shop) -> Estimate:
    """Return how long one flat end mill takes to rough the relief: all of it, on a coarser grid if need be.

    Raises
    ------
    PlanError, ShopError, JobError
        The relief cannot be roughed with this cutter.
    """
    relief = setup.relief
    most = max(int(cutter.diameter / SPAN / relief.pitch), 1)
    keeps_off, clears = (
        math.floor(radius / relief.pitch + 1e-6)
        for radius in (cutter.diameter / 2, cutter.diameter / 2 - setup.step)
    )
    nodes = ROUGHED_NODES * cutter.diameter * (RIMMED if clears < keeps_off else 1)
    every = min(math.ceil(math.sqrt(relief.heights.size / nodes)), most)
    heights = np.ascontiguousarray(relief.heights[::every, ::every])
    job = replace(setup.asked, roughing=replace(setup.asked.roughing, cutter=cutter.name))
    coarse = lay_out(job, shop, Heightfield(heights, relief.pitch * every))
    plan = roughing_plan(Operation("roughing", "roughing", cutter), coarse, (), Silent())
    if not len(plan.toolpath.points):
        return Estimate(0.0, 1.0)
    moves = read_program(program_text(plan, coarse))
    return Estimate(program_seconds(moves, coarse.machine), 1.0 / every**2)
