"""`relief compare` on three pictures of a million nodes: its seconds, and its times beside full plans.

`pytest tests/benchmarks/test_compare.py --benchmark-only -s` runs the command as a user would, in a process
of its own, with the starter rack; wall seconds hold for cores that are free. RELIEF_FULL=1 plans every
finishing cutter, pair and roughing cutter of its tables for the whole relief too, which takes minutes, and
prints told and planned times with their difference.
"""

from __future__ import annotations

import json
import math
import os
import resource
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pytest_benchmark.fixture import BenchmarkFixture

from relief.comparison import CHANGE
from relief.job import Job, job_from_source
from relief.operations import Operation
from relief.plans import Plan, finishing_plan, roughing_plan
from relief.program.read import read_program
from relief.progress import Silent
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.texts import program_text
from relief.timing import program_seconds

FULL = bool(os.environ.get("RELIEF_FULL"))
PICTURES = Path(__file__).parent.parent.parent / "demo_images"
NAMES = ("sunflower", "garden_rows", "scallop_shell")
NODES, PITCH = 1001**2, 0.1
SHOP = Shop.read(None)


def job_of(picture: Path) -> Job:
    """Return a job of a million nodes."""
    with Image.open(picture) as opened:
        width = math.sqrt(NODES * opened.width / opened.height) * PITCH
    return job_from_source(picture, {"relief.width": round(width, 1), "output.pitch": PITCH})


@pytest.mark.parametrize("name", NAMES)
def test_the_whole_rack(benchmark: BenchmarkFixture, name: str, tmp_path: Path) -> None:
    """The seconds of the command, and its tables against full plans."""
    job, folder = job_of(PICTURES / f"{name}.png"), tmp_path / "held"
    command = [sys.executable, "-m", "relief", "compare", job.picture, "--width", f"{job.relief.width}"]
    command += ["--set", f"output.pitch={PITCH}", "-o", str(folder), "--quiet"]
    before, begin = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    benchmark.pedantic(lambda: subprocess.run(command, check=True, capture_output=True, text=True), rounds=1)
    wall, after = time.perf_counter() - begin, resource.getrusage(resource.RUSAGE_CHILDREN)
    spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    print(f"\n{name}: {wall:.1f} s by wall, {spent:.1f} s of processors ({spent / wall:.2f} at a time)")
    if FULL:
        _tell_full(set_up(job, SHOP), json.loads((folder / "compare.json").read_text(encoding="utf-8")))


def _tell_full(setup: Setup, tables: dict[str, Any]) -> None:
    """Print each time of the tables beside that of full plans, and hold order and difference."""
    for table, seconds in (("finishing", _finished), ("pairs", _finished), ("roughing", _roughed)):
        rows = [row for row in tables[table] if row["planned"]]
        full = [seconds(setup, row["cutters"]) for row in rows]
        for row, of_plan in zip(rows, full, strict=True):
            print(
                f"  {' + '.join(row['cutters']):30} told {row['seconds']:7.0f} s, planned {of_plan:7.0f} s"
                f" ({row['seconds'] / of_plan - 1:+.1%}), {row['planned']:.0%} of it planned"
            )
        if full != sorted(full):
            print(f"  {table}: full plans would stand in another order")


def _finished(setup: Setup, names: list[str]) -> float:
    setup = replace(setup, finishing_cutters=tuple(SHOP.cutter(name) for name in names))
    rough = Operation("roughing", "roughing", setup.roughing_cutter)
    plans: tuple[Plan, ...] = (roughing_plan(rough, setup, (), Silent()),)
    for cutter in setup.finishing_cutters:
        plans += (finishing_plan(Operation("finishing", "finishing", cutter), setup, plans, Silent()),)
    return sum(_seconds(plan, setup) for plan in plans[1:]) + CHANGE * (len(names) - 1)


def _roughed(setup: Setup, names: list[str]) -> float:
    cutter = SHOP.cutter(names[0])
    setup = replace(setup, roughing_cutter=cutter)
    return _seconds(roughing_plan(Operation("roughing", "roughing", cutter), setup, (), Silent()), setup)


def _seconds(plan: Plan, setup: Setup) -> float:
    if not len(plan.toolpath.points):
        return 0.0
    return program_seconds(read_program(program_text(plan, setup)), setup.machine)
