"""Random jobs, each held to a judge that shares nothing with `relief`."""

from __future__ import annotations

import random
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from relief.errors import ReliefError
from relief.job import job_from_source
from relief.recheck import recheck
from relief.report import Report
from relief.shop.load import Shop
from relief.workflow import carve
from tests import independent
from tests.judge import Made, danger, made
from tests.practice import FINE, LEAST_ROOM, clamp_room
from tests.program.standard import violations
from tests.random_jobs import wide_job


def jobs(count: int, seed: int) -> int:
    """Carve random jobs; hold each to the judge that shares nothing with `relief`."""
    worst: dict[str, tuple[float, int]] = {}
    table: dict[str, Counter[str]] = {}
    faults = 0
    for number in range(count):
        rng = random.Random(1_000_003 * seed + number)
        with tempfile.TemporaryDirectory() as scratch:
            began = time.process_time()
            outcome, features, figures = one_job(rng, Path(scratch))
            figures["CPU seconds"] = time.process_time() - began
        told = outcome.partition(":")[0]
        for feature in ("all", *(features or ("plain",))):
            table.setdefault(feature, Counter())[told] += 1
        for name, value in figures.items():
            worst[name] = max(worst.get(name, (-1.0, 0)), (value, number))
        if told != "carved":
            faults += told == "FAULT"
            print(f"job {seed}/{number}, {', '.join(features)}: {outcome}", flush=True)
    _table(table)
    for name, (value, number) in sorted(worst.items()):
        print(f"worst {name}: {value:.4f} (job {seed}/{number})")
    return faults


def _table(table: dict[str, Counter[str]]) -> None:
    kinds = ["carved", "refused", "fell short", "FAULT"]
    print(f"{'jobs with':14}" + "".join(f"{kind:>12}" for kind in kinds))
    for feature, told in sorted(table.items()):
        print(f"{feature:14}" + "".join(f"{told[kind]:12}" for kind in kinds))


def one_job(rng: random.Random, folder: Path) -> tuple[str, tuple[str, ...], dict[str, float]]:
    """Return what became of a random job, what it asked for, and its figures."""
    source, settings, features = wide_job(rng, folder)
    asked = {name: value for name, value in settings.items() if name != "shop"}
    try:
        job = job_from_source(source, settings)
        shop = Shop.read(job.shop)
        report = carve(job, shop, folder / "job", heights=folder / "heights.npy")
    except ReliefError as error:
        lines = len(str(error).splitlines())
        return f"{'refused' if lines == 1 else 'FAULT'}: {error}: {asked}", features, {}
    except Exception as error:
        return f"FAULT: {type(error).__name__}: {error}: {asked}", features, {}
    if not report.ready:
        stops = "; ".join(f"{check.name}: {check.message}" for check in report.stops)
        return f"fell short: {stops}: {asked}", features, {}
    heights = np.load(folder / "heights.npy").astype(float)
    found = made("job", folder / "job", heights, report, shop.machine(job.machine))
    fault = next(_faults(found, report), "")
    if fault:
        return f"FAULT: {fault}: {asked}", features, {}
    return (
        "carved",
        features,
        found.figures
        | {
            "gouge by the report, mm": report.gouge,
            "scallop over what was asked": report.scallop.max / report.scallop.tolerance,
            "share above the scallop": 1 - report.scallop.within,
            "path over its yardstick": report.path_ratio or 0.0,
        },
    )


def _faults(found: Made, report: Report) -> Iterator[str]:
    """Yield what the judge has against the programs of a job."""
    for file in {name.partition(" ")[0] for name in found.texts}:
        whole = (found.folder / file).read_text("ascii")
        yield from (f"{file}: standard: {fault}" for fault in violations(whole))
    for file, text in found.texts.items():
        reason = danger(found, file, text)
        if reason:
            yield f"{file}: {reason}"
    again = recheck(sorted(found.folder.glob("*.nc")), found.folder)
    yield from (
        f"check says otherwise: {c.name}" for c in again.checks if c.severity == "stop" and not c.holds
    )
    every = [cutter for cutter in found.cutters.values() if cutter]
    relief = [(n - 1) * found.pitch for n in (report.grid.columns, report.grid.rows)]
    sides = [report.job["stock"][side] for side in ("width", "length")]
    margin = np.array([*(np.subtract(sides, relief) / 2), 0.0])
    for file, text in found.texts.items():
        points = found.places(file, independent.positions(text)[0]) - margin
        at = independent.samples(points, FINE)
        for clamp in report.job.get("clamps", []):
            cutters = [cutter] if (cutter := found.cutters[file]) else every
            room = min(clamp_room(at, cutter, clamp, LEAST_ROOM) for cutter in cutters)
            if found.note("nearness to a clamp, 20 mm -", 20 - room) > 20 - LEAST_ROOM + 1e-3:
                yield f"{file}: {room:.3f} mm from a clamp"
