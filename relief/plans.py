"""The operations of a job, planned one after the other, each with its speeds and feeds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.feeds import Feeds, choose_feeds, limit_feeds
from relief.heightfield import Region
from relief.job import Roughing
from relief.part import Part
from relief.planning.cutout import plan_cutout
from relief.planning.finishing import plan_finishing
from relief.planning.roughing import plan_roughing
from relief.planning.spacing import stepover
from relief.planning.trace import plan_trace
from relief.progress import Progress
from relief.setup import Setup
from relief.shop.records import Cutter
from relief.toolpath import Toolpath


@dataclass(frozen=True, eq=False)
class Plan:
    """One operation as planned: what becomes one program.

    Parameters
    ----------
    operation : "trace", "roughing", "finishing", …
    toolpath : in the relief's coordinates
    feed : (n,) mm/min for the move that arrives at each point
    cutter, feeds : None for the trace, which turns no cutter
    yardstick : mm, what the cutting length is compared with; 0 where there is none
    notes : what the user must know, one sentence each
    """

    operation: str
    toolpath: Toolpath
    feed: npt.NDArray[np.float64]
    cutter: Cutter | None = None
    feeds: Feeds | None = None
    yardstick: float = 0.0
    notes: tuple[str, ...] = ()


def plan_operations(setup: Setup, progress: Progress) -> tuple[Plan, ...]:
    """Plan every program of a job, in running order: trace, roughing, finishing, cutout.

    Raises
    ------
    PlanError, ShopError
        A cut that cannot be planned, or a cutter that the spindle cannot turn.
    """
    progress.stage("planning the roughing")
    roughing = roughing_plan(setup)
    progress.stage("planning the finishing")
    finishing = finishing_plan(setup, progress)
    planned: tuple[Plan, ...] = (roughing, finishing)
    if setup.part:
        progress.stage("planning the cutout")
        planned += (_cutout(setup, setup.part),)
    cuts = tuple(plan for plan in planned if len(plan.toolpath.points))
    return (_trace(setup, cuts), *cuts)


def _trace(setup: Setup, cuts: tuple[Plan, ...]) -> Plan:
    """Walk round everything that the other programs sweep, at clearance height."""
    boxes = [_swept(plan.toolpath, plan.cutter) for plan in cuts if plan.cutter]
    outline = Region(
        min(box.left for box in boxes),
        min(box.near for box in boxes),
        max(box.right for box in boxes),
        max(box.far for box in boxes),
    )
    toolpath = plan_trace(outline, setup.clearance)
    return Plan("trace", toolpath, np.zeros(len(toolpath.points)))


def _swept(toolpath: Toolpath, cutter: Cutter) -> Region:
    """Return the box that a cutter sweeps, its radius included."""
    (left, near), (right, far) = toolpath.points[:, :2].min(axis=0), toolpath.points[:, :2].max(axis=0)
    return Region(float(left), float(near), float(right), float(far)).grown(cutter.diameter / 2)


class Speeds(NamedTuple):
    """Spindle speed and feeds that are asked for, or found in a text; None where a rule has to tell them."""

    rpm: float | None = None
    feed: float | None = None
    plunge: float | None = None


def feeds_for(operation: str, setup: Setup, speeds: Speeds, stepdown: float | None = None) -> Feeds:
    """Return the speeds and feeds of an operation, and how they sit in their ranges.

    Parameters
    ----------
    operation : "roughing", "finishing" or "cutout"
    setup : the job
    speeds : what is asked for
    stepdown : mm, the deepest layer, where it is not the one the job asks for

    Raises
    ------
    ShopError
        The spindle cannot turn slowly enough for the cutter.
    """
    if operation == "finishing":
        cutter, scallop = setup.finishing_cutter, setup.job.finishing.scallop
        depth = max(setup.job.roughing.allowance, scallop)
        width = stepover(profile(cutter).corner_radius, scallop)
    elif operation == "cutout" and setup.part:
        # the cutter runs in a slot of its own width
        cutter, depth = setup.part.cutter, setup.part.section.stepdown or 0.0
        width = cutter.diameter
    else:
        cutter, section = setup.roughing_cutter, _roughing_section(setup)
        depth, width = section.stepdown or 0.0, section.stepover or 0.0
    return choose_feeds(
        cutter, setup.material, setup.machine, stepdown or depth, width,
        rpm=speeds.rpm, feed=speeds.feed, plunge=speeds.plunge,
    )  # fmt: skip


def _roughing_section(setup: Setup) -> Roughing:
    """Return the job's section; stepdown, stepover and ramp are the material's where the job leaves them."""
    cutter, material, asked = setup.roughing_cutter, setup.material, setup.job.roughing
    return replace(
        asked,
        stepdown=asked.stepdown or material.stepdown * cutter.diameter,
        stepover=asked.stepover or material.stepover * cutter.diameter,
        entry_angle=asked.entry_angle or material.entry_angle,
    )


def roughing_plan(setup: Setup) -> Plan:
    """Clear the waste."""
    cutter, section = setup.roughing_cutter, _roughing_section(setup)
    toolpath = plan_roughing(
        setup.target,
        setup.region,
        cutter,
        section,
        overrun=setup.overrun,
        clearance=setup.clearance,
        step=setup.step,
    )
    feeds = feeds_for("roughing", setup, Speeds(section.rpm, section.feed, section.plunge))
    feed = limit_feeds(toolpath.points, toolpath.kinds, feeds, setup.machine)
    return Plan("roughing", toolpath, feed, cutter, feeds)


def finishing_plan(setup: Setup, progress: Progress) -> Plan:
    """Cut the surface itself: what is left on is the allowance and the ridges of the roughing."""
    cutter, asked = setup.finishing_cutter, setup.job.finishing
    plan = plan_finishing(
        setup.target,
        setup.region,
        cutter,
        asked.scallop,
        angle=asked.angle,
        cut=asked.cut,
        clearance=setup.clearance,
        step=setup.step,
        progress=progress,
    )
    feeds = feeds_for("finishing", setup, Speeds(asked.rpm, asked.feed, asked.plunge))
    feed = limit_feeds(plan.toolpath.points, plan.toolpath.kinds, feeds, setup.machine)
    return Plan("finishing", plan.toolpath, feed, cutter, feeds, plan.yardstick)


def _cutout(setup: Setup, part: Part) -> Plan:
    """Cut the part free."""
    plan = plan_cutout(
        part.outline,
        part.cutter,
        part.section,
        thickness=setup.job.stock.thickness,
        clearance=setup.clearance,
        step=setup.step,
        stock=setup.target.region,
    )
    asked = part.section
    feeds = feeds_for("cutout", setup, Speeds(asked.rpm, asked.feed, asked.plunge), plan.stepdown)
    feed = limit_feeds(plan.toolpath.points, plan.toolpath.kinds, feeds, setup.machine)
    return Plan("cutout", plan.toolpath, feed, part.cutter, feeds, notes=plan.warnings)
