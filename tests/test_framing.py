"""Fading and frames, against plain geometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.framing import FRAMES, edge_distance, ellipse_distance, faded, framed


def test_distances_to_the_edges() -> None:
    """The nearest of four sides, in mm."""
    distance = edge_distance(5, 8, 0.5)
    assert distance[2, 3] == 1.0
    assert (distance[0] == 0).all()
    assert (distance[:, -1] == 0).all()


def test_distance_to_a_circle_is_exact() -> None:
    """In a square the ellipse is a circle: distance = radius − distance from the middle."""
    j, i = np.mgrid[0:101, 0:101] - 50.0
    inner = np.hypot(i, j) > 0
    expected = (50 - np.hypot(i, j)) * 0.2
    assert ellipse_distance(101, 101, 0.2)[inner] == pytest.approx(expected[inner], abs=1e-9)


def test_distance_to_an_ellipse_is_zero_on_it() -> None:
    """The far ends of both axes lie on it; corners lie outside."""
    distance = ellipse_distance(61, 101, 0.1)
    assert distance[30, 0] == pytest.approx(0)
    assert distance[0, 50] == pytest.approx(0)
    assert distance[0, 0] < 0


@given(st.floats(0.1, 20))
def test_fading_is_level_at_both_ends(width: float) -> None:
    """From the ground at distance 0 to the relief itself at `width`, half way in the middle, monotone."""
    distance = np.linspace(0, width, 101)
    fade = faded(np.ones(101), distance, width)
    assert (fade[0], fade[50], fade[-1]) == pytest.approx((0, 0.5, 1))
    assert np.diff(fade).min() >= 0


def test_a_flat_frame_is_at_the_top() -> None:
    """The outermost 3 mm stand at the stock top; what lies inside is as it was."""
    relief = np.full((41, 61), 0.3)
    frame = framed(relief, edge_distance(41, 61, 0.5), "flat", 3.0)
    assert (frame[:6] == 1).all()
    assert (frame[6:-6, 6:-6] == 0.3).all()


def test_a_bead_is_half_round() -> None:
    """Ground at both its edges, top in the middle, √(1 − x²) between."""
    t = np.array([0.0, 0.1, 0.5, 0.9, 1.0])
    assert FRAMES["bead"](t) == pytest.approx([0, 0.6, 1, 0.6, 0])


def test_a_cove_is_a_quarter_round_hollow() -> None:
    """1 at the outer edge, 0 and level at the inner one, on a circle about the inner top corner."""
    t = np.array([0.0, 0.2, 0.4, 1.0])
    assert FRAMES["cove"](t) == pytest.approx([1, 0.4, 0.2, 0])
