"""Tip and reachable surfaces beside scipy's grey morphology, in one run.

`pytest tests/benchmarks/test_tip.py --benchmark-only -s`, with RELIEF_FULL=1 for a cutter 127 nodes across on
4000 × 4000 nodes (some minutes, nearly all of it scipy's). scipy is timed once, on whole rows of eight cutter
widths, where its borders no longer count, and its time taken in proportion to the rows.
"""

from __future__ import annotations

import math
import os
import time

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import ndimage

from relief.cutters import Profile, profile_table
from relief.kernels.tip import reach_grid, reach_grid_source, tip_at, tip_grid
from tests.fields import terrain

FULL = bool(os.environ.get("RELIEF_FULL"))
NODES, ACROSS = (4000, 127) if FULL else (1000, 63)
PITCH = 0.1
RADIUS = (ACROSS - 1) / 2 * PITCH
SHAPES = {
    "ball": Profile(0.0, RADIUS, math.inf, RADIUS),
    "flat": Profile(RADIUS - PITCH / 2, 0.0, math.inf, RADIUS - PITCH / 2),
    "vee": Profile(0.0, 0.1, 1 / math.tan(math.radians(30)), RADIUS),
}


def ground() -> np.ndarray:
    """Return NODES × NODES of real ground, a tenth as deep as it is wide: steeper than most reliefs."""
    heights = terrain(width=NODES * PITCH * 1.2, depth=NODES * PITCH / 10, pitch=PITCH).heights
    return np.ascontiguousarray(heights[:NODES, :NODES])


def scipy_seconds(operation: object, z: np.ndarray, table: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the time that scipy would take for all of z, and its answer for the rows it did."""
    rows = min(8 * len(table), len(z))
    inside = np.isfinite(table)
    below = np.where(inside, -table, 0.0)
    begin = time.perf_counter()
    answer = operation(z[:rows], footprint=inside, structure=below)
    return (time.perf_counter() - begin) * len(z) / rows, answer


def report(benchmark: BenchmarkFixture, what: str, scipy: float) -> None:
    """Print the ratio of one run."""
    ours = benchmark.stats.stats.median
    benchmark.extra_info["ratio"] = scipy / ours
    sizes = f"{ACROSS} nodes across, {NODES} × {NODES}"
    print(f"\n{what}, {sizes}: {ours:.3f} s, scipy {scipy:.1f} s, {scipy / ours:.0f} ×")


def inner(z: np.ndarray, rows: int) -> np.ndarray:
    """Return the part of a grid that no border touches."""
    return z[ACROSS : rows - ACROSS, ACROSS:-ACROSS]


@pytest.mark.parametrize("kind", SHAPES)
def test_tip(benchmark: BenchmarkFixture, kind: str) -> None:
    """The tip surface: the ratio to scipy.ndimage.grey_dilation, which finds the same to the last bit."""
    z, table = ground(), profile_table(SHAPES[kind], PITCH)
    tip = benchmark.pedantic(tip_grid, (z, table), rounds=5, warmup_rounds=1)
    scipy, answer = scipy_seconds(ndimage.grey_dilation, z, table)
    assert np.array_equal(inner(answer, len(answer)), inner(tip, len(answer)))
    report(benchmark, f"tip surface, {kind}", scipy)


@pytest.mark.parametrize("kernel", [reach_grid, reach_grid_source])
def test_reach(benchmark: BenchmarkFixture, kernel: object) -> None:
    """The reachable surface, without and with the tip position that leaves each node, to grey_erosion."""
    table = profile_table(SHAPES["ball"], PITCH)
    tip = tip_grid(ground(), table)
    result = benchmark.pedantic(kernel, (tip, table), rounds=5, warmup_rounds=1)
    reach = result[0] if isinstance(result, tuple) else result
    scipy, answer = scipy_seconds(ndimage.grey_erosion, tip, table)
    assert np.array_equal(inner(answer, len(answer)), inner(reach, len(answer)))
    report(benchmark, f"{kernel.__name__}, ball", scipy)


@pytest.mark.parametrize("across", [32, 127])
@pytest.mark.parametrize("kind", SHAPES)
def test_tip_at(benchmark: BenchmarkFixture, kind: str, across: int) -> None:
    """Tip heights at single points along winding passes: points per second."""
    z, scale = ground(), across / ACROSS
    shape = np.array(SHAPES[kind]) * [scale, scale, 1.0, scale]
    x = np.tile(np.linspace(0, (NODES - 1) * PITCH, 5000), 40)
    y = np.repeat(np.linspace(0, (NODES - 1) * PITCH, 40), 5000) + np.sin(x)
    benchmark.pedantic(tip_at, (z, PITCH, shape, x, y), rounds=5, warmup_rounds=1)
    rate = len(x) / benchmark.stats.stats.median
    print(f"\ntip_at, {kind}, {across} nodes across: {rate / 1e6:.2f} M points/s")
