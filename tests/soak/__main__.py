"""Long trials that are run by hand: `python -m tests.soak TRIAL [HOW MANY [SEED]]`.

Each prints what it tried, a table of the worst figures, and every miss; its exit code is 1 when there is one.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from tests.soak.fuzz import fuzz
from tests.soak.jobs import jobs
from tests.soak.kills import kills
from tests.soak.mutations import mutations
from tests.soak.practice import practice
from tests.soak.resumes import resumes
from tests.soak.shops import shops

# what a trial is called, and how many it tries when nobody says how many
TRIALS: dict[str, tuple[Callable[[int, int], int], int]] = {
    "mutations": (mutations, 500),
    "jobs": (jobs, 300),
    "fuzz": (fuzz, 10_000),
    "kills": (kills, 100),
    "resumes": (resumes, 50),
    "practice": (practice, 50),
    "shops": (shops, 200),
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
