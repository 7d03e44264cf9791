"""What happens towards the edge of a relief: fading out, and frames.

`amount` is 1 where the relief stands out most and 0 on its ground.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def edge_distance(rows: int, columns: int, pitch: float) -> Floats:
    """Return the distance of each node to the nearest edge, mm."""
    j = np.minimum(np.arange(rows), np.arange(rows)[::-1])
    i = np.minimum(np.arange(columns), np.arange(columns)[::-1])
    return np.minimum.outer(j, i) * pitch


def ellipse_distance(rows: int, columns: int, pitch: float) -> Floats:
    """Return about how far each node lies inside the largest ellipse, mm; negative outside.

    Notes
    -----
    First-order distance (1 − q) / |grad q| with q = √((x/a)² + (y/b)²) (G. Taubin, "Distance approximations
    for rasterizing implicit curves", ACM TOG 13(1):3–42, 1994, from memory); exact on a circle.
    """
    a, b = max(columns - 1, 1) / 2, max(rows - 1, 1) / 2
    x, y = np.arange(columns) - a, np.arange(rows) - b
    q = np.sqrt(np.add.outer((y / b) ** 2, (x / a) ** 2))
    gradient = np.sqrt(np.add.outer((y / b**2) ** 2, (x / a**2) ** 2)) / np.maximum(q, 1e-12)
    return np.asarray((1 - q) / np.maximum(gradient, 1 / max(a, b)) * pitch)


def faded(amount: Floats, distance: Floats, width: float) -> Floats:
    """Return the relief fading to its ground where `distance` falls from `width` to 0.

    The curve is 3t² − 2t³, level at both ends, so that no crease shows.
    """
    t = np.clip(distance / width, 0.0, 1.0)
    return amount * (t * t * (3 - 2 * t))


def flat(t: Floats) -> Floats:
    """Return a frame at full height."""
    return np.ones_like(t)


def bead(t: Floats) -> Floats:
    """Return a half-round: an arch across the frame."""
    return np.sqrt(np.maximum(1 - (2 * t - 1) ** 2, 0.0))


def cove(t: Floats) -> Floats:
    """Return a hollow: from full height at the outer edge down a quarter round to the ground."""
    return 1 - np.sqrt(np.maximum(1 - (1 - t) ** 2, 0.0))


FRAMES: dict[str, Callable[[Floats], Floats]] = {"flat": flat, "bead": bead, "cove": cove}


def framed(height: Floats, distance: Floats, frame: str, width: float) -> Floats:
    """Return the relief with a frame in place of its outermost `width`.

    Parameters
    ----------
    height : (rows, columns), 1 at the stock top, 0 at the full depth
    distance : (rows, columns) mm from the edge
    frame : a name in FRAMES
    width : float, mm
    """
    return np.where(distance < width, FRAMES[frame](np.clip(distance / width, 0.0, 1.0)), height)
