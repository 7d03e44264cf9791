"""Gaps in a grid of numbers: filled from what surrounds them, or told apart as what lies outside."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import QhullError

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

# A gap that reaches the edge and takes more than this share of all values lies outside what was measured.
OUTSIDE = 0.01


class Gapless(NamedTuple):
    """A grid without gaps.

    Parameters
    ----------
    values : (rows, columns) float64, finite everywhere
    outside : (rows, columns) bool, True in wide gaps that reach the edge
    filled : how many values were made up inside
    """

    values: Floats
    outside: Mask
    filled: int

    def notes(self) -> tuple[str, ...]:
        """Return what the user should know, one sentence each."""
        beyond = int(np.count_nonzero(self.outside))
        notes: tuple[str, ...] = ()
        if self.filled:
            notes += (f"warning: {self.filled} values are missing; they are filled from those around them",)
        if beyond:
            notes += (f"warning: {beyond} missing values reach the edge; they become flat ground",)
        return notes


def without_gaps(values: npt.NDArray[Any]) -> Gapless:
    """Return a grid whose values that are not finite have been made up.

    Parameters
    ----------
    values : (rows, columns), at least one of them finite

    Returns
    -------
    Gapless
        A gap is bridged by flat triangles between the values on its rim, so that a slope runs on through it;
        beyond the rim's hull, and outside, a value is that of the nearest one known.
    """
    values = values.astype(np.float64)
    known = np.isfinite(values)
    if known.all():
        return Gapless(values, ~known, 0)
    outside = _outside(~known)
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    whole = np.where(known, values, values[tuple(nearest)])
    gaps = ~known & ~outside
    if gaps.any():
        bridged = _bridged(whole, known, gaps)
        whole[gaps] = np.where(np.isfinite(bridged), bridged, whole[gaps])
    return Gapless(whole, outside, int(np.count_nonzero(gaps)))


def _outside(missing: Mask) -> Mask:
    """Return the gaps that are wide and reach the edge."""
    number, _ = ndimage.label(missing, np.ones((3, 3)))
    size = np.bincount(number.ravel())
    at_edge = np.unique(np.concatenate((number[0], number[-1], number[:, 0], number[:, -1])))
    wide = [gap for gap in at_edge if gap > 0 and size[gap] > OUTSIDE * missing.size]
    return np.isin(number, wide)


def _bridged(whole: Floats, known: Mask, gaps: Mask) -> Floats:
    """Return the values in the gaps on triangles between the known nodes beside them; NaN where none lies."""
    rim = known & ndimage.binary_dilation(gaps, np.ones((3, 3), dtype=bool))
    try:
        between = LinearNDInterpolator(np.argwhere(rim), whole[rim])
    except (QhullError, ValueError):  # the rim is a point or a line
        return np.full(int(np.count_nonzero(gaps)), np.nan)
    return np.asarray(between(np.argwhere(gaps)))
