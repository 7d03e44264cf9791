"""The least time that roughing in layers and straight passes could take by the rules it keeps to.

Every place of the tip where a layer has more to take than it may leave is passed once, at the distance of
the layer's passes: those are as wide as the rule of load allows, and no wider than lets the axis stand over
cut ground. Nothing else is counted: no way through air, no ramp, no slot, no pass along a wall, no feed
given away in levels. What is counted is what no plan of that kind gets around:

- load: depth × width × feed stays at stepdown × stepover × the chosen feed, and the feed at what the axes do
  (and `feeds.MOST_FASTER`);
- turns: the machine stops and starts where a pass ends, and goes over to the next one;
- bends: along its passes the cutter follows the ground, and Z has to speed up and slow down.

Time of motion is that of the judge (`relief.timing`), whose formulas are tested apart. The least of both
directions, and of the plan's own layers and even ones, is taken.
"""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Iterator
from typing import NamedTuple
from unittest import mock

import numpy as np

from relief.feeds import MOST_FASTER
from relief.moves import Moves
from relief.operations import job_operations
from relief.planning import roughing
from relief.planning.ground import Ground, Rules
from relief.planning.passes import eased
from relief.planning.slices import HALF, Slice
from relief.plans import roughing_plan
from relief.progress import Silent
from relief.setup import Setup
from relief.timing import move_seconds


class Least(NamedTuple):
    """Seconds at least: by load and feed alone, with the turns, and with the bends along Z as well."""

    load: float
    turns: float
    bends: float


class _Seen(Exception):
    """The plan's ground is known; the plan itself is not asked for."""


def least_seconds(setup: Setup, volume: float, cut: float) -> Least:
    """Return the least time of the roughing of a job.

    Parameters
    ----------
    setup : the job
    volume : mm³ that the plan takes: this one would as well, so it takes no less than that at the full rate
    cut : mm/min, the chosen feed
    """
    ground, rules, layers = _ground(setup)
    count = len(layers)
    even = np.linspace(0.0, layers[-1].floor, count + 1)
    lines = int(HALF * 2 * rules.radius / ground.pitch)
    ways = [layers, [Slice(float(a), float(b), lines) for a, b in itertools.pairwise(even)]]
    found = [
        _least(view, rules, way, setup, cut)
        for view in (ground, ground.turn())
        for way in ways
        if max(each.above - each.floor for each in way) <= rules.stepdown
    ]
    full = volume / (rules.stepdown * rules.stepover * cut / 60)
    least = [max(part, full) for part in np.min(found, axis=0)]
    return Least(*(float(part) for part in least))


def _ground(setup: Setup) -> tuple[Ground, Rules, list[Slice]]:
    """Return the ground that the job's roughing is planned on, its rules and layers."""
    known: list[tuple[Ground, Rules, list[Slice]]] = []
    whole = roughing._layers

    def seen(ground: Ground, rules: Rules) -> list[Slice]:
        known.append((ground, rules, whole(ground, rules)))
        raise _Seen

    with mock.patch.object(roughing, "_layers", seen), contextlib.suppress(_Seen):
        roughing_plan(job_operations(setup)[0], setup, (), Silent())
    return known[0]


def _least(ground: Ground, rules: Rules, layers: list[Slice], setup: Setup, cut: float) -> np.ndarray:
    """Return the three times of the layers, along the rows of a ground."""
    fastest = min(MOST_FASTER * cut, *setup.machine.max_feed[:2])
    total = np.zeros(3)
    for layer in layers:
        wide = layer.lines * ground.pitch
        points, feeds = [], []
        for row, z in _passes(ground, rules, layer):
            x = row[1] * ground.pitch
            depth = layer.above - z
            feed = np.minimum(
                rules.stepdown * rules.stepover / (np.maximum(depth, 1e-6) * wide) * cut, fastest
            )
            total[0] += (np.diff(x) / feed[1:]).sum() * 60
            points.append(np.column_stack([x, np.full(len(x), row[0] * ground.pitch), z])[:: row[2]])
            feeds.append(feed)
        total[1] += _seconds(points, feeds, setup, level=True)
        total[2] += _seconds(points, feeds, setup, level=False)
    return total


def _passes(
    ground: Ground, rules: Rules, layer: Slice
) -> Iterator[tuple[tuple[int, np.ndarray, int], np.ndarray]]:
    """Yield each pass of a layer: row, columns and direction, and the heights of the tip along it."""
    low = ground.domain & (ground.tip < layer.above - rules.thin)
    used = np.flatnonzero(low.any(axis=1))
    for number, row in enumerate(range(int(used[0]), int(used[-1]) + 1, layer.lines)) if used.size else ():
        edges = np.flatnonzero(np.diff(np.pad(low[row], 1).astype(np.int8))).reshape(-1, 2)
        for first, last in edges:
            if last - first < 2:
                continue
            z = np.maximum(ground.tip[row, first:last], layer.floor).astype(np.float64)
            z = eased(z, z + rules.thin, ground.pitch)
            yield (row, np.arange(first, last), -1 if number % 2 else 1), z


def _seconds(points: list[np.ndarray], feeds: list[np.ndarray], setup: Setup, level: bool) -> float:
    """Return the time of passes run one after the other; from one to the next only a step across counts."""
    total = 0.0
    for k, (way, feed) in enumerate(zip(points, feeds, strict=True)):
        aside = way[-1] if k + 1 == len(points) else np.array([way[-1][0], points[k + 1][0][1], way[-1][2]])
        whole = np.vstack([way, aside])
        if level:
            whole[:, 2] = 0.0
        moved = np.append(True, (np.diff(whole, axis=0) != 0).any(axis=1))
        run = np.append(feed, feed[-1])[moved][1:]
        whole = whole[moved]
        if len(whole) > 1:
            total += float(move_seconds(_moves(whole, run), setup.machine).sum())
    return total


def _moves(points: np.ndarray, feed: np.ndarray) -> Moves:
    count = len(feed)
    return Moves(
        points=points, rapid=np.zeros(count, dtype=bool), feed=feed, rpm=np.ones(count),
        block=np.arange(1, count + 1), blocks=count, dwell=0.0, pauses=(), units="mm", tool=None,
    )  # fmt: skip
