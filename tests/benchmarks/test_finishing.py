"""Finishing: how short the path is, and what it leaves, judged from program text that was read back.

`pytest tests/benchmarks/test_finishing.py --benchmark-only -s` runs each surface with one ball and one
scallop; RELIEF_FULL=1 runs all cases (two balls × four scallops, 601 nodes a side, the better part of an
hour). RELIEF_TABLE=FILE adds one line of JSON a case to a file. One row of a table is printed for each:

`ratio` 3-D cutting length over the yardstick; `worst`, `over` the highest ridge over the scallop and the
share of nodes above it on the grid of the plan (walls steeper than 75° apart); `fine` the share above it,
p99.9 and the highest on a grid twice as fine that the planner never saw, where the pitch is at most twice the
scallop: a coarser one cannot certify it, so there a window of the surface is planned and judged at that pitch
(`pitch`, with its own ratio); `gouge` mm, everywhere, walls too; `up` retracts in 120 × 120 mm; `blocks` over
samples, one of these for each half pitch of 3-D length. Then time over that of passes of constant distance
(the stepover of a plane: `flat`, and the same × the cosine of the steepest slope of all, but not closer than
the nodes: `worst slope`) and of partial mid-lines: passes a stepover apart, halved again and again where
neighbouring curves of ball middles lie further apart in 3-D, which bounds no ridge in creases. Below stand
length and ridges of these, and `least`: what plain passes of the yardstick's length would take of their time,
at the mean speed of the flat ones, no visit among them. On a plane passes for its own slope are the shortest
that there are, so no plan takes less than 1.0 of them. The last rows are means over the cases.
Time over `flat` on grain shows what closer passes are worth: visits alone would take it to 2.2.
"""

from __future__ import annotations

import json
import math
import os
import time
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import ndimage

from relief.carving import carve_stock
from relief.cutters import profile
from relief.heightfield import Heightfield
from relief.kernels.finish import traces
from relief.measures import ScallopFigures, scallop_figures, scallop_heights, wall_nodes
from relief.moves import Moves
from relief.planning.cuts import path_to_toolpath
from relief.planning.finishing import plan_finishing
from relief.planning.spacing import stepover
from relief.planning.task import finishing_task
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_surface, tip_surface
from relief.timing import program_seconds
from relief.toolpath import RAPID, Toolpath
from tests import fields

FULL = bool(os.environ.get("RELIEF_FULL"))
TABLE = os.environ.get("RELIEF_TABLE")
SIDE = 60.0 if FULL else 30.0
BALLS = (3.175, 6.35) if FULL else (3.175,)
SCALLOPS = (0.01, 0.025, 0.05, 0.1) if FULL else (0.05,)
FEED = 2000.0  # mm/min, for every move: times are compared, not promised
APART = 8.0  # mm: partial lines nearer than this are linked over the surface
# Most of the length over its yardstick. The way along two edges from pass to pass is not in the yardstick: a
# stepover over a piece's side, which is given where that is half as long.
MOST = {
    "hemisphere": 1.15,
    **dict.fromkeys((f"ramp {angle}" for angle in (15, 30, 45, 60)), 1.06),
    "terrain": 1.4,
    "photograph": 1.4,
    "plaque": 1.12,
    "grain": 1.6,
}
PITCH = 0.1  # mm, of the plan; a scallop below half of it is certified on a window of so many mm a pitch …
WINDOW = 600
GRAIN = 0.02  # mm, of noise from node to node on a plane: where visits to each would double the time
ROWS: list[dict[str, float | str]] = []  # of the table so far
CORNER = (0.2, 0.4)  # … whose middle lies at these shares of width and length


def surface(name: str, pitch: float) -> Heightfield:
    """Return one of the surfaces, SIDE mm wide."""
    if name == "hemisphere":
        return fields.dome(SIDE * 0.37, width=SIDE, length=SIDE, pitch=pitch)
    if name.startswith("ramp"):
        return fields.ramp(float(name[5:]), SIDE, SIDE, pitch, turn_deg=20)
    if name == "terrain":
        return fields.terrain(SIDE, SIDE / 10, pitch)
    if name == "photograph":
        return fields.photograph(width=SIDE, depth=SIDE / 12, pitch=pitch, smooth=SIDE / 60)
    if name == "grain":
        field = fields.plane(SIDE, SIDE, pitch)
        noise = np.random.default_rng(1).standard_normal(field.heights.shape) * GRAIN
        return field.with_heights((field.heights + noise).astype(np.float32))
    return fields.plaque((-6.0, -4.0, -2.0, 0.0), SIDE * 2, SIDE * 1.5, pitch)


def window(name: str, pitch: float) -> Heightfield:
    """Return a part of the same surface, WINDOW nodes a side, near its left edge."""
    whole = surface(name, pitch)
    side = min(WINDOW * pitch, whole.width, whole.length)
    left, near = (
        round(min(max(share * length - side / 2, 0.0), length - side) / pitch)
        for share, length in zip(CORNER, (whole.width, whole.length), strict=True)
    )
    nodes = round(side / pitch) + 1
    return Heightfield(whole.heights[near : near + nodes, left : left + nodes].copy(), pitch)


@dataclass(frozen=True)
class Judged:
    """What a path is worth."""

    length: float
    ridges: ScallopFigures
    gouge: float
    seconds: float
    blocks: int
    rapids: int
    fine: ScallopFigures | None = None

    @property
    def worst(self) -> float:
        """The highest ridge over the scallop."""
        return self.ridges.max / self.ridges.tolerance

    @property
    def over(self) -> float:
        """The share of nodes whose ridges are too high."""
        return 1 - self.ridges.within


def judged(field: Heightfield, cutter: Cutter, toolpath: Toolpath, scallop: float, fine: bool) -> Judged:
    """Write a path as text, read it back, carve from that and measure."""
    machine = Shop.read(None).machine("benchtop router")
    feed = np.where(toolpath.kinds == RAPID, 0.0, FEED)
    text = write_program(
        toolpath, feed, ProgramHead("test", "finishing", cutter.name, "-", "-", 10000.0), machine
    )
    moves = read_program(text)
    ridges, deepest = left(field, cutter, moves, scallop)
    return Judged(
        moves.cutting_length(), ridges, deepest, program_seconds(moves, machine), moves.blocks,
        int(moves.rapid.sum()), left(finer(field), cutter, moves, scallop)[0] if fine else None,
    )  # fmt: skip


def left(field: Heightfield, cutter: Cutter, moves: Moves, scallop: float) -> tuple[ScallopFigures, float]:
    """Return the figures of the ridges, and the gouge."""
    stock = field.with_heights(np.full_like(field.heights, 1.0))
    carved = carve_stock(stock, moves, cutter)
    best = field.with_heights(reachable_surface(field, cutter))
    figures = scallop_figures(scallop_heights(carved, best), wall_nodes(best), scallop)
    return figures, max(0.0, float((field.heights - carved.heights).max()))


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
    task = finishing_task(field, field.region, profile(cutter), 0.01, 0.001, 0.001)
    parts = traces(task.ground, [np.round(cut, 3) for cut in cuts], task.how, task.tube)
    gap = np.full((1, 3), np.nan)
    return path_to_toolpath(np.concatenate([row for part in parts for row in (part, gap)][:-1]), 5.0)


@pytest.mark.parametrize("scallop", SCALLOPS)
@pytest.mark.parametrize("diameter", BALLS)
@pytest.mark.parametrize("name", MOST)
def test_path_and_ridges(benchmark: BenchmarkFixture, name: str, diameter: float, scallop: float) -> None:
    """The scallop holds at every node, nothing gouges, and the path is near its yardstick."""
    field, cutter = surface(name, PITCH), Cutter("ball", diameter)
    begin = time.perf_counter()
    plan = benchmark.pedantic(plan_finishing, (field, field.region, cutter, scallop), rounds=1)
    row: dict[str, float | str] = {"surface": name, "ball": diameter, "scallop": scallop}
    row["planning_s"] = time.perf_counter() - begin
    spacing = stepover(diameter / 2, scallop)
    pitch = min(PITCH, 2 * scallop)
    ours = judged(field, cutter, plan.toolpath, scallop, fine=pitch == PITCH)
    certified, other = ours, plan
    if pitch < PITCH:
        part = window(name, pitch)
        other = plan_finishing(part, part.region, cutter, scallop)
        certified = judged(part, cutter, other.toolpath, scallop, fine=True)
    assert certified.fine is not None
    row |= {
        "ratio": ours.length / plan.yardstick,
        "worst": ours.worst,
        "over": ours.over,
        "pitch": pitch,
        "pitch_ratio": certified.length / other.yardstick,
        "pitch_worst": certified.worst,
        "fine_over": 1 - certified.fine.within,
        "fine_p999": certified.fine.p999 / scallop,
        "fine_max": certified.fine.max / scallop,
        "gouge": max(ours.gouge, certified.gouge),
        "retracts": (ours.rapids - 3) / 2 * 120**2 / (field.width * field.length),
        "blocks": ours.blocks * field.pitch / 2 / ours.length,
        "notes": " ".join(plan.notes),
    }
    slope = field.with_heights(tip_surface(field, cutter)).slope()
    steepest = math.atan(float(slope.max()))
    for label, toolpath in (
        ("flat", constant(field, cutter, spacing)),
        ("worst slope", constant(field, cutter, max(spacing * math.cos(steepest), PITCH))),
        ("mid-lines", mid_lines(field, cutter, spacing)),
    ):
        of = judged(field, cutter, toolpath, scallop, fine=False)
        row |= {
            f"time ÷ {label}": ours.seconds / of.seconds,
            f"{label} ratio": of.length / plan.yardstick,
            f"{label} worst": of.worst,
            f"{label} over": of.over,
        }
        if label == "flat":
            plain = of.seconds / of.length * plan.yardstick
            assert ours.seconds <= 2.2 * of.seconds
        row[f"{label} least"] = plain / of.seconds
    show(row)
    benchmark.extra_info["path_ratio"] = row["ratio"]

    assert ours.worst <= 1.0
    assert ours.over == 0.0
    assert certified.over == 0.0
    assert ours.gouge <= 0.005
    assert (ours.rapids - 3) / 2 <= 35 * (SIDE / 120) ** 2
    assert 1 - certified.fine.within <= 0.005
    assert certified.fine.p999 <= 1.25 * scallop
    assert certified.fine.max <= 2.0 * scallop
    assert ours.length / plan.yardstick <= MOST[name] + (0.0 if FULL else spacing / SIDE)
    for label, most in (("worst slope", 0.35), ("mid-lines", 0.75)) if name != "grain" else ():
        assert row[f"time ÷ {label}"] <= max(most, 1.4 * float(row[f"{label} least"]))
    if name == "terrain" and scallop == 0.05:
        assert ours.blocks * field.pitch / 2 <= 0.155 * ours.length


def show(row: dict[str, float | str]) -> None:
    """Print a case as a row of the table, and keep it: in a file as well where one is asked for."""
    ROWS.append(row)
    n = {key: value for key, value in row.items() if isinstance(value, float)}
    print(
        f"\n{row['surface']!s:11} ball {n['ball']:5.3f} h {n['scallop']:5.3f}: ratio {n['ratio']:5.3f}"
        f"  worst {n['worst']:4.2f} h  over {n['over']:6.3%} | pitch {n['pitch']:4.2f}: ratio"
        f" {n['pitch_ratio']:5.3f}  worst {n['pitch_worst']:4.2f} h  fine over {n['fine_over']:6.3%}"
        f"  p99.9 {n['fine_p999']:4.2f} h  max {n['fine_max']:4.2f} h | gouge {n['gouge']:.4f}"
        f"  up {n['retracts']:2.0f}  blocks {n['blocks']:5.1%}  planned in {n['planning_s']:4.1f} s"
    )
    for label in ("flat", "worst slope", "mid-lines"):
        print(
            f"            time ÷ {label:11} {n[f'time ÷ {label}']:5.2f}   its length"
            f" {n[f'{label} ratio']:5.2f}  worst {n[f'{label} worst']:6.2f} h  over {n[f'{label} over']:7.3%}"
            f"  least {n[f'{label} least']:4.2f}"
        )
    if row["notes"]:
        print(f"            note: {row['notes']}")
    if TABLE:
        with Path(TABLE).open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")


def test_over_all_cases(benchmark: BenchmarkFixture) -> None:
    """The means over the cases before, each kind of surface counting as one; grain, which is none, apart."""
    kinds: dict[str, list[dict[str, float | str]]] = {}
    for row in ROWS:
        kinds.setdefault(str(row["surface"]).split()[0], []).append(row)
    columns = (
        "ratio",
        *(f"time ÷ {label}" for label in ("flat", "worst slope", "mid-lines")),
        "worst slope least",
    )

    def mean(rows: list[dict[str, float | str]]) -> np.ndarray:
        return np.array([[float(row[name]) for name in columns] for row in rows]).mean(axis=0)

    means = benchmark.pedantic(lambda: {kind: mean(rows) for kind, rows in kinds.items()}, rounds=1)
    grain = means.pop("grain", None)
    print(f"\n{'mean of':11} {'  '.join(columns)}")
    for kind, row in (*means.items(), *([("all", np.mean(list(means.values()), axis=0))] if means else [])):
        print(
            f"{kind:11} "
            + "  ".join(f"{each:{len(name)}.2f}" for name, each in zip(columns, row, strict=True))
        )
    if grain is not None:
        print(f"grain: ratio {grain[0]:.2f}")
    if len(means) == 5:
        ratios = [float(row["ratio"]) for row in ROWS if row["surface"] != "grain"]
        assert np.median(ratios) <= 1.2


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
