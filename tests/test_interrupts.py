"""A run that ends before its time leaves no program, or a whole and checked job folder."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from tests.interrupts import interrupted


@pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX")
@pytest.mark.parametrize("way", ["kill", "interrupt in writing", "full"])
def test_whatever_ends_a_run_nothing_is_half_made(tmp_path: Path, way: str) -> None:
    """`python -m tests.soak kills` does this a hundred times."""
    fault, _ = interrupted(random.Random(way), tmp_path, way, earlier="writing" in way)
    assert not fault
