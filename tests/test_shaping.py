"""Brightness and given heights laid on the grid: exact where sizes agree, true to shape where not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import hypothesis.extra.numpy as hnp
import hypothesis.strategies as st
import numpy as np
import pytest
import scipy.integrate
from hypothesis import given, settings

from demo_images import make_pictures
from relief.errors import JobError
from relief.job import Relief, Shaping
from relief.picture import Picture, read_picture
from relief.shaping import Grid, fit_heights, grid_for, resampled, shape_heights

DEMO_IMAGES = Path(make_pictures.__file__).parent
LINEAR = Shaping(tone="linear")


def picture_of(codes: np.ndarray[Any, Any]) -> Picture:
    """Return a picture with these 16-bit codes, row 0 near."""
    return Picture(codes / 65535, None, 65536)


def values(least: int = 2, most: int = 12) -> st.SearchStrategy[Any]:
    """Return small arrays of brightness."""
    shapes = hnp.array_shapes(min_dims=2, max_dims=2, min_side=least, max_side=most)
    return hnp.arrays(np.float64, shapes, elements=st.floats(0, 1, width=32))


# ---- the grid ----------------------------------------------------------------------------------------------


def test_nodes_lie_on_both_edges() -> None:
    """A relief of width W has round(W / pitch) + 1 columns."""
    grid = grid_for(100.0, 50.0, 0.1, (7, 9))
    assert (grid.columns, grid.rows) == (1001, 501)
    assert (grid.width, grid.length) == pytest.approx((100.0, 50.0))


def test_the_length_follows_the_picture_between_pixel_centres() -> None:
    """Without a length, pixels are square: width × (rows − 1) / (columns − 1)."""
    assert grid_for(120.0, None, 0.1, (801, 1201)) == Grid(1201, 801, 0.1)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ((0.0, 10.0, 0.1), "width is 0 mm"),
        ((10.0, -1.0, 0.1), "length is -1 mm"),
        ((10.0, 10.0, 0.0), "pitch is 0 mm"),
        ((10.0, float("nan"), 0.1), "length is nan mm"),
        ((10.0, 1.0, 2.0), "pitch 2 mm is wider than the relief"),
        ((1000.0, 1000.0, 0.01), "makes 10000 million nodes; use a pitch of 0.143 mm or more"),
    ],
)
def test_an_impossible_grid_is_refused(asked: tuple[float, float, float], words: str) -> None:
    """Sizes that make no grid are refused with what came and how to mend it."""
    with pytest.raises(JobError, match=words):
        grid_for(*asked, shape=(5, 5))


# ---- tone --------------------------------------------------------------------------------------------------


def test_heights_are_exact_to_float32_when_the_sizes_agree() -> None:
    """White is the stock top, black the full depth, and every code lies where the line says, to float32."""
    codes = np.arange(65536).reshape(256, 256)
    field = shape_heights(picture_of(codes), Relief(depth=6.0), LINEAR, Grid(256, 256, 0.1))
    assert field.heights.dtype == np.float32
    assert np.array_equal(field.heights, (6.0 * codes / 65535 - 6.0).astype(np.float32))
    assert (field.heights[0, 0], field.heights[-1, -1]) == (np.float32(-6), np.float32(0))
    assert field.pitch == 0.1


@pytest.mark.parametrize(
    ("relief", "expected"),
    [
        (Relief(depth=4.0), [[-4, -3], [-1, 0]]),
        (Relief(depth=4.0, invert=True), [[0, -1], [-3, -4]]),
        (Relief(depth=4.0, style="sunk"), [[0, -1], [-3, -4]]),
        (Relief(depth=4.0, style="sunk", invert=True), [[-4, -3], [-1, 0]]),
        (Relief(depth=4.0, mirror=True), [[-3, -4], [0, -1]]),
    ],
)
def test_style_invert_and_mirror(relief: Relief, expected: list[list[float]]) -> None:
    """Sunk lets white go deep; invert swaps black and white; mirror swaps left and right."""
    picture = Picture(np.array([[0.0, 0.25], [0.75, 1.0]]), None, 256)
    assert np.array_equal(shape_heights(picture, relief, LINEAR, Grid(2, 2, 1.0)).heights, expected)


def test_the_step_of_an_8_bit_picture_is_depth_over_255() -> None:
    """10 mm over 255 steps makes terraces of 0.0392157 mm (arithmetic)."""
    picture = Picture(np.arange(256).reshape(1, 256).repeat(2, axis=0) / 255, None, 256)
    heights = shape_heights(picture, Relief(depth=10.0), LINEAR, Grid(256, 2, 1.0)).heights
    assert np.diff(heights[0].astype(float)) == pytest.approx(0.0392157, abs=2e-6)


def test_a_relief_without_depth_is_refused() -> None:
    """The depth has to be settled before the target is made."""
    with pytest.raises(JobError, match=r"relief\.depth is None; it must be more than 0 mm"):
        shape_heights(picture_of(np.zeros((2, 2))), Relief(), LINEAR, Grid(2, 2, 1.0))


# ---- resampling --------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(values(), st.integers(2, 30), st.integers(2, 30))
def test_nothing_goes_past_the_given_values(given_values: Any, rows: int, columns: int) -> None:
    """No overshoot: the result stays between the lowest and the highest given value."""
    result = resampled(given_values, rows, columns)
    assert result.shape == (rows, columns)
    assert given_values.min() <= result.min()
    assert result.max() <= given_values.max()


@settings(deadline=None)
@given(values(), st.integers(2, 12), st.integers(2, 12))
def test_shrinking_keeps_the_volume(given_values: Any, rows: int, columns: int) -> None:
    """The coarse cells together hold what the trapezoid rule (scipy) finds under the given values."""
    given_rows, given_columns = given_values.shape
    rows, columns = min(rows, given_rows), min(columns, given_columns)
    given_volume = scipy.integrate.trapezoid(scipy.integrate.trapezoid(given_values, axis=1), axis=0)
    result = resampled(given_values, rows, columns)
    cell = (given_rows - 1) / (rows - 1) * (given_columns - 1) / (columns - 1)
    edge = np.outer(*(np.r_[0.5, np.ones(size - 2), 0.5] for size in (rows, columns)))
    assert float((result * edge).sum()) * cell == pytest.approx(given_volume, abs=1e-9)


def test_shrinking_averages_a_chequerboard() -> None:
    """Detail finer than a node becomes its mean, not a pattern of its own (no aliasing)."""
    board = np.indices((121, 121)).sum(axis=0) % 2.0
    assert resampled(board, 11, 11)[1:-1, 1:-1] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("size", [5, 11, 16, 40, 61])
def test_a_ramp_stays_a_ramp(size: int) -> None:
    """A plane is reproduced at every inner node, whether the grid shrinks or grows."""
    ramp = np.add.outer(np.linspace(0, 1, 16), np.linspace(0, 0.5, 16))
    expected = np.add.outer(np.linspace(0, 1, size), np.linspace(0, 0.5, size))
    assert resampled(ramp, size, size)[1:-1, 1:-1] == pytest.approx(expected[1:-1, 1:-1], abs=1e-12)


@settings(deadline=None)
@given(values(most=6), st.integers(1, 4))
def test_growing_goes_through_the_given_values(given_values: Any, times: int) -> None:
    """Where a node of the finer grid falls on a pixel, it has the pixel's value."""
    rows, columns = ((size - 1) * times + 1 for size in given_values.shape)
    assert resampled(given_values, rows, columns)[::times, ::times] == pytest.approx(given_values, abs=1e-12)


def test_growing_a_smooth_hill_is_smooth() -> None:
    """A sine sampled 16 times a wave comes back within 1.5 % of its height, without steps."""
    coarse = np.sin(np.linspace(0, 4 * np.pi, 33))
    fine = np.sin(np.linspace(0, 4 * np.pi, 321))
    grown = resampled(np.tile(coarse, (2, 1)), 2, 321)[0]
    assert np.abs(grown - fine).max() < 0.015 * 2
    assert np.abs(np.diff(grown)).max() < 1.3 * np.abs(np.diff(fine)).max()


def test_sizes_are_judged_axis_by_axis() -> None:
    """An axis that keeps its size keeps its values, whatever the other one does."""
    columns_only = resampled(np.array([[0.0, 1.0, 0.0], [2.0, 2.0, 2.0]]), 2, 5)
    assert np.array_equal(columns_only[:, ::2], [[0.0, 1.0, 0.0], [2.0, 2.0, 2.0]])


# ---- given heights -----------------------------------------------------------------------------------------


def test_given_heights_are_used_as_they_are() -> None:
    """Heights of the grid's own size arrive unchanged."""
    heights = np.array([[0.0, -1.25, -3.0], [-0.5, -2.0, -5.99]], dtype=np.float32)
    field = fit_heights(heights, 6.0, Grid(3, 2, 0.5))
    assert np.array_equal(field.heights, heights)
    assert field.pitch == 0.5


@pytest.mark.parametrize(
    ("height", "words"),
    [
        (0.25, "reach 0.25 mm above the stock top; subtract 0.25 from all of them"),
        (-6.0, "reach 6 mm deep, but the stock is 6 mm thick; set a greater thickness"),
        (-7.5, "reach 7.5 mm deep, but the stock is 6 mm thick"),
    ],
)
def test_given_heights_outside_the_stock_are_refused(height: float, words: str) -> None:
    """Heights above the stock top, or down to its bottom, cannot be carved."""
    heights = np.array([[-1.0, height], [-1.0, -1.0]], dtype=np.float32)
    with pytest.raises(JobError, match=words):
        fit_heights(heights, 6.0, Grid(2, 2, 1.0))


# ---- the demo pictures -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", make_pictures.PICTURES)
def test_the_script_makes_the_committed_pictures(name: str) -> None:
    """The script draws what lies beside it; another machine's libm may move a height by one of 4370 steps."""
    drawn = make_pictures.PICTURES[name]().astype(np.int64)
    committed = np.rint(read_picture(DEMO_IMAGES / name).brightness[::-1] * 65535).astype(np.int64)
    assert drawn.shape == committed.shape
    assert np.abs(drawn - committed).max() <= 15
    assert np.count_nonzero(drawn != committed) <= drawn.size // 1000


@pytest.mark.parametrize("name", make_pictures.PICTURES)
def test_a_demo_picture_is_16_bit_and_uses_its_whole_range(name: str) -> None:
    """The demo pictures waste none of the depth and hold far more levels than 8 bits could."""
    picture = read_picture(DEMO_IMAGES / name)
    assert picture.levels == 65536
    assert (picture.brightness.min(), picture.brightness.max()) == (0.0, 1.0)
    assert len(np.unique(picture.brightness)) > 4000
