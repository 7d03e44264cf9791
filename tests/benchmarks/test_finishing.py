"""Finishing: how short the path is, and what it leaves, judged from program text that was read back.

`pytest tests/benchmarks/test_finishing.py --benchmark-only -s` runs five surfaces with one ball and one
scallop; RELIEF_FULL=1 runs all forty cases (five surfaces × two balls × four scallops, 601 nodes a side, some
minutes). Beside each stand passes of constant distance (the stepover of a plane, and the same × the cosine
of the steepest slope below 75°) and partial mid-lines: passes a stepover apart, halved again and again where
neighbouring curves of ball middles lie further apart in 3-D, which bounds no ridge in creases. `length` is
3-D cutting length over the yardstick; `worst` and `over` the highest ridge over the scallop and the share of
nodes above it (walls steeper than 75° apart); `fine` the same share on a grid twice as fine, which the
planner never saw: a pitch above twice the scallop cannot certify it. `blocks` come with their share of the
samples, one for each half pitch of 3-D length.
"""

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import ndimage

from relief.carving import carve_stock
from relief.cutters import profile
from relief.heightfield import Heightfield
from relief.kernels.finish import traces
from relief.measures import WALL_ANGLE, scallop_figures, scallop_heights, wall_nodes
from relief.moves import Moves
from relief.planning import finishing
from relief.planning.finishing import plan_finishing
from relief.planning.spacing import stepover
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_surface, tip_surface
from relief.timing import program_seconds
from relief.toolpath import RAPID, Toolpath
from tests import fields

FULL = bool(os.environ.get("RELIEF_FULL"))
SIDE = 60.0 if FULL else 30.0
BALLS = (3.175, 6.35) if FULL else (3.175,)
SCALLOPS = (0.01, 0.025, 0.05, 0.1) if FULL else (0.05,)
FEED = 2000.0  # mm/min, for every move: times are compared, not promised
APART = 8.0  # mm: partial lines nearer than this are linked over the surface
# Most of the length over its yardstick; small pieces have more edges, and are given a pass along two of them.
MOST = {"hemisphere": 1.15, "ramp": 1.06, "terrain": 1.4, "photograph": 1.4, "plaque": 1.12}


def surface(name: str, pitch: float) -> Heightfield:
    """Return one of the five surfaces, SIDE mm wide."""
    if name == "hemisphere":
        return fields.dome(SIDE * 0.37, width=SIDE, length=SIDE, pitch=pitch)
    if name == "ramp":
        return fields.ramp(30, SIDE, SIDE, pitch, turn_deg=20)
    if name == "terrain":
        return fields.terrain(SIDE, SIDE / 10, pitch)
    if name == "photograph":
        return fields.photograph(width=SIDE, depth=SIDE / 12, pitch=pitch, smooth=SIDE / 60)
    return fields.plaque((-6.0, -4.0, -2.0, 0.0), SIDE * 2, SIDE * 1.5, pitch)


@dataclass(frozen=True)
class Judged:
    """What a path is worth."""

    length: float
    worst: float
    over: float
    fine: float
    gouge: float
    seconds: float
    blocks: int
    rapids: int


def judged(field: Heightfield, cutter: Cutter, toolpath: Toolpath, scallop: float) -> Judged:
    """Write a path as text, read it back, carve from that and measure."""
    machine = Shop.read(None).machine("benchtop router")
    feed = np.where(toolpath.kinds == RAPID, 0.0, FEED)
    text = write_program(
        toolpath, feed, ProgramHead("test", "finishing", cutter.name, "-", "-", 10000.0), machine
    )
    moves = read_program(text)
    worst, over, deepest = left(field, cutter, moves, scallop)
    _, fine, _ = left(finer(field), cutter, moves, scallop)
    return Judged(
        moves.cutting_length(), worst, over, fine, deepest, program_seconds(moves, machine), moves.blocks,
        int(moves.rapid.sum()),
    )  # fmt: skip


def left(field: Heightfield, cutter: Cutter, moves: Moves, scallop: float) -> tuple[float, float, float]:
    """Return the worst ridge over the scallop, the share of nodes above it, and the gouge."""
    stock = field.with_heights(np.full_like(field.heights, 1.0))
    carved = carve_stock(stock, moves, cutter)
    best = field.with_heights(reachable_surface(field, cutter))
    figures = scallop_figures(scallop_heights(carved, best), wall_nodes(best), scallop)
    return figures.max / scallop, 1 - figures.within, max(0.0, float((field.heights - carved.heights).max()))


def finer(field: Heightfield) -> Heightfield:
    """Return the field on a grid of half its pitch, linear between its nodes."""
    rows, columns = field.heights.shape
    at = np.meshgrid(
        np.linspace(0, rows - 1, 2 * rows - 1), np.linspace(0, columns - 1, 2 * columns - 1), indexing="ij"
    )
    return Heightfield(ndimage.map_coordinates(field.heights, at, order=1), field.pitch / 2)


def constant(field: Heightfield, cutter: Cutter, spacing: float) -> Toolpath:
    """Return passes along X at one distance, forth and back on the exact tip."""
    y = np.linspace(0, field.length, math.ceil(field.length / spacing - 1e-9) + 1)
    x = np.tile([0.0, field.width, field.width, 0.0], len(y) // 2 + 1)[: 2 * len(y)]
    return along(field, cutter, [np.column_stack([x, np.repeat(y, 2)])])


def mid_lines(field: Heightfield, cutter: Cutter, spacing: float) -> Toolpath:
    """Return passes along X with partial ones between them, wherever 3-D distances ask for these."""
    tip = tip_surface(field, cutter)
    step = max(round(spacing / field.pitch), 1)
    rows = [*range(0, field.rows - 1, step), field.rows - 1]
    runs = [(row, 0, field.columns - 1) for row in rows]
    waiting = list(pairwise(rows))
    while waiting:
        low, high = waiting.pop()
        if high - low < 2:
            continue
        middle = (low + high) // 2
        far = np.hypot((high - low) * field.pitch, tip[high] - tip[low]) > spacing
        edges = np.flatnonzero(np.diff(np.concatenate([[0], far.astype(np.int8), [0]])))
        runs += [(middle, int(i), int(j) - 1) for i, j in edges.reshape(-1, 2)]
        if far.any():
            waiting += [(low, middle), (middle, high)]
    cuts: list[list[tuple[float, float]]] = []
    for number, row in enumerate(sorted({run[0] for run in runs})):
        back = bool(number % 2)
        for _, i, j in sorted((run for run in runs if run[0] == row), reverse=back):
            ends = [(i * field.pitch, row * field.pitch), (j * field.pitch, row * field.pitch)]
            ends = ends[::-1] if back else ends
            if cuts and math.dist(cuts[-1][-1], ends[0]) <= APART:
                cuts[-1] += ends
            else:
                cuts.append(ends)
    return along(field, cutter, [np.array(cut) for cut in cuts])


def along(field: Heightfield, cutter: Cutter, cuts: list[np.ndarray]) -> Toolpath:
    """Return the exact path through the corners of each cut, with a retract between cuts."""
    task = finishing.finishing_task(field, field.region, profile(cutter), 0.01, 0.001, 0.001)
    parts = traces(task.ground, [np.round(cut, 3) for cut in cuts], task.how, task.tube)
    gap = np.full((1, 3), np.nan)
    return finishing._toolpath(np.concatenate([row for part in parts for row in (part, gap)][:-1]), 5.0)


@pytest.mark.parametrize("scallop", SCALLOPS)
@pytest.mark.parametrize("diameter", BALLS)
@pytest.mark.parametrize("name", MOST)
def test_path_and_ridges(benchmark: BenchmarkFixture, name: str, diameter: float, scallop: float) -> None:
    """The scallop holds at every node, nothing gouges, and the path is near its yardstick."""
    field, cutter = surface(name, 0.1), Cutter("ball", diameter)
    begin = time.perf_counter()
    plan = benchmark.pedantic(plan_finishing, (field, field.region, cutter, scallop), rounds=1)
    planning = time.perf_counter() - begin
    spacing = stepover(diameter / 2, scallop)
    slope = field.with_heights(tip_surface(field, cutter)).slope()
    steepest = min(math.atan(float(slope.max())), WALL_ANGLE)
    flat = judged(field, cutter, constant(field, cutter, spacing), scallop)
    worst = judged(field, cutter, constant(field, cutter, max(spacing * math.cos(steepest), 0.1)), scallop)
    middle = judged(field, cutter, mid_lines(field, cutter, spacing), scallop)
    ours = judged(field, cutter, plan.toolpath, scallop)
    ratio = ours.length / plan.yardstick
    print(f"\n{name}, ball {diameter} mm, scallop {scallop} mm, {field.rows} × {field.columns}:", end=" ")
    print(f"{planning:.1f} s")
    for label, of in (("ours", ours), ("flat stepover", flat), ("worst slope", worst), ("mid-lines", middle)):
        print(
            f"  {label:14} length {of.length / plan.yardstick:5.2f}  worst {of.worst:6.2f}"
            f"  over {of.over:7.3%}  fine {of.fine:7.3%}  gouge {of.gouge:.4f}"
            f"  {of.seconds / 60:5.1f} min ({of.seconds / ours.seconds:4.2f})  {of.blocks} blocks"
            f" ({of.blocks * field.pitch / 2 / of.length:.1%} of samples)"
        )
    benchmark.extra_info["path_ratio"] = ratio

    assert ours.worst <= 1.0
    assert ours.over == 0.0
    assert ours.gouge <= 0.005
    assert ours.rapids <= 2 + 35 * (SIDE / 120) ** 2
    if 2 * scallop >= field.pitch:
        assert ours.fine <= (0.01 if name == "plaque" else 0.005)  # its walls have no place of their own
    assert ratio <= MOST[name] + (0.0 if FULL else 2 * spacing / SIDE)
    if name == "terrain" and scallop == 0.05:
        assert ours.blocks * field.pitch / 2 <= 0.155 * ours.length


def test_planning_speed(benchmark: BenchmarkFixture) -> None:
    """The time to plan 2000 × 2000 nodes (500 × 500 unless RELIEF_FULL=1), after compiling."""
    side = 200.0 if FULL else 50.0
    small = fields.dome(pitch=0.25)
    cutter = Cutter("ball", 3.175)
    plan_finishing(small, small.region, cutter, 0.1)
    field = fields.photograph(width=side, depth=8.0, pitch=0.1, smooth=1.0)
    plan = benchmark.pedantic(plan_finishing, (field, field.region, cutter, 0.05), rounds=1)
    seconds = benchmark.stats.stats.median
    nodes = field.rows * field.columns
    print(
        f"\nplanning {field.rows} × {field.columns}: {seconds:.1f} s, {1e6 * seconds / nodes:.2f} µs a node"
    )
    print(f"  path_ratio {plan.length / plan.yardstick:.3f}, {len(plan.toolpath.points)} points")
