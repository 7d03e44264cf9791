"""The vector instructions do what the plain loops do, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numba import njit

from relief.kernels.lanes import (
    BLOCK,
    LANES,
    TILE,
    first_giving,
    first_plainly,
    hopeful,
    hopeful_plainly,
    raise_heights,
    raise_noting,
    raise_plainly,
)


@njit
def ask(high: np.ndarray, q: int, i: int, least: np.ndarray, b: int, height: np.ndarray, c: int) -> bool:
    """Call the vector instructions from compiled code, as they have to be."""
    return hopeful(high, q, i, least, b, height, c)


@njit
def lift(
    noting: bool,
    z: np.ndarray,
    y: int,
    x: int,
    s: np.ndarray,
    top: int,
    left: int,
    h: np.ndarray,
    at: np.ndarray,
) -> None:
    """Raise, with or without noting, at columns LANES on."""
    if noting:
        raise_noting(z, y, x, s, top, left, h, at, LANES, 800)
    else:
        raise_heights(z, y, x, s, top, left, h, at, LANES, 800)


@njit
def find(z: np.ndarray, n: int, m: int, s: np.ndarray, r: int, left: int, height: np.float32) -> int:
    """Call the vector instructions from compiled code, as they have to be."""
    return first_giving(z, n, m, s, r, left, height)


@pytest.mark.jitless
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31), offset=st.integers(0, BLOCK - 1))
def test_the_first_of_a_row_is_found_alike(seed: int, offset: int) -> None:
    """Of several offsets that give the height, the first; ∞ is no offset."""
    rng = np.random.default_rng(seed)
    z = rng.integers(0, 4, (20, 50)).astype(np.float32)
    s = rng.integers(0, 3, (30, 20)).astype(np.float32)
    s[rng.random(s.shape) < 0.3] = np.inf
    s[8, 6 + offset] = 1.0
    height = z[3, 9 + offset] - s[8, 6 + offset]
    found = find(z, 3, 9, s, 8, 6, height)
    assert found == first_plainly(z, 3, 9, s, 8, 6, height) <= offset


@pytest.mark.jitless
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**31), spare=st.floats(-0.3, 0.3))
def test_a_bound_is_judged_alike(seed: int, spare: float) -> None:
    """One lane of one row that may gain is enough; equal is no gain."""
    rng = np.random.default_rng(seed)
    high = rng.random((5, 60), dtype=np.float32)
    least = rng.random((7, TILE + 1), dtype=np.float32)
    least[:, TILE] = least[:, :TILE].min(axis=1)
    height = np.full((TILE + 1, 3 * LANES), np.inf, dtype=np.float32)
    height[:TILE, LANES : 2 * LANES] = high[3, 11 : 11 + LANES] - least[4, :TILE, None]
    assert not ask(high, 3, 11, least, 4, height, LANES)
    height[rng.integers(TILE), LANES + rng.integers(LANES)] -= np.float32(spare)
    height[TILE] = height[:TILE].min(axis=0)
    expected = hopeful_plainly(high, 3, 11, least, 4, height, LANES)
    assert ask(high, 3, 11, least, 4, height, LANES) == expected


@pytest.mark.jitless
@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**31), noting=st.booleans())
def test_heights_are_raised_alike(seed: int, noting: bool) -> None:
    """Heights, and the rows noted, are those of the plain loops; nothing else is touched; ∞ is no offset."""
    rng = np.random.default_rng(seed)
    z = rng.integers(0, 40, (20, 50)).astype(np.float32) / 8
    s = rng.integers(0, 40, (30, 20)).astype(np.float32) / 8
    s[rng.random(s.shape) < 0.5] = np.inf
    height = rng.random((TILE + 1, 3 * LANES), dtype=np.float32) * 5
    height[TILE] = height[:TILE].min(axis=0)
    place = np.full((TILE, 3 * LANES), -1, dtype=np.int32)
    raised, noted = height.copy(), place.copy()
    lift(noting, z, 2, 9, s, TILE + 5, 6, raised, noted)
    raise_plainly(z, 2, 9, s, TILE + 5, 6, height, place, LANES, 800)
    assert np.array_equal(raised, height)
    if noting:
        assert np.array_equal(noted, place)
    assert place.max() <= 800
