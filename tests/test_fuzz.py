"""No input ends in anything but what was asked for, or one line of refusal."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.fuzz import MAKERS, outcome


@pytest.mark.parametrize("entry", MAKERS)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_whatever_comes_is_read_or_refused_in_one_line(entry: str) -> None:
    """A short run of what `python -m tests.soak fuzz` does at length; a failing seed is shrunk."""

    @settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
    @given(st.integers(0, 2**32))
    def one(seed: int) -> None:
        with tempfile.TemporaryDirectory() as folder:
            outcome(MAKERS[entry], random.Random(f"{entry} {seed}"), Path(folder))

    one()


@pytest.mark.parametrize(
    ("entry", "chance"),
    [("picture", "picture 0 418"), ("heights", "heights 4364"), ("shop", "shop 165")],
)
@pytest.mark.filterwarnings("ignore::UserWarning")
def test_what_was_found_stays_mended(entry: str, chance: str, tmp_path: Path) -> None:
    """A second frame that is broken, a header that breaks numpy's parser, a number too large for a float."""
    outcome(MAKERS[entry], random.Random(chance), tmp_path)
