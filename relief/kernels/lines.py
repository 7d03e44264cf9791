"""Where to lay whole passes across a tip surface."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

CHOICES = 28  # spacings that are tried, from LEAST to 1 stepover
LEAST = 0.33
PARTIAL = 1.05  # partial passes cost more than whole ones: the way to them
SLACK = 1.0005  # so much over the spacing is rounding


@njit(cache=True, nogil=True, error_model="numpy")
def lay_lines(across: Floats, along: Floats, pitch: float, spacing: float) -> Any:
    """Return the rows (as fractions of a row) of the passes, the first and the last row among them.

    Parameters
    ----------
    across : (rows, columns) mm, 3-D distance of each node from row 0 over the surface of ball middles,
        measured square to the passes
    along : (rows, columns) 3-D length of a pass per mm
    pitch : mm between rows
    spacing : mm, distance of passes on a plane

    Returns
    -------
    lines : (n,) mm from row 0
    length : mm per column's width, expected length of the passes and of the partial ones between them

    Notes
    -----
    From each line the next is laid where (length of the line, doubled each time that the gap must be halved
    to come within the spacing) ÷ gap is least, over 28 gaps. Cost: 28 looks at a row for each line.
    """
    rows, columns = across.shape
    end = (rows - 1) * pitch
    lines = np.empty(int(end / (LEAST * spacing)) + 8)
    lines[0] = 0.0
    count, y, total = 1, 0.0, 0.0
    at, ahead = np.empty(columns), np.empty(columns)
    while y < end - 1e-9:
        row_at(across, y / pitch, at)
        best, chosen, paid = math.inf, 0.0, 0.0
        for k in range(CHOICES, 0, -1):
            gap = spacing * (LEAST + (1.0 - LEAST) * k / CHOICES)
            gap = min(gap, end - y)
            row_at(across, (y + gap) / pitch, ahead)
            middle = min(int((y + 0.5 * gap) / pitch + 0.5), rows - 1)
            cost = 0.0
            for i in range(columns):
                share = (ahead[i] - at[i]) / spacing
                parts = 1.0
                while share > parts * SLACK:
                    parts *= 2.0
                cost += along[middle, i] * (parts if parts == 1.0 else PARTIAL * parts)
            if cost / gap < best:
                best, chosen, paid = cost / gap, gap, cost
        y = y + chosen if end - y - chosen > LEAST * spacing * 0.5 else end
        total += paid
        lines[count] = y
        count += 1
    return lines[:count].copy(), total


@njit(cache=True, nogil=True, error_model="numpy")
def row_at(values: Floats, row: float, out: Doubles) -> None:
    """Write the values between two rows, linearly."""
    j = min(int(row), values.shape[0] - 2)
    part = row - j
    for i in range(values.shape[1]):
        out[i] = (1.0 - part) * values[j, i] + part * values[j + 1, i]
