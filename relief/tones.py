"""From brightness to brightness, pixel by pixel: every function here is a curve that never turns back.

Arrays are float64; brightness runs from 0 (black) to 1 (white), coded as in sRGB unless a name says light.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# IEC 61966-2-1 (sRGB): below the break the curve is a straight line, so that its slope stays finite.
BREAK, SLOPE, OFFSET, POWER = 0.04045, 12.92, 0.055, 2.4
# CIE 1976 lightness L* (ISO/CIE 11664-4): the same idea, with the exact fractions of the standard.
CIE_BREAK, CIE_SLOPE = 216 / 24389, 24389 / 27


def light_of(brightness: Floats) -> Floats:
    """Return the linear light of coded brightness (IEC 61966-2-1).

    Examples
    --------
    >>> float(light_of(np.array([128 / 255]))[0].round(6))
    0.215861
    """
    straight = brightness / SLOPE
    curved = ((brightness + OFFSET) / (1 + OFFSET)) ** POWER
    return np.where(brightness <= BREAK, straight, curved)


def coded(light: Floats) -> Floats:
    """Return the coded brightness of linear light (IEC 61966-2-1, the other way)."""
    straight = light * SLOPE
    curved = (1 + OFFSET) * np.maximum(light, 0.0) ** (1 / POWER) - OFFSET
    return np.where(light <= 0.0031308, straight, curved)


def lightness_of(brightness: Floats) -> Floats:
    """Return CIE 1976 lightness over 100: equal steps look equally large to the eye."""
    light = light_of(brightness)
    straight = CIE_SLOPE * light
    return np.where(light <= CIE_BREAK, straight, 116 * np.cbrt(light) - 16) / 100


def light_of_lightness(lightness: Floats) -> Floats:
    """Return the linear light of CIE 1976 lightness over 100."""
    curved = ((100 * lightness + 16) / 116) ** 3
    return np.where(lightness * 100 <= 8, 100 * lightness / CIE_SLOPE, curved)


def as_it_stands(brightness: Floats) -> Floats:
    """Return the brightness itself."""
    return brightness


# Name of a tone → its curve, and the way from there to linear light.
TONES: dict[str, Callable[[Floats], Floats]] = {
    "linear": as_it_stands,
    "lightness": lightness_of,
    "light": light_of,
}
LIGHT_OF_TONE: dict[str, Callable[[Floats], Floats]] = {
    "linear": light_of,
    "lightness": light_of_lightness,
    "light": as_it_stands,
}


def level_at(brightness: Floats, level: float | str) -> float:
    """Return a level as brightness: a number is one already, "2 %" is what 2 % of the pixels stay below."""
    if isinstance(level, str):
        return float(np.percentile(brightness, float(level.rstrip("% "))))
    return level


def levelled(brightness: Floats, low: float, high: float) -> Floats:
    """Return brightness spread so that `low` becomes black and `high` white; what lies beyond is cut off.

    A picture without any brightness between the two (low = high) becomes black up to it and white above.
    """
    if (low, high) == (0.0, 1.0):
        return brightness
    if high <= low:
        return (brightness > low).astype(np.float64)
    return np.clip((brightness - low) / (high - low), 0.0, 1.0)


def with_gamma(brightness: Floats, gamma: float) -> Floats:
    """Return brightness^(1 / gamma): above 1 the middle tones rise, black and white stay."""
    return brightness if gamma == 1 else np.maximum(brightness, 0.0) ** (1 / gamma)


def flattened(amount: Floats, share: float) -> Floats:
    """Return the relief with its lowest `share` of height made one flat ground, the rest stretched."""
    return amount if share == 0 else np.maximum(amount - share, 0.0) / (1 - share)


def depth_of_clear(light: Floats, depth: float, attenuation: float) -> Floats:
    """Return how deep to cut a clear, tinted sheet so that the light through it follows the picture.

    Parameters
    ----------
    light : linear light, 0 to 1
    depth : float, mm, cut where it is brightest; nothing is cut where it is darkest
    attenuation : float, 1/mm, measured on the sheet

    Notes
    -----
    Beer–Lambert: T = T0·exp(−µ·thickness). Light spread evenly between uncut stock and the deepest cut d
    gives cut = ln(1 + light·(exp(µ·d) − 1)) / µ.
    """
    return np.asarray(np.log1p(light * np.expm1(attenuation * depth)) / attenuation)


def depth_of_white(light: Floats, depth: float, thickness: float, scatter: float, absorb: float) -> Floats:
    """Return how deep to cut a white, scattering sheet so that the light through it follows the picture.

    Parameters
    ----------
    light : linear light, 0 to 1
    depth : float, mm, cut where it is brightest
    thickness : float, mm, of the uncut sheet; more than `depth`
    scatter, absorb : float, 1/mm, Kubelka's S and K, measured on the sheet; absorb may be 0
    """
    thinnest, thickest = (
        white_transmittance(np.asarray(t), scatter, absorb) for t in (thickness - depth, thickness)
    )
    wanted = thickest + light * (thinnest - thickest)
    cut = thickness - _white_thickness(wanted, scatter, absorb)
    return np.clip(cut, 0.0, depth)


def white_transmittance(thickness: Floats, scatter: float, absorb: float) -> Floats:
    """Return the share of light that a scattering sheet lets through.

    Notes
    -----
    P. Kubelka, "New contributions to the optics of intensely light-scattering materials. Part I", J. Opt.
    Soc. Am. 38:448, 1948: T = b / (a·sinh bSX + b·cosh bSX), a = (S + K)/S, b = √(a² − 1); without absorption
    T = 1/(1 + SX).
    """
    if absorb == 0:
        return np.asarray(1 / (1 + scatter * thickness))
    a = (scatter + absorb) / scatter
    b = np.sqrt(a * a - 1)
    path = b * scatter * thickness
    return np.asarray(b / (a * np.sinh(path) + b * np.cosh(path)))


def _white_thickness(transmittance: Floats, scatter: float, absorb: float) -> Floats:
    """Return the thickness that lets this share of light through: Kubelka's formula solved for X."""
    if absorb == 0:
        return (1 / transmittance - 1) / scatter
    a = (scatter + absorb) / scatter
    b = np.sqrt(a * a - 1)
    # a·sinh p + b·cosh p = sinh(p + q) with tanh q = b/a, because a² − b² = 1
    return np.asarray((np.arcsinh(b / transmittance) - np.arctanh(b / a)) / (b * scatter))
