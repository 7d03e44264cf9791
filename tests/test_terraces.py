"""Terraces removed: what the codes say is kept, and slopes come back."""

from __future__ import annotations

import math
from typing import Any

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.terraces import unstepped

N = 240
ROW, COLUMN = np.mgrid[0:N, 0:N].astype(np.float64)
R2 = (COLUMN - 130.3) ** 2 + (ROW - 110.1) ** 2

# Heights in levels of an 8-bit picture.
HILLS = {
    "tall hill": 250 * np.exp(-R2 / 2 / 45**2),
    "low hill": 20 * np.exp(-R2 / 2 / 60**2),
    "waves": 127 + 120 * np.cos(COLUMN / 25) * np.cos(ROW / 31),
    "paraboloid": 250 - R2 / 250,
    "cap of a ball": 255 * np.sqrt(1 - R2 / 200**2),
}


def steps_of(levels: Any) -> tuple[Any, Any]:
    """Return 8-bit codes of heights in levels, and what `unstepped` makes of them, in levels."""
    codes = np.round(levels)
    return codes, unstepped(codes / 255, 256) * 255


def rms(values: Any) -> float:
    """Return the root of the mean square."""
    return float(np.sqrt(np.mean(values**2)))


def test_the_staircase_itself_is_0_289() -> None:
    """The rms of rounding is 1/√12 of a level (arithmetic): the measure of all that follows."""
    ramp = 0.737 * COLUMN + 0.011 * ROW
    assert rms(np.round(ramp) - ramp) == pytest.approx(1 / math.sqrt(12), abs=0.003)


@pytest.mark.parametrize("angle_deg", [0, 3, 20, 80])
@pytest.mark.parametrize("slope", [0.015, 0.02, 0.1, 0.3, 0.47, 0.73])
def test_a_ramp_comes_back(slope: float, angle_deg: float) -> None:
    """A ramp of 8-bit codes comes back to 0.10 level rms (a target of ours; the staircase has 0.289)."""
    turn = math.radians(angle_deg)
    ramp = slope * (COLUMN * math.cos(turn) + ROW * math.sin(turn)) + 0.37
    _, smooth = steps_of(ramp)
    assert rms(smooth - ramp) <= 0.10


@pytest.mark.parametrize("name", HILLS)
def test_a_hill_comes_back(name: str) -> None:
    """A smooth hill of 8-bit codes comes back to 0.10 level rms."""
    _, smooth = steps_of(HILLS[name])
    assert rms(smooth - HILLS[name]) <= 0.10


@settings(deadline=None, max_examples=60)
@given(hnp.arrays(np.uint8, hnp.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=40)))
def test_codes_stay_what_they_are(codes: Any) -> None:
    """Whatever the picture, the result lies within half a level and rounds to the same codes, in 0 to 1."""
    smooth = unstepped(codes / 255, 256)
    assert np.array_equal(np.rint(smooth * 255), codes)
    assert np.abs(smooth * 255 - codes).max() <= 0.5
    assert 0 <= smooth.min() <= smooth.max() <= 1


@settings(deadline=None, max_examples=30)
@given(st.integers(2, 4096), st.integers(0, 2**32 - 1))
def test_the_number_of_levels_is_free(levels: int, seed: int) -> None:
    """Pictures of 1 to 12 bits keep their codes too."""
    codes = np.random.default_rng(seed).integers(0, levels, (9, 13))
    smooth = unstepped(codes / (levels - 1), levels)
    assert np.array_equal(np.rint(smooth * (levels - 1)), codes)


def test_a_plate_beside_a_wall_stays_flat() -> None:
    """Two plates with a wall of 150 levels between: there is no slope to bring back, so nothing moves."""
    plates = np.where(COLUMN < N // 2, 40.0, 190.0)
    _, smooth = steps_of(plates)
    assert np.abs(smooth - plates).max() < 1e-3


def test_hard_edges_of_a_stepped_plaque_stay() -> None:
    """Walls stay where they are: within half a level on both sides, so a jump of 110 keeps 109 at least."""
    plaque = np.full((N, N), 40.0)
    plaque[40:200, 40:200] = 90
    plaque[80:160, 80:160] = 200
    codes, smooth = steps_of(plaque)
    assert np.abs(smooth - codes).max() <= 0.5
    assert smooth[120, 80] - smooth[120, 79] >= 109


def test_one_brightness_stays_one_brightness() -> None:
    """A constant picture is flat, exactly."""
    assert np.ptp(unstepped(np.full((30, 40), 77 / 255), 256)) == 0
