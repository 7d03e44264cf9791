"""Random jobs held to the habits of the trade; `python -m tests.soak practice` tries fifty."""

from __future__ import annotations

import numpy as np
import pytest

from tests.practice import clamp_room
from tests.soak.practice import one_job


@pytest.mark.parametrize("number", [2, 5, 7])
def test_entries_engagement_clamps_tabs_and_outline(number):
    """Judged from the text by code that shares nothing with the planner or the checks."""
    found = one_job(1, number)

    assert not isinstance(found, str), found
    assert found.faults == []


def test_the_judge_of_clamps_knows_the_holder():
    """The holder reaches further than the cutter, and only where it is lower than the clamp's top."""

    class Stub:
        diameter, shank, holder_diameter, cutting_length, reach = 6.0, 6.0, 20.0, 10.0, 14.0

    clamp = {"x": 10, "y": -5, "width": 6, "length": 10, "height": 8}
    assert clamp_room(np.array([(0.0, 0.0, -2.0)]), Stub, clamp, 1.0) == 7
    assert clamp_room(np.array([(0.0, 0.0, -6.0)]), Stub, clamp, 1.0) == 0
