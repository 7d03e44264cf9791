"""Large forms held back, fine ones kept: smoothing that keeps edges, and work on slopes instead of heights.

Arrays are float64 (rows, columns); lengths are in nodes unless a name says mm.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from relief.kernels.bands import core_count

Floats = npt.NDArray[np.float64]

# Guided filter: differences well below this share of the depth are smoothed, those well above it are kept.
KEPT_EDGE = 0.05
# Slopes well above this many times the mean slope count as steps and get none of the spared depth.
STEP = 8.0
# Nodes over which heights are averaged before their slopes tell a step from grain.
GRAIN = 2.0
# Forms wider than about six times this share of the shorter side are held back.
LARGE_FORM = 3 / 200
# Fine forms stand out, or go in, by less than this share of the whole depth: together 30 % of it.
SPARED = 0.15


def smoothed(amount: Floats, radius: float) -> Floats:
    """Return the relief smoothed over `radius` nodes, its edges kept.

    Notes
    -----
    The guided filter with the picture as its own guide: K. He, J. Sun, X. Tang, "Guided image filtering",
    IEEE TPAMI 35(6):1397–1409, 2013. In a window out = a·z + (1 − a)·mean, a = variance / (variance + e²).
    Beside an edge a wide window keeps everything, grain as well; so narrower ones go before it, with a
    quarter and half of the radius.
    """
    for part in (4, 2, 1):
        amount = _guided(amount, round(radius / part))
    return amount


def _guided(amount: Floats, radius: int) -> Floats:
    if radius < 1:
        return amount
    size = 2 * radius + 1
    mean = ndimage.uniform_filter(amount, size, mode="reflect")
    variance = ndimage.uniform_filter(amount * amount, size, mode="reflect") - mean * mean
    keep = np.maximum(variance, 0.0) / (np.maximum(variance, 0.0) + KEPT_EDGE**2)
    level = ndimage.uniform_filter((1 - keep) * mean, size, mode="reflect")
    smooth = ndimage.uniform_filter(keep, size, mode="reflect") * amount + level
    # a straight line through extremes could step past them by rounding
    return np.clip(smooth, amount.min(), amount.max())


def grain_of(amount: Floats) -> float:
    """Return the standard deviation of the grain: what changes from node to node without a pattern.

    Notes
    -----
    J. Immerkær, "Fast noise variance estimation", Computer Vision and Image Understanding 64(2):300–302,
    1996 (from memory): the mask [1 −2 1; −2 4 −2; 1 −2 1] sees neither slopes nor gentle curves, and takes
    grain of deviation σ to 6σ. Here the median takes the place of the mean, so that edges and patterns on
    less than half of it do not count (of a normal distribution it is 0.6745 standard deviations).
    """
    if min(amount.shape) < 3:
        return 0.0
    across = amount[:, :-2] - 2 * amount[:, 1:-1] + amount[:, 2:]
    both = across[:-2] - 2 * across[1:-1] + across[2:]
    return float(np.median(np.abs(both))) / (6 * 0.6745)


def detailed(amount: Floats, strength: float) -> Floats:
    """Return the relief with its large forms held back, so that fine detail gets more of the depth.

    Parameters
    ----------
    amount : (rows, columns), 0 to 1
    strength : float, 0 (as it is) to 1 (fine detail alone)

    Returns
    -------
    (rows, columns), stretched to exactly 0 to 1; a level relief stays as it is.
    """
    if strength == 0 or np.ptp(amount) == 0:
        return amount
    return stretched(compressed(amount, strength, LARGE_FORM * min(amount.shape)))


def compressed(amount: Floats, strength: float, reach: float) -> Floats:
    """Return (1 − strength)·z + strength·h, where h holds the fine forms of z without its steps.

    Notes
    -----
    Compression in the gradient domain, after R. Fattal, D. Lischinski, M. Werman, "Gradient domain high
    dynamic range compression", ACM TOG 21(3):249–256, 2002, and T. Weyrich et al., "Digital bas-relief from
    3D scenes", ACM TOG 26(3), 2007: large slopes are attenuated, then heights are found that have the slopes
    left over. Here a slope keeps w = 1 / (1 + (g / a)⁴), where g is the slope there without its grain and a
    is 8 × the mean of g: as in the first paper a coarser scale tells what is a step. The heights are held to
    0 over distances beyond `reach` by a screened Poisson equation (P. Bhat, B. Curless, M. Cohen, C. L.
    Zitnick, "Fourier analysis of the 2D screened Poisson equation for gradient domain problems", ECCV 2008).
    It is linear, so one solution h serves every strength; the last step rounds its few highest and lowest
    places off, so that h takes 30 % of the depth of z at most.
    """
    down, right = slopes(amount)
    keep = _kept_slope(amount)
    down *= np.minimum(keep[1:], keep[:-1])
    right *= np.minimum(keep[:, 1:], keep[:, :-1])
    fine = heights_of(down, right, screen=1 / reach**2, sharp=True)
    return (1 - strength) * amount + strength * _rounded_off(fine, SPARED * float(np.ptp(amount)))


def _kept_slope(amount: Floats) -> Floats:
    """Return which share of the slope at each node is kept: near 1 on grain and gentle forms, 0 on steps."""
    smooth = ndimage.gaussian_filter(amount, GRAIN, truncate=3.0)
    steep = np.hypot(*np.gradient(smooth))
    usual = STEP * float(steep.mean())
    if usual == 0:
        return np.ones_like(amount)
    steep /= usual
    return np.asarray(1 / (1 + np.square(np.square(steep))))


def _rounded_off(fine: Floats, limit: float) -> Floats:
    """Return h / (1 + (h / L)⁸)^⅛ with the limit L: as it is up to two thirds of L, never beyond L."""
    power = np.square(np.square(np.square(fine / limit)))
    return np.asarray(fine / np.sqrt(np.sqrt(np.sqrt(1 + power))))


def slopes(heights: Floats) -> tuple[Floats, Floats]:
    """Return the rise from each node to the next: down the rows (rows − 1, columns), along them (…, − 1)."""
    return np.diff(heights, axis=0), np.diff(heights, axis=1)


def heights_of(down: Floats, right: Floats, screen: float = 0.0, sharp: bool = False) -> Floats:
    """Return the heights whose slopes come nearest to the given ones.

    Parameters
    ----------
    down : (rows − 1, columns), right : (rows, columns − 1)
    screen : float, how strongly heights are pulled to 0; 0 leaves one constant free, and the mean becomes 0
    sharp : whether the pull falls off twice as fast from wide forms to narrow ones

    Notes
    -----
    Solves screen·h − Δh = −div(slopes) with no slope across the border; sharp, a wave of stiffness k (the
    eigenvalue of −Δ) keeps k² / (k² + screen²) instead of k / (k + screen). The five-point Laplacian becomes
    diagonal under the cosine transform (DCT-II): eigenvalues 2cos(πk/n) − 2 along each axis (W. L. Briggs,
    V. E. Henson, "The DFT", SIAM 1995, chapter on boundary value problems; from memory). Exact to rounding.
    """
    rows, columns = down.shape[0] + 1, right.shape[1] + 1
    source = np.zeros((rows, columns))
    source[:-1] -= down
    source[1:] += down
    source[:, :-1] -= right
    source[:, 1:] += right
    waves = fft.dctn(source, type=2, norm="ortho", workers=core_count(), overwrite_x=True)
    stiff = _stiffness(rows)[:, None] + _stiffness(columns)[None, :]
    stiff[0, 0], waves[0, 0] = 1.0, 0.0  # slopes have no mean height
    stiff += screen**2 / stiff if sharp else screen
    waves /= stiff
    return np.asarray(fft.idctn(waves, type=2, norm="ortho", workers=core_count(), overwrite_x=True))


def _stiffness(count: int) -> Floats:
    return 2 - 2 * np.cos(np.pi * np.arange(count) / count)


def stretched(heights: Floats) -> Floats:
    """Return heights spread to exactly 0 to 1; level ones become 0."""
    low, high = float(heights.min()), float(heights.max())
    if high == low:
        return np.zeros_like(heights)
    return np.clip((heights - low) / (high - low), 0.0, 1.0)
