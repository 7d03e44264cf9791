"""How hard moves cut: the volume that each takes, and how much of the cutter's width it takes it with."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import inner, kernel
from relief.kernels.sweep import RIM, ascending, swept_height

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]


@kernel
def loads_in_turn(
    c: Floats,
    pitch: float,
    shape4: Doubles,
    starts: Doubles,
    ends: Doubles,
    sliver: float,
    volumes: Doubles,
    nearest: Doubles,
) -> None:
    """Carve moves one after the other, and find what each takes.

    Parameters
    ----------
    c : (rows, columns) float32, mm, changed in place
    pitch : mm between nodes
    shape4 : [flat radius, corner radius, cone slope, radius] of the cutter, mm
    starts, ends : (n, 3) float64, mm, tip positions measured from node (0, 0)
    sliver : mm; what stands less than this above the cutter is too thin to count for `nearest`
    volumes : (n,) out, mm³, what each move takes
    nearest : (n,) out, mm, how far beside the move's line the nearest node lies that it lowers by more than
        a sliver; infinite where there is none

    Notes
    -----
    Each node stands for a square of the pitch. Cost: one comparison for each node within R of a move, one
    `swept_height` where the node stands above the move's lowest tip and, of a ball, above its parabola.
    """
    rows, columns = c.shape
    radius = shape4[3]
    flat = shape4[0] == radius
    # a ball stands at least r² / 2 R above its tip at a distance r
    bend = 0.5 / radius if shape4[0] == 0.0 and shape4[1] == radius else 0.0
    move = np.empty(7)
    for k in range(starts.shape[0]):
        volumes[k], nearest[k] = 0.0, np.inf
        if not ascending(starts[k], ends[k], move):
            continue
        x0, y0, t0, ex, ey, length, g = move[0], move[1], move[2], move[3], move[4], move[5], move[6]
        rises = 1.0 if g > 0.0 else 0.0
        y1 = y0 + length * ey
        j0 = math.ceil(max((min(y0, y1) - radius) / pitch, 0.0))
        j1 = math.floor(min((max(y0, y1) + radius) / pitch, rows - 1.0))
        taken, beside = 0.0, np.inf
        for j in range(j0, j1 + 1):
            y = j * pitch - y0
            left, right = chord(y, ex, ey, length, radius)
            i0 = math.ceil(max((x0 + left) / pitch - RIM, 0.0))
            i1 = math.floor(min((x0 + right) / pitch + RIM, columns - 1.0))
            for i in range(i0, i1 + 1):
                if c[j, i] <= t0:
                    continue
                x = i * pitch - x0
                a, d = x * ex + y * ey, abs(y * ex - x * ey)
                beyond = max(max(-a, a - length), 0.0)
                if c[j, i] <= t0 + (d * d + beyond * beyond) * bend:
                    continue
                if flat:
                    w = math.sqrt(max(radius * radius - d * d, 0.0)) * rises
                    h = t0 + g * (a - min(max(w, a - length), a))
                else:
                    h = swept_height(a, d, length, t0, g, shape4)
                cut = c[j, i] - h
                if cut > 0.0:
                    taken += cut
                    c[j, i] = np.float32(h)
                    if cut > sliver and d < beside:
                        beside = d
        volumes[k], nearest[k] = taken * pitch * pitch, beside


@inner
def chord(y: float, ex: float, ey: float, length: float, radius: float) -> tuple[float, float]:
    """Return where a line y mm beside a move's start crosses all that a disc sweeps along the move.

    That is convex: two discs, and the band between them (plane geometry). Cost: 2 square roots.
    """
    left, right = np.inf, -np.inf
    half = radius * radius - y * y
    if half >= 0.0:
        half = math.sqrt(half)
        left, right = -half, half
    beyond = y - length * ey
    half = radius * radius - beyond * beyond
    if half >= 0.0:
        half, x = math.sqrt(half), length * ex
        left, right = min(left, x - half), max(right, x + half)
    low, high = -np.inf, np.inf
    if ey != 0.0:
        u, v = (y * ex - radius) / ey, (y * ex + radius) / ey
        low, high = min(u, v), max(u, v)
    elif abs(y) > radius:
        return left, right
    if ex != 0.0:
        u, v = -y * ey / ex, (length - y * ey) / ex
        low, high = max(low, min(u, v)), min(high, max(u, v))
    elif y * ey < 0.0 or y * ey > length:
        return left, right
    if low <= high:
        left, right = min(left, low), max(right, high)
    return left, right
