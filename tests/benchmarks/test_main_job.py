"""The whole job, planned, proven and saved: seconds per stage, peak memory, and how both grow.

RELIEF_FULL=1 adds 2000² and 4000² nodes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest

SIZES = (500, 1000, 2000, 4000) if os.environ.get("RELIEF_FULL") else (500, 1000)
_DONE: dict[int, dict[str, Any]] = {}


@pytest.mark.parametrize("nodes", SIZES)
def test_main_job(benchmark: Any, nodes: int) -> None:
    """Run the job in a process of its own, so that its peak memory is its own."""
    command = [sys.executable, "-m", "tests.benchmarks.main_job", str(nodes)]
    done = benchmark.pedantic(
        lambda: subprocess.run(command, check=True, capture_output=True, text=True).stdout, rounds=1
    )
    figures = json.loads(done.splitlines()[-1])
    _DONE[nodes] = figures
    print(f"\n{nodes}²: {figures['seconds']} s, peak {figures['peak_gib']} GiB, {figures['blocks']} blocks")
    for stage, seconds in figures["stages"].items():
        print(f"    {stage:<34}{seconds:8.2f} s")
    _tell_growth(nodes)
    assert figures["ready"]


def _tell_growth(nodes: int) -> None:
    """Print how time and memory grew from the smallest size, against the nodes."""
    first = min(_DONE)
    if nodes == first:
        return
    more = (nodes / first) ** 2
    seconds = _DONE[nodes]["seconds"] / _DONE[first]["seconds"] / more
    memory = _DONE[nodes]["peak_gib"] / _DONE[first]["peak_gib"] / more
    print(f"    from {first}²: nodes × {more:.0f}; seconds × {seconds:.2f}, memory × {memory:.2f} of that")
