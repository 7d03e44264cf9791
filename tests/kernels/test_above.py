"""Triangles seen from above: against a plain twin, a ball and a tilted box."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.kernels.above import seen_from_above
from tests.oracles import surface_from_above

pytestmark = pytest.mark.jitless


def seen(triangles: np.ndarray, rows: int, columns: int) -> tuple[np.ndarray, np.ndarray]:
    """Return both surfaces of the kernel."""
    top, under = np.zeros((rows, columns)), np.zeros((rows, columns))
    seen_from_above(np.ascontiguousarray(triangles, dtype=np.float64), top, under)
    return top, under


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 6), st.integers(0, 2**32 - 1))
def test_it_is_what_the_plain_twin_finds(count: int, seed: int) -> None:
    """Any triangles, those that stick out of the grid included."""
    triangles = np.random.default_rng(seed).uniform(-2, 10, (count, 3, 3))
    top, _ = seen(triangles, 7, 9)
    assert top == pytest.approx(surface_from_above(triangles, 7, 9), abs=1e-9)


def test_a_ball_seen_from_above() -> None:
    """A ball has z = c + √(R² − r²); its facets lie low by e²/6R at most, e the longest edge.

    A plane through three points of a sphere on a circle of radius q lies q²/2R below it; q ≤ e/√3.
    """
    ball = trimesh.creation.icosphere(subdivisions=3, radius=10.0)
    top, under = seen(ball.triangles + 12.0, 25, 25)
    j, i = np.mgrid[0:25, 0:25] - 12.0
    r2 = i * i + j * j
    exact = 12 + np.sqrt(np.maximum(100 - r2, 0))
    edge = float(ball.edges_unique_length.max())
    steep = np.sqrt(100 / np.maximum(100 - r2, 1))  # the facets' distance, measured along z
    inner = r2 < 9.0**2
    low = (exact - top)[inner]
    assert low.min() >= -1e-9
    assert (low <= edge**2 / 6 / 10 * steep[inner]).all()
    assert (top[r2 > 101] == -np.inf).all()
    assert under[12, 12] == pytest.approx(2.0, abs=0.1)  # its south pole faces down


@pytest.mark.parametrize("turn_deg", [0, 20, 35])
def test_a_tilted_box_seen_from_above(turn_deg: float) -> None:
    """A box turned about y: its top is the roof of two planes, exact at every node."""
    turn = math.radians(turn_deg)
    box = trimesh.creation.box((10.0, 12.0, 6.0))
    box.apply_transform(trimesh.transformations.rotation_matrix(turn, (0, 1, 0)))
    top, _ = seen(box.triangles + 12.0, 25, 25)
    x = np.arange(25) - 12.0
    # the lid z·cos = 3 − x'·sin … in turned axes: |x cos − z sin| ≤ 5, |x sin + z cos| ≤ 3
    with np.errstate(divide="ignore", invalid="ignore"):
        lid = (3 - x * math.sin(turn)) / math.cos(turn)
        side = (x * math.cos(turn) + 5) / math.sin(turn) if turn else np.full(25, np.inf)
    roof = np.minimum(lid, side)
    row = top[12]
    covered = np.isfinite(row)
    assert covered.sum() >= 10
    assert row[covered] == pytest.approx(12 + roof[covered], abs=1e-9)


def test_neighbours_leave_no_crack() -> None:
    """A square of two triangles, and a fan of many, cover every node inside."""
    angles = np.linspace(0, 2 * np.pi, 40)
    rim = np.stack([10 + 9 * np.cos(angles), 10 + 9 * np.sin(angles), np.ones(40)], axis=1)
    fan = np.stack([np.broadcast_to([10.0, 10.0, 1.0], (39, 3)), rim[:-1], rim[1:]], axis=1)
    top, under = seen(fan, 21, 21)
    j, i = np.mgrid[0:21, 0:21] - 10.0
    assert (top[np.hypot(i, j) < 8.9] == 1).all()
    assert (under == -np.inf).all()
