"""Colour scales by formula: even steps to the eye, safe for colour-blind readers, readable in grey."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Colours = npt.NDArray[np.uint8]
_Array = npt.NDArray[np.float64]

# OKLab (B. Ottosson, "A perceptual color space for image processing", 2020): lightness and two opponent axes
# to cube roots of cone responses, and those to linear sRGB.
_TO_CONES = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_TO_LINEAR = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)

# Hues in degrees. Blue against amber differ along the axis that red-green blindness leaves whole.
_BLUE, _AMBER, _BARK = 258.0, 62.0, 40.0


def diverging(count: int) -> Colours:
    """Return a scale from deep blue over near-white to deep amber.

    Parameters
    ----------
    count : int, odd, so that the middle is the palest colour

    Returns
    -------
    (count, 3) uint8 sRGB; lightness falls evenly and alike on both sides of the middle
    """
    t = np.linspace(-1.0, 1.0, count)
    away = np.abs(t)
    return srgb(0.965 - 0.60 * away, 0.155 * away**0.75, np.where(t < 0, _BLUE, _AMBER))


def split(count: int, share: float) -> Colours:
    """Return a scale of two parts: pale below a limit, dark and warm above it, with a step between.

    Parameters
    ----------
    count : int
    share : float in 0..1, share of the colours that lie below the limit
    """
    t = (np.arange(count) + 0.5) / count
    below = t < share
    inner = np.where(below, t / max(share, 1e-9), (t - share) / max(1 - share, 1e-9))
    lightness = np.where(below, 0.975 - 0.215 * inner, 0.60 - 0.34 * inner)
    chroma = np.where(below, 0.012 + 0.05 * inner, 0.15 - 0.03 * inner)
    return srgb(lightness, chroma, np.where(below, _BLUE - 30.0, _AMBER - 25.0 * inner))


def wood(count: int) -> Colours:
    """Return a scale from bark brown in the shade to pale wood in the light."""
    t = np.linspace(0.0, 1.0, count)
    chroma = 0.030 + 0.055 * np.sin(np.pi * np.clip(t, 0, 1) ** 1.1) ** 1.2
    return srgb(0.17 + 0.80 * t, chroma, _BARK + 42.0 * t)


def srgb(lightness: _Array, chroma: _Array, hue_deg: _Array) -> Colours:
    """Return the sRGB colours of OKLab lightness, chroma and hue, with less chroma where sRGB has not enough.

    Returns
    -------
    (n, 3) uint8

    Notes
    -----
    The largest chroma that fits is found by halving: the colours of one lightness and hue that sRGB can show
    are those below it. Transfer curve of IEC 61966-2-1.
    """
    hue = np.radians(hue_deg)
    low, high = np.zeros_like(lightness), np.array(chroma, dtype=np.float64)
    fits = _in_gamut(_linear(lightness, high, hue))
    for _ in range(24):
        middle = (low + high) / 2
        shown = _in_gamut(_linear(lightness, middle, hue))
        low, high = np.where(shown, middle, low), np.where(shown, high, middle)
    linear = np.clip(_linear(lightness, np.where(fits, chroma, low), hue), 0.0, 1.0)
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.round(255 * coded).astype(np.uint8)


def _linear(lightness: _Array, chroma: _Array, hue: _Array) -> _Array:
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)])
    return np.asarray((_TO_LINEAR @ (_TO_CONES @ lab) ** 3).T)


def _in_gamut(linear: _Array) -> npt.NDArray[np.bool_]:
    return np.asarray(((linear >= -1e-6) & (linear <= 1 + 1e-6)).all(axis=1))
