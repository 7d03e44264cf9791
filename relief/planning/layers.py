"""Cutting along rings: layer by layer with ramped entries, over tabs, and once along the wall."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from shapely.ops import substring

from relief.errors import PlanError
from relief.planning.outline import Floats, Gap, Ring, gap_at
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath

# A ramp to and fro that takes more legs than this has no room.
MOST_LEGS = 500


@dataclass(frozen=True)
class Rules:
    """What every pass keeps to.

    Parameters
    ----------
    radius : mm, of the cutter
    top : mm, where the stock begins
    levels : mm, heights of the layers, falling
    tab_top : mm, height of the tabs' tops
    slope : fall over run of the steepest ramp
    allowance : mm, left on the wall for the last pass
    clearance : mm, height of rapids
    step : mm, the lattice that the program text can express
    """

    radius: float
    top: float
    levels: tuple[float, ...]
    tab_top: float
    slope: float
    allowance: float
    clearance: float
    step: float


class Contour(NamedTuple):
    """One wall to be cut.

    Parameters
    ----------
    wall : way of the axis along the finished wall, the part on its right
    clear : the same with the allowance left on; None: the layers run along the wall itself
    hole : whether it is a hole's
    tabs : places of the tabs on `wall`
    """

    wall: Ring
    clear: Ring | None
    hole: bool
    tabs: tuple[float, ...]


class Way:
    """Collects positions on the lattice; moves that go nowhere are left out."""

    def __init__(self, start: npt.ArrayLike, rules: Rules) -> None:
        self.step = rules.step
        x, y = self._snapped(start)
        self.points = [(x, y, rules.clearance)]
        self.kinds = [RAPID]

    @property
    def z(self) -> float:
        """Height reached, mm."""
        return self.points[-1][2]

    def _snapped(self, xy: npt.ArrayLike) -> tuple[float, float]:
        x, y = np.rint(np.asarray(xy) / self.step) * self.step
        return float(x), float(y)

    def to(self, xy: npt.ArrayLike, z: float, kind: int = CUT) -> None:
        """Go straight to a position."""
        point = (*self._snapped(xy), z)
        if point != self.points[-1]:
            self.points.append(point)
            self.kinds.append(kind)

    def lift(self, z: float, kind: int) -> None:
        """Go straight up or down."""
        self.to(self.points[-1][:2], z, kind)

    def along(self, line: Floats, z: float) -> None:
        """Follow a line at one height."""
        for point in line:
            self.to(point, z)

    def ramp(self, line: Floats, z: float, slope: float) -> float | None:
        """Follow a line downhill until `z` is reached; return the length followed, None if it is too short.

        Each move falls by at most slope × its own length, roundings included. Where moves are so short that
        none of them may fall by a step of the lattice, one falls by the step that those on end make up, and
        is fed as a plunge.
        """
        followed, level_run = 0.0, 0.0
        if self.z <= z:
            return followed
        for start, end in pairwise(line):
            run = float(np.hypot(*(end - start)))
            share = min(((self.z - z) / slope + 2 * self.step) / max(run, 1e-12), 1.0)
            here, target = self.points[-1], start + share * (end - start)
            x, y = self._snapped(target)
            moved = math.hypot(x - here[0], y - here[1])
            lowest, kind = self._step_above(self.z - slope * moved), CUT
            level_run = level_run + moved if lowest >= self.z else 0.0
            if slope * level_run >= self.step:
                lowest, kind, level_run = self._step_above(self.z - self.step), PLUNGE, 0.0
            self.to(target, max(z, lowest), kind)
            followed += share * run
            if self.z <= z:
                return followed
        return None

    def _step_above(self, z: float) -> float:
        return math.ceil(z / self.step - 1e-9) * self.step

    def toolpath(self, rules: Rules) -> Toolpath:
        """Return the whole way, ended straight up at clearance height."""
        self.lift(rules.clearance, RAPID)
        return Toolpath(np.array(self.points), np.array(self.kinds, dtype=np.uint8))


def cut_contour(contour: Contour, rules: Rules, tab_width: float) -> Toolpath:
    """Cut one ring in layers, then its wall."""
    gap = tab_width + 2 * rules.radius
    clear = contour.clear
    wall_gaps = tuple(gap_at(contour.wall, place, gap + 2 * flare(rules)) for place in contour.tabs)
    gaps: tuple[Gap, ...] = ()
    if clear:
        gaps = tuple(gap_at(clear, clear.nearest(contour.wall.at(place)), gap) for place in contour.tabs)
    if clear is None or not _aligned(contour.wall, wall_gaps, clear, gaps, rules):
        return cut_ring(contour.wall, tuple(gap_at(contour.wall, p, gap) for p in contour.tabs), rules)
    way = Way(clear.at(gaps[0].end if gaps else 0.0), rules)
    _cut_layers(way, clear, gaps, rules)
    if gaps:
        _cut_wall_between_tabs(way, contour.wall, wall_gaps, clear, gaps, rules)
    else:
        _cut_whole_wall(way, contour.wall, clear, rules)
    return way.toolpath(rules)


def _aligned(
    wall: Ring, wall_gaps: tuple[Gap, ...], clear: Ring, gaps: tuple[Gap, ...], rules: Rules
) -> bool:
    """Tell whether every gap on the wall reaches a little beyond its fellow on the clear ring, at both ends.

    In tight bends it may not; there the layers run along the wall itself.
    """
    most = 3 * flare(rules)
    for wall_gap, gap in zip(wall_gaps, gaps, strict=True):
        after = (wall_gap.end - wall.nearest(clear.at(gap.end))) % wall.length
        before = (wall.nearest(clear.at(gap.start)) - wall_gap.start) % wall.length
        if max(after, before) > most:
            return False
    return True


def flare(rules: Rules) -> float:
    """Return how much earlier than the layers the wall pass stops at a tab, mm.

    Shifted toward the wall by the allowance a, a round cutter of radius R would take a crescent off the tab's
    end at full depth. Where it stands √(2 R a − a²) further off, the crescent lies in what is cleared.
    """
    return math.sqrt(max(2 * rules.radius * rules.allowance - rules.allowance**2, 0.0))


def cut_ring(along: Ring, gaps: tuple[Gap, ...], rules: Rules) -> Toolpath:
    """Cut along one ring in layers, with the given gaps over tabs."""
    way = Way(along.at(gaps[0].end if gaps else 0.0), rules)
    _cut_layers(way, along, gaps, rules)
    return way.toolpath(rules)


def _cut_layers(way: Way, along: Ring, gaps: tuple[Gap, ...], rules: Rules) -> None:
    """Go round a ring layer by layer; over tabs, no deeper than their tops."""
    way.lift(rules.top, PLUNGE)
    place = gaps[0].end if gaps else 0.0
    above = rules.top
    for level in rules.levels:
        if gaps and level < rules.tab_top:
            turned = (gaps[0].end - place) % along.length
            way.along(along.between(place, place + turned), way.z)
            _cut_between_tabs(way, along, gaps, above, level, rules)
            place = gaps[0].end
        else:
            place = _cut_round(way, along, place, level, rules)
        above = level


def _cut_round(way: Way, along: Ring, place: float, level: float, rules: Rules) -> float:
    """Ramp down along the ring, then once round at the new level; return where that ended."""
    need = 1.2 * (way.z - level) / rules.slope + 1.0
    followed = None
    while followed is None:
        followed = way.ramp(along.between(place, place + need), level, rules.slope)
        place += need if followed is None else followed
    way.along(along.between(place, place + along.length), level)
    return place


def _cut_between_tabs(
    way: Way, along: Ring, gaps: tuple[Gap, ...], above: float, level: float, rules: Rules
) -> None:
    """Cut one layer between the tabs, from the end of the first and back to it.

    Behind each tab the cutter goes down through what the layer above has cleared, ramps on along the ring,
    turns back to the tab to take away the ramp, and goes on to the next: tabs have upright ends.
    """
    for gap, following in zip(gaps, (*gaps[1:], gaps[0]), strict=True):
        start, end = gap.end, gap.end + (following.start - gap.end) % along.length
        way.lift(min(way.z, above), PLUNGE)
        _ramp_to_and_fro(way, along.between(start, end), level, rules)
        way.along(along.between(start, end), level)
        way.lift(rules.tab_top, CUT)
        over = following.start + (following.end - following.start)
        way.along(along.between(following.start, over), rules.tab_top)


def _ramp_to_and_fro(way: Way, line: Floats, level: float, rules: Rules) -> None:
    """Ramp down along a line, to and fro as often as it takes, and come back to its start."""
    forth = True
    followed = way.ramp(line, level, rules.slope)
    legs = 1
    while followed is None:
        legs += 1
        if legs > MOST_LEGS:
            message = "there is no room to ramp down between two tabs; ask for fewer or narrower tabs"
            raise PlanError(message)
        forth = not forth
        followed = way.ramp(line if forth else line[::-1], level, rules.slope)
    if forth:
        back = shapely.get_coordinates(substring(shapely.LineString(line), 0.0, followed))[::-1]
    else:
        turned = shapely.LineString(line[::-1])
        back = shapely.get_coordinates(substring(turned, followed, turned.length))
    way.along(back, level)


def _cut_whole_wall(way: Way, wall: Ring, clear: Ring, rules: Rules) -> None:
    """Take the allowance off a wall without tabs: slide in along it, once round, slide out."""
    start = wall.nearest(way.points[-1][:2])
    lead = min(2 * rules.radius, wall.length / 4)
    level = rules.levels[-1]
    way.along(_slide(wall, clear, start, lead), level)
    way.along(wall.between(start + lead, start + lead + wall.length), level)
    way.along(_slide(wall, clear, start + lead, lead, leaving=True), level)


def _slide(wall: Ring, clear: Ring, start: float, lead: float, leaving: bool = False) -> Floats:
    """Return a way along the wall that comes to it from the clear ring bit by bit, or leaves it.

    The way that is left grows with the square of the length: so behind a tab the round cutter stays inside
    what the layers have cleared (see `flare`).
    """
    stops = np.linspace(start, start + lead, 13)
    line = np.vstack([wall.between(a, b)[:-1] for a, b in pairwise(stops)])
    line = np.vstack([line, wall.at(start + lead)[None]])
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    share = run / max(run[-1], 1e-12)
    share = share**2 if leaving else 1 - share**2
    return np.asarray(line + share[:, None] * (clear.closest(line) - line))


def _slide_to(wall: Ring, beside: Floats, end: float) -> tuple[float, float]:
    """Return the place on the wall that lies beside a position, and how far before `end` it lies."""
    lead = (end - wall.nearest(beside)) % wall.length
    return end - lead, lead


def _cut_wall_between_tabs(
    way: Way, wall: Ring, wall_gaps: tuple[Gap, ...], clear: Ring, gaps: tuple[Gap, ...], rules: Rules
) -> None:
    """Take the allowance off the wall at full depth, rising over each tab to finish the wall above it.

    The way down behind a tab is on the clear ring, where the layers have made room.
    """
    level = rules.levels[-1]
    for k in range(len(gaps)):
        gap, following = wall_gaps[k], wall_gaps[(k + 1) % len(gaps)]
        aside = _slide(wall, clear, *_slide_to(wall, clear.at(gaps[k].end), gap.end))
        if k:  # before the first, the layers have ended on the clear ring
            way.along(aside[::-1], way.z)
        way.to(clear.at(gaps[k].end), way.z)
        way.lift(level, PLUNGE)
        way.along(aside, level)
        way.along(wall.between(gap.end, gap.end + (following.start - gap.end) % wall.length), level)
        way.lift(rules.tab_top, CUT)
        way.along(wall.between(following.start, following.end), rules.tab_top)
