"""Random jobs, each held to a judge that shares nothing with `relief`."""

from __future__ import annotations

import random
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from relief.errors import ReliefError
from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve
from tests.judge import danger, made
from tests.random_jobs import random_job


def jobs(count: int, seed: int) -> int:
    """Carve random jobs; hold each to the judge that shares nothing with `relief`."""
    worst: dict[str, tuple[float, int]] = {}
    told: Counter[str] = Counter()
    faults = 0
    for number in range(count):
        rng = random.Random(1_000_003 * seed + number)
        with tempfile.TemporaryDirectory() as scratch:
            began = time.monotonic()
            outcome, figures = _one_job(rng, Path(scratch))
            figures["seconds"] = time.monotonic() - began
        told[outcome.partition(":")[0]] += 1
        for name, value in figures.items():
            worst[name] = max(worst.get(name, (-1.0, 0)), (value, number))
        if outcome.startswith(("FAULT", "fell short")):
            faults += outcome.startswith("FAULT")
            print(f"job {number}: {outcome}", flush=True)
        elif number % 20 == 19:
            print(f"{number + 1} jobs, {faults} faults: {dict(told)}", flush=True)
    print(f"{count} jobs:", dict(told))
    for name, (value, number) in worst.items():
        print(f"worst {name}: {value:.4f} (job {number})")
    return faults


def _one_job(rng: random.Random, folder: Path) -> tuple[str, dict[str, float]]:
    """Return what became of a random job, and its figures."""
    source, settings = random_job(rng, folder)
    asked = {name: value for name, value in settings.items() if name != "shop"}
    try:
        job = job_from_source(source, settings)
        shop = Shop.read(job.shop)
        report = carve(job, shop, folder / "job", heights=folder / "heights.npy")
    except ReliefError as error:
        return f"refused: {error}", {}
    except Exception as error:
        return f"FAULT: {type(error).__name__}: {error}: {asked}", {}
    if not report.ready:
        stops = "; ".join(f"{check.name}: {check.message}" for check in report.stops)
        return f"fell short: {stops}: {asked}", {}
    heights = np.load(folder / "heights.npy").astype(float)
    found = made("job", folder / "job", heights, report, shop.machine(job.machine))
    for file, text in found.texts.items():
        reason = danger(found, file, text)
        if reason:
            return f"FAULT: {file}: {reason}: {asked}", {}
    left = np.min(list(found.left.values()), axis=0)
    return "carved", {
        "gouge by the judge, mm": max(0.0, float((found.target - left).max())),
        "gouge by the report, mm": report.gouge,
        "scallop over what was asked": report.scallop.max / report.scallop.tolerance,
        "share above the scallop": 1 - report.scallop.within,
        "path over its yardstick": report.path_ratio or 0.0,
    }
