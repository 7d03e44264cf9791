"""Random jobs among clamps, most of them cut out: entries, engagement, clamps, tabs and outline."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from pathlib import Path

from relief.errors import ReliefError
from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve
from tests.practice import Judged, decimals, judge, practice_job


def practice(count: int, seed: int) -> int:
    """Carve random jobs until so many are carved; hold each to a judge of its own."""
    worst: dict[str, tuple[float, int]] = {}
    refused: Counter[str] = Counter()
    faults = carved = number = 0
    while carved < count:
        outcome = one_job(seed, number)
        if isinstance(outcome, str):
            refused[outcome.partition(":")[0]] += 1
            if outcome.startswith(("FAULT", "fell short")):
                faults += outcome.startswith("FAULT")
                print(f"job {number}: {outcome}", flush=True)
        else:
            carved += 1
            figures = ", ".join(f"{name} {value:.4f}" for name, value in sorted(outcome.figures.items()))
            print(f"job {number}: {figures}", flush=True)
            for name, value in outcome.figures.items():
                worst[name] = max(worst.get(name, (-1e9, 0)), (value, number))
            faults += bool(outcome.faults)
            for fault in outcome.faults:
                print(f"job {number}: {fault}", flush=True)
        number += 1
    print(f"{carved} jobs carved of {number};", dict(refused))
    for name, (value, where) in sorted(worst.items()):
        print(f"worst {name}: {value:.4f} (job {where})")
    return faults


def one_job(seed: int, number: int) -> Judged | str:
    """Return what the judge says of a random job, or why it was not carved."""
    rng = random.Random(1_000_003 * seed + number)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        source, settings = practice_job(rng, folder)
        asked = {name: value for name, value in settings.items() if name != "shop"}
        try:
            job = job_from_source(source, settings)
            shop = Shop.read(job.shop)
            report = carve(job, shop, folder / "job")
        except ReliefError as error:
            return f"refused: {error}"
        except Exception as error:
            return f"FAULT: {type(error).__name__}: {error}: {asked}"
        if not report.ready:
            stops = "; ".join(f"{check.name}: {check.message}" for check in report.stops)
            return f"fell short: {stops}: {asked}"
        return judge(folder / "job", report, decimals(report, shop))
