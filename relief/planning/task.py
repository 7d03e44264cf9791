"""What a finishing has to finish, and the ground on which its paths are traced."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from relief.cutters import ROUNDING, Profile, profile_table, wider
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.kernels.cover import Aim
from relief.kernels.finish import Ground, blocks
from relief.kernels.sweep import sweep
from relief.kernels.tip import reach_grid_source
from relief.shop.records import Cutter
from relief.surfaces import reachable_inside
from relief.units import format_length

Points = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]
Flags = npt.NDArray[np.bool_]

SAG = 0.0006  # mm: how deep a traced chord may cut into the target …
BELOW = 0.0008  # … how deep below samples of the tip a move is planned at first …
CLOSER = 0.0005  # … and where it then cuts more than is allowed …
DEPTH = 0.001  # … to any move of the finished path
MARGIN = 0.995  # of the scallop is aimed at, so that rounding cannot exceed it
CREASE = 4  # nodes left by one tip position: there the cutter touches two places at once …
BETWEEN = 0.1  # … and as much of the grid's pitch is taken off the scallop, for what stands between nodes …
LEAST_AIM = 0.8  # … but no more than leaves this share of it …
UPRIGHT, FOOT_AIM = 2.4, 0.5  # … or this, at the foot of what is so many times as long as seen from above
ROOM = 0.1  # of the scallop at most may be spent on having fewer blocks
SERVED = 0.5  # scallops: where a cutter's reach stands no higher than this over the finest's, it finishes
EASED = 0.3  # mm: what it may leave over its own reach elsewhere, since a finer cutter comes there

UNTRACED = np.zeros((0, 0), np.int32), np.zeros((0, 0), np.float32)  # where nothing is traced, only met


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
    """Return what has to be finished by a cutter (parameters as for `plan_finishing`).

    Raises
    ------
    PlanError
        A cutter that touches no node where it stands in the middle of four.
    """
    _refuse_falling_between(target, shape)
    kept_off = wider(shape, ROUNDING * step)
    # the same search upside down: it tells as well which node each tip touches
    under, touch = reach_grid_source(-target.heights, profile_table(kept_off, target.pitch))
    tip = target.with_heights(-under).cropped(region)
    heights, source = reach_grid_source(tip.heights, profile_table(shape, target.pitch))
    reach = tip.with_heights(heights)
    steep = _steepness(reach)
    aimed = _aimed(source, steep, scallop, target.pitch)
    limit = heights + aimed * steep
    promise = heights + np.float32(scallop) * steep
    if finest is not None:
        best = reachable_inside(target, region, finest)
        promise = best.heights + np.float32(scallop) * _steepness(best)
        limit = _shared(limit, reach, aimed, scallop, best)
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


def _refuse_falling_between(target: Heightfield, shape: Profile) -> None:
    if shape.radius > target.pitch * math.sqrt(0.5):
        return
    message = (
        f"a cutter {format_length(2 * shape.radius)} thick would fall between the heights, which lie"
        f" {format_length(target.pitch)} apart; take a thicker one, or heights closer together"
    )
    raise PlanError(message)


def _steepness(surface: Heightfield) -> Floats:
    """Return how much longer a distance normal to a surface is when measured straight up."""
    return np.sqrt(1 + surface.slope() ** 2).astype(np.float32)


def _shared(limit: Floats, reach: Heightfield, aimed: Floats, scallop: float, finest: Heightfield) -> Floats:
    """Return the limits of a cutter after which finer ones come: strict where it finishes, else wide."""
    steep = _steepness(finest)
    gap = reach.heights - finest.heights
    strict = finest.heights + aimed * steep
    return np.where(gap <= SERVED * scallop * steep, strict, np.maximum(limit, reach.heights + EASED))


def _aimed(source: npt.NDArray[np.int32], steep: Floats, scallop: float, pitch: float) -> Floats:
    """Return the scallop to aim at for each node: less in creases, where much may stand between two nodes.

    A wall whose foot is missed by a little stands whole between them.
    """
    served = np.bincount(source.ravel(), minlength=source.size)[source]
    creased = max(min(scallop - BETWEEN * pitch, MARGIN * scallop), LEAST_AIM * scallop)
    foot = np.where(steep > UPRIGHT, np.float32(FOOT_AIM * scallop), np.float32(creased))
    return np.where(served >= CREASE, foot, np.float32(MARGIN * scallop))


def what_is_left(task: Task, path: Points) -> Floats:
    """Return what a path leaves at the relief's nodes of what stands there before."""
    aim, carved = task.aim, task.left.copy()
    points = path - (aim.x, aim.y, 0.0)
    sweep(carved, aim.pitch, aim.shape, np.ascontiguousarray(points[:-1]), np.ascontiguousarray(points[1:]))
    return carved
