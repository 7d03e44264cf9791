"""Rest finishing: a finer cutter, only where the coarser ones left more than the scallop above its reach.

Such places are mostly narrow bands along creases, where whole passes would turn round all the time. So each
node that was left too high gets a visit by the tip position that finishes it, visits grow into runs along the
creases, runs become one path with short ways between them, and then, as in the finishing, all is cut short
that the simulation shows to be needless. Runs go either way, whatever the direction of the whole passes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Self

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from relief.cutters import profile
from relief.heightfield import Heightfield, Region
from relief.kernels.finish import Ground, exact_tip, traces, untouched
from relief.planning.cuts import cuts_of, from_cut_to_cut, standing_ground
from relief.planning.finishing import FinishingPlan
from relief.planning.repairs import missed_runs, repaired, shortened
from relief.planning.spacing import stepover
from relief.planning.task import Flags, Points, Task, finishing_task
from relief.progress import Progress, Silent
from relief.shop.records import Cutter
from relief.toolpath import Toolpath

STAY_DOWN = 12.0  # mm over the surface that take no longer than going up, across and down …
PER_MM = 0.5  # … and so much more for each mm across
LONGEST = 25.0  # mm: longer ways across are not tried over the surface
BRIDGED = 15.0  # mm of the path between two places that are cut in layers: shorter is run through
NEAREST = 8  # runs that are looked at for the next one, four times as many where all are done


def plan_rest(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    scallop: float,
    left: Heightfield,
    *,
    finest: Cutter | None = None,
    stepdown: float = math.inf,
    clearance: float = 5.0,
    tolerance: float = 0.025,
    step: float = 0.001,
    progress: Progress | None = None,
) -> FinishingPlan:
    """Plan the finishing of what coarser cutters left.

    Parameters
    ----------
    target, region, cutter, scallop, clearance, tolerance, step, progress : as for `plan_finishing`
    left : Heightfield on the target's grid, what stands when the cutter comes
    finest : the finest of the cutters that come after, where there are such
    stepdown : mm, the most that one cut may take off; where more stands, the path is run in layers

    Returns
    -------
    FinishingPlan
        Its yardstick is that of the places that are left too high; its path is empty where there are none.
        Every node that this cutter can finish as the finest could is left within the scallop of the finest's
        reach, and none is cut deeper than 0.001 mm.

    Raises
    ------
    PlanError
        A scallop that the cutter cannot leave, or a cutter without a rounded end.
    """
    told = progress or Silent()
    shape = profile(cutter)
    spacing = stepover(shape.corner_radius, scallop)
    task = finishing_task(target, region, shape, scallop, tolerance, step, finest)
    task, short = _rest(task, left.cropped(region))
    if not short.any():
        return FinishingPlan(Toolpath.join([]), 0.0, 0.0, 0.0)
    told.fraction(0.2)
    path = _routed(task, missed_runs(task, np.empty((0, 3)), spacing).parts())
    told.fraction(0.4)
    path, touched = repaired(task, path, spacing)
    told.fraction(0.6)
    path = shortened(task, path, touched, spacing)
    path, _ = repaired(task, path, spacing)
    standing = standing_ground(left, task.ground.shape)
    cuts = [layer for cut in cuts_of(path) for layer in _layers(cut, standing, stepdown, step)]
    toolpath = from_cut_to_cut(cuts, left, task.ground.shape, clearance)
    told.fraction(1.0)
    area = float(np.sqrt(1 + task.tip.slope() ** 2)[short].sum()) * task.tip.pitch**2
    return FinishingPlan(toolpath, area / spacing, toolpath.cutting_length(), 0.0)


def _rest(task: Task, left: Heightfield) -> tuple[Task, Flags]:
    """Return the task of what is left, and which nodes are left too high."""
    short = left.heights > np.maximum(task.promise, task.aim.limit)
    return task.aiming(np.where(short, task.aim.limit, np.float32(-np.inf)), left.heights), short


def _routed(task: Task, runs: list[Points]) -> Points:
    """Return all runs in an order with short ways between, over the surface where that is quickest.

    Between cuts that are not joined stands a row of NaN.
    """
    # a run to one place is made a move of no length, so that it is simulated as well
    ordered = _ordered([np.repeat(run, 2, axis=0) if len(run) == 1 else run for run in runs])
    ends = [np.stack([a[-1, :2], b[0, :2]]) for a, b in pairwise(ordered)]
    across = [float(np.hypot(*(end[1] - end[0]))) for end in ends]
    near = [number for number, flat in enumerate(across) if flat <= LONGEST]
    links = dict(zip(near, traces(task.ground, [ends[n] for n in near], task.how, task.tube), strict=True))
    gap = np.full((1, 3), np.nan)
    rows = [ordered[0]]
    for number, run in enumerate(ordered[1:]):
        link = links.get(number)
        stays = link is not None and _length(link) <= STAY_DOWN + PER_MM * across[number]
        rows += [link[1:-1] if link is not None and stays else gap, run]
    return np.concatenate(rows)


def _length(path: Points) -> float:
    return float(np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1)).sum())


def _ordered(runs: list[Points]) -> list[Points]:
    """Return the runs, each begun at whichever of its ends is nearest to the end of the one before."""
    waiting = np.ones(len(runs), dtype=np.bool_)
    ends = _Ends.of(runs, waiting)
    here = ends.places[np.argmin(ends.places[:, 0] + ends.places[:, 1])]
    found: list[Points] = []
    while waiting.any():
        if 2 * waiting.sum() < len(ends.owner) // 2:
            ends = _Ends.of(runs, waiting)
        number, turned = ends.nearest(here, waiting)
        waiting[number] = False
        found.append(runs[number][::-1] if turned else runs[number])
        here = found[-1][-1]
    return found


@dataclass(frozen=True, eq=False)
class _Ends:
    """First and last places of the runs that wait, to be looked up.

    Parameters
    ----------
    places : (2n, 3) mm, the first of each run and then the last of each
    owner : (2n,) number of the run
    tree : of the places
    """

    places: Points
    owner: npt.NDArray[np.int64]
    tree: cKDTree

    @classmethod
    def of(cls, runs: list[Points], waiting: Flags) -> Self:
        numbers = np.flatnonzero(waiting)
        places = np.concatenate([[runs[n][end] for n in numbers] for end in (0, -1)])
        return cls(places, np.tile(numbers, 2), cKDTree(places))

    def nearest(self, here: Points, waiting: Flags) -> tuple[int, bool]:
        """Return the waiting run with an end nearest to a place, and whether that is its last."""
        count = NEAREST
        while True:
            found = np.atleast_1d(self.tree.query(here, min(count, len(self.owner)))[1])
            open_ones = found[waiting[self.owner[found]]]
            if len(open_ones):
                return int(self.owner[open_ones[0]]), bool(open_ones[0] >= len(self.owner) // 2)
            count *= 4


def _layers(cut: Points, standing: Ground, stepdown: float, step: float) -> Iterator[Points]:
    """Yield a cut after the parts of it that have to be run higher up before, the highest first.

    What stands before is taken for what stands when the cut is made: that is never less.
    """
    if math.isfinite(stepdown):
        touch = np.array([exact_tip(standing, x, y, untouched()) for x, y, _ in cut])
        deep = touch - cut[:, 2]
        for number in range(math.ceil(float(deep.max()) / stepdown - 1e-6) - 1, 0, -1):
            lifted = cut + np.array([0.0, 0.0, math.ceil(number * stepdown / step) * step])
            yield from (lifted[part] for part in _buried(cut, deep > number * stepdown))
    yield cut


def _buried(cut: Points, deep: Flags) -> list[slice]:
    """Return the parts of a cut from one vertex before each deep place to one after, near ones as one."""
    places = np.flatnonzero(deep)
    arc = np.concatenate([[0.0], np.cumsum(np.sqrt((np.diff(cut, axis=0) ** 2).sum(axis=1)))])
    apart = np.flatnonzero(np.diff(arc[places]) > BRIDGED)
    starts, ends = places[np.append(0, apart + 1)], places[np.append(apart, -1)]
    return [slice(max(start - 1, 0), end + 2) for start, end in zip(starts, ends, strict=True)]
