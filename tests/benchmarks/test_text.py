"""Program text: blocks a second written and read, beside a plain Python loop over blocks.

Run: python -m pytest tests/benchmarks/test_text.py --benchmark-only -s
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.shop.records import Machine
from relief.toolpath import CUT, RAPID, Toolpath
from tests.oracles import moves_as_text, text_as_moves

BLOCKS, LOOPED = 1_000_000, 50_000
MACHINE, HEAD = Machine("m"), ProgramHead("j", "finishing", "ball 3.175 mm", "s", "z", 18000.0)


def raster(count: int) -> tuple[Toolpath, np.ndarray]:
    """Return a finishing path over a hilly surface: a long pass, its points 0.2 mm apart."""
    k = np.arange(count)
    x, y = (k % 1000) * 0.2 + 0.037, (k // 1000) * 0.25
    points = np.c_[x, y, -3 + 2 * np.sin(x / 7) * np.cos(y / 5)]
    points[[0, -1], 2] = 5.0
    kinds = np.full(count, CUT, np.uint8)
    kinds[[0, -1]] = RAPID
    return Toolpath(np.round(points, 3), kinds), np.full(count, 1800.0)


def loop_seconds(work: object, *arguments: object) -> float:
    """Return the least time of three runs."""
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        work(*arguments)  # type: ignore[operator]
        times.append(time.perf_counter() - begin)
    return min(times)


def told(name: str, benchmark: BenchmarkFixture, loop: float) -> None:
    """Print blocks a second and how much faster than the loop that is."""
    rate, plain = BLOCKS / benchmark.stats.stats.median, LOOPED / loop
    benchmark.extra_info.update(blocks_per_second=rate, ratio=rate / plain)
    print(f"\n{name}: {rate / 1e6:.2f} M blocks/s, {rate / plain:.0f} x a Python loop ({plain / 1e6:.3f} M)")


@pytest.mark.benchmark(group="text")
def test_write(benchmark: BenchmarkFixture) -> None:
    """Arrays in, bytes out: at least 1 M blocks a second and 10 times a loop over blocks."""
    path, feed = raster(BLOCKS)
    small, small_feed = raster(LOOPED)
    write_program(small, small_feed, HEAD, MACHINE)
    steps = np.rint(small.points * 1000).astype(np.int64)
    loop = loop_seconds(moves_as_text, steps, small.kinds == RAPID, small_feed.astype(np.int64), 3, 0, 5000)
    benchmark.pedantic(write_program, (path, feed, HEAD, MACHINE), rounds=7)
    told("written", benchmark, loop)


@pytest.mark.benchmark(group="text")
def test_read(benchmark: BenchmarkFixture) -> None:
    """Bytes in, moves out: at least 1 M blocks a second and 10 times a loop over words."""
    content = write_program(*raster(BLOCKS), HEAD, MACHINE)
    small = write_program(*raster(LOOPED), HEAD, MACHINE)
    plain = "\n".join(
        line for line in small.decode().splitlines() if line[0] in "XYZ" or line.startswith("G1")
    )
    read_program(small)
    loop = loop_seconds(text_as_moves, plain)
    benchmark.pedantic(read_program, (content,), rounds=7)
    told("read", benchmark, loop)
