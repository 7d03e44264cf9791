"""Long trials that are run by hand: `python -m tests.soak mutations|jobs|fuzz|kills [HOW MANY [SEED]]`.

Each prints what it tried, a table of the worst figures, and every miss; its exit code is 1 when there is one.
"""

from __future__ import annotations

import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from relief.errors import ReliefError
from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve
from tests.fuzz import MAKERS, outcome
from tests.interrupts import WAYS, interrupted
from tests.judge import danger, made
from tests.mutants import JOBS, good, mutated
from tests.random_jobs import random_job
from tests.test_mutations import caught


def mutations(count: int, seed: int) -> int:
    """Edit good programs at random; every dangerous one must be caught by `relief check`."""
    rng = random.Random(seed)
    tally: Counter[tuple[str, str]] = Counter()
    reasons: Counter[str] = Counter()
    misses: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        for number, name in enumerate(JOBS):
            home = Path(scratch, str(number))
            home.mkdir()
            job = good(name, home)
            for _ in range(count // len(JOBS)):
                file = rng.choice(list(job.texts))
                edit, text = mutated(rng, job.texts[file])
                kind, reason = edit.partition(",")[0], danger(job, file, text)
                answer = caught(job, file, text, home)
                outcome = ("caught" if answer else "MISSED") if reason else "stopped" if answer else "passed"
                tally[kind, outcome] += 1
                reasons[reason.partition(":")[0].rstrip("0123456789.m ")] += 1
                if outcome == "MISSED":
                    misses.append(f"{name}, {file}: {edit}: {reason}")
                if outcome == "stopped":
                    print(f"harmless to the judge, stopped all the same: {name}, {file}: {edit}: {answer}")
    _table(["edit", "caught", "MISSED", "passed", "stopped"], tally)
    print("why they are dangerous:", dict(reasons.most_common()))
    dangerous = sum(n for (_, outcome), n in tally.items() if outcome in ("caught", "MISSED"))
    print(f"{sum(tally.values())} edits, {dangerous} dangerous, {len(misses)} missed")
    print("\n".join(misses))
    return len(misses)


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


def fuzz(count: int, seed: int) -> int:
    """Hand random input to every entry; count tracebacks, and inputs that take longer than 10 s."""
    signal.signal(signal.SIGALRM, _too_long)
    faults = 0
    for entry, maker in MAKERS.items():
        told: Counter[str] = Counter()
        slowest = 0.0
        for number in range(count):
            with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
                warnings.simplefilter("ignore")
                began = time.monotonic()
                signal.alarm(10)
                try:
                    answer = outcome(maker, random.Random(f"{entry} {seed} {number}"), Path(folder))
                except BaseException as error:
                    if isinstance(error, KeyboardInterrupt):
                        raise
                    faults += 1
                    answer = "FAULT"
                    print(f'{entry}, Random("{entry} {seed} {number}"): {type(error).__name__}: {error}')
                signal.alarm(0)
                slowest = max(slowest, time.monotonic() - began)
            told["read" if answer == "read" else "FAULT" if answer == "FAULT" else "refused"] += 1
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{entry}: {count} inputs, {dict(told)}, slowest {slowest:.2f} s, memory {memory:.0f} MB",
            flush=True,
        )
    return faults


def _too_long(_signal: int, _frame: object) -> None:
    message = "longer than 10 s"
    raise TimeoutError(message)


def kills(count: int, seed: int) -> int:
    """End runs of the command at random moments; no program may be there unless it is whole and checked."""
    rng = random.Random(seed)
    told: Counter[str] = Counter()
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(count):
            way = rng.choice(WAYS)
            folder = Path(scratch, str(number))
            folder.mkdir()
            fault, reached = interrupted(rng, folder, way, earlier=rng.random() < 0.5)
            told[f"{way}: {reached}"] += 1
            faults += [f"{number}, {way}: {fault}"] if fault else []
            shutil.rmtree(folder)
    for line, times in sorted(told.items()):
        print(f"{times:5} {line}")
    print("\n".join(faults))
    return len(faults)


def _table(head: list[str], tally: Counter[tuple[str, str]]) -> None:
    print("  ".join(f"{word:>9}" for word in head))
    for row in sorted({row for row, _ in tally}):
        print("  ".join([f"{row:>9}", *(f"{tally[row, column]:>9}" for column in head[1:])]))


TRIALS: dict[str, tuple[Callable[[int, int], int], int]] = {
    "mutations": (mutations, 500),
    "jobs": (jobs, 300),
    "fuzz": (fuzz, 10_000),
    "kills": (kills, 100),
}


def main() -> int:
    """Run one trial."""
    name = sys.argv[1] if len(sys.argv) > 1 else ""
    if name not in TRIALS:
        print(f"usage: python -m tests.soak {'|'.join(TRIALS)} [HOW MANY [SEED]]")
        return 2
    trial, usual = TRIALS[name]
    began = time.monotonic()
    count = int(sys.argv[2]) if len(sys.argv) > 2 else usual
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    faults = trial(count, seed)
    print(f"{name}: {faults} faults in {time.monotonic() - began:.0f} s")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
