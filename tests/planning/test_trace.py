"""The trace walks round what will be cut, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from relief.planning.trace import MOST_CORNERS, STRAY, fenced, plan_trace, swept_outline
from relief.toolpath import RAPID

coordinates = st.floats(-200, 200).map(lambda x: round(x, 3))


def test_a_box_is_walked_along_its_sides_and_back() -> None:
    """Every side is walked once at clearance height; the length is the box's girth, the corners are four."""
    plan = plan_trace(shapely.box(-4.0, -3.0, 124.0, 93.0), 5.0)
    path = plan.toolpath

    assert (path.kinds == RAPID).all()
    assert (path.points[:, 2] == 5.0).all()
    assert path.points[[0, -1], :2].tolist() == [[-4, -3], [-4, -3]]
    assert path.rapid_length() == pytest.approx(2 * (128.0 + 96.0))
    assert (plan.corners, plan.stray) == ((0, 1, 2, 3), 0.0)


def test_a_disc_needs_twelve_corners() -> None:
    """Twelve tangents of a circle of radius r meet r (1/cos 15° - 1) outside it at the nearest."""
    plan = plan_trace(shapely.Point(10, 20).buffer(100, quad_segs=32), 5.0)

    assert len(plan.corners) <= MOST_CORNERS
    assert 100 * (1 / np.cos(np.pi / 12) - 1) - 0.2 < plan.stray < 100 * (1 / np.cos(np.pi / 8) - 1)


@settings(max_examples=40, deadline=None)
@given(
    places=st.lists(st.tuples(coordinates, coordinates), min_size=1, max_size=30), radius=st.floats(0.5, 10)
)
def test_the_fence_holds_every_cut_and_stays_in_its_box(places, radius) -> None:
    """All that the cutter sweeps lies inside a convex walk of few corners, none outside the box of it."""
    outline = swept_outline([(np.array(places), radius)])
    corners = fenced(outline)

    assert len(corners) <= MOST_CORNERS
    hull = ConvexHull(corners)
    assert len(hull.vertices) == len(corners)
    beyond = hull.equations[:, :2] @ np.array(places).T + hull.equations[:, 2:] + radius
    assert beyond.max() < 1e-6
    low, high = np.min(places, axis=0) - radius, np.max(places, axis=0) + radius
    assert (corners > low - 0.01).all()
    assert (corners < high + 0.01).all()


def test_the_walk_strays_little_round_a_square_with_round_corners() -> None:
    """The corners of a box round a swept square lie (√2 - 1) r outside it."""
    plan = plan_trace(swept_outline([(np.array([(0, 0), (40, 0), (40, 30), (0, 30)]), 3.0)]), 5.0)

    assert len(plan.corners) == 4
    assert plan.stray == pytest.approx(3 * (2**0.5 - 1), abs=0.01)
    assert plan.stray < STRAY
