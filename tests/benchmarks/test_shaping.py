"""Shaping: every step on 2000 × 2000 pixels, a sheet of looks, and a mesh of 327 680 triangles from above.

Run with `pytest tests/benchmarks/test_shaping.py --benchmark-only -s`. The result of the last round has to be
right. Processor seconds are printed beside the clock's, which other work on the machine stretches; the
figures in brackets are ours to keep on two quiet cores.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh
from PIL import Image
from pytest_benchmark.fixture import BenchmarkFixture
from scipy import ndimage

from relief.gradients import detailed, smoothed, stretched
from relief.job import job_from_source
from relief.looks import draw_looks
from relief.picture import Picture
from relief.progress import Silent
from relief.sections import Relief, Shaping
from relief.shaping import Grid, shape_heights
from relief.shop.load import Shop
from relief.solids import Solid, solid_picture
from relief.terraces import unstepped

SIDE = 2000
EVERYTHING = Shaping(
    unstep=True,
    levels=("1 %", "99 %"),
    tone="lightness",
    gamma=1.2,
    smooth=0.5,
    detail=0.6,
    flatten=0.05,
    lift=0.4,
    feather=5.0,
    vignette=5.0,
    border="bead",
    back_lit="white",
    scatter=1.0,
    absorb=0.05,
)


def told(what: str, wanted: float, work: Callable[..., Any]) -> Callable[..., Any]:
    """Return the work, and have it print the seconds that it took."""

    def timed(*args: Any) -> Any:
        clock, processor = time.perf_counter(), time.process_time()
        result = work(*args)
        clock, processor = time.perf_counter() - clock, time.process_time() - processor
        print(f"\n{what}: {clock:.2f} s by the clock [{wanted:g}], {processor:.2f} s of processors")
        return result

    return timed


@pytest.fixture(scope="module")
def codes() -> np.ndarray:
    """Return hills of 8-bit codes, as 0 to 1."""
    hills = ndimage.gaussian_filter(np.random.default_rng(0).random((SIDE, SIDE)), 6)
    return np.rint(stretched(hills) * 255) / 255


def test_every_step(benchmark: BenchmarkFixture, codes: np.ndarray) -> None:
    """All steps at once, on a round silhouette."""
    j, i = np.mgrid[0:SIDE, 0:SIDE] - SIDE / 2
    picture = Picture(codes, np.clip(0.45 * SIDE - np.hypot(i, j), 0, 1), 256)
    asked = (picture, Relief(depth=3.0, invert=True), EVERYTHING, Grid(SIDE, SIDE, 0.1), 6.0)
    heights = benchmark.pedantic(
        told("every step", 8, shape_heights), args=asked, rounds=1, warmup_rounds=1
    ).heights
    assert heights.min() >= -3
    assert heights.max() <= 0


@pytest.mark.parametrize("step", ["unstep", "smooth", "detail"])
def test_one_step(benchmark: BenchmarkFixture, codes: np.ndarray, step: str) -> None:
    """The three dearest steps by themselves."""
    work = {
        "unstep": lambda: unstepped(codes, 256),
        "smooth": lambda: smoothed(codes, 10),
        "detail": lambda: detailed(codes, 0.7),
    }[step]
    result = benchmark.pedantic(told(step, 4, work), rounds=2, warmup_rounds=1)
    if step == "unstep":
        assert np.array_equal(np.rint(result * 255), np.rint(codes * 255))
    assert 0 <= result.min() <= result.max() <= 1


def test_looks(benchmark: BenchmarkFixture, codes: np.ndarray, tmp_path: Path) -> None:
    """A sheet of a dozen looks of a picture of four million pixels."""
    Image.fromarray(np.rint(codes * 255).astype(np.uint8)).save(tmp_path / "hills.png")
    job = job_from_source(tmp_path / "hills.png", {})
    asked = (job, Shop.read(None), tmp_path / "looks", Silent())
    files = benchmark.pedantic(told("looks", 12, draw_looks), args=asked, rounds=1, warmup_rounds=1)
    assert sum(name.endswith(".toml") for name in files) >= 9


def test_a_mesh_from_above(benchmark: BenchmarkFixture) -> None:
    """A ball of 327 680 triangles on 1000 × 1000 nodes: half a ball."""
    ball = trimesh.creation.icosphere(subdivisions=7)
    solid = Solid(np.ascontiguousarray(ball.triangles + 1.0))
    picture, span = benchmark.pedantic(
        told("a mesh from above", 3, solid_picture), args=(solid, 1000, 1000), rounds=3, warmup_rounds=1
    )
    assert span == pytest.approx(1, abs=0.03)
    assert picture.brightness[500, 500] == pytest.approx(1, abs=1e-5)
