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
from collections.abc import Sequence
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


class Piece(NamedTuple):
    """What is planned.

    Parameters
    ----------
    target : Heightfield, the target over the whole stock
    region : Region, the relief's box: the cutter's axis stays over it
    left : what stands when the cutter comes: rapids from cut to cut go no higher than it asks for
    """

    target: Heightfield
    region: Region
    left: Heightfield | None = None


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
    progress: Progress | None = None,
) -> FinishingPlan:
    """Plan the finishing of a relief.

    Parameters
    ----------
    target, region, left : see `Piece`
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
    told, shape = progress or Silent(), profile(cutter)
    task = finishing_task(target, region, shape, scallop, tolerance, step, finest)
    told.fraction(0.2)
    (laid,) = _laid([task], shape, scallop, angle, cut)
    told.fraction(0.4)
    return _finished(laid, stepover(shape.corner_radius, scallop), clearance, left, told)


def plan_alike(
    pieces: Sequence[Piece],
    cutter: Cutter,
    scallop: float,
    *,
    angle: float,
    cut: Literal["both ways", "climb", "conventional"] = "both ways",
    clearance: float = 5.0,
    step: float = 0.001,
) -> list[FinishingPlan]:
    """Plan the finishing of pieces of a relief, each as all of it would be: their passes lie in one way.

    Parameters and errors are those of `plan_finishing`.
    """
    shape, told = profile(cutter), Silent()
    tasks = [finishing_task(p.target, p.region, shape, scallop, TOLERANCE, step) for p in pieces]
    spacing = stepover(shape.corner_radius, scallop)
    return [
        _finished(laid, spacing, clearance, piece.left, told)
        for laid, piece in zip(_laid(tasks, shape, scallop, angle, cut), pieces, strict=True)
    ]


def _finished(
    laid: Laid, spacing: float, clearance: float, left: Heightfield | None, told: Progress
) -> FinishingPlan:
    """Return the plan along passes that were laid, with whatever they miss brought in."""
    task = laid.task
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


class Passes(NamedTuple):
    """Whole passes, the task with the room above the tip that they have, and the path along them."""

    lines: Lines
    task: Task
    path: Points


class Laid(NamedTuple):
    """The path along whole passes, and what it misses.

    Parameters
    ----------
    task : with the room that the path has
    path : along all passes
    missed : what it leaves too high
    angle_deg : bearing of the passes from X
    way : how they lie
    """

    task: Task
    path: Points
    missed: Runs
    angle_deg: float
    way: Way


def _laid(
    tasks: Sequence[Task],
    shape: Profile,
    scallop: float,
    angle: float | Literal["auto"],
    cut: Literal["both ways", "climb", "conventional"],
) -> list[Laid]:
    """Return passes a stepover apart, or a share of that where they and their repairs are shorter so.

    What becomes of one task becomes of all.
    """
    spacing, widest = stepover(shape.corner_radius, scallop), laid_stepover(shape, scallop, tasks[0].how[0])
    passes: dict[float, list[Passes]] = {}

    def lay(way: Way, angle: float | Literal["auto"]) -> list[Laid]:
        if way.share not in passes:
            lines = [whole_passes(task.tip, shape.corner_radius, way.share * widest, angle) for task in tasks]
            passes[way.share] = _along_lines(tasks, lines, cut, spacing, scallop)
        return [
            _with_missed(task, own, way, cut, spacing, scallop)
            for task, own in zip(tasks, passes[way.share], strict=True)
        ]

    laid = lay(Way(1.0, tight=False), angle)
    plain = sum(path_length(own.path) for own in laid)
    while way := _another_way(laid, spacing):
        other = lay(way, laid[0].angle_deg)
        if _cost(other, plain, spacing) > WORTH * _cost(laid, plain, spacing):
            break
        laid = other
    return laid


def _cost(laid: Sequence[Laid], plain: float, spacing: float) -> float:
    """Return how long passes and repairs are, mm, where passes a stepover apart are `plain` mm long.

    In pieces the passes are not measured: across a narrow one, one more or less is no small share.
    """
    passes = plain / laid[0].way.share if len(laid) > 1 else path_length(laid[0].path)
    return passes + sum(float(own.missed.costs(spacing).sum()) for own in laid)


def _with_missed(
    task: Task,
    passes: Passes,
    way: Way,
    cut: Literal["both ways", "climb", "conventional"],
    spacing: float,
    scallop: float,
) -> Laid:
    """Return the path along passes, laid tightly where that is the way, and what it misses."""
    lines, roomier, path = passes
    if way.tight:
        room = LESS * float(task.ground.room.max()) if roomier is task else TIGHTER * scallop
        roomier = _tightened(roomier, path, spacing, room)
        path = _along(roomier, lines, cut)
    return Laid(roomier, path, missed_runs(roomier, path, spacing), lines.angle_deg, way)


def _another_way(laid: Sequence[Laid], spacing: float) -> Way | None:
    """Return another way to lay passes that may come out shorter, repairs included."""
    share, tight = laid[0].way
    costs = np.concatenate([own.missed.costs(spacing) for own in laid])
    costs /= sum(path_length(own.path) for own in laid)
    barely = costs[np.concatenate([own.missed.worst for own in laid]) < BARELY].sum()
    if share > CLOSEST and costs.sum() - barely > GRAINY:
        return Way(CLOSER * share, tight)
    if share == 1 and not tight and barely > HARDLY:
        return Way(CLOSE if barely > OFTEN else share, tight=True)
    return None


def _along_lines(
    tasks: Sequence[Task],
    lines: Sequence[Lines],
    cut: Literal["both ways", "climb", "conventional"],
    spacing: float,
    scallop: float,
) -> list[Passes]:
    """Return passes, the tasks with more room above them where they had many vertices, and their paths."""
    if _are_crowded(tasks, lines):
        tasks = [task.with_room(LOOSE * scallop) for task in tasks]
        tasks = [
            _tightened(task, _along(task, own, cut), spacing, TIGHT * scallop)
            for task, own in zip(tasks, lines, strict=True)
        ]
    return [Passes(own, task, _along(task, own, cut)) for task, own in zip(tasks, lines, strict=True)]


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


def _are_crowded(tasks: Sequence[Task], lines: Sequence[Lines]) -> bool:
    """Return whether exact paths along the passes would have too many vertices, judged by every eighth."""
    paths = [_along(task, own.every(PROBED), "climb") for task, own in zip(tasks, lines, strict=True)]
    many = sum(map(len, paths)) * tasks[0].tip.pitch / 2
    return many > MANY * sum(map(path_length, paths))
