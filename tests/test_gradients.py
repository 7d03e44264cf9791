"""Smoothing that keeps edges, and compression by slopes, against closed forms and open datasets."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import hypothesis.extra.numpy as hnp
import matplotlib
import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from relief.gradients import LARGE_FORM, compressed, detailed, heights_of, slopes, smoothed, stretched

Heights = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=30),
    elements=st.floats(0, 1, width=32),
)


def terrain() -> Any:
    """Return the Jacksboro elevation model that comes with matplotlib (344 × 403 nodes), as 0 to 1."""
    path = Path(matplotlib.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz"
    return stretched(np.load(path)["elevation"].astype(np.float64))


def photograph() -> Any:
    """Return the photograph `camera` of scikit-image (CC0), as 0 to 1."""
    return skimage.data.camera() / 255.0


def local_contrast(heights: Any) -> Any:
    """Return the rms, around each node, of what has wavelengths of 2 to 20 nodes."""
    band = ndimage.gaussian_filter(heights, 2 / (2 * np.pi)) - ndimage.gaussian_filter(
        heights, 20 / (2 * np.pi)
    )
    return np.sqrt(ndimage.gaussian_filter(band**2, 10))


@settings(deadline=None)
@given(Heights)
def test_unchanged_slopes_give_the_heights_back(heights: Any) -> None:
    """Poisson identity: the slopes of a surface integrate to it, up to a constant, within 1e-8."""
    found = heights_of(*slopes(heights))
    assert found - found.mean() == pytest.approx(heights - heights.mean(), abs=1e-8)


def test_the_identity_holds_on_terrain() -> None:
    """The same on 138 632 nodes of real terrain."""
    z = terrain()
    assert heights_of(*slopes(z)) == pytest.approx(z - z.mean(), abs=1e-8)


def test_a_screened_wave_is_damped_as_its_wavelength_says() -> None:
    """A cosine of the cosine transform is divided by 1 + screen / (2 − 2cos(πk/n)) (arithmetic)."""
    n, k, screen = 64, 6, 0.05
    wave = np.tile(np.cos(np.pi * k * (np.arange(n) + 0.5) / n), (8, 1))
    stiff = 2 - 2 * np.cos(np.pi * k / n)
    assert heights_of(*slopes(wave), screen) == pytest.approx(wave * stiff / (stiff + screen), abs=1e-12)


def test_no_strength_changes_nothing() -> None:
    """Strength 0 is the relief itself."""
    z = terrain()
    assert detailed(z, 0.0) is z


@pytest.mark.parametrize("strength", [0.3, 0.7, 1.0])
def test_the_range_is_exactly_the_depth(strength: float) -> None:
    """The relief still goes from exactly 0 to exactly 1."""
    z = detailed(terrain(), strength)
    assert (z.min(), z.max()) == (0.0, 1.0)


@pytest.mark.parametrize("read", [terrain, photograph])
def test_fine_detail_is_kept_while_the_depth_falls_to_a_third(read: Any) -> None:
    """At full strength the depth falls to 31 % or less, and half of the places keep 80 % of their contrast.

    Contrast is that of wavelengths of 2 to 20 nodes; the figures are targets of ours.
    """
    z = read()
    fine = compressed(z, 1.0, LARGE_FORM * min(z.shape))
    assert np.ptp(fine) <= 0.31 * np.ptp(z)
    assert np.median(local_contrast(fine) / local_contrast(z)) >= 0.80


@pytest.mark.parametrize("blur", [0.0, 1.0])
@pytest.mark.parametrize("strength", [0.3, 0.6, 0.8])
def test_a_step_has_no_halo(blur: float, strength: float) -> None:
    """Beside a lone step, sharp or a pixel soft, the plates stay level within 3 % of what is left of it."""
    step = np.zeros((120, 240))
    step[:, 120:] = 1.0
    step = ndimage.gaussian_filter(step, blur) if blur else step
    fine = compressed(step, strength, LARGE_FORM * 240)
    row = fine[60]
    height = row[-1] - row[0]
    assert height == pytest.approx(1 - strength, abs=0.03)
    assert max(row.max() - row[-1], row[0] - row.min()) <= 0.03 * height


@settings(deadline=None, max_examples=50)
@given(hnp.arrays(np.float64, 40, elements=st.floats(0, 1)), st.floats(0, 1))
def test_greater_slopes_stay_greater(rises: Any, strength: float) -> None:
    """Larger steps stay the larger ones: g·((1 − s) + s / (1 + (g/a)²)) rises with g for s up to 8/9.

    Its least slope is (1 − s) − s/8, where (g/a)² = 3 (calculus).
    """
    g = np.sort(rises) * 10
    s = min(strength, 8 / 9)
    assert np.diff(g * ((1 - s) + s / (1 + g * g))).min(initial=0) >= -1e-12


@settings(deadline=None)
@given(st.floats(0, 1), st.floats(0, 1), st.integers(0, 12))
def test_a_constant_relief_stays_flat(level: float, strength: float, radius: int) -> None:
    """Nothing is made out of nothing."""
    flat = np.full((17, 23), level)
    assert np.ptp(detailed(flat, strength)) == 0
    assert np.ptp(smoothed(flat, radius)) <= 1e-12


def test_smoothing_takes_noise_and_leaves_the_edge() -> None:
    """Noise of 1 % on a step of the whole depth: two thirds of it go, 95 % of the step stays."""
    noise = np.random.default_rng(5).normal(0, 0.01, (100, 160))
    step = np.where(np.arange(160) < 80, 0.1, 0.9) + noise
    smooth = smoothed(step, 4)
    assert smooth[:, :60].std() < 0.01 / 3
    assert (smooth[:, 81] - smooth[:, 78]).min() > 0.95 * 0.8


@settings(deadline=None)
@given(Heights, st.integers(0, 6))
def test_smoothing_stays_within_the_range(heights: Any, radius: int) -> None:
    """No overshoot."""
    smooth = smoothed(heights, radius)
    assert heights.min() <= smooth.min() <= smooth.max() <= heights.max()
