"""The colour scales: even to the eye, safe for colour-blind readers, readable in grey."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from relief.colours import diverging, split, srgb, wood

# Simulation of full protanopia and deuteranopia on linear RGB: Machado, Oliveira & Fernandes, "A
# physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15(6), 2009 (from memory).
PROTANOPIA = np.array(
    [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
)
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


def seen(colours: np.ndarray, blindness: np.ndarray) -> np.ndarray:
    """Return the sRGB (0..1) that a colour-blind eye takes the colours for; curve of IEC 61966-2-1."""
    coded = colours / 255.0
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    linear = np.clip(linear @ blindness.T, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def test_greys_of_oklab() -> None:
    """By definition of OKLab, no chroma and lightness 0 and 1 are black and white; greys are neutral."""
    greys = srgb(np.array([0.0, 0.5, 1.0]), np.zeros(3), np.zeros(3))
    assert greys[0].tolist() == [0, 0, 0]
    assert greys[2].tolist() == [255, 255, 255]
    assert np.ptp(greys[1].astype(int)) <= 1


@pytest.mark.parametrize(
    "scale", [diverging(101)[:51][::-1], diverging(101)[50:], wood(101)[::-1], split(101, 0.5)]
)
def test_lightness_falls(scale: np.ndarray) -> None:
    """On paper without colour every scale still reads: its lightness (CIE L*) never rises visibly."""
    lightness = rgb2lab(scale / 255.0)[:, 0]
    assert np.diff(lightness).max() < 0.5
    assert lightness[0] - lightness[-1] > 50


def test_diverging_scale_is_balanced() -> None:
    """Equal amounts above and below look equally dark; the middle is nearly white."""
    lightness = rgb2lab(diverging(101) / 255.0)[:, 0]
    assert np.abs(lightness - lightness[::-1]).max() < 6
    assert lightness.argmax() == 50
    assert lightness[50] > 94


@pytest.mark.parametrize("blindness", [np.eye(3), PROTANOPIA, DEUTERANOPIA])
def test_sides_are_told_apart(blindness: np.ndarray) -> None:
    """From a quarter of the scale on, too deep and left standing differ plainly (CIEDE2000 > 15)."""
    lab = rgb2lab(seen(diverging(101), blindness))
    below, above = lab[:38][::-1], lab[63:]
    assert deltaE_ciede2000(below, above).min() > 15


@pytest.mark.parametrize("blindness", [np.eye(3), PROTANOPIA, DEUTERANOPIA])
def test_limit_is_a_plain_step(blindness: np.ndarray) -> None:
    """As smooth as asked and rougher differ plainly at the limit itself."""
    lab = rgb2lab(seen(split(200, 0.5), blindness))
    assert deltaE_ciede2000(lab[99], lab[100]) > 15
