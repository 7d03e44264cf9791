"""One-pass point reduction: what it drops stays in its tube, and what a machine must see stays."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.planning.simplify import simplify

BELOW, ABOVE, ACROSS = 0.001, 0.005, 0.002


def strays(points: np.ndarray, keep: np.ndarray) -> tuple[float, float, float]:
    """Return how far at most dropped vertices lie above, below and beside the new path (plane geometry)."""
    kept = np.flatnonzero(keep)
    over = under = beside = 0.0
    for a, b in pairwise(kept):
        way = points[b] - points[a]
        for p in points[a + 1 : b]:
            along = (p - points[a])[:2] @ way[:2] / (way[:2] @ way[:2])
            assert 0 < along < 1
            new = points[a] + along * way
            over, under = max(over, p[2] - new[2]), max(under, new[2] - p[2])
            beside = max(beside, float(np.hypot(*(p - new)[:2])))
    return over, under, beside


@settings(deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 0.6), st.floats(0.0, 0.02), st.sampled_from([0.0, BELOW]))
def test_what_is_dropped_stays_in_the_tube(seed, bend, noise, below):
    """On gentle wavy paths no dropped vertex is further from the new path than allowed (slopes: 1.2 ×).

    One-sided: with nothing allowed below, the new path is nowhere under the old vertices.
    """
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.02, 0.2, 120))
    y = bend * np.sin(x / 3) + rng.normal(0, noise / 10, 120)
    points = np.column_stack([x, y, bend * np.cos(x * rng.uniform(0.5, 2)) / 2])

    over, under, beside = strays(points, simplify(points, below, ABOVE, ACROSS))

    assert over <= below + 1e-5  # places beside the path are looked up by another rule
    assert under <= ABOVE * 1.2 + 1e-9
    assert beside <= 1.2 * ACROSS + 1e-9


def test_a_straight_path_needs_two_vertices():
    """A straight slope, sampled 300 times, keeps its ends alone."""
    points = np.linspace([0, 0, 0], [30, 20, -5], 300)
    assert np.flatnonzero(simplify(points, BELOW, ABOVE, ACROSS)).tolist() == [0, 299]


def test_a_dip_there_and_back_is_kept():
    """Where the path turns back the turning point stays, however near it lies to the rest of the path."""
    points = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [1.5, 0, 0], [1, 0, 0], [3, 0, 0]], float)
    keep = simplify(points, 1.0, 1.0, 1.0)
    assert keep[[0, 2, 4, 5]].all()


def test_a_vertical_move_is_kept():
    """Both ends of a move straight up or down stay."""
    points = np.array([[0, 0, 0], [1, 0, 0], [2, 0, 0], [2, 0, 0.002], [3, 0, 0.002], [4, 0, 0.002]], float)
    keep = simplify(points, 1.0, 1.0, 1.0)
    assert keep[[2, 3]].all()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_short_paths_stay_whole(count):
    """Nothing is dropped where there is nothing between two ends."""
    assert simplify(np.arange(3.0 * count).reshape(count, 3), BELOW, ABOVE, ACROSS).all()


def test_raising_lets_a_cap_go():
    """A path over a cap cannot drop a vertex unless the others are raised: its chords would dip below it."""
    x = np.linspace(0, 4, 81)
    cap = np.column_stack([x, np.zeros(81), -((x - 2) ** 2) / 100])
    strict = simplify(cap, 1e-6, ABOVE, ACROSS).sum()
    raised = simplify(cap, 1e-6, ABOVE, ACROSS, lift=ABOVE / 2).sum()
    assert strict == 81
    assert raised < 15
