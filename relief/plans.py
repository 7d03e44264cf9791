"""The operations of a job, planned one after the other, each with its speeds and feeds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import cast

import numpy as np
import numpy.typing as npt

from relief.cutters import ROUNDING, narrower, profile
from relief.cutting import deepest_layer, nominal_diameter
from relief.feeds import Feeds, Speeds, choose_feeds
from relief.heightfield import Heightfield
from relief.kernels.sweep import sweep
from relief.limits import eased_feeds, limit_feeds
from relief.operations import Kind, Operation, check_one_program, job_operations
from relief.part import Part
from relief.planning.cutout import plan_cutout
from relief.planning.finishing import FinishingPlan, plan_finishing
from relief.planning.linking import lifted
from relief.planning.pacing import paced
from relief.planning.rest import plan_rest
from relief.planning.roughing import plan_roughing
from relief.planning.scoring import plan_scoring
from relief.planning.shares import Cell
from relief.planning.spacing import stepover
from relief.planning.trace import plan_trace, swept_outline
from relief.progress import Progress
from relief.sections import Cutout, Finishing, Roughing
from relief.setup import Setup
from relief.shop.records import Cutter
from relief.surfaces import reachable_inside
from relief.toolpath import Toolpath
from relief.units import Wording

# Share of the surface that a finer cutter has to cut again, from which on the coarser ones bought little
# (measured: the 1/4 in ball takes 0.4 of a 1/16 in tapered ball's time, the rest half as much again an area).
LITTLE_BOUGHT = 0.4


@dataclass(frozen=True, eq=False)
class Plan:
    """One operation as planned: what becomes one program.

    Parameters
    ----------
    operation : its name: "trace", "roughing", "finishing", "rest finishing", …
    toolpath : in the relief's coordinates
    feed : (n,) mm/min for the move that arrives at each point
    cutter, feeds : None for the trace, which turns no cutter
    yardstick : mm, what the cutting length is compared with; 0 where there is none
    notes : what the user must know, one sentence each
    stops : rows of the toolpath at which to wait for the user, and what is said there
    tile : number of the tile that it belongs to; 0 where there are none
    load : what its feeds go by: nothing is cut faster than that allows; None: the feed is what was chosen
    """

    operation: str
    toolpath: Toolpath
    feed: npt.NDArray[np.float64]
    cutter: Cutter | None = None
    feeds: Feeds | None = None
    yardstick: float = 0.0
    notes: tuple[str, ...] = ()
    stops: tuple[tuple[int, str], ...] = ()
    tile: int = 0
    load: Feeds | None = None


def plan_operations(setup: Setup, progress: Progress) -> tuple[Plan, ...]:
    """Plan every program of a job, in running order: the trace, then what `job_operations` tells.

    Raises
    ------
    PlanError, ShopError, JobError
        A cut that cannot be planned, or a cutter that the spindle cannot turn.
    """
    check_one_program(setup)
    cuts: tuple[Plan, ...] = ()
    idle: tuple[str, ...] = ()
    for operation in job_operations(setup):
        progress.stage(f"planning the {operation.name}")
        plan = PLANNERS[operation.kind](operation, setup, cuts, progress)
        if len(plan.toolpath.points):
            cuts += (over_clamps(plan, setup),)
        else:
            idle += plan.notes
    return (replace(trace_plan(setup, cuts), notes=idle), *cuts)


def trace_plan(setup: Setup, cuts: tuple[Plan, ...]) -> Plan:
    """Walk round everything that the other programs sweep, at clearance height.

    Where cutters are changed in one program, each is lifted first where the last one ended.
    """
    together = setup.job.output.programs == "one"
    ways = []
    for before, plan in zip((None, *cuts), cuts, strict=False):
        places = plan.toolpath.points[:, :2]
        if together and before is not None:
            places = np.vstack([before.toolpath.points[-1:, :2], places])
        if plan.cutter:
            ways.append((places, plan.cutter.diameter / 2))
    walk = plan_trace(swept_outline(ways), setup.clearance)
    stops = tuple(
        (row, f"Corner {k} of {len(walk.corners)}: look whether the way is clear, then resume")
        for k, row in enumerate(walk.corners, start=1)
    )
    return Plan("trace", walk.toolpath, np.zeros(len(walk.toolpath.points)), stops=stops)


def over_clamps(plan: Plan, setup: Setup) -> Plan:
    """Return a plan whose rapids go over every clamp that they would come too near to.

    Raises
    ------
    PlanError
        A cut comes too near to a clamp.
    """
    if plan.cutter is None or not setup.clamps:
        return plan
    toolpath, fresh = lifted(
        plan.toolpath, plan.cutter, setup.clamps, setup.clearance, plan.operation, setup.job.output.units
    )
    feed = np.zeros(len(toolpath.points))
    feed[~fresh] = plan.feed
    return replace(plan, toolpath=toolpath, feed=feed)


def feeds_for(operation: Operation, setup: Setup, speeds: Speeds, stepdown: float | None = None) -> Feeds:
    """Return the speeds and feeds of an operation, and how they sit in their ranges.

    Parameters
    ----------
    operation : one of the job's
    setup : the job
    speeds : what is asked for
    stepdown : mm, the deepest layer, where it is not the one the job asks for

    Raises
    ------
    ShopError
        The spindle cannot turn slowly enough for the cutter.
    """
    cutter = operation.cutter
    if operation.kind == "finishing":
        scallop = setup.job.finishing.scallop
        depth = max(setup.job.roughing.allowance, scallop)
        width = stepover(profile(cutter).corner_radius, scallop)
    elif operation.kind == "outline":
        depth = width = setup.job.outline.depth
    elif operation.kind == "cutout":
        # the cutter runs in a slot of its own width
        depth, width = (setup.part.section.stepdown if setup.part else None) or 0.0, cutter.diameter
    else:
        section = _roughing_section(operation, setup)
        depth, width = section.stepdown or 0.0, section.stepover or 0.0
    return choose_feeds(
        cutter, setup.material, setup.machine, stepdown or depth, width,
        speeds, units=setup.job.output.units,
    )  # fmt: skip


def _roughing_section(operation: Operation, setup: Setup) -> Roughing:
    """Return the job's section; stepdown, stepover and ramp are the material's where the job leaves them.

    What is asked for is asked of the first cutter.
    """
    cutter, material, asked = operation.cutter, setup.material, setup.job.roughing
    if cutter != setup.roughing_cutter:
        asked = replace(asked, stepdown=None, stepover=None, rpm=None, feed=None, plunge=None)
    return replace(
        asked,
        stepdown=asked.stepdown or material.stepdown * cutter.diameter,
        stepover=asked.stepover or material.stepover * cutter.diameter,
        entry_angle=asked.entry_angle or material.entry_angle,
    )


def load_of(operation: Operation, setup: Setup, feeds: Feeds) -> Feeds | None:
    """Return what the feeds of an operation go by; None: nothing that is cut changes them.

    Where the job does not ask for it, a finishing cutter still meets what roughing could not reach: it is
    fed slower where that is more than a slot as deep as the material's rule allows.
    """
    asked = {"roughing": setup.job.roughing.shape_feed, "finishing": setup.job.finishing.shape_feed}
    if asked.get(operation.kind, False):
        return feeds
    if operation.kind == "finishing":
        slot = deepest_layer(operation.cutter, setup.material) * nominal_diameter(operation.cutter)
        return replace(feeds, section=max(feeds.section, slot), hurry=1.0)
    return None


def asked_speeds(operation: Operation, setup: Setup) -> Speeds:
    """Return the speeds that the job asks of a cutter that turns."""
    asked: Roughing | Finishing | Cutout = setup.job.cutout
    if operation.kind == "roughing":
        asked = _roughing_section(operation, setup)
    elif operation.kind == "finishing":
        asked = setup.job.finishing
    return Speeds(asked.rpm, asked.feed, asked.plunge)


def move_feeds(
    toolpath: Toolpath, feeds: Feeds, setup: Setup, wanted: npt.NDArray[np.float64] | None = None
) -> npt.NDArray[np.float64]:
    """Return the feed of the move that arrives at each point, mm/min, as machine and job let it run."""
    feed = limit_feeds(toolpath.points, toolpath.kinds, feeds, setup.machine, wanted)
    if setup.job.output.ease:
        feed = eased_feeds(toolpath.points, toolpath.kinds, feed, setup.machine.blocks_per_second)
    return feed


def _planned(
    operation: Operation, setup: Setup, toolpath: Toolpath, asked: Roughing | Finishing | Cutout,
    *, stepdown: float | None = None, yardstick: float = 0.0, notes: tuple[str, ...] = (),
    stock: Callable[[], Heightfield] | None = None,
) -> Plan:  # fmt: skip
    """Return the plan of an operation, with the speeds that the job asks for and what its moves may run.

    `stock` makes what stands before it, where that has a say.
    """
    feeds = feeds_for(operation, setup, Speeds(asked.rpm, asked.feed, asked.plunge), stepdown)
    load, wanted = load_of(operation, setup, feeds), None
    if load and stock:
        toolpath, wanted = paced_by(load, toolpath, operation.cutter, setup, stock())
    feed = move_feeds(toolpath, feeds, setup, wanted)
    return Plan(operation.name, toolpath, feed, operation.cutter, feeds, yardstick, notes, load=load)


def paced_by(
    load: Feeds, toolpath: Toolpath, cutter: Cutter, setup: Setup, stock: Heightfield
) -> tuple[Toolpath, npt.NDArray[np.float64]]:
    """Return a toolpath with the feeds that a load allows in a stock (see `planning.pacing.paced`)."""
    fastest = min(setup.machine.max_feed[:2])
    return paced(toolpath, load, stock, cutter, setup.step, fastest, setup.target)


def roughing_plan(operation: Operation, setup: Setup, done: Sequence[Plan], _progress: Progress) -> Plan:
    """Clear the waste; a second, smaller cutter only where the first could not enter."""
    section = _roughing_section(operation, setup)
    left = left_standing(setup, done) if operation.cutter != setup.roughing_cutter else None
    toolpath = plan_roughing(
        setup.target,
        setup.region,
        operation.cutter,
        section,
        overrun=setup.overrun,
        clearance=setup.clearance,
        step=setup.step,
        spare=deepest_layer(setup.finishing_cutters[0], setup.material) - section.allowance,
        clamps=setup.clamps,
        left=left,
    )
    notes: tuple[str, ...] = ()
    if not len(toolpath.points) and done:
        notes = (f'"{operation.cutter.name}" finds nothing to rough, and has no program: leave it out',)
    return _planned(operation, setup, toolpath, section, notes=notes, stock=lambda: left or setup.stock)


def finishing_plan(operation: Operation, setup: Setup, done: Sequence[Plan], progress: Progress) -> Plan:
    """Cut the surface itself; a finer cutter comes only where the coarser ones left too much of it."""
    asked, cutter, finest = setup.job.finishing, operation.cutter, setup.finishing_cutter
    plan_passes = partial(
        plan_finishing if cutter == setup.finishing_cutters[0] else plan_rest,
        target=setup.target,
        region=setup.region,
        cutter=cutter,
        scallop=asked.scallop,
        finest=None if cutter == finest else finest,
        clearance=setup.clearance,
        step=setup.step,
        progress=progress,
    )
    if cutter == setup.finishing_cutters[0]:
        left = None if asked.cut == "both ways" else left_standing(setup, done)
        plan = plan_passes(angle=asked.angle, cut=asked.cut, left=left)
        notes = plan.notes
    else:
        stepdown = deepest_layer(cutter, setup.material)
        plan = plan_passes(left=left_standing(setup, done), stepdown=stepdown)
        notes = _rest_notes(operation, setup, plan)
    return _planned(
        operation, setup, plan.toolpath, asked, yardstick=plan.yardstick, notes=notes,
        stock=lambda: left_standing(setup, done),
    )  # fmt: skip


def _rest_notes(operation: Operation, setup: Setup, plan: FinishingPlan) -> tuple[str, ...]:
    """Tell when a finer cutter finds nothing to do, or so much that the coarser ones bought little."""
    share = plan.yardstick * stepover(profile(operation.cutter).corner_radius, setup.job.finishing.scallop)
    share /= setup.region.width * setup.region.length
    name = operation.cutter.name
    if not share:
        return (f'"{name}" finds nothing left to cut, and has no program: leave it out of finishing.passes',)
    if share < LITTLE_BOUGHT:
        return ()
    return (
        f'"{name}" still has to cut about {100 * min(share, 1):.0f} % of the surface:'
        " alone it may be as quick as after the coarser ones; try it as finishing.cutter",
    )


def left_standing(setup: Setup, done: Sequence[Plan]) -> Heightfield:
    """Return the stock as the plans so far leave it, wherever the rounding of their text puts them."""
    heights = setup.stock.heights.copy()
    for plan in done:
        if plan.cutter:
            points = plan.toolpath.points - (*setup.stock.origin, 0.0)
            shape = np.array(narrower(profile(plan.cutter), ROUNDING * setup.step), dtype=np.float64)
            sweep(heights, setup.stock.pitch, shape, points[:-1].copy(), points[1:].copy())
    return setup.stock.with_heights(heights)


def outline_plan(operation: Operation, setup: Setup, _done: Sequence[Plan], _progress: Progress) -> Plan:
    """Score silhouette and level lines into the surface that the finishing leaves."""
    asked, target = setup.job.outline, setup.target
    heights = target.heights.copy()
    reach = reachable_inside(target, setup.region, setup.finishing_cutter)
    heights[target.window(setup.region)] = reach.heights
    toolpath = plan_scoring(
        target.with_heights(heights),
        setup.region,
        operation.cutter,
        asked.depth,
        asked.lines,
        clearance=setup.clearance,
        step=setup.step,
    )
    feeds = feeds_for(operation, setup, Speeds(None, asked.feed, asked.plunge))
    feed = move_feeds(toolpath, feeds, setup)
    return Plan(operation.name, toolpath, feed, operation.cutter, feeds)


def cutout_plan(
    operation: Operation,
    setup: Setup,
    _done: Sequence[Plan],
    _progress: Progress,
    cell: Cell | None = None,
) -> Plan:
    """Cut the part free, or as much of it as is cut in a tile."""
    part = cast(Part, setup.part)
    plan = plan_cutout(
        part.outline,
        operation.cutter,
        part.section,
        thickness=setup.job.stock.thickness,
        clearance=setup.clearance,
        step=setup.step,
        stock=setup.target.region,
        cell=cell,
        words=Wording(setup.job.output.units, setup.zero[:2]),
    )
    return _planned(
        operation, setup, plan.toolpath, part.section, stepdown=plan.stepdown, notes=plan.warnings
    )


# Who plans an operation of each kind: given the operation, the job and the plans that are run before it.
PLANNERS: dict[Kind, Callable[[Operation, Setup, Sequence[Plan], Progress], Plan]] = {
    "roughing": roughing_plan,
    "finishing": finishing_plan,
    "outline": outline_plan,
    "cutout": cutout_plan,
}
