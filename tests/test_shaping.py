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
from PIL import Image

from demo_images import make_photograph, make_pictures
from relief.errors import JobError
from relief.gradients import grain_of
from relief.picture import Picture, read_picture
from relief.sections import Relief, Shaping
from relief.shaping import Grid, cropped, fit_heights, grid_for, masked, resampled, shape_heights

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
        ((1000.0, 1000.0, 0.01), "makes 10000 million points; use a pitch of 0.143 mm or more"),
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
    with pytest.raises(JobError, match=r"relief\.depth is None; it must be more than 0"):
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
        (0.25, "reach 0.25 mm above the stock top; subtract 0.25 mm from all of them"),
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


def test_the_script_makes_the_committed_photograph() -> None:
    """Every sixtieth row, drawn anew, is that of the committed JPEG but for its losses and a faint grain."""
    rows = np.arange(0, make_photograph.ROWS, 60)
    with Image.open(DEMO_IMAGES / "harvest.jpg") as picture:
        committed = np.asarray(picture).astype(int)[rows]
    drawn = make_photograph.harvest(rows).astype(int)
    assert drawn.shape == committed.shape
    assert np.abs(drawn - committed).mean() < 3
    assert np.abs((drawn - committed).mean(axis=(0, 1))).max() < 0.5


def test_the_demo_photograph_is_what_makes_photographs_hard_to_carve() -> None:
    """In colour, with 8 bits, grainy by more than a quarter level, and with no wide transparent part."""
    picture = read_picture(DEMO_IMAGES / "harvest.jpg")
    assert picture.levels == 256
    assert any("colour" in note for note in picture.notes)
    assert grain_of(picture.brightness) > 0.25 / 255
    assert picture.opacity is None


@pytest.mark.parametrize("name", make_pictures.PICTURES)
def test_a_demo_picture_is_16_bit_and_uses_its_whole_range(name: str) -> None:
    """The demo pictures waste none of the depth and hold far more levels than 8 bits could."""
    picture = read_picture(DEMO_IMAGES / name)
    assert picture.levels == 65536
    assert (picture.brightness.min(), picture.brightness.max()) == (0.0, 1.0)
    assert len(np.unique(picture.brightness)) > 4000


# ---- every step under its key ------------------------------------------------------------------------------


def shaped(
    brightness: Any, *, opacity: Any = None, codes: int = 65536, depth: float = 4.0, **keys: Any
) -> Any:
    """Return heights of a picture shaped with these keys, one node a pixel, 0.5 mm apart."""
    how = {name: keys.pop(name) for name in ("style", "invert", "mirror") if name in keys}
    rows, columns = brightness.shape
    picture = Picture(brightness, opacity, codes)
    grid = Grid(columns, rows, 0.5)
    field = shape_heights(picture, Relief(depth=depth, **how), Shaping(**keys), grid, thickness=6.0)
    return field.heights.astype(np.float64)


RAMP = np.tile(np.linspace(0.0, 1.0, 121), (81, 1))
HILLS = 0.5 + 0.25 * np.outer(np.sin(np.arange(81) / 9), np.cos(np.arange(121) / 11)) + 0.2 * (RAMP - 0.5)


def test_lightness_goes_by_the_eye() -> None:
    """Code 128 has L* = 53.585 (IEC 61966-2-1, then ISO/CIE 11664-4: 116·0.215861^⅓ − 16)."""
    heights = shaped(np.full((3, 3), 128 / 255), tone="lightness")
    assert heights == pytest.approx(-4 * (1 - 0.53585), abs=1e-4)


@pytest.mark.parametrize(
    "keys",
    [
        {"levels": (0.2, 0.7)},
        {"levels": ("5 %", "90 %")},
        {"tone": "lightness"},
        {"tone": "light"},
        {"gamma": 1.8},
        {"flatten": 0.3},
        {"back_lit": "clear", "attenuation": 0.9, "invert": True},
    ],
    ids=str,
)
def test_a_tone_map_never_turns_back_and_uses_the_whole_depth(keys: dict[str, Any]) -> None:
    """A rising ramp stays rising, from exactly the full depth to exactly the stock top."""
    heights = shaped(RAMP, **keys)
    assert np.diff(heights, axis=1).min() >= 0
    assert (heights.min(), heights.max()) == pytest.approx((-4.0, 0.0), abs=1e-6)


@pytest.mark.parametrize("strength", [0.2, 0.9])
def test_detail_uses_the_whole_depth(strength: float) -> None:
    """The range is exactly the depth."""
    heights = shaped(HILLS, detail=strength)
    assert (heights.min(), heights.max()) == (-4.0, 0.0)


@pytest.mark.parametrize(
    "keys",
    [
        {"smooth": 2.0},
        {"detail": 0.7},
        {"unstep": True, "levels": (0.1, 0.9)},
        {"tone": "light", "gamma": 2.0},
    ],
    ids=str,
)
def test_a_picture_of_one_brightness_stays_flat(keys: dict[str, Any]) -> None:
    """Nothing is made out of nothing."""
    assert np.ptp(shaped(np.full((30, 40), 0.4), codes=256, **keys)) <= 1e-6


def test_unstep_comes_before_the_tone() -> None:
    """A ramp of 8-bit codes, seen by lightness, comes back within a tenth of a code's height (0.016 mm)."""
    ramp = 0.1 + 0.3 * RAMP
    exact = shaped(ramp, tone="lightness")
    smooth = shaped(np.rint(ramp * 255) / 255, codes=256, unstep=True, tone="lightness")
    stepped = shaped(np.rint(ramp * 255) / 255, codes=256, tone="lightness")
    assert np.sqrt(np.mean((smooth - exact) ** 2)) < 0.1 * 0.016
    assert np.sqrt(np.mean((stepped - exact) ** 2)) > 0.25 * 0.016


def test_crop_cuts_the_asked_sides() -> None:
    """Percent of the picture off left, right, near and far; the opacity goes along."""
    codes = np.arange(200.0).reshape(10, 20) / 200
    part = cropped(Picture(codes, codes, 256), (10.0, 20.0, 30.0, 0.0))
    assert np.array_equal(part.brightness, codes[3:, 2:16])
    assert part.opacity is not None
    assert np.array_equal(part.opacity, codes[3:, 2:16])


def test_what_is_masked_is_ground_even_when_inverted() -> None:
    """White of the mask keeps the relief; black is ground, whichever way the picture is turned."""
    mask = Picture(np.array([[1.0, 0.0], [1.0, 0.0]]), None, 256)
    picture = masked(Picture(np.full((2, 2), 0.25), None, 256), mask)
    for invert, kept in ((False, -3.0), (True, -1.0)):
        relief = Relief(depth=4.0, invert=invert)
        heights = shape_heights(picture, relief, Shaping(), Grid(2, 2, 1.0)).heights
        assert np.array_equal(heights, [[kept, -4], [kept, -4]])


def test_lift_rounds_the_opaque_part() -> None:
    """A flat white disc becomes a dome on the ground, highest in the middle."""
    j, i = np.mgrid[0:81, 0:81] - 40.0
    disc = (np.hypot(i, j) < 30.5).astype(np.float64)
    heights = shaped(disc, opacity=disc, lift=1.0)
    assert heights[40, 40] == pytest.approx(0, abs=0.02)
    assert heights[40, 40 + 18] == pytest.approx(-4 * (1 - 0.8), abs=0.12)
    assert heights[0, 0] == -4


def test_feather_and_vignette_reach_the_ground_at_the_edge() -> None:
    """The outermost nodes lie on the ground (raised: full depth; sunk: top); the middle is untouched."""
    for style, ground in (("raised", -4.0), ("sunk", 0.0)):
        plain = shaped(HILLS, style=style)
        for keys in ({"feather": 5.0}, {"vignette": 5.0}):
            heights = shaped(HILLS, style=style, **keys)
            assert heights[0] == pytest.approx(ground)
            assert heights[:, -1] == pytest.approx(ground)
            assert heights[40, 60] == plain[40, 60]


def test_a_frame_stands_at_the_stock_top_in_both_styles() -> None:
    """A flat frame is stock left standing."""
    for style in ("raised", "sunk"):
        heights = shaped(HILLS, style=style, border="flat", border_width=5.0)
        assert (heights[:10] == 0).all()
        assert np.array_equal(heights[10:-10, 10:-10], shaped(HILLS, style=style)[10:-10, 10:-10])


def test_light_through_a_back_lit_sheet_follows_the_picture() -> None:
    """Clear sheet, Beer–Lambert: light through what is left is straight in linear light."""
    heights = shaped(RAMP, back_lit="clear", attenuation=1.248222)
    through = np.exp(-1.248222 * (6.0 + heights[0]))
    light = np.where(RAMP[0] <= 0.04045, RAMP[0] / 12.92, ((RAMP[0] + 0.055) / 1.055) ** 2.4)
    expected = through[0] + light * (through[-1] - through[0])
    assert through == pytest.approx(expected, rel=1e-5)
    assert (heights.min(), heights.max()) == pytest.approx((-4, 0))


@settings(deadline=None, max_examples=25)
@given(values(least=6, most=20), st.data())
def test_whatever_is_asked_stays_within_the_depth(brightness: Any, data: st.DataObject) -> None:
    """Any mixture of steps gives finite heights between the full depth and the stock top."""
    keys = {
        "levels": data.draw(st.sampled_from([(0.0, 1.0), (0.3, 0.6), ("2 %", "98 %")])),
        "tone": data.draw(st.sampled_from(["linear", "lightness", "light"])),
        "gamma": data.draw(st.sampled_from([0.5, 1.0, 2.2])),
        "unstep": data.draw(st.booleans()),
        "smooth": data.draw(st.sampled_from([0.0, 1.0])),
        "detail": data.draw(st.floats(0, 1)),
        "flatten": data.draw(st.sampled_from([0.0, 0.2])),
        "feather": data.draw(st.sampled_from([0.0, 1.0])),
        "vignette": data.draw(st.sampled_from([0.0, 1.0])),
        "border": data.draw(st.sampled_from(["none", "bead", "cove"])),
        "border_width": 1.0,
        "back_lit": data.draw(st.sampled_from(["none", "clear", "white"])),
        "attenuation": 1.0,
        "scatter": 1.0,
        "lift": data.draw(st.sampled_from([0.0, 0.5])),
    }
    opacity = np.ones_like(brightness)
    opacity[0] = 0.0
    heights = shaped(brightness, opacity=opacity, codes=256, **keys)
    assert np.isfinite(heights).all()
    assert heights.min() >= -4 - 1e-6
    assert heights.max() <= 1e-6
