"""The operations of a job, planned one after the other, each with its speeds and feeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relief.feeds import Feeds
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
    stepdown : mm, deepest layer
    yardstick : mm, what the cutting length is compared with; 0 where there is none
    """

    operation: str
    toolpath: Toolpath
    feed: npt.NDArray[np.float64]
    cutter: Cutter | None = None
    feeds: Feeds | None = None
    stepdown: float = 0.0
    yardstick: float = 0.0


def plan_operations(setup: Setup, progress: Progress) -> tuple[Plan, ...]:
    """Plan every program of a job, in running order: trace, roughing, finishing.

    Raises
    ------
    PlanError, ShopError
        A cut that cannot be planned, or a cutter that the spindle cannot turn.
    """
    progress.stage("planning the roughing")
    roughing = _roughing(setup)
    progress.stage("planning the finishing")
    finishing = _finishing(setup, progress)
    cuts = tuple(plan for plan in (roughing, finishing) if len(plan.toolpath.points))
    return (_trace(setup, cuts), *cuts)


def _trace(setup: Setup, cuts: tuple[Plan, ...]) -> Plan:
    """Walk round everything that the other programs cut, at clearance height."""
    raise NotImplementedError


def _roughing(setup: Setup) -> Plan:
    raise NotImplementedError


def _finishing(setup: Setup, progress: Progress) -> Plan:
    raise NotImplementedError
