"""Random shops and jobs: no program asks a machine for more than it has, read from the text alone."""

from __future__ import annotations

import random
import re
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from relief.errors import ReliefError
from relief.job import Job, set_key
from relief.plans import plan_operations
from relief.progress import Silent
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.texts import write_programs
from tests import independent
from tests.random_jobs import FLATS, ROUNDS, random_job

# Rounding of coordinates and feeds in the text, as a share.
ROUNDING = 1e-3


def random_shop(rng: random.Random) -> str:
    """Return a shop file with one machine of odd limits, and cutters that odd limits hold back."""
    slowest = rng.choice([0.5, 3000, 8000, 12000])
    fastest = slowest + rng.choice([0, 500, 12000])
    by_hand = rng.random() < 0.4
    steps = sorted({slowest, fastest, (slowest + fastest) / 2}) if by_hand and rng.random() < 0.7 else []
    feeds = [rng.choice([150, 700, 2500, 9000]) for _ in range(3)]
    travel = [rng.choice([60, 120, 400]), rng.choice([60, 120, 400]), rng.choice([15, 30, 90])]
    return f"""
[[machine]]
name = "odd"
travel = {travel}
max_feed = {feeds}
acceleration = {[rng.choice([60, 400, 3000]) for _ in range(3)]}
rpm = [{slowest}, {fastest}]
rpm_steps = {steps}
spindle = "{"by hand" if by_hand else "program"}"
tool_change = "{rng.choice(["M6", "separate programs"])}"
decimals = {rng.choice([2, 3, 4])}
blocks_per_second = {rng.choice([40, 300, 2000])}
corner_tolerance = {rng.choice([0.005, 0.05])}
clearance = {rng.choice([2.5, 5, 12])}

[[cutter]]
name = "slow bull"
kind = "bull"
diameter = {rng.choice([3, 6])}
tip_radius = 1
max_rpm = {rng.choice([9000, 20000])}

[[cutter]]
name = "scriber"
kind = "drag"
diameter = {rng.choice([3, 6])}
angle = {rng.choice([60, 90])}
"""


def random_setup(rng: random.Random, folder: Path) -> Setup:
    """Return a random job on a random machine, set up; raises what the job is refused with."""
    source, settings = random_job(rng, folder)
    (folder / "shop.toml").write_text(random_shop(rng), encoding="utf-8")
    settings |= {
        "machine": "odd", "roughing.cutter": rng.choice(FLATS),
        "finishing.cutter": rng.choice([*ROUNDS, "slow bull"]), "output.ease": rng.random() < 0.5,
    }  # fmt: skip
    if rng.random() < 0.4:
        settings |= {"outline.cutter": "scriber", "outline.lines": rng.choice([0, 3])}
    for key in ("rpm", "feed", "plunge"):
        if rng.random() < 0.2:
            settings[f"{rng.choice(['roughing', 'finishing'])}.{key}"] = rng.choice([1.0, 900.0, 60000.0])
    table: dict[str, Any] = {"picture": str(source)}
    for name, value in settings.items():
        set_key(table, name, value, "trial")
    job = Job.from_table(table, "trial")
    return set_up(job, Shop.read(job.shop))


def faults_of(text: str, setup: Setup, max_rpm: float, *, turns: bool) -> list[str]:
    """Return what a program asks for beyond the limits, judged by a reader that shares nothing with ours."""
    machine, faults = setup.machine, []
    code = "\n".join(re.sub(r"\(.*?\)", "", line) for line in text.splitlines())
    started = re.search(r"M0?[34](?!\d)", code)
    speeds = [float(word) for word in re.findall(r"S([\d.]+)", code)]
    if not turns and (started or speeds):
        faults.append("starts the spindle of a program that must not turn it")
    if machine.spindle == "by hand" and (started or speeds):
        faults.append("starts a spindle that is set by hand")
    low, high = machine.rpm[0], min(machine.rpm[1], max_rpm)
    faults += [f"S{s:g} is not in {low:g} to {high:g}" for s in speeds if not low - 0.5 <= s <= high + 0.5]
    places, rapid, feed = independent.positions(text)
    span = np.nanmax(places, axis=0) - np.nanmin(places, axis=0)
    if (span > np.array(machine.travel) + 0.01).any():
        faults.append(f"spans {span}, travel is {machine.travel}")
    way = np.abs(np.nan_to_num(np.diff(places, axis=0)))
    length = np.maximum(np.linalg.norm(way, axis=1), 1e-12)
    asked = np.where(rapid, 0.0, feed)[1:]
    share = (asked[:, None] * way / length[:, None] / np.array(machine.max_feed)).max(initial=0.0)
    if share > 1 + ROUNDING:
        faults.append(f"asks an axis for {100 * share:.1f} % of its feed")
    return faults


def shops(count: int, seed: int) -> int:
    """Make `count` jobs on random machines; print the faults, and return how many."""
    made = refused = faults = tried = 0
    while made < count and tried < 4 * count:
        rng = random.Random(seed * 1_000_003 + tried)
        tried += 1
        with tempfile.TemporaryDirectory() as place:
            try:
                setup = random_setup(rng, Path(place))
                plans = plan_operations(setup, Silent())
            except ReliefError:
                refused += 1
                continue
            made += 1
            for program in write_programs(plans, setup, Silent()):
                turns = program.cutter is not None and program.cutter.turns
                most = program.cutter.max_rpm if program.cutter else 0.0
                for fault in faults_of(program.text.decode("ascii"), setup, most, turns=turns):
                    print(f"job {seed}/{tried - 1} {program.file}: {fault}")
                    faults += 1
    print(f"{made} jobs made, {refused} refused")
    return faults
