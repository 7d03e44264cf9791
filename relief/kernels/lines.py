"""Where to lay whole passes across a tip surface."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import NONE, inner, kernel

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

CHOICES = 28  # spacings that are tried, from LEAST to 1 stepover …
FINER = 5  # … and so many more above the best of these, the distance to the next halved each time
LEAST = 0.33
PARTIAL = 1.05  # partial passes cost more than whole ones: the way to them
EDGE = 0.05  # spacings: a ball that touches this far inside an edge counts as touching on it
SLACK = 1.0005  # so much over the spacing is rounding


@kernel
def lay_lines(
    across: Floats, along: Floats, beside: Floats, pitch: float, spacing: float, radius: float
) -> Any:
    """Return where to lay passes so that they and what has to be added to them are shortest.

    Parameters
    ----------
    across : (rows, columns) mm, 3-D distance of each node from row 0 over the surface of ball middles,
        measured square to the passes
    along : (rows, columns) 3-D length of a pass per mm
    beside : (rows, columns) mm, how far ahead of its tip, across the passes, the ball touches the surface
    pitch : mm between rows
    spacing : mm, distance of passes on a plane
    radius : mm, of the ball

    Returns
    -------
    lines : (n,) mm from row 0
    length : mm per column's width, expected length of the passes and of the partial ones between them

    Notes
    -----
    The first line lies as far inside the first row as pays: a pass finishes the edge if it touches the
    surface no further than half a spacing from it. From each line the next is laid where (length of the line,
    doubled each time that the gap must be halved to come within the spacing) ÷ gap is least, over 28 gaps
    and some between the best of these and the next. The last row gets a line only if leaving it to repairs
    would cost as much. Cost: 33 looks at a row for each line.
    """
    rows, columns = across.shape
    end = (rows - 1) * pitch
    lines = np.empty(int(end / (LEAST * spacing)) + 8)
    at, ahead = np.empty(columns), np.empty(columns)
    whole = 0.0
    for i in range(columns):
        whole += along[0, i]
    y, total, best = 0.0, whole, 0.0
    for k in range(1, int((radius + 0.5 * spacing) / pitch)):
        if k * pitch >= end:
            break
        missed = unfinished(along, beside, NONE, k, pitch, spacing, radius)
        if missed - whole * k * pitch / spacing < best:
            best, y, total = missed - whole * k * pitch / spacing, k * pitch, whole + missed
    lines[0] = y
    count = 1
    while y < end - 1e-9:
        row_at(across, y / pitch, at)
        row = min(int(y / pitch + 0.5), rows - 1)
        left = unfinished(along, beside, rows - 1, row, pitch, spacing, radius)
        if left < whole:
            total += left
            break
        best, chosen, paid = math.inf, 0.0, 0.0
        high, step = spacing, (1.0 - LEAST) * spacing / CHOICES
        for k in range(CHOICES + FINER):
            gap = spacing * (1.0 - (1.0 - LEAST) * k / CHOICES) if k < CHOICES else 0.5 * (chosen + high)
            gap = min(gap, end - y)
            row_at(across, (y + gap) / pitch, ahead)
            middle = min(int((y + 0.5 * gap) / pitch + 0.5), rows - 1)
            cost = crossing(at, ahead, along, middle, spacing)
            if cost / gap < best:
                high = high if k >= CHOICES else min(gap + step, spacing)
                best, chosen, paid = cost / gap, gap, cost
            elif k >= CHOICES:
                high = gap
        y = y + chosen if end - y - chosen > LEAST * spacing * 0.5 else end
        total += paid
        lines[count] = y
        count += 1
    return lines[:count].copy(), total


@inner
def unfinished(
    along: Floats, beside: Floats, edge: int, row: int, pitch: float, spacing: float, radius: float
) -> float:
    """Return the length of what repairs of an edge row take after a pass along another row.

    Where the ball touches inside when it stands on the edge, nothing but a pass on the edge finishes it.
    """
    ahead = 1.0 if row > edge else -1.0
    cost = 0.0
    for i in range(along.shape[1]):
        sine = min(abs(beside[row, i]) / radius, 0.99)
        from_edge = abs(row - edge) * pitch + ahead * beside[row, i]
        inside = ahead * beside[edge, i] > EDGE * spacing
        gap = spacing * math.sqrt(1.0 - sine * sine)
        if inside or from_edge > 0.5 * gap:
            cost += PARTIAL * along[edge, i] * max(from_edge / gap + 0.5, 1.0)
    return cost


@inner
def crossing(at: Doubles, ahead: Doubles, along: Floats, row: int, spacing: float) -> float:
    """Return the length of a pass and of the partial ones that bring it within the spacing of another."""
    cost = 0.0
    for i in range(at.shape[0]):
        share = (ahead[i] - at[i]) / spacing
        parts = 1.0
        while share > parts * SLACK:
            parts *= 2.0
        cost += along[row, i] * (parts if parts == 1.0 else PARTIAL * parts)
    return cost


@kernel
def row_at(values: Floats, row: float, out: Doubles) -> None:
    """Write the values between two rows, linearly."""
    j = min(int(row), values.shape[0] - 2)
    part = row - j
    for i in range(values.shape[1]):
        out[i] = (1.0 - part) * values[j, i] + part * values[j + 1, i]
