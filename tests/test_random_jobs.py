"""Random jobs held to a judge that shares nothing with `relief`; `python -m tests.soak jobs` tries 300."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.soak.jobs import one_job

# Seeds of jobs that ask for much at once, none of it twice on the same machine.
JOBS = {
    36: ("one program", "opening", "scored"),
    59: ("passes", "rest", "tiles"),
    29: ("clamps", "lettering", "one program"),
    38: ("asked", "opening", "rest"),
}


@pytest.mark.parametrize("seed", JOBS)
def test_no_judge_finds_fault(tmp_path: Path, seed: int) -> None:
    """Gouges, rapids, limits, travel, clamps, tabs, the standard; and check agrees with carve."""
    outcome, features, figures = one_job(random.Random(seed), tmp_path)

    assert features == JOBS[seed]
    assert outcome == "carved"
    assert figures["gouge, mm"] <= 0.005
    assert figures["feed over the limit of its axis"] <= 1.002
