"""Edited programs: whatever may hurt is caught before it runs."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from relief.errors import ReliefError
from relief.recheck import recheck
from tests.judge import Made, danger
from tests.mutants import JOBS, good, mutated, seed_of

EDITS_PER_JOB = 12


@pytest.fixture(scope="module", params=JOBS)
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a sound job."""
    return good(request.param, tmp_path_factory.mktemp("mutants"))


def caught(job: Made, file: str, text: str, folder: Path) -> str:
    """Return how `relief check` answers to a text in place of one of the job's programs; empty: it passes."""
    for name, sound in job.texts.items():
        (folder / name).write_text(text if name == file else sound, "ascii")
    try:
        verdict = recheck([folder / name for name in job.texts], job.folder)
    except ReliefError as error:
        return f"refused: {error}"
    return "; ".join(check.name for check in verdict.checks if not check.holds and check.severity == "stop")


def test_the_judge_finds_nothing_in_sound_programs(job):
    """Both judges agree that the job as it was made may be run."""
    for file, text in job.texts.items():
        assert danger(job, file, text) == ""


def test_every_dangerous_edit_is_caught(job, tmp_path):
    """A sample of random edits; `python -m tests.soak mutations` tries hundreds."""
    rng = random.Random(seed_of(job.name))
    for _ in range(EDITS_PER_JOB):
        file = rng.choice(list(job.texts))
        edit, text = mutated(rng, job.texts[file])
        reason = danger(job, file, text)
        assert not reason or caught(job, file, text, tmp_path), f"{file}: {edit}: {reason}"
