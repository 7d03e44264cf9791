"""Roughing: its time against what the cutter could do at best, judged from program text that was read back.

`pytest tests/benchmarks/test_roughing.py --benchmark-only -s` prints a table: `ratio` is the time over
removed volume ÷ (stepdown × stepover × feed), the volume being what the text really takes from the stock;
`least` what no plan in layers and straight passes goes below (`roughing_bound`): by load and feed, with the
turns, and with the bends along Z; `air` the share of the time in moves that take nothing; `bends` the share
that speeding up and slowing down costs in cuts; `left` how much stands over the target for the finishing
cutter, mm: mean and the highest hundredth. Starter shop (its first machine), default job but for the sizes.
RELIEF_FULL=1: half the pitch, and other materials.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, replace

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from relief.carving import carve_stock, deepest_cut, rapid_contact
from relief.cutters import profile
from relief.heightfield import Heightfield
from relief.job import Job
from relief.kernels.sweep import depths_in_turn
from relief.operations import job_operations
from relief.plans import roughing_plan
from relief.program.read import read_program
from relief.progress import Silent
from relief.sections import Relief, Roughing
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.texts import write_programs
from relief.timing import move_seconds
from tests import fields
from tests.benchmarks.roughing_bound import Least, least_seconds

FULL = bool(os.environ.get("RELIEF_FULL"))
PITCH = 0.1 if FULL else 0.2
# mm: what a move takes at most, and still counts as air.
AIR = 0.02
# mm deep and mm between nodes of the larger ones; the smaller are 6 mm deep.
LARGE = {200.0: (8.0, PITCH), 300.0: (12.0, 0.25), 400.0: (16.0, 0.3)}
# Ratio and share of air at most; walls, ridges and short passes cost more than level ground.
MOST = {
    ("plane", 120.0): (1.1, 0.02),
    ("dome", 120.0): (1.15, 0.04),
    ("plaque", 120.0): (1.3, 0.09),
    ("plaque", 200.0): (1.14, 0.06),
    ("waves", 120.0): (1.33, 0.09),
    ("terrain", 120.0): (1.35, 0.06),
    ("terrain", 200.0): (1.34, 0.06),
    ("terrain", 300.0): (1.3, 0.07),
    ("terrain", 400.0): (1.27, 0.07),
    ("photograph", 120.0): (1.6, 0.11),
}
# On the finer grid passes go to and fro in shorter wedges.
FINER = (1.06, 0.06) if FULL else (1.0, 0.0)
MATERIALS = ("softwood", "hardwood", "MDF", "foam XPS", "acrylic", "aluminium") if FULL else ("softwood",)


def surface(name: str, size: float) -> Heightfield:
    """Return a field of `size` mm."""
    depth, pitch = LARGE.get(size, (6.0, PITCH))
    if name == "plane":
        return fields.plane(size, size * 0.75, pitch, at=-depth)
    if name == "dome":
        return fields.dome(size * 0.37, depth, size, size, pitch)
    if name == "plaque":
        return fields.plaque((-depth, -depth * 2 / 3, -depth / 3, 0.0), size, size * 0.75, pitch)
    if name == "waves":
        return fields.band_limited(7, size, size * 0.8, pitch, depth=depth, shortest=size / 5)
    if name == "terrain":
        return fields.terrain(size, depth, pitch)
    return fields.photograph(width=size, depth=depth, pitch=pitch)


@dataclass(frozen=True)
class Judged:
    """What a roughing is worth."""

    ratio: float
    air: float
    bends: float
    seconds: float
    volume: float
    passes: int
    entries: int
    deepest: float
    contact: float
    left: float
    high: float
    least: Least


def judged(setup: Setup) -> Judged:
    """Rough by text that was read back; measure time, volume and what is left."""
    operation = job_operations(setup)[0]
    plan = roughing_plan(operation, setup, (), Silent())
    assert plan.feeds
    moves = read_program(write_programs([plan], setup, Silent())[0].text)
    stock, cutter = setup.stock, operation.cutter
    carved = carve_stock(stock, moves, cutter)
    volume = float((stock.heights - carved.heights).sum(dtype=np.float64)) * stock.pitch**2
    seconds = move_seconds(moves, setup.machine)
    taken = depths_in_turn(
        stock.heights.copy(), stock.pitch, np.array(profile(cutter)),
        moves.points[:-1] - (*stock.origin, 0.0), moves.points[1:] - (*stock.origin, 0.0),
    )  # fmt: skip
    air = moves.rapid | ~(taken > AIR)
    length = np.linalg.norm(np.nan_to_num(np.diff(moves.points, axis=0)), axis=1)
    cruise = np.where(moves.rapid, seconds, length / np.maximum(moves.feed, 1e-9) * 60)
    section, material = setup.job.roughing, setup.material
    rate = (section.stepdown or material.stepdown * cutter.diameter) * (
        section.stepover or material.stepover * cutter.diameter
    )
    over = (carved.heights - setup.target.heights)[setup.target.window(setup.region)]
    total = float(seconds.sum())
    ideal = volume / (rate * plan.feeds.cut / 60)
    return Judged(
        total / ideal,
        float(seconds[air].sum()) / total,
        float((seconds - cruise)[~air].sum()) / total,
        total,
        volume,
        int((np.abs(np.diff(np.sign(np.diff(moves.points[:, :2], axis=0)).sum(axis=1))) > 1).sum()),
        int((moves.rapid[:-1] & ~moves.rapid[1:]).sum()),
        deepest_cut(stock, moves, cutter).depth,
        rapid_contact(stock, moves, cutter).depth,
        float(over.mean()),
        float(np.quantile(over, 0.99)),
        Least(*(least / ideal for least in least_seconds(setup, volume, plan.feeds.cut))),
    )


@pytest.mark.parametrize("material", MATERIALS)
@pytest.mark.parametrize(("name", "size"), MOST)
def test_roughing_time(benchmark: BenchmarkFixture, name: str, size: float, material: str) -> None:
    """Time over the ideal, air, and that no cut is deeper than the rule and no rapid meets stock."""
    shop = Shop.read(None)
    job = Job(name, material=material, relief=Relief(margin=10.0), roughing=Roughing())
    setup = lay_out(job, shop, surface(name, size))
    begin = time.process_time()
    found = benchmark.pedantic(judged, (setup,), rounds=1)
    print(
        f"\n{name} {size:.0f} mm, {material}: ratio {found.ratio:.2f}"
        f" (least {', '.join(f'{part:.2f}' for part in found.least)})  air {found.air:.1%}"
        f"  bends {found.bends:.1%}  {found.seconds / 60:.1f} min  {found.volume / 1000:.1f} cm3"
        f"  {found.passes} passes  {found.entries} entries  left {found.left:.2f}, {found.high:.2f}"
        f"  judged in {time.process_time() - begin:.1f} s"
    )
    rule = setup.material.stepdown * setup.roughing_cutter.diameter
    assert found.deepest <= rule + 0.05  # what `deepest_cut` may tell too much
    assert found.contact <= 0.001
    if material == "softwood":
        ratio, air = MOST[name, size]
        assert found.ratio <= ratio * FINER[0]
        assert found.air <= air + FINER[1]


def test_planning_speed(benchmark: BenchmarkFixture) -> None:
    """The time to plan 2000 × 2000 nodes (1000 × 1000 unless RELIEF_FULL=1), after compiling."""
    shop = Shop.read(None)
    small = lay_out(Job("plane"), shop, fields.plane())
    roughing_plan(job_operations(small)[0], small, (), Silent())
    side = 200.0 if FULL else 100.0
    setup = lay_out(replace(Job("terrain"), relief=Relief(margin=10.0)), shop, fields.terrain(side, 8.0, 0.1))
    plan = benchmark.pedantic(roughing_plan, (job_operations(setup)[0], setup, (), Silent()), rounds=1)
    nodes = setup.target.rows * setup.target.columns
    seconds = benchmark.stats.stats.median
    print(f"\nplanning {nodes / 1e6:.1f} million nodes: {seconds:.2f} s, {len(plan.toolpath.points)} points")
