"""Runs of the command that end at random moments."""

from __future__ import annotations

import random
import shutil
import tempfile
from collections import Counter
from pathlib import Path

from tests.interrupts import WAYS, interrupted, may_mount, usual_seconds


def kills(count: int, seed: int) -> int:
    """End runs of the command at random moments; no program may be there unless it is whole and checked."""
    with tempfile.TemporaryDirectory() as scratch:
        ways = [way for way in WAYS if way != "full disk" or may_mount(Path(scratch))]
        seconds = usual_seconds(Path(scratch))
    print(f"a run takes {seconds:.1f} s; ways to end it: {', '.join(ways)}", flush=True)
    rng = random.Random(seed)
    told: Counter[str] = Counter()
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(count):
            way = ways[number % len(ways)]
            folder = Path(scratch, str(number))
            folder.mkdir()
            fault, reached = interrupted(rng, folder, way, earlier=rng.random() < 0.5, seconds=seconds)
            told[f"{way}: {reached}"] += 1
            faults += [f"{number}, {way}: {fault}"] if fault else []
            shutil.rmtree(folder)
            if number % 10 == 9:
                print(f"{number + 1} runs ended, {len(faults)} faults", flush=True)
    for line, times in sorted(told.items()):
        print(f"{times:5} {line}")
    print("\n".join(faults))
    return len(faults)
