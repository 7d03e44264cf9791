"""Tone curves, against the standards that define them."""

from __future__ import annotations

import numpy as np
import pytest
import skimage.color
from hypothesis import given
from hypothesis import strategies as st

from relief.tones import (
    LIGHT_OF_TONE,
    TONES,
    coded,
    depth_of_clear,
    depth_of_white,
    flattened,
    level_at,
    levelled,
    light_of,
    lightness_of,
    white_transmittance,
    with_gamma,
)

RAMP = np.linspace(0.0, 1.0, 1001)

# IEC 61966-2-1: V ≤ 0.04045: V / 12.92, else ((V + 0.055) / 1.055)^2.4, worked out by hand for 8-bit codes.
SRGB = {
    1: 0.000303527,
    10: 0.003035,
    11: 0.003347,
    64: 0.051269,
    118: 0.181164,
    127: 0.212231,
    128: 0.215861,
    187: 0.496933,
    188: 0.502886,
    192: 0.527115,
    254: 0.991102,
}


@pytest.mark.parametrize(("code", "light"), SRGB.items())
def test_light_of_srgb_codes(code: int, light: float) -> None:
    """Worked values of IEC 61966-2-1."""
    assert light_of(np.array([code / 255]))[0] == pytest.approx(light, abs=6e-7)


def test_18_percent_grey_is_code_118() -> None:
    """18 % of the light is code 117.65, half of it 187.52 (IEC 61966-2-1, inverse)."""
    assert 255 * coded(np.array([0.18, 0.5])) == pytest.approx([117.65, 187.52], abs=0.005)


def test_coding_undoes_decoding() -> None:
    """The two directions of IEC 61966-2-1 meet within what its rounded break allows (3e-8)."""
    assert coded(light_of(RAMP)) == pytest.approx(RAMP, abs=1e-7)


def test_lightness_is_that_of_a_colour_library() -> None:
    """L* of grey is what scikit-image's rgb2lab says (ISO/CIE 11664-4), over 100."""
    grey = np.repeat(RAMP[:, None, None], 3, axis=2)
    assert 100 * lightness_of(RAMP) == pytest.approx(skimage.color.rgb2lab(grey)[:, 0, 0], abs=2e-3)


@pytest.mark.parametrize("tone", TONES)
def test_each_tone_rises_from_black_to_white_and_leads_back_to_light(tone: str) -> None:
    """A tone is monotone, keeps black and white, and its inverse gives the light that the codes mean."""
    toned = TONES[tone](RAMP)
    assert (toned[0], toned[-1]) == pytest.approx((0.0, 1.0), abs=1e-12)
    assert np.diff(toned).min() > 0
    assert LIGHT_OF_TONE[tone](toned) == pytest.approx(light_of(RAMP), abs=1e-12)


@given(st.floats(0.1, 10))
def test_gamma_keeps_black_white_and_order(gamma: float) -> None:
    """A gamma is monotone and leaves both ends."""
    toned = with_gamma(RAMP, gamma)
    assert (toned[0], toned[-1]) == (0.0, 1.0)
    assert np.diff(toned).min() >= 0


def test_gamma_of_two_is_a_square_root() -> None:
    """Above 1 the middle tones rise."""
    assert with_gamma(np.array([0.25]), 2.0)[0] == 0.5


@given(st.floats(0, 0.95), st.floats(0.001, 1))
def test_levels_are_monotone_and_reach_both_ends(low: float, span: float) -> None:
    """`low` becomes black, `high` white, nothing turns back; exact at the ends."""
    high = min(low + span, 1.0)
    assert np.diff(levelled(RAMP, low, high)).min() >= 0
    assert list(levelled(np.array([low, high]), low, high)) == [0.0, 1.0]


def test_levels_by_share_are_percentiles() -> None:
    """A level of "1 %" is the brightness that 1 % of the pixels stay below (numpy.percentile)."""
    pixels = np.random.default_rng(1).random((50, 60)) ** 2
    assert level_at(pixels, "1 %") == np.percentile(pixels, 1)
    assert level_at(pixels, "99.5%") == np.percentile(pixels, 99.5)
    assert level_at(pixels, 0.25) == 0.25


def test_a_picture_of_one_brightness_has_no_middle() -> None:
    """Levels that fall together make black up to there and white above."""
    assert list(levelled(np.array([0.2, 0.5, 0.7]), 0.5, 0.5)) == [0.0, 0.0, 1.0]


def test_a_flat_ground_leaves_the_top() -> None:
    """What lies lower than the share becomes 0; the highest stays 1; nothing turns back."""
    flat = flattened(RAMP, 0.3)
    assert (flat[300], flat[-1]) == pytest.approx((0.0, 1.0))
    assert (flat[:300] == 0).all()
    assert np.diff(flat).min() >= 0


def test_light_through_a_clear_sheet_follows_the_picture() -> None:
    """Beer–Lambert, exp(−µ t): after the cut, light is straight in the picture's; ends are exact."""
    light = np.linspace(0, 1, 11)
    cut = depth_of_clear(light, 2.4, 1.248222)
    through = np.exp(-1.248222 * (3.0 - cut))
    assert np.diff(through, 2) == pytest.approx(0, abs=1e-12)
    assert (cut[0], cut[-1]) == pytest.approx((0, 2.4), abs=1e-12)


def test_twenty_to_one_over_2_4_mm() -> None:
    """µ = ln 20 / 2.4 = 1.248222 per mm gives a contrast of 20 : 1 (Beer–Lambert, arithmetic)."""
    # cut where it is brightest, the sheet lets twenty times as much through as uncut; half-way, 10.5 times
    cut = depth_of_clear(np.array([0.0, 0.5, 1.0]), 2.4, 1.248222)
    assert np.exp(1.248222 * cut) == pytest.approx([1.0, 10.5, 20.0], abs=1e-4)


@pytest.mark.parametrize(
    ("absorb", "expected"),
    [(0.0, (0.5, 1 / 3, 0.2, 1 / 7)), (0.1, (0.471761, 0.289137, 0.135423, 0.069241))],
)
def test_a_white_sheet_lets_through_what_kubelka_says(absorb: float, expected: tuple[float, ...]) -> None:
    """Kubelka 1948, worked by hand for S = 2 per mm, K = 0 and 0.1 per mm, X = 0.5, 1, 2, 3 mm."""
    through = white_transmittance(np.array([0.5, 1.0, 2.0, 3.0]), 2.0, absorb)
    assert through == pytest.approx(expected, abs=6e-7)


@pytest.mark.parametrize("absorb", [0.0, 0.02, 0.4])
def test_light_through_a_white_sheet_follows_the_picture(absorb: float) -> None:
    """After the cut, Kubelka's transmittance is straight in the picture's light; the range is the depth."""
    light = np.linspace(0, 1, 21)
    cut = depth_of_white(light, 2.5, 3.2, 1.7, absorb)
    through = white_transmittance(3.2 - cut, 1.7, absorb)
    assert np.diff(through, 2) == pytest.approx(0, abs=1e-12)
    assert (cut[0], cut[-1]) == pytest.approx((0.0, 2.5), abs=1e-12)
