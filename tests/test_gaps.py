"""Missing values: slopes run on through holes, and what lies outside is told apart."""

from __future__ import annotations

import hypothesis.extra.numpy as hnp
import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings

from relief.gaps import without_gaps


def plane(rows: int = 40, columns: int = 60) -> np.ndarray:
    """Return a tilted plane."""
    return np.add.outer(2.0 * np.arange(rows), -3.0 * np.arange(columns))


def test_whole_grids_stay_as_they_are() -> None:
    """Nothing is made up where nothing is missing, and nothing is said."""
    gapless = without_gaps(plane())
    assert np.array_equal(gapless.values, plane())
    assert (gapless.filled, gapless.outside.any(), gapless.notes()) == (0, False, ())


def test_a_slope_runs_on_through_a_hole() -> None:
    """Holes in a plane come back as the plane: triangles between their rims are exact on it."""
    values = plane()
    values[10:20, 15:40] = np.nan
    values[30, 5] = -np.inf
    gapless = without_gaps(values)
    assert gapless.values == pytest.approx(plane(), abs=1e-9)
    assert gapless.filled == 251
    assert gapless.notes() == ("warning: 251 values are missing; they are filled from those around them",)


def test_what_is_wide_and_reaches_the_edge_lies_outside() -> None:
    """A corner that was never measured is told apart; a nick at the edge is filled from beside it."""
    values = plane()
    values[:12, :20] = np.nan
    values[25, -1] = np.nan
    gapless = without_gaps(values)
    assert gapless.outside.sum() == 240
    assert gapless.outside[:12, :20].all()
    assert gapless.filled == 1
    assert gapless.values[25, -1] == pytest.approx(plane()[25, -1], abs=3.1)
    assert "240 missing values reach the edge" in gapless.notes()[1]


def test_a_moon_with_a_hundred_holes_looks_the_same() -> None:
    """On a photograph (scikit-image's moon) holes of 5 pixels come back within 5 of 255 levels, rms."""
    moon = skimage.data.moon().astype(float)
    holed, lost = moon.copy(), np.zeros(moon.shape, dtype=bool)
    rng = np.random.default_rng(4)
    for j, i in rng.integers(5, 500, (100, 2)):
        lost[j : j + 5, i : i + 5] = True
    holed[lost] = np.nan
    found = without_gaps(holed).values
    assert np.array_equal(found[~lost], moon[~lost])
    assert np.sqrt(np.mean((found - moon)[lost] ** 2)) < 5


@settings(deadline=None, max_examples=60)
@given(hnp.arrays(np.float64, hnp.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=9)))
def test_whatever_is_missing_the_result_is_finite_and_within_what_is_known(values: np.ndarray) -> None:
    """Any pattern of gaps, values of any size: finite everywhere, between the lowest and highest known."""
    known = np.isfinite(values) & (np.abs(values) < 1e9)
    values = np.where(known, values, np.nan)
    if not known.any():
        return
    found = without_gaps(values).values
    assert np.array_equal(found[known], values[known])
    dust = 1e-9 * max(1.0, float(np.abs(values[known]).max()))
    assert values[known].min() - dust <= found.min()
    assert found.max() <= values[known].max() + dust
