"""Carving: swept moves per second, on one core and on all, beside plain numpy stamping in the same run.

Run with `pytest tests/benchmarks/test_carving.py --benchmark-only -s`.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from relief.cutters import Profile, profile, profile_table
from relief.kernels import bands
from relief.kernels.sweep import sweep
from relief.kernels.tip import reach_grid, tip_grid
from relief.shop.records import Cutter
from tests.fields import terrain

PITCH = 0.1
EVERY = 3  # nodes between neighbouring lines: 0.3 mm, a scallop of 0.007 mm of the 1/8 in ball
CUTTERS = {
    "ball 1/8 in": Cutter(kind="ball", diameter=3.175),
    "flat 1/8 in": Cutter(kind="flat", diameter=3.175),
    "bull 1/8 in": Cutter(kind="bull", diameter=3.175, tip_radius=0.5),
    "taper 1 mm": Cutter(kind="taper", diameter=6.0, tip_radius=0.5, angle=14.0),
}


def finishing(width: float, shape: Profile) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return a grid of uncut stock and the starts and ends of a raster over terrain, one node a move."""
    field = terrain(width=width, depth=6.0, pitch=PITCH)
    tips = tip_grid(field.heights, profile_table(shape, PITCH))[::EVERY]
    x = np.broadcast_to(field.x, tips.shape).copy()
    y = np.broadcast_to(field.y[::EVERY, None], tips.shape)
    x[1::2], tips[1::2] = x[1::2, ::-1], tips[1::2, ::-1]
    points = np.column_stack([x.ravel(), y.ravel(), tips.ravel().astype(np.float64)])
    return np.zeros_like(field.heights), points[:-1].copy(), points[1:].copy()


def stamped(c: np.ndarray, shape: Profile, starts: np.ndarray, ends: np.ndarray) -> None:
    """Lower `c` by numpy slices, the cutter's table set down at both ends of each move: not exact."""
    table = profile_table(shape, PITCH)
    k = table.shape[0] // 2
    wide = np.pad(c, k, constant_values=np.inf)
    for x, y, z in np.stack([starts, ends], axis=1).reshape(-1, 3):
        i, j = round(x / PITCH), round(y / PITCH)
        under = wide[j : j + 2 * k + 1, i : i + 2 * k + 1]
        np.minimum(under, table + np.float32(z), out=under)


def seconds(work: Callable[[], object], rounds: int = 5) -> float:
    """Return the median time of a call."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


@pytest.mark.parametrize("name", sorted(CUTTERS))
def test_swept_moves(benchmark: BenchmarkFixture, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Terrain, one-node moves: moves per second and thread, and how many times that of numpy stamping."""
    shape = profile(CUTTERS[name])
    stock, starts, ends = finishing(80.0, shape)
    array = np.array(shape, dtype=np.float64)
    plain = seconds(lambda: stamped(stock.copy(), shape, starts[:4000], ends[:4000])) / 4000
    all_cores = seconds(lambda: sweep(stock.copy(), PITCH, array, starts, ends)) / len(starts)
    monkeypatch.setattr(bands, "core_count", lambda: 1)
    benchmark.pedantic(
        lambda: sweep(stock.copy(), PITCH, array, starts, ends), rounds=5, iterations=1, warmup_rounds=1
    )
    one = benchmark.stats.stats.median / len(starts)
    benchmark.extra_info.update(moves_per_second_one_core=1 / one, ratio_to_numpy=plain / one)
    print(
        f"\n{name}: {len(starts):,} moves on {stock.shape[1]} x {stock.shape[0]} nodes: "
        f"{1 / one:,.0f} moves/s on one core, {1 / all_cores:,.0f} on all; "
        f"numpy stamping {1 / plain:,.0f}; "
        f"ratio {plain / one:.0f} on one core, {plain / all_cores:.0f} on all"
    )


def test_terrain_job(benchmark: BenchmarkFixture) -> None:
    """A 200 mm relief at 0.1 mm, finished by a 1/8 in ball: seconds to carve it."""
    shape = profile(CUTTERS["ball 1/8 in"])
    stock, starts, ends = finishing(200.0, shape)
    array = np.array(shape, dtype=np.float64)
    benchmark.pedantic(
        lambda: sweep(stock.copy(), PITCH, array, starts, ends), rounds=5, iterations=1, warmup_rounds=1
    )
    took = benchmark.stats.stats.median
    print(f"\n{len(starts):,} moves on {stock.shape[1]} x {stock.shape[0]} nodes: {took:.2f} s")


@pytest.mark.parametrize("length", [0.05, 0.5, 100.0])
def test_length_of_moves(benchmark: BenchmarkFixture, length: float) -> None:
    """20 m of level cuts in moves of any length: the cost goes with the area swept, not with samples."""
    shape = np.array(profile(CUTTERS["ball 1/8 in"]), dtype=np.float64)
    along = np.arange(0.0, 100.0 + length / 2, length)
    lines = np.arange(0.0, 100.0, 0.5)
    points = np.stack(np.broadcast_arrays(along, lines[:, None], np.float64(-1.0)), axis=-1)
    starts = np.ascontiguousarray(points[:, :-1].reshape(-1, 3))
    ends = np.ascontiguousarray(points[:, 1:].reshape(-1, 3))
    stock = np.zeros((1000, 1000), dtype=np.float32)
    benchmark.pedantic(
        lambda: sweep(stock.copy(), PITCH, shape, starts, ends), rounds=5, iterations=1, warmup_rounds=1
    )
    took = benchmark.stats.stats.median
    print(f"\n{len(starts):,} moves of {length} mm, {len(lines) * 0.1:.0f} m: {took:.3f} s")


@pytest.mark.parametrize("every", [3, 12])
@pytest.mark.parametrize("diameter", [3.175, 12.7])
def test_lattice_points(
    benchmark: BenchmarkFixture, monkeypatch: pytest.MonkeyPatch, diameter: float, every: int
) -> None:
    """Tips on the nodes of every third or twelfth row of terrain: points per second and thread.

    Points of a lattice need no sweep: what they leave is the erosion of their grid, +∞ where no tip stands.
    """
    shape = profile(Cutter(kind="ball", diameter=diameter))
    table = profile_table(shape, PITCH)
    tips = tip_grid(terrain(width=400.0, depth=12.0, pitch=PITCH).heights, table)
    lattice = np.full_like(tips, np.inf)
    lattice[::every] = tips[::every]
    j, i = np.nonzero(np.isfinite(lattice))
    few = np.column_stack([i * PITCH, j * PITCH, lattice[j, i].astype(np.float64)])[:4000]
    plain = seconds(lambda: stamped(np.zeros_like(tips), shape, few, few)) / 8000
    monkeypatch.setattr(bands, "core_count", lambda: 1)
    benchmark.pedantic(reach_grid, (lattice, table), rounds=5, iterations=1, warmup_rounds=1)
    one = benchmark.stats.stats.median / len(j)
    benchmark.extra_info.update(points_per_second_one_core=1 / one, ratio_to_numpy=plain / one)
    print(
        f"\nball {diameter} mm, every {every} rows of {tips.shape[1]} x {tips.shape[0]} nodes: "
        f"{1 / one / 1e6:.2f} M lattice points/s on one core; numpy stamping {1 / plain:,.0f}; "
        f"ratio {plain / one:.0f}"
    )


def test_few_more_moves(benchmark: BenchmarkFixture) -> None:
    """Ten more moves on 4000 x 4000 carved nodes: milliseconds, for these alone."""
    shape = np.array(profile(CUTTERS["ball 1/8 in"]), dtype=np.float64)
    carved = np.full((4000, 4000), -1.0, dtype=np.float32)
    x = np.linspace(10.0, 390.0, 10)
    starts = np.column_stack([x, x, np.full(10, -1.2)])
    ends = starts + np.array([0.1, 0.0, 0.0])
    benchmark(lambda: sweep(carved, PITCH, shape, starts, ends))
    print(f"\n10 moves on 4000 x 4000 nodes: {1e3 * benchmark.stats.stats.median:.2f} ms")
