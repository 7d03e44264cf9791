"""Clamps: boxes that nothing which turns may come near, whatever its height.

A clamp stands on the bed or on the stock and is solid from there to its top. What can meet it is the cutter,
a shank that is wider, and the holder, each from its own height above the tip.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from relief.errors import JobError
from relief.heightfield import Region
from relief.sections import Clamp
from relief.shop.records import Cutter, Machine
from relief.units import Units, format_length

# Planned moves stay this far from a clamp, mm, beside it and above it; the checks stop at half of that.
# Common practice, no source: a clamp is never quite where it was measured.
ROOM = 2.0
LEAST_ROOM = 1.0
# Diameter of a nut or holder that the shop file does not tell, mm: common practice, no source.
UNKNOWN_HOLDER = 60.0
# Further from a clamp than this, a distance is not measured, mm.
FAR = 20.0

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


class Turning(NamedTuple):
    """One part of what turns: its radius, how far above the tip it begins, mm, and what it is called."""

    radius: float
    rise: float
    name: str = ""


def turning_parts(cutter: Cutter) -> tuple[Turning, ...]:
    """Return what turns with a cutter, from the tip up; each part goes on upward without end."""
    name = f'"{cutter.name}"'
    shank = Turning(cutter.shank / 2, cutter.cutting_length, f"the shank of {name}")
    holder = Turning((cutter.holder_diameter or UNKNOWN_HOLDER) / 2, cutter.reach, f"the holder of {name}")
    wider = (shank,) if cutter.shank > cutter.diameter else ()
    return (Turning(cutter.diameter / 2, 0.0, name), *wider, holder)


def named(clamps: Sequence[Clamp]) -> tuple[Clamp, ...]:
    """Return the clamps, each with a name."""
    return tuple(replace(clamp, name=clamp.name or f"clamp {k}") for k, clamp in enumerate(clamps, start=1))


def box(clamp: Clamp) -> Region:
    """Return where a clamp stands."""
    return Region(clamp.x, clamp.y, clamp.x + clamp.width, clamp.y + clamp.length)


def clearance_over(clamps: Sequence[Clamp], machine: Machine) -> float:
    """Return the height of rapids above the stock top, mm: the machine's, or more where a clamp is high."""
    return max([machine.clearance, *(clamp.height + ROOM for clamp in clamps)])


def clearance_note(clamps: Sequence[Clamp], machine: Machine, units: Units) -> tuple[str, ...]:
    """Tell of rapids that run higher than the machine's entry says."""
    height = clearance_over(clamps, machine)
    if height <= machine.clearance:
        return ()
    tallest = max(clamps, key=lambda clamp: clamp.height)
    return (
        f"rapids run {format_length(height, units)} above the stock top, over {tallest.name},"
        f" which stands {format_length(tallest.height, units)} up",
    )


def check_room(
    clamps: Sequence[Clamp],
    shape: BaseGeometry,
    cutter: Cutter,
    *,
    beyond: float,
    z: float,
    what: str,
    units: Units = "mm",
) -> None:
    """Refuse a clamp that stands on a shape or too near to it.

    Parameters
    ----------
    clamps : with their names
    shape : what is cut, in the relief's coordinates
    cutter : what cuts it
    beyond : mm, how far the axis goes past the shape's edge
    z : mm, the deepest position
    what : what the shape is called, e.g. "the relief"
    units : in which a refusal tells lengths

    Raises
    ------
    JobError
        One line names the clamp, the room that it leaves and the room that is needed.
    """
    for clamp in clamps:
        place = box(clamp)
        solid = shapely.box(place.left, place.near, place.right, place.far)
        room = float(shapely.distance(shape, solid))
        widest = widest_beside(cutter, clamp, z)
        needed = beyond + widest.radius + ROOM
        if shape.intersection(solid).area > 0:
            message = f"{clamp.name} stands on {what}; put it on the waste beside it, or name its place anew"
            raise JobError(message)
        if room < needed:
            message = (
                f"{clamp.name} stands {format_length(round(room, 2), units)} from {what}, and"
                f" {widest.name} needs {format_length(round(needed, 2), units)} there;"
                f" move it {format_length(round(needed - room, 2), units)} further away"
            )
            raise JobError(message)


def box_distance(x: Floats, y: Floats, clamp: Clamp) -> Floats:
    """Return how far places are from a clamp as seen from above, mm; 0 under it."""
    place = box(clamp)
    across = np.maximum(np.maximum(place.left - x, x - place.right), 0.0)
    along = np.maximum(np.maximum(place.near - y, y - place.far), 0.0)
    return np.hypot(across, along)


def widest_beside(cutter: Cutter, clamp: Clamp, z: float) -> Turning:
    """Return the widest thing that is lower than a clamp's top with the tip at z, mm; radius 0: nothing."""
    low = [part for part in turning_parts(cutter) if z + part.rise < clamp.height + ROOM]
    return max(low, default=Turning(0.0, 0.0))


def spare_room(points: Floats, cutters: Sequence[Cutter], clamp: Clamp, above: float) -> Floats:
    """Return how far everything that turns stays from a clamp, move by move.

    Parameters
    ----------
    points : (n + 1, 3) mm, the tip; move k goes from row k to row k + 1
    cutters : any of these may be in the spindle
    clamp : Clamp
    above : mm, what is this much higher than the clamp's top does not count

    Returns
    -------
    (n,) mm, seen from above; below 0 where it would be hit; `FAR` where it is further off. A move from a
    place that is not told counts as a hit when it ends lower than the clamp's top.
    """
    spare = np.full(len(points) - 1, FAR)
    for part in {part for cutter in cutters for part in turning_parts(cutter)}:
        np.minimum(spare, _spare_of(points, part, clamp, above), out=spare)
    return spare


def _spare_of(points: Floats, part: Turning, clamp: Clamp, above: float) -> Floats:
    top = clamp.height + above - part.rise
    starts, ends = points[:-1], points[1:]
    spare = np.full(len(starts), FAR)
    told = np.isfinite(starts).all(axis=1) & np.isfinite(ends).all(axis=1)
    spare[~told & (ends[:, 2] < top) & np.isfinite(ends[:, :2]).all(axis=1)] = -part.radius
    low = told & (np.minimum(starts[:, 2], ends[:, 2]) < top)
    reach, place = part.radius + FAR, box(clamp)
    for axis, (least, most) in enumerate(((place.left, place.right), (place.near, place.far))):
        low &= np.minimum(starts[:, axis], ends[:, axis]) < most + reach
        low &= np.maximum(starts[:, axis], ends[:, axis]) > least - reach
    if low.any():
        lines = shapely.linestrings(np.stack(_below(starts[low], ends[low], top), axis=1))
        solid = shapely.box(place.left, place.near, place.right, place.far)
        spare[low] = np.minimum(shapely.distance(lines, solid) - part.radius, FAR)
    return spare


def _below(starts: Floats, ends: Floats, top: float) -> tuple[Floats, Floats]:
    """Return the (n, 2) ends of the part of each move that lies below a height."""
    fall = starts[:, 2] - ends[:, 2]
    share = np.clip((starts[:, 2] - top) / np.where(np.abs(fall) < 1e-9, 1.0, fall), 0.0, 1.0)[:, None]
    crossing = starts + share * (ends - starts)
    first = np.where(starts[:, 2:] > top, crossing, starts)
    last = np.where(ends[:, 2:] > top, crossing, ends)
    return first[:, :2], last[:, :2]


@dataclass(frozen=True)
class KeepOut:
    """What a planner needs to know of the clamps, for one cutter.

    Parameters
    ----------
    clamps : named, in the relief's coordinates, heights above the stock top
    cutter : what turns
    """

    clamps: tuple[Clamp, ...]
    cutter: Cutter

    def blocks(self, start: Sequence[float], end: Sequence[float]) -> bool:
        """Return whether a straight move of the tip comes too near to a clamp; (x, y, z) mm."""
        points = np.array([start, end], dtype=np.float64)
        return any(float(spare_room(points, (self.cutter,), clamp, ROOM)[0]) < ROOM for clamp in self.clamps)

    def masks(self, x: Floats, y: Floats, z: float, wider: float) -> Iterator[tuple[Clamp, Mask, Floats]]:
        """Yield for each clamp where on a grid the tip may not stand, and how far inside that is.

        Parameters
        ----------
        x, y : (columns,), (rows,) mm
        z : mm, the lowest height of the tip
        wider : mm, kept free besides

        Yields
        ------
        clamp, (rows, columns) mask, (rows, columns) mm by which the room falls short
        """
        for clamp in self.clamps:
            radius = widest_beside(self.cutter, clamp, z).radius
            if radius:
                short = radius + ROOM + wider - box_distance(x[None, :], y[:, None], clamp)
                yield clamp, short > 0, short
