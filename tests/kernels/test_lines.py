"""Where whole passes are laid: both edges, no gap wider than asked, and on a plane as few as can be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.kernels.lines import lay_lines, row_at

pytestmark = pytest.mark.jitless

PITCH = 0.25
RADIUS = 4.0


def plane(rows: int, columns: int, slope: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return distances across, lengths along and how far ahead a ball touches, for a plane."""
    ones = np.ones((rows, columns), np.float32)
    away = np.arange(rows)[:, None] * PITCH * math.hypot(1, slope) * ones
    beside = RADIUS * slope / math.hypot(1, slope) * ones
    return away.astype(np.float32), ones, beside.astype(np.float32)


@settings(deadline=None, max_examples=20)
@given(st.integers(4, 30), st.floats(0.4, 3.0), st.floats(0, 2))
def test_passes_begin_and_end_near_the_edges(rows: int, spacing: float, slope: float) -> None:
    """Rising, within a spacing of the first row and the last; no gap is wider than it, seen from above."""
    lines, length = lay_lines(*plane(rows, 5, slope), PITCH, spacing, RADIUS)
    end = (rows - 1) * PITCH

    assert 0 <= lines[0] <= min(RADIUS + 0.5 * spacing, end)
    assert end - spacing - RADIUS <= lines[-1] <= end + 1e-9
    assert (np.diff(lines) > 0).all()
    # the last gap takes in a rest too narrow for a pass of its own
    assert (np.diff(lines)[:-1] <= spacing * (1 + 1e-9)).all()
    assert length > 0


def test_on_the_level_an_edge_is_finished_from_half_a_spacing_inside() -> None:
    """No pass on the edge itself: the first and the last lie half a spacing inside, to a row of nodes."""
    lines, _ = lay_lines(*plane(81, 3, 0.0), PITCH, 2.0, RADIUS)
    assert 1.0 - PITCH <= lines[0] <= 1.0
    assert 80 * PITCH - 1.0 - 1e-9 <= lines[-1] <= 80 * PITCH


@pytest.mark.parametrize("slope", [0.0, 0.75, 2.0])
def test_on_a_plane_gaps_are_as_wide_as_the_spacing_allows(slope: float) -> None:
    """Measured over the surface, gap × √(1 + slope²) comes within one choice of the spacing, or is halved.

    The distance between neighbouring passes on a slope is that of plane geometry.
    """
    spacing = 1.0
    lines, _ = lay_lines(*plane(81, 3, slope), PITCH, spacing, RADIUS)
    over = np.diff(lines)[:-2] * math.hypot(1, slope)
    parts = np.maximum(2.0 ** np.ceil(np.log2(over / spacing / 1.0005)), 1.0)

    assert (over / parts <= spacing * 1.001).all()
    assert (over / parts >= spacing * 0.9).all()


@settings(deadline=None, max_examples=20)
@given(st.floats(0, 3), st.integers(0, 99))
def test_between_rows_values_go_straight(row: float, seed: int) -> None:
    """The plain twin is numpy.interp, column by column."""
    values = np.random.default_rng(seed).normal(size=(4, 6)).astype(np.float32)
    out = np.zeros(6)
    row_at(values, row, out)
    assert out == pytest.approx([np.interp(row, np.arange(4), values[:, i]) for i in range(6)], abs=1e-6)
