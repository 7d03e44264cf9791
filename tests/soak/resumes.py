"""Programs ended anywhere and taken up again: what is left is what the whole program would have left."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from pathlib import Path

from relief.errors import ReliefError
from tests.mutants import JOBS, SHARED, good
from tests.resumed import taken_up


def resumes(count: int, seed: int) -> int:
    """End programs at random lines and positions; hold each resumed one to the judge."""
    rng = random.Random(seed)
    worst: dict[str, tuple[float, str]] = {}
    told: Counter[str] = Counter()
    faults = 0
    with tempfile.TemporaryDirectory() as scratch:
        names = [*JOBS, *SHARED]
        for number, name in enumerate(names):
            home = Path(scratch, str(number))
            home.mkdir()
            job = good(name, home)
            for turn in range(number, count, len(names)):
                try:
                    fault, figures, what = taken_up(rng, job, by_position=turn % 2 == 1)
                except ReliefError as error:
                    fault, figures, what = f"refused: {error}", {}, name
                told[f"{name}: {'FAULT' if fault else 'taken up'}"] += 1
                faults += bool(fault)
                print(f"{what}: {fault or 'sound'}", flush=True)
                for figure, value in figures.items():
                    worst[figure] = max(worst.get(figure, (-1.0, "")), (value, what))
    for line, times in sorted(told.items()):
        print(f"{times:5} {line}")
    for figure, (value, what) in worst.items():
        print(f"most {figure}: {value:.4f} ({what})")
    return faults
