"""The fewest straight moves through a row of gates.

Legend: a path is looked at from the side. Gate k stands at gates[k, 0] along it, and the path must cross it
between gates[k, 1] and gates[k, 2]. A rung is a height that a vertex may have: a whole number of steps.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import inner, kernel

Doubles = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

RUNGS = 16  # rungs of a gate that are looked at, from its lowest
LONGEST = 400  # gates passed at once
EVEN = 1e-9  # mm: what rounding may take


@inner
def rungs_of(gates: Doubles, k: int, step: float) -> Any:
    """Return the lowest rung of a gate and how far apart its rungs are.

    A gate has RUNGS rungs at most: where it is higher than that many steps, every second step, or third …
    """
    lowest = math.ceil((gates[k, 1] - EVEN) / step) * step
    return lowest, max(math.ceil((gates[k, 2] - lowest) / ((RUNGS - 1) * step) - EVEN), 1) * step


@inner
def next_rung(lowest: float, apart: float, bottom: float) -> float:
    """Return the lowest rung of a gate that is not below `bottom`; it may lie above the gate."""
    return lowest + max(math.ceil((bottom - EVEN - lowest) / apart), 0) * apart if bottom > lowest else lowest


@kernel
def fewest_moves(
    gates: Doubles, n: int, first: float, last: float, step: float, stops: Counts, heights: Doubles
) -> int:
    """Write which gates get a vertex, and its height; return how many they are.

    Parameters
    ----------
    gates : (≥ n, 3) mm, along · lowest · highest; the first and the last need not hold `first` and `last`
    first, last : mm, height of the path's ends
    step : mm between rungs
    stops, heights : (≥ n,) out

    Notes
    -----
    Greedy: from all rungs of a gate that the path can have come to, lines are drawn as far as any passes
    through all gates between; every rung that they can meet there is a start of the next lines, and keeps the
    lowest rung that it can be reached from. Moves between neighbouring gates are always taken as possible.
    Cost: RUNGS tests a gate, or twice that.
    """
    came = np.zeros((n, RUNGS), dtype=np.int64)
    rungs = np.empty((n, RUNGS))
    low, high = np.empty(RUNGS), np.empty(RUNGS)
    kept_low, kept_high = np.empty(RUNGS), np.empty(RUNGS)
    stops[0], rungs[0, 0] = 0, first
    starts, count = 1, 1
    while stops[count - 1] < n - 1:
        k = stops[count - 1]
        z = rungs[count - 1]
        for s in range(starts):
            low[s], high[s] = -math.inf, math.inf
            kept_low[s], kept_high[s] = -math.inf, math.inf
        best = k + 1
        for j in range(k + 1, min(k + 1 + LONGEST, n)):
            wide = max(gates[j, 0] - gates[k, 0], EVEN)
            met = False
            lowest, apart = rungs_of(gates, j, step)
            for s in range(starts):
                bottom, top = z[s] + low[s] * wide, z[s] + high[s] * wide
                if j == n - 1:
                    met = met or bottom - EVEN <= last <= top + EVEN
                else:
                    met = met or next_rung(lowest, apart, bottom) <= min(top, gates[j, 2]) + EVEN
            if met:
                best = j
                for s in range(starts):
                    kept_low[s], kept_high[s] = low[s], high[s]
            open_still = False
            for s in range(starts):
                low[s] = max(low[s], (gates[j, 1] - z[s]) / wide)
                high[s] = min(high[s], (gates[j, 2] - z[s]) / wide)
                open_still = open_still or low[s] <= high[s]
            if not open_still:
                break
        found = 0
        while found == 0:
            wide = max(gates[best, 0] - gates[k, 0], EVEN)
            lowest, apart = rungs_of(gates, best, step)
            height = lowest if best < n - 1 else last
            for _ in range(RUNGS):
                for s in range(starts):
                    bottom, top = z[s] + kept_low[s] * wide, z[s] + kept_high[s] * wide
                    if best == k + 1 or bottom - EVEN <= height <= top + EVEN:
                        rungs[count, found], came[count, found] = height, s
                        found += 1
                        break
                height = next_rung(lowest, apart, height + 2.0 * EVEN)
                if best == n - 1 or height > gates[best, 2] + EVEN:
                    break
            if found == 0:  # rounding took the rung that was met: the next gate can always be gone to
                best = k + 1
        stops[count] = best
        starts = found
        count += 1
    rung = 0
    for c in range(count - 1, -1, -1):
        heights[c] = rungs[c, rung]
        rung = came[c, rung]
    return count
