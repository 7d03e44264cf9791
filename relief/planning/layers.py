"""Cutting along rings: layer by layer with ramped entries, over tabs, and once along the wall."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from itertools import pairwise
from operator import itemgetter
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import shapely
from shapely.ops import substring

from relief.errors import PlanError
from relief.planning.outline import Floats, Gap, Ring, gap_at
from relief.planning.shares import Cell, gaps_beyond
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath

# A ramp to and fro that takes more legs than this has no room.
MOST_LEGS = 500


@dataclass(frozen=True)
class Rules:
    """What every pass keeps to.

    Parameters
    ----------
    radius : mm, of the cutter
    levels : mm, heights of the layers, falling
    tab_top : mm, height of the tabs' tops
    slope : fall over run of the steepest ramp
    allowance : mm, left on the wall for the last pass
    clearance : mm, height of rapids
    step : mm, the lattice that the program text can express
    """

    radius: float
    levels: tuple[float, ...]
    tab_top: float
    slope: float
    allowance: float
    clearance: float
    step: float

    @property
    def flare(self) -> float:
        """How much earlier than the layers the wall pass stops at a tab, mm."""
        return flare(self.radius, self.allowance)


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


# A place of a tab, or a stretch that is another tile's.
Mark = float | Gap


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

    def over_to(self, xy: npt.ArrayLike, z: float) -> None:
        """Go to a place by rapids at a height."""
        self.lift(z, RAPID)
        self.to(xy, z, RAPID)

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


def cut_contour(contour: Contour, rules: Rules, tab_width: float, cell: Cell | None = None) -> Toolpath:
    """Cut one ring in layers, then its wall: all of it, or what of it is a tile's."""
    gap = tab_width + 2 * rules.radius
    wall, clear = contour.wall, contour.clear
    marks = _marks(contour, gap + 2 * rules.flare, cell, rules) if cell else contour.tabs
    if marks is None:
        return Toolpath.join([])
    # which way the layers run is the same for all tiles
    if clear is None or not _aligned(contour, clear, {*contour.tabs, *marks}, gap, rules):
        return cut_ring(wall, tuple(_on_wall(mark, wall, gap) for mark in marks), rules)
    gaps = tuple(_beside(mark, wall, clear, gap, rules) for mark in marks)
    way = Way(clear.at(gaps[0].end if gaps else 0.0), rules)
    _cut_layers(way, clear, gaps, rules)
    if gaps:
        wall_gaps = tuple(_on_wall(mark, wall, gap + 2 * rules.flare) for mark in marks)
        _cut_wall_between_tabs(way, wall, wall_gaps, clear, gaps, rules)
    else:
        _cut_whole_wall(way, wall, clear, rules)
    return way.toolpath(rules)


def _marks(contour: Contour, wide: float, cell: Cell, rules: Rules) -> tuple[Mark, ...] | None:
    """Return the tabs of a tile and the gaps beyond it, in order; None where nothing of the wall is its."""
    wall = contour.wall
    over = [gap_at(wall, place, wide) for place in contour.tabs]
    beyond = gaps_beyond(wall, over, cell, rules.radius, rules.flare)
    if not beyond:
        return None if beyond is None else contour.tabs
    own = [
        place
        for place in contour.tabs
        if not any((place - gap.start) % wall.length < gap.end - gap.start for gap in beyond)
    ]
    first = beyond[0].start
    starts: list[tuple[float, Mark]] = [((place - first) % wall.length, place) for place in own]
    starts += [((gap.start - first) % wall.length, gap) for gap in beyond]
    return tuple(mark for _, mark in sorted(starts, key=itemgetter(0)))


def _on_wall(mark: Mark, wall: Ring, gap: float) -> Gap:
    return mark if isinstance(mark, Gap) else gap_at(wall, mark, gap)


def _beside(mark: Mark, wall: Ring, clear: Ring, gap: float, rules: Rules) -> Gap:
    """Return the gap on the clear ring that lies beside a mark on the wall."""
    if not isinstance(mark, Gap):
        return gap_at(clear, clear.nearest(wall.at(mark)), gap)
    start = clear.nearest(wall.at(mark.start + rules.flare))
    end = clear.nearest(wall.at(mark.end - rules.flare))
    return Gap(start, start + (end - start) % clear.length, beyond=True)


def _aligned(contour: Contour, clear: Ring, marks: Collection[Mark], gap: float, rules: Rules) -> bool:
    """Tell whether every gap on the wall reaches a little beyond its fellow on the clear ring, at both ends.

    In tight bends it may not; there the layers run along the wall itself.
    """
    most, wall = 3 * rules.flare, contour.wall
    for mark in marks:
        wall_gap = _on_wall(mark, wall, gap + 2 * rules.flare)
        beside = _beside(mark, wall, clear, gap, rules)
        after = (wall_gap.end - wall.nearest(clear.at(beside.end))) % wall.length
        before = (wall.nearest(clear.at(beside.start)) - wall_gap.start) % wall.length
        if max(after, before) > most:
            return False
    return True


def flare(radius: float, allowance: float) -> float:
    """Return how much earlier than the layers the wall pass stops at a tab, mm.

    Shifted toward the wall by the allowance a, a round cutter of radius R would take a crescent off the tab's
    end at full depth. Where it stands √(2 R a − a²) further off, the crescent lies in what is cleared.
    """
    return math.sqrt(max(2 * radius * allowance - allowance**2, 0.0))


def cut_ring(along: Ring, gaps: tuple[Gap, ...], rules: Rules) -> Toolpath:
    """Cut along one ring in layers, with the given gaps."""
    way = Way(along.at(gaps[0].end if gaps else 0.0), rules)
    _cut_layers(way, along, gaps, rules)
    return way.toolpath(rules)


def _cut_layers(way: Way, along: Ring, gaps: tuple[Gap, ...], rules: Rules) -> None:
    """Go round a ring layer by layer; over tabs, no deeper than their tops."""
    if not gaps or not gaps[0].beyond:
        way.lift(0.0, PLUNGE)
    place = gaps[0].end if gaps else 0.0
    above = 0.0
    for level in rules.levels:
        kept = tuple(gap for gap in gaps if gap.beyond or level < rules.tab_top)
        if kept:
            if not kept[0].beyond:
                turned = (kept[0].end - place) % along.length
                way.along(along.between(place, place + turned), way.z)
            _cut_between_gaps(way, along, kept, above, level, rules)
            place = kept[0].end
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


def _cut_between_gaps(
    way: Way, along: Ring, gaps: tuple[Gap, ...], above: float, level: float, rules: Rules
) -> None:
    """Cut one layer between gaps, from the end of the first and back to it.

    Behind each gap the cutter goes down through what the layer above has cleared, ramps on along the ring,
    turns back to the gap to take away the ramp, and goes on to the next: tabs have upright ends.
    """
    for gap, following in zip(gaps, (*gaps[1:], gaps[0]), strict=True):
        start, end = gap.end, gap.end + (following.start - gap.end) % along.length
        if gap.beyond:
            way.over_to(along.at(start), rules.clearance)
        way.lift(min(way.z, above), PLUNGE)
        _ramp_to_and_fro(way, along.between(start, end), level, rules)
        way.along(along.between(start, end), level)
        if following.beyond:
            way.lift(rules.clearance, RAPID)
            continue
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
        if gap.beyond:
            way.over_to(clear.at(gaps[k].end), rules.clearance)
        elif k:  # before the first, the layers have ended on the clear ring
            way.along(aside[::-1], way.z)
        way.to(clear.at(gaps[k].end), way.z)
        way.lift(level, PLUNGE)
        way.along(aside, level)
        way.along(wall.between(gap.end, gap.end + (following.start - gap.end) % wall.length), level)
        if following.beyond:
            way.along(_slide(wall, clear, following.start, rules.flare, leaving=True), level)
            way.lift(rules.clearance, RAPID)
            continue
        way.lift(rules.tab_top, CUT)
        way.along(wall.between(following.start, following.end), rules.tab_top)
