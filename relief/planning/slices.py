"""How deep the layers of a roughing are, and how far apart their passes lie."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Doubles = npt.NDArray[np.float64]

# A pass takes at most this share of the cutter's width, so that passes overlap (common practice, no source).
WIDEST = 0.85
# Where passes go down along a slope the axis has to stand over cut ground: half the width at most.
HALF = 0.49
# mm: what is left by so little more than `thin` counts as left, so that rounding decides nothing.
EDGE = 2e-3
# Heights between which floors are chosen.
CHOICES = 200
# What is left standing counts so many times the time that clearing it at the full rate takes.
LEFT = 5.0
# A wide pass that goes down a slope goes back and forth over it: so many times the way.
DETOUR = 6.0
# One layer more takes as long as so many passes.
FURTHER = 6.0


class Slice(NamedTuple):
    """One layer: what stands between two heights, mm, and how many nodes its passes lie apart at most."""

    above: float
    floor: float
    lines: int


def slices(
    tip: npt.NDArray[np.float32],
    sloped: npt.NDArray[np.bool_],
    pitch: float,
    radius: float,
    stepdown: float,
    stepover: float,
    thin: float,
) -> list[Slice]:
    """Return the layers that clear the ground in the least time, from the stock top down.

    Parameters
    ----------
    tip : (n,) float32, mm, heights of the tip wherever it may go
    sloped : (n,) where the tip's surface is steeper than a ramp
    pitch : mm between nodes
    radius : mm, of the flat cutter
    stepdown, stepover : mm, the rule: a layer may be as deep, and as wide at that depth
    thin : mm, what is left of a layer where no more than this stands

    Notes
    -----
    A shallower layer is cut in wider passes: depth × width stays within stepdown × stepover, so that the
    cutter never takes more than the rule's own full cut, and width within WIDEST of the diameter. The time of
    a layer is the area of what stands above its floor over the distance of its passes. Floors are chosen by
    dynamic programming among the heights that many nodes have and evenly spread ones.
    """
    levels = _levels(tip, stepdown)
    if len(levels) < 2:
        return []
    count = len(tip)
    ordered = np.sort(tip.astype(np.float64))
    thin += EDGE
    waiting = np.searchsorted(ordered, levels - thin) / count  # share of the area below each level
    slopes = np.searchsorted(np.sort(tip[sloped].astype(np.float64)), levels) / count
    left = LEFT * _left(ordered, levels, thin) / (stepdown * stepover)
    depth = levels[:, None] - levels[None, :]  # of a layer from level i down to level j
    at_rule = stepdown * stepover / np.maximum(depth, 1e-9)
    half, wide = (_whole(np.minimum(at_rule, most * 2 * radius), pitch) for most in (HALF, WIDEST))
    slow = waiting[:, None] / half
    fast = (waiting[:, None] + DETOUR * (slopes[:, None] - slopes[None, :])) / wide
    cost = np.minimum(slow, fast) + FURTHER / (math.sqrt(count) * pitch)
    cost[(depth <= 0) | (depth > stepdown)] = np.inf
    width = np.where(fast < slow, wide, half)
    best, via = np.full(len(levels), np.inf), np.zeros(len(levels), dtype=int)
    best[0] = 0.0
    for j in range(1, len(levels)):
        total = best[:j] + cost[:j, j] + left[j]
        via[j] = int(np.argmin(total))
        best[j] = total[via[j]]
    floors = [len(levels) - 1]
    while floors[-1]:
        floors.append(int(via[floors[-1]]))
    return [
        Slice(float(levels[i]), float(levels[j]), round(width[i, j] / pitch))
        for i, j in itertools.pairwise(floors[::-1])
    ]


def _whole(width: Doubles, pitch: float) -> Doubles:
    """Return widths rounded down to nodes, one node at least."""
    return np.asarray(np.maximum(np.floor(width / pitch + 1e-6), 1.0) * pitch)


def _left(ordered: Doubles, levels: Doubles, thin: float) -> Doubles:
    """Return how much stands between each level and what lies at most `thin` below it, mm over all nodes."""
    total = np.concatenate([[0.0], np.cumsum(ordered)])
    low, high = np.searchsorted(ordered, levels - thin), np.searchsorted(ordered, levels)
    return np.asarray((levels * (high - low) - (total[high] - total[low])) / len(ordered))


def _levels(tip: npt.NDArray[np.float32], stepdown: float) -> Doubles:
    """Return the heights that a floor may have, the stock top first and the deepest last.

    Where that would be a great many layers, they are even: there is nothing to choose.
    """
    if not tip.size or tip.min() >= 0:
        return np.zeros(1)
    deepest = float(tip.min())
    count = math.ceil(-deepest / stepdown + 1e-9)
    if count > CHOICES / 4:
        return np.linspace(0.0, deepest, count + 1)
    ranks = np.linspace(0, tip.size - 1, CHOICES).astype(int)
    some = np.partition(tip, ranks)[ranks].astype(np.float64)
    even = np.linspace(deepest, 0.0, CHOICES)
    return np.unique(np.concatenate([some[some < 0], even, [0.0]]))[::-1]
