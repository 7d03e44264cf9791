"""Finishing: a round-ended cutter along the surface, so that no ridge stands higher than the scallop.

Distances alone cannot promise that: where the cutter touches two places at once, a near miss leaves a ridge
that grows with the miss and not with its square. So whole passes are laid as wide as they may, what they
leave is simulated, every node that falls short gets a visit by the exact tip position that finishes it, and
then all detours are cut short that the simulation shows to be needless.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.cutters import ROUNDING, Profile, profile, profile_table, wider
from relief.heightfield import Heightfield, Region
from relief.kernels.bands import in_bands
from relief.kernels.cover import grow_runs
from relief.kernels.finish import DIP, blocks, exact_tip, traces, untouched
from relief.kernels.route import bring_in, cover, shorten, split
from relief.kernels.sweep import sweep
from relief.kernels.tip import reach_grid_source
from relief.planning.approach import GAP, SIDE_GAP
from relief.planning.linking import hop, link_height
from relief.planning.spacing import Lines, ball_area, stepover, whole_passes
from relief.progress import Progress, Silent
from relief.shop.records import Cutter
from relief.surfaces import reachable_inside
from relief.toolpath import CUT, PLUNGE, RAPID, Kinds, Toolpath

Points = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]

SAG = 0.0006  # mm: how deep a traced chord may cut into the target …
BELOW = 0.0008  # … how deep below samples of the tip a move is planned at first …
CLOSER = 0.0005  # … and where it then cuts more than is allowed …
DEPTH = 0.001  # … to any move of the finished path
MARGIN = 0.995  # of the scallop is aimed at, so that rounding cannot exceed it
CREASE = 4  # nodes left by one tip position: there the cutter touches two places at once …
CREASE_MARGIN = 0.9  # … and what is aimed at is this share of the scallop
ROOM = 0.1  # of the scallop at most may be spent on having fewer blocks …
MANY = 0.14  # … but where more vertices than this for each half pitch of length are the outcome …
PROBED = 8  # … in every eighth pass …
LOOSE, TIGHT = 0.5, 0.16  # … so much, and less where that leaves a ridge too high
SERVED = 0.5  # scallops: where a cutter's reach stands no higher than this over the finest's, it finishes
EASED = 0.3  # mm: what it may leave over its own reach elsewhere, since a finer cutter comes there
SECTIONS = 16  # of the path, at most, that are worked on side by side …
LONG = 1000  # … if it has more vertices than this
TALL = 3  # times as high as needed are the strips whose repairs are grown side by side

UNTRACED = np.zeros((0, 0), np.int32), np.zeros((0, 0), np.float32)  # where nothing is traced, only met

# In stepovers of a plane:
GROWTH = 0.5  # how far a repair run looks for its next vertex
SPLIT = 0.5  # distance of the vertices that a long piece gets beside a detour
WINDOW = 2.0  # longest part of the path that is replaced at once
GAIN = 0.05  # least length that a replacement must save
NEAR = 0.5  # how far about such a ridge the path is laid tightly
CLOSE = 0.6  # how far beside the ideal tip position a replacement may pass


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
    """

    toolpath: Toolpath
    yardstick: float
    length: float
    angle_deg: float


def plan_finishing(
    target: Heightfield,
    region: Region,
    cutter: Cutter,
    scallop: float,
    *,
    angle: float | Literal["auto"] = "auto",
    cut: Literal["both ways", "climb", "conventional"] = "both ways",
    clearance: float = 5.0,
    tolerance: float = 0.005,
    step: float = 0.001,
    finest: Cutter | None = None,
    left: Heightfield | None = None,
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
    progress : Progress

    Returns
    -------
    FinishingPlan
        Every node of the target is left within the scallop of the reachable surface, and none is cut deeper
        than 0.001 mm: both hold for the straight moves between the toolpath's points, exactly.

    Raises
    ------
    PlanError
        A scallop that the cutter cannot leave, or a cutter without a rounded end.
    """
    told = progress or Silent()
    shape = profile(cutter)
    spacing = stepover(shape.corner_radius, scallop)
    task = finishing_task(target, region, shape, scallop, tolerance, step, finest)
    told.fraction(0.2)
    laid = laid_stepover(shape, scallop, step)
    lines = whole_passes(task.tip, shape.corner_radius, laid, angle)
    if _share_of_samples(task, _along(task, lines.every(PROBED), "climb")) > MANY:
        task = task.with_room(LOOSE * scallop)
        task = _tightened(task, _along(task, lines, cut), spacing, TIGHT * scallop)
    path = _along(task, lines, cut)
    told.fraction(0.4)
    path, touched = repaired(task, path, spacing)
    told.fraction(0.6)
    path = shortened(task, path, touched, spacing)
    path, _ = repaired(task, path, spacing)
    toolpath = _toolpath(path, clearance, left, task.aim.shape)
    told.fraction(1.0)
    yardstick = ball_area(task.tip) / spacing
    return FinishingPlan(toolpath, yardstick, toolpath.cutting_length(), lines.angle_deg)


def laid_stepover(shape: Profile, scallop: float, step: float) -> float:
    """Return the distance at which passes are laid; what rounding to the lattice costs is taken off."""
    return stepover(shape.corner_radius, MARGIN * scallop - min(max(step - DIP, 0.0), scallop / 10))


class Ground(NamedTuple):
    """The target as the tracing kernels see it (see `relief.kernels.finish`)."""

    z: Floats
    high: Floats
    touch: npt.NDArray[np.int32]
    room: Floats
    pitch: float
    x: float
    y: float
    shape: Points


class Aim(NamedTuple):
    """What counts as finished, as the covering kernels see it (see `relief.kernels.cover`)."""

    limit: Floats
    most: Floats
    pitch: float
    x: float
    y: float
    shape: Points


@dataclass(frozen=True, eq=False)
class Task:
    """What has to be finished, and how paths are traced.

    Parameters
    ----------
    tip : exact tip heights at the relief's nodes
    reach : the best surface that the cutter can leave there
    source : place of the tip that leaves each node at its best
    inside : where the relief lies in the target
    ground, aim, how, tube : as the kernels see them
    promise : how high each node may be left in the end, once the finest cutter has been there
    left : what stands there before; infinite where all of it has to be cut
    """

    tip: Heightfield
    reach: Heightfield
    source: npt.NDArray[np.int32]
    inside: tuple[slice, slice]
    ground: Ground
    aim: Aim
    how: Points
    tube: Points
    promise: Floats
    left: Floats

    def with_room(self, above: float | Floats) -> Task:
        """Return the task with so much room above the tip for paths, mm, for all of it or for each node."""
        room = np.full_like(self.ground.room, above)
        tube = self.tube.copy()
        tube[1] = room.max()
        return replace(self, ground=self.ground._replace(room=room), tube=tube)

    def aiming(self, limit: Floats, left: Floats) -> Task:
        """Return the task with another limit, −∞ where a node does not count, and with what stands before."""
        return replace(self, aim=self.aim._replace(limit=limit, most=blocks(limit)), left=left)


def finishing_task(
    target: Heightfield,
    region: Region,
    shape: Profile,
    scallop: float,
    tolerance: float,
    step: float,
    finest: Cutter | None = None,
) -> Task:
    """Return what has to be finished by a cutter (parameters as for `plan_finishing`)."""
    kept_off = wider(shape, ROUNDING * step)
    # the same search upside down: it tells as well which node each tip touches
    under, touch = reach_grid_source(-target.heights, profile_table(kept_off, target.pitch))
    tip = target.with_heights(-under).cropped(region)
    heights, source = reach_grid_source(tip.heights, profile_table(shape, target.pitch))
    reach = tip.with_heights(heights)
    steep = _steepness(reach)
    limit = heights + _aimed(source, scallop) * steep
    promise = heights + np.float32(scallop) * steep
    if finest is not None:
        best = reachable_inside(target, region, finest)
        promise = best.heights + np.float32(scallop) * _steepness(best)
        limit = _shared(limit, reach, source, scallop, best)
    form, kept_form = (np.array(each, dtype=np.float64) for each in (shape, kept_off))
    above = min(tolerance, ROOM * scallop)
    room = np.full(target.heights.shape, above, dtype=np.float32)
    ground = Ground(
        target.heights, blocks(target.heights), touch, room, target.pitch, *target.origin, kept_form
    )
    aim = Aim(limit, blocks(limit), tip.pitch, *tip.origin, form)
    bulge = 8 * shape.corner_radius * (DEPTH - CLOSER)
    how = np.array([step, target.pitch, SAG, max(2 * step, min(0.01, scallop / 5)), bulge])
    tube = np.array([BELOW, above, DEPTH, CLOSER])
    left = np.full_like(heights, np.inf)
    return Task(tip, reach, source.ravel(), target.window(region), ground, aim, how, tube, promise, left)


def _steepness(surface: Heightfield) -> Floats:
    """Return how much longer a distance normal to a surface is when measured straight up."""
    return np.sqrt(1 + surface.slope() ** 2).astype(np.float32)


def _shared(
    limit: Floats, reach: Heightfield, source: npt.NDArray[np.int32], scallop: float, finest: Heightfield
) -> Floats:
    """Return the limits of a cutter after which finer ones come: strict where it finishes, else wide."""
    steep = _steepness(finest)
    gap = reach.heights - finest.heights
    strict = finest.heights + _aimed(source, scallop) * steep
    return np.where(gap <= SERVED * scallop * steep, strict, np.maximum(limit, reach.heights + EASED))


def _aimed(source: npt.NDArray[np.int32], scallop: float) -> Floats:
    """Return the scallop to aim at for each node: less in creases, where much may stand between two nodes."""
    served = np.bincount(source.ravel(), minlength=source.size)[source]
    share = np.where(served >= CREASE, np.float32(CREASE_MARGIN), np.float32(MARGIN))
    return share * np.float32(scallop)


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
    over = _carved(task, path) - task.aim.limit
    marked = np.zeros(over.size, dtype=np.bool_)
    marked[task.source[((over > 0) & (over <= room.max())).ravel()]] = True
    reach = math.ceil(NEAR * spacing / task.tip.pitch)
    marked = ndimage.maximum_filter(marked.reshape(over.shape), 2 * reach + 1)
    room[task.inside][marked] = tight
    return task.with_room(room)


def _share_of_samples(task: Task, path: Points) -> float:
    """Return how many vertices a path has for each half pitch of its 3-D length."""
    length = float(np.nansum(np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))))
    return len(path) * task.tip.pitch / 2 / length


def _carved(task: Task, path: Points) -> Floats:
    """Return what a path leaves at the relief's nodes of what stands there before."""
    aim, carved = task.aim, task.left.copy()
    points = path - (aim.x, aim.y, 0.0)
    sweep(carved, aim.pitch, aim.shape, np.ascontiguousarray(points[:-1]), np.ascontiguousarray(points[1:]))
    return carved


def repaired(task: Task, path: Points, spacing: float) -> tuple[Points, Flags]:
    """Return the path with runs that finish what it leaves too high, and which vertices that touched."""
    runs, ends = missed_runs(task, path, spacing)
    if not len(ends):
        return path, np.zeros(len(path), dtype=np.bool_)
    parts = _sections(path, 2 * task.aim.shape[3] + 2 * WINDOW * spacing)
    lengths = np.diff(ends, prepend=0)
    home = _nearest(parts, runs[ends - lengths, :2])
    touched = [np.zeros(len(part), dtype=np.bool_) for part in parts]

    def bring(first: int, last: int) -> None:
        for number in range(first, last):
            own = home == number
            if own.any():
                parts[number], touched[number] = _brought(
                    task, parts[number], runs[np.repeat(own, lengths)], np.cumsum(lengths[own]), spacing
                )

    in_bands(bring, len(parts), 1)
    for before, after in pairwise(touched):
        before[-1] |= after[0]
    return joined(parts), np.concatenate([touched[0][:1], *(part[1:] for part in touched)])


def _brought(
    task: Task, path: Points, runs: Points, ends: npt.NDArray[np.int64], spacing: float
) -> tuple[Points, Flags]:
    """Return a path with runs brought in, and which vertices that touched."""
    near = np.nanmin(path[:, :2], axis=0)
    cells = np.floor((np.nanmax(path[:, :2], axis=0) - near) / spacing) + 1
    frame = np.array([*near, spacing, *cells])
    brought: tuple[Points, Flags] = bring_in(task.ground, path, runs, ends, frame, task.how, task.tube)
    return brought


def _nearest(sections: list[Points], places: Points) -> npt.NDArray[np.intp]:
    """Return for each place the number of the section whose box is nearest."""
    away = np.empty((len(sections), len(places)))
    for number, part in enumerate(sections):
        low, high = np.nanmin(part[:, :2], axis=0), np.nanmax(part[:, :2], axis=0)
        away[number] = np.hypot(*np.maximum(np.maximum(low - places, places - high), 0).T)
    nearest: npt.NDArray[np.intp] = np.argmin(away, axis=0)
    return nearest


def missed_runs(task: Task, path: Points, spacing: float) -> tuple[Points, npt.NDArray[np.int64]]:
    """Return runs that finish what a path leaves too high: their vertices, and where each ends in these."""
    aim, carved = task.aim, _carved(task, path)
    short = (carved > aim.limit) & np.isfinite(aim.limit)
    places = np.flatnonzero(short).astype(np.int32)
    if not len(places):
        return np.empty((0, 3)), np.empty(0, dtype=np.int64)
    leftover = ((carved - task.reach.heights) / (aim.limit - task.reach.heights)).ravel()
    order = places[np.argsort(-leftover[places], kind="stable")]
    done = np.where(short, 0, 1).astype(np.uint8).ravel()
    head, following = np.full((2, done.size), -1, dtype=np.int32)
    # a run visits tips within a radius of its nodes and finishes what is a radius further: strips with one
    # between them share nothing, so these may be done at once; higher ones break fewer runs
    least = math.ceil((4 * aim.shape[3] + 2 * GROWTH * spacing) / aim.pitch) + 2
    rows = max(TALL * least, -(-len(short) // SECTIONS))
    strips = [order[order // (rows * short.shape[1]) == k] for k in range(-(-len(short) // rows))]
    found = [(np.empty((0, 3)), np.empty(0, dtype=np.int64))] * len(strips)

    def grow(number: int) -> None:
        found[number] = grow_runs(
            task.ground, aim, task.tip.heights, task.source, strips[number], leftover, done, head, following,
            GROWTH * spacing, task.how, task.tube,
        )  # fmt: skip

    _every_second(grow, len(strips))
    before = np.cumsum([0, *(len(runs) for runs, _ in found)])
    ends = [own + first for (_, own), first in zip(found, before, strict=False)]
    return np.concatenate([runs for runs, _ in found]), np.concatenate(ends)


def shortened(task: Task, path: Points, touched: Flags, spacing: float) -> Points:
    """Return the path without the detours and the vertices that it can do without."""
    limits = np.array([WINDOW, GAIN, CLOSE]) * spacing
    path = split(task.ground, path, touched, SPLIT * spacing, task.how, DEPTH)
    counts = np.zeros(task.aim.limit.size, dtype=np.uint16)
    parts = _sections(path, 2 * task.aim.shape[3] + 2 * limits[0])
    covered = [(np.empty(0, dtype=np.int32), np.empty((0, 2), dtype=np.int64))] * len(parts)

    def count(number: int) -> None:
        covered[number] = cover(task.aim, parts[number], counts)

    def cut_short(number: int) -> None:
        nodes, spans = covered[number]
        target = (task.ground, task.aim, task.source)
        parts[number] = shorten(*target, parts[number], nodes, spans, counts, limits, task.how, task.tube)

    # sections with one between them share no node, so these may be done at once
    _every_second(count, len(parts))
    _every_second(cut_short, len(parts))
    return joined(parts)


def joined(parts: list[Points]) -> Points:
    """Return the path whose parts each begin with the last vertex of the one before."""
    return np.concatenate([parts[0][:1], *(part[1:] for part in parts)])


def _every_second(work: Callable[[int], None], count: int) -> None:
    """Call `work` for every even number below `count`, several at a time, and then for every odd one."""
    for numbers in (range(0, count, 2), range(1, count, 2)):
        in_bands(partial(_each, work, numbers), len(numbers), 1)


def _each(work: Callable[[int], None], numbers: Sequence[int], low: int, high: int) -> None:
    for number in numbers[low:high]:
        work(number)


def _sections(path: Points, apart: float) -> list[Points]:
    """Return the path in sections such that no two with one between them come nearer than `apart` mm.

    Each begins with the last vertex of the one before.
    """
    count = SECTIONS if len(path) > LONG else 1
    while count > 2:
        cuts = np.linspace(0, len(path) - 1, count + 1).astype(int)
        sections = [path[low : high + 1] for low, high in pairwise(cuts)]
        if _clear(sections[::2], apart) and _clear(sections[1::2], apart):
            return sections
        count //= 2
    return [path]


def _clear(sections: list[Points], apart: float) -> bool:
    """Return whether the boxes of all sections are at least `apart` mm from each other."""
    boxes = [(np.nanmin(part[:, :2], axis=0), np.nanmax(part[:, :2], axis=0)) for part in sections]
    return all(
        bool(np.any(np.maximum(a[0] - b[1], b[0] - a[1]) >= apart))
        for k, a in enumerate(boxes)
        for b in boxes[:k]
    )


def _toolpath(
    path: Points, clearance: float, left: Heightfield | None = None, shape: Points | None = None
) -> Toolpath:
    """Return a toolpath that comes down on each cut of a path, follows it and goes up again."""
    gaps = np.flatnonzero(np.isnan(path[:, 0]))
    cuts = np.split(path[~np.isnan(path[:, 0])], gaps - np.arange(len(gaps)))
    if left is None or shape is None:
        return Toolpath.join([_entered(cut, clearance) for cut in cuts if len(cut)])
    standing = Ground(left.heights, blocks(left.heights), *UNTRACED, left.pitch, *left.origin, shape)
    return from_cut_to_cut([cut for cut in cuts if len(cut)], left, standing, clearance)


def from_cut_to_cut(cuts: list[Points], left: Heightfield, standing: Ground, clearance: float) -> Toolpath:
    """Return a toolpath that goes from cut to cut no higher than what stood before asks for."""
    points, kinds = [np.array([[*cuts[0][0, :2], clearance]])], [np.array([RAPID])]
    for cut in cuts:
        here, start = points[-1][-1], cut[0]
        a, b = ((float(x), float(y)) for x, y in (here[:2] - left.origin, start[:2] - left.origin))
        over = link_height(left.heights, left.pitch, a, b, float(standing.shape[3]) + SIDE_GAP)
        height = max(float(here[2]), min(over + GAP, clearance), float(start[2]))
        touch = exact_tip(standing, start[0], start[1], untouched())
        way, rapids = hop(here, start, height, min(max(touch, float(start[2])) + GAP, height))
        moves, of_each = entered(cut)
        points += [way, moves]
        kinds += [rapids, of_each]
    points.append(np.array([[*points[-1][-1, :2], clearance]]))
    kinds.append(np.array([RAPID]))
    return Toolpath(np.concatenate(points), np.concatenate(kinds).astype(np.uint8))


def _entered(cut: Points, clearance: float) -> Toolpath:
    points, kinds = entered(cut)
    above, after = [*cut[0, :2], clearance], [*cut[-1, :2], clearance]
    return Toolpath(
        np.concatenate([[above], points, [after]]), np.concatenate([[RAPID], kinds, [RAPID]]).astype(np.uint8)
    )


def entered(cut: Points) -> tuple[Points, Kinds]:
    """Return a cut's vertices, none twice in a row, and the moves to them: straight down at plunge feed."""
    cut = cut[np.concatenate([[True], np.any(np.diff(cut, axis=0) != 0, axis=1)])]
    level = np.all(np.diff(cut[:, :2], axis=0) == 0, axis=1)
    falls = level & (np.diff(cut[:, 2]) < 0)
    return cut, np.concatenate([[PLUNGE], np.where(falls, PLUNGE, CUT)]).astype(np.uint8)
