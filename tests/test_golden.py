"""The programs of the demo jobs are what they were; `python -m tests.golden` changes them on purpose."""

from __future__ import annotations

import pytest

from tests.golden import JOBS, environment, programs, table

MEND = 'if that is meant, write the table anew: "python -m tests.golden", look at a program, and commit both'


@pytest.mark.parametrize("name", JOBS)
def test_the_programs_of_a_demo_job_are_what_they_were(name: str) -> None:
    """To the byte where the digests were made, and as long within 2 % everywhere else."""
    known, found = table(), programs(name)
    old = known["programs"][name]

    assert list(found) == list(old)
    for file, program in found.items():
        assert program["lines"] == pytest.approx(old[file]["lines"], rel=0.02, abs=3), f"{file}: {MEND}"
        assert program["cuts"] == pytest.approx(old[file]["cuts"], rel=0.02, abs=1), f"{file}: {MEND}"
        if known["made with"] == environment():
            assert program["sha256"] == old[file]["sha256"], f"{file} is another program; {MEND}"
