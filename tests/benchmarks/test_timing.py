"""Time of a million blocks, and of holding the whole rack against a relief of a million nodes.

Run with `pytest tests/benchmarks/test_timing.py --benchmark-only -s`; both print processor seconds, so that
other work on the machine does not count.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from relief.compare import compare
from relief.firstrun import compile_kernels
from relief.job import job_from_source
from relief.kernels.motion import motion
from relief.progress import Silent
from relief.shop.load import Shop

BLOCKS = 1_000_000
DEMO = Path(__file__).parents[2] / "demo_images"


def test_a_million_blocks(benchmark: BenchmarkFixture) -> None:
    """A wiggling path of a million short blocks, look-ahead included: under a second on one core."""
    rng = np.random.default_rng(5)
    turns = np.cumsum(rng.normal(0, 0.1, BLOCKS))
    climbs = rng.normal(0, 0.02, BLOCKS)
    steps = 0.3 * np.column_stack([np.cos(turns), np.sin(turns), climbs])
    zeros, feed, stop = np.zeros(BLOCKS), np.full(BLOCKS, 40.0), np.zeros(BLOCKS, dtype=bool)
    limits, grip = np.array([80.0, 80.0, 30.0]), np.array([400.0, 400.0, 200.0])

    def timed() -> float:
        taken = np.zeros(BLOCKS)
        motion(steps, feed, stop, limits, grip, 0.01, zeros.copy(), zeros.copy(), np.zeros(BLOCKS + 1), taken)
        return float(taken.sum())

    timed()
    began = time.process_time()
    benchmark.pedantic(timed, rounds=3)
    print(f"\n{BLOCKS} blocks: {(time.process_time() - began) / 3:.2f} processor seconds")


@pytest.mark.parametrize("name", ["sunflower", "scallop_shell", "garden_rows"])
def test_the_rack_against_a_million_nodes(benchmark: BenchmarkFixture, name: str) -> None:
    """The starter rack on a demo picture, a million nodes: under 15 s on two cores."""
    compile_kernels(Silent())
    job = job_from_source(
        DEMO / f"{name}.png", {"relief.width": 120.0, "relief.length": 120.0, "output.pitch": 0.12}
    )
    began = time.process_time()
    found = benchmark.pedantic(compare, (job, Shop.read(None), Silent()), rounds=1)
    spent = time.process_time() - began
    print(f"\n{name}: {spent:.1f} processor seconds, on two cores at least {spent / 2:.1f} s")
    assert len(found.finishing) == 10
