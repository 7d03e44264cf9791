"""Edited programs: whatever may hurt is caught."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from pathlib import Path

from tests.judge import danger
from tests.mutants import JOBS, good, mutated
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
            print(f"{name}: {sum(tally.values())} edits, {len(misses)} missed", flush=True)
    _table(["edit", "caught", "MISSED", "passed", "stopped"], tally)
    print("why they are dangerous:", dict(reasons.most_common()))
    dangerous = sum(n for (_, outcome), n in tally.items() if outcome in ("caught", "MISSED"))
    print(f"{sum(tally.values())} edits, {dangerous} dangerous, {len(misses)} missed")
    print("\n".join(misses))
    return len(misses)


def _table(head: list[str], tally: Counter[tuple[str, str]]) -> None:
    print("  ".join(f"{word:>9}" for word in head))
    for row in sorted({row for row, _ in tally}):
        print("  ".join([f"{row:>9}", *(f"{tally[row, column]:>9}" for column in head[1:])]))
