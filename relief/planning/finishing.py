"""Finishing: a round-ended cutter along the surface, so that no ridge stands higher than the scallop.

Distances alone cannot promise that: where the cutter touches two places at once, a near miss leaves a ridge
that grows with the miss and not with its square. So whole passes are laid as wide as they may, what they
leave is simulated, every node that falls short gets a visit by the exact tip position that finishes it, and
then all detours are cut short that the simulation shows to be needless. Where there would be so many visits
that they would take about as long as the passes, these are laid closer instead, which leaves hardly any.
Of two ways to lay passes the one is taken that is shorter, its repairs included.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from scipy import ndimage

from relief.cutters import Profile, profile
from relief.heightfield import Heightfield, Region
from relief.kernels.finish import DIP, traces
from relief.planning.cuts import path_to_toolpath
from relief.planning.repairs import Runs, brought_in, joined, missed_runs, path_length, repaired, shortened
from relief.planning.spacing import Lines, ball_area, stepover, whole_passes
from relief.planning.task import MARGIN, Points, Task, finishing_task, what_is_left
from relief.progress import Progress, Silent
from relief.shop.records import Cutter
from relief.toolpath import Toolpath

MANY = 0.14  # where more vertices than this for each half pitch of length are the outcome …
PROBED = 8  # … in every eighth pass …
LOOSE, TIGHT = 0.5, 0.18  # … so many scallops of room, and less where that leaves a ridge too high …
TIGHTER = 0.1  # … and still less where it is laid tightly
TOLERANCE = 0.005  # mm: how far above the exact path one with fewer blocks may run elsewhere …
LESS = 0.4  # … and so much of that where it leaves a ridge too high
BARELY = 1.065  # scallops: where repairs of ridges that are hardly higher than this would come …
HARDLY = 0.016  # … to more than this share of the passes' length, the path is laid tightly about them …
OFTEN, CLOSE = 0.045, 0.98  # … and from this share on so much closer, as ridges go with the square of that
WORTH = 0.995  # what is not shorter by this is not taken: closer and tighter paths bend more often
GRAINY = 0.7  # where all other repairs would come to more than this share …
CLOSER, CLOSEST = 0.75, 0.6  # … closer by so much, down to so much: they cut low grain as it comes
NEAR = 0.5  # stepovers: how far about such a ridge the path is laid tightly


@dataclass(frozen=True, eq=False)
class FinishingPlan:
    """The finishing of a relief.

    Parameters
    ----------
    toolpath : Toolpath, in the target's coordinates
    yardstick : float, mm
        Area of the surface of ball middles over the stepover of a plane: what the length is compared with.
        It is not a bound: where the surface is all convex caps, less is enough.
    length : float, mm, of all that is cut, 3-D
    angle_deg : float, bearing of the whole passes from X
    notes : what the user must know, one sentence each
    """

    toolpath: Toolpath
    yardstick: float
    length: float
    angle_deg: float
    notes: tuple[str, ...] = ()


def plan_finishing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    scallop: float,
    *,
    angle: float | Literal["auto"] = "auto",
    cut: Literal["both ways", "climb", "conventional"] = "both ways",
    clearance: float = 5.0,
    tolerance: float = TOLERANCE,
    step: float = 0.001,
    finest: Cutter | None = None,
    left: Heightfield | None = None,
    roomy: bool | None = None,
    progress: Progress | None = None,
) -> FinishingPlan:
    """Plan the finishing of a relief.

    Parameters
    ----------
    target : Heightfield, the target over the whole stock
    region : Region, the relief's box: the cutter's axis stays over it
    cutter : Cutter with a rounded end; its corner or ball radius is what leaves the ridges
    scallop : mm, ridge height, normal to the surface
    angle : bearing of the passes from X in degrees, or "auto"
    cut : direction of the passes, for a clockwise spindle; short repairs beside them run either way
    clearance : mm, height of rapids
    tolerance : mm, how far above the exact path one with fewer blocks may run, a tenth of the scallop at most
        Up to half the scallop where there would be too many blocks else.
    step : mm, the lattice that program text can express
    finest : the finest of the cutters that come after, where there are such
        What this cutter cannot finish as the finest could is left to them.
    left : what stands when the cutter comes: rapids from cut to cut go no higher than it asks for
    roomy : whether paths may run half the scallop high; None: where there would be too many blocks else
    progress : Progress

    Returns
    -------
    FinishingPlan
        Every node of the target is left within the scallop of the reachable surface, and none is cut deeper
        than 0.001 mm: both hold for the straight moves between the toolpath's points, exactly.

    Raises
    ------
    PlanError
        A scallop that the cutter cannot leave, a cutter without a rounded end, or one so thin that it falls
        between the nodes.
    """
    told = progress or Silent()
    shape = profile(cutter)
    spacing = stepover(shape.corner_radius, scallop)
    task = finishing_task(target, region, shape, scallop, tolerance, step, finest)
    told.fraction(0.2)
    laid = _laid(task, shape, scallop, angle, cut, roomy)
    task = laid.task
    told.fraction(0.4)
    path, touched = brought_in(task, laid.path, laid.missed, spacing)
    told.fraction(0.6)
    path = shortened(task, path, touched, spacing)
    path, _ = repaired(task, path, spacing)
    toolpath = path_to_toolpath(path, clearance, left, task.aim.shape)
    told.fraction(1.0)
    yardstick = ball_area(task.tip) / spacing
    return FinishingPlan(
        toolpath, yardstick, toolpath.cutting_length(), laid.angle_deg, _grain_note(laid.way.share)
    )


def _grain_note(share: float) -> tuple[str, ...]:
    """Tell when a picture is so rough that passes lie much closer than its shape asks for."""
    if share > CLOSER:
        return ()
    return (
        "the relief is full of grain about as high as the scallop: finishing passes lie"
        f" {100 * (1 - share):.0f} % closer than on a smooth one, since going after every grain would take"
        " twice as long; more smoothing (shaping.smooth) makes it quicker",
    )


class Way(NamedTuple):
    """How passes are laid.

    Parameters
    ----------
    share : of the stepover of a plane, how far apart
    tight : whether they have less room above the tip where that leaves a ridge too high
    """

    share: float
    tight: bool


class Laid(NamedTuple):
    """The path along whole passes, and what it misses.

    Parameters
    ----------
    task : with the room that the path has
    path : along all passes
    missed : what it leaves too high
    angle_deg : bearing of the passes from X
    way : how they lie
    cost : mm, length of passes and repairs
    """

    task: Task
    path: Points
    missed: Runs
    angle_deg: float
    way: Way
    cost: float


def _laid(
    task: Task,
    shape: Profile,
    scallop: float,
    angle: float | Literal["auto"],
    cut: Literal["both ways", "climb", "conventional"],
    roomy: bool | None,
) -> Laid:
    """Return passes a stepover apart, or a share of that where they and their repairs are shorter so."""
    spacing, widest = stepover(shape.corner_radius, scallop), laid_stepover(shape, scallop, task.how[0])
    passes: dict[float, tuple[Lines, Task, Points]] = {}

    def lay(way: Way, angle: float | Literal["auto"]) -> Laid:
        if way.share not in passes:
            lines = whole_passes(task.tip, shape.corner_radius, way.share * widest, angle)
            passes[way.share] = lines, *_along_lines(task, lines, cut, roomy, spacing, scallop)
        lines, roomier, path = passes[way.share]
        if way.tight:
            room = LESS * float(task.ground.room.max()) if roomier is task else TIGHTER * scallop
            roomier = _tightened(roomier, path, spacing, room)
            path = _along(roomier, lines, cut)
        missed = missed_runs(roomier, path, spacing)
        cost = path_length(path) + float(missed.costs(spacing).sum())
        return Laid(roomier, path, missed, lines.angle_deg, way, cost)

    laid = lay(Way(1.0, tight=False), angle)
    while way := _another_way(laid, spacing):
        other = lay(way, laid.angle_deg)
        if other.cost > WORTH * laid.cost:
            break
        laid = other
    return laid


def _another_way(laid: Laid, spacing: float) -> Way | None:
    """Return another way to lay passes that may come out shorter, repairs included."""
    share, tight = laid.way
    costs = laid.missed.costs(spacing) / path_length(laid.path)
    barely = costs[laid.missed.worst < BARELY].sum()
    if share > CLOSEST and costs.sum() - barely > GRAINY:
        return Way(CLOSER * share, tight)
    if share == 1 and not tight and barely > HARDLY:
        return Way(CLOSE if barely > OFTEN else share, tight=True)
    return None


def _along_lines(
    task: Task,
    lines: Lines,
    cut: Literal["both ways", "climb", "conventional"],
    roomy: bool | None,
    spacing: float,
    scallop: float,
) -> tuple[Task, Points]:
    """Return the path along passes, and the task with more room above it where there were many vertices."""
    if is_crowded(task, lines) if roomy is None else roomy:
        task = task.with_room(LOOSE * scallop)
        task = _tightened(task, _along(task, lines, cut), spacing, TIGHT * scallop)
    return task, _along(task, lines, cut)


def laid_stepover(shape: Profile, scallop: float, step: float) -> float:
    """Return the distance at which passes are laid; what rounding to the lattice costs is taken off."""
    return stepover(shape.corner_radius, MARGIN * scallop - min(max(step - DIP, 0.0), scallop / 10))


def _along(task: Task, lines: Lines, cut: Literal["both ways", "climb", "conventional"]) -> Points:
    """Return the exact path along the passes; between cuts that are not joined stands a row of NaN.

    Passes lie from right to left as seen along their bearing, so what is not cut yet is on the left of one
    cut along it (conventional, for a clockwise spindle) and on the right of one cut against it (climb).
    """
    step = task.how[0]
    starts, ends = (np.round(points / step) * step for points in (lines.starts, lines.ends))
    back = np.full(len(starts), cut == "climb")
    if cut == "both ways":
        back[1::2] = True
    first, last = np.where(back[:, None], ends, starts), np.where(back[:, None], starts, ends)
    cuts = np.stack([first, last], axis=1)
    if cut == "both ways":
        corners = cuts.reshape(-1, 2)
        parts = traces(
            task.ground, [corners[k : k + 2] for k in range(len(corners) - 1)], task.how, task.tube
        )
        return joined(parts)
    parts = traces(task.ground, list(cuts), task.how, task.tube)
    gap = np.full((1, 3), np.nan)
    return np.concatenate([row for part in parts for row in (part, gap)][:-1])


def _tightened(task: Task, path: Points, spacing: float, tight: float) -> Task:
    """Return the task with less room above the tip where a path leaves ridges that are not much too high."""
    room = task.ground.room.copy()
    over = what_is_left(task, path) - task.aim.limit
    marked = np.zeros(over.size, dtype=np.bool_)
    marked[task.source[((over > 0) & (over <= room.max())).ravel()]] = True
    reach = math.ceil(NEAR * spacing / task.tip.pitch)
    marked = ndimage.maximum_filter(marked.reshape(over.shape), 2 * reach + 1)
    room[task.inside][marked] = tight
    return task.with_room(room)


def is_crowded(task: Task, lines: Lines) -> bool:
    """Return whether exact paths along the passes would have too many vertices, judged by every eighth."""
    path = _along(task, lines.every(PROBED), "climb")
    return len(path) * task.tip.pitch / 2 > MANY * path_length(path)
