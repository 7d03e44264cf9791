"""How low a straight link may run, against every node's distance from it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.planning.linking import hop, link_height
from relief.toolpath import RAPID

PITCH = 0.5
# On the lattice of program text, as every real position is.
places = st.tuples(
    st.integers(-6000, 16000).map(lambda n: n / 1000), st.integers(-6000, 12000).map(lambda n: n / 1000)
)


def distances(shape: tuple[int, int], start: tuple[float, float], end: tuple[float, float]) -> np.ndarray:
    """Return every node's distance from a segment (plane geometry)."""
    y, x = np.mgrid[: shape[0], : shape[1]] * PITCH
    way = np.subtract(end, start)
    along = np.zeros(shape)
    if way.any():
        along = np.clip(((x - start[0]) * way[0] + (y - start[1]) * way[1]) / (way @ way), 0, 1)
    return np.hypot(x - start[0] - along * way[0], y - start[1] - along * way[1])


@settings(deadline=None)  # the first call compiles
@given(start=places, end=places, radius=st.floats(0.1, 5), seed=st.integers(0, 99))
def test_the_link_height_is_the_highest_node_within_the_radius(
    start: tuple[float, float], end: tuple[float, float], radius: float, seed: int
) -> None:
    """No node within the radius stands higher, and one stands as high (to 1e-6 mm of the radius)."""
    stock = np.random.default_rng(seed).uniform(-5, 0, (17, 23)).astype(np.float32)
    height = link_height(stock, PITCH, start, end, radius)
    away = distances(stock.shape, start, end)
    surely, perhaps = stock[away <= radius - 1e-6], stock[away <= radius + 1e-6]
    assert height >= surely.max(initial=-np.inf)
    assert height <= perhaps.max(initial=-np.inf)


def test_a_link_beside_a_wall() -> None:
    """A wall counts from the radius on, and not before."""
    stock = np.full((21, 41), -3.0, np.float32)
    stock[:, 20:] = 0.0  # the wall's first node is at x = 10
    assert link_height(stock, PITCH, (2.0, 5.0), (6.9, 5.0), 3.0) == -3.0
    assert link_height(stock, PITCH, (2.0, 5.0), (7.1, 5.0), 3.0) == 0.0
    assert link_height(stock, PITCH, (-50.0, 5.0), (-60.0, 5.0), 3.0) == -math.inf


def test_a_hop_goes_up_across_and_down() -> None:
    """Three rapids, across at one height."""
    points, kinds = hop((1.0, 2.0, -3.0), (5.0, 6.0, -4.0), 1.0, touch_down=-2.0)
    assert points.tolist() == [[1, 2, 1], [5, 6, 1], [5, 6, -2]]
    assert kinds.tolist() == [RAPID] * 3


def test_a_hop_leaves_out_what_moves_nothing() -> None:
    """No empty rise, no empty way across, and never a rise called a way down."""
    points, _ = hop((1.0, 2.0, 1.0), (5.0, 6.0, -4.0), 1.0)
    assert points.tolist() == [[5, 6, 1], [5, 6, -4]]
    points, _ = hop((1.0, 2.0, -3.0), (1.0, 2.0, 5.0), 1.0)
    assert points.tolist() == [[1, 2, 1]]
    assert hop((1.0, 2.0, 1.0), (1.0, 2.0, 1.0), 1.0)[0].shape == (0, 3)


@pytest.mark.parametrize("radius", [1.0, 3.0])
def test_a_plunge_is_a_link_of_no_length(radius: float) -> None:
    """Start and end may be the same."""
    stock = np.zeros((21, 21), np.float32)
    stock[10, 10] = 2.0
    assert link_height(stock, PITCH, (5.0, 5.0 + radius), (5.0, 5.0 + radius), radius) == 2.0
    assert link_height(stock, PITCH, (5.0, 5.1 + radius), (5.0, 5.1 + radius), radius) == 0.0
