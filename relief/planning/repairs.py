"""Repairs: what a path leaves too high gets a visit, and every detour that is needless is cut short.

Each node that falls short gets a visit by the exact tip position that finishes it; visits grow into runs, and
runs are brought into the path where leaving it costs least. Then whatever the simulation shows to be needless
is left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.kernels.bands import in_bands
from relief.kernels.cover import grow_runs
from relief.kernels.route import bring_in, cover, shorten, split
from relief.planning.task import DEPTH, Flags, Floats, Points, Task, what_is_left

SECTIONS = 16  # of the path, at most, that are worked on side by side …
LONG = 1000  # … if it has more vertices than this
TALL = 3  # times as high as needed are the strips whose repairs are grown side by side

# In stepovers of a plane:
GROWTH = 0.5  # how far a repair run looks for its next vertex
SPLIT = 0.5  # distance of the vertices that a long piece gets beside a detour
WINDOW = 2.0  # longest part of the path that is replaced at once
GAIN = 0.05  # least length that a replacement must save
CLOSE = 0.6  # how far beside the ideal tip position a replacement may pass


class Runs(NamedTuple):
    """Repair runs.

    Parameters
    ----------
    vertices : (n, 3) mm, of all of them
    ends : (runs,) where each ends in these
    worst : (runs,) the highest ridge that each is for, over the one that is aimed at
    """

    vertices: Points
    ends: npt.NDArray[np.int64]
    worst: Floats

    def parts(self) -> list[Points]:
        """Return the vertices of each run."""
        return np.split(self.vertices, self.ends[:-1])

    def costs(self, spacing: float) -> Points:
        """Return the length of each run, mm, and of a stepover to get there."""
        if not len(self.ends):
            return np.empty(0)
        steps = np.sqrt((np.diff(self.vertices, axis=0, prepend=np.nan) ** 2).sum(axis=1))
        starts = self.ends - np.diff(self.ends, prepend=0)
        steps[starts] = spacing
        return np.add.reduceat(steps, starts)


def repaired(task: Task, path: Points, spacing: float) -> tuple[Points, Flags]:
    """Return the path with runs that finish what it leaves too high, and which vertices that touched."""
    return brought_in(task, path, missed_runs(task, path, spacing), spacing)


def brought_in(task: Task, path: Points, missed: Runs, spacing: float) -> tuple[Points, Flags]:
    """Return the path with runs, each brought in by the part of it that is nearest, and what that touched."""
    runs, ends, _ = missed
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


def missed_runs(task: Task, path: Points, spacing: float) -> Runs:
    """Return runs that finish what a path leaves too high."""
    aim, carved = task.aim, what_is_left(task, path)
    short = (carved > aim.limit) & np.isfinite(aim.limit)
    places = np.flatnonzero(short).astype(np.int32)
    if not len(places):
        return Runs(np.empty((0, 3)), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.float32))
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
    runs, of_runs = np.concatenate([runs for runs, _ in found]), np.concatenate(ends)
    return Runs(runs, of_runs, _worst(task, runs, of_runs, places, leftover[places]))


def _worst(
    task: Task,
    runs: Points,
    ends: npt.NDArray[np.int64],
    places: npt.NDArray[np.int32],
    heights: Floats,
) -> Floats:
    """Return the highest ridge for each run, at nodes given by place that its vertices leave at best."""
    rows, columns = task.aim.limit.shape
    highest = np.zeros(rows * columns, dtype=np.float32)
    np.maximum.at(highest, task.source[places], heights)
    i, j = (np.rint((runs[:, axis] - task.aim[3 + axis]) / task.aim.pitch).astype(int) for axis in (0, 1))
    at = np.clip(j, 0, rows - 1) * columns + np.clip(i, 0, columns - 1)
    found: Floats = np.maximum.reduceat(highest[at], ends - np.diff(ends, prepend=0))
    return found


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


def path_length(path: Points) -> float:
    """Return the 3-D length of a path, mm; rows of NaN part it."""
    return float(np.nansum(np.sqrt((np.diff(path, axis=0) ** 2).sum(axis=1))))


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
