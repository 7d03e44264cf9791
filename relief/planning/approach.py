"""Getting from one pass of roughing to the next, and down to where it begins."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from relief.kernels.roughing import carve_capsule
from relief.planning.between import Place, is_light, widest
from relief.planning.ground import Doubles, Ground, Rules
from relief.planning.linking import hop, link_height
from relief.toolpath import CUT, PLUNGE, RAPID

# mm; common practice, no source: rapids over cut ground stay this far above it, and this far away sideways.
GAP = 1.0
SIDE_GAP = 0.2
# mm: a pass that begins nearer than this is gone to straight if that is a light cut and no more than so much
# above both ends: going up, over and down takes longer.
STRAIGHT, LIFT = 30.0, 2.0
# mm: so much further in the cutter goes along a wall that bows have left cusps at.
ASIDE = 0.3
# The stock under the axis may stand this share of the stepdown above the tip before a descent becomes a ramp.
BITE = 0.25
# So wide, as a share of the diameter, is the middle of a cutter whose edges do not reach it: it comes down on
# no stock. Common practice, no source.
CORE = 0.4


def straight(ground: Ground, rules: Rules, entry: Place, low: float, heading: int) -> bool:
    """Go straight to the entry of a pass if that is a light cut, at a wall a little further in.

    Parameters
    ----------
    ground : what stands
    rules : how deep a cut may be
    entry : (x, y) mm, of the first node of the pass
    low : mm, where the pass begins
    heading : 1 where it goes along the row, -1 where it comes back

    Returns
    -------
    bool, whether the cutter is there now, or above it
    """
    here = ground.here
    if here is None:
        return False
    start = (float(here[0]), float(here[1]))
    if _slant(ground, rules, start, float(here[2]), entry, low):
        return True
    if math.dist(start, entry) > STRAIGHT:
        return False
    inward = heading * math.ceil(ASIDE / ground.pitch) * ground.pitch
    aside = [(start[0] + inward, start[1]), (entry[0] + inward, entry[1])]
    further_in = all(0 <= x <= (ground.tip.shape[1] - 1) * ground.pitch for x, _ in aside)
    return _level(ground, rules, [start, entry], low) or (
        further_in and _level(ground, rules, [start, *aside, entry], low)
    )


def _level(ground: Ground, rules: Rules, places: list[Place], low: float) -> bool:
    """Go from where the cutter is from place to place at one height, if that is a light cut."""
    here = ground.here
    assert here is not None
    z = float(here[2])
    height = max(z, low, *(_tip_along(ground, a, b) for a, b in pairwise(places)))
    if height > max(z, low) + LIFT:
        return False
    for a, b in pairwise(places):
        blocked = rules.keep_out.blocks(ground.on_table(a, height), ground.on_table(b, height))
        if blocked or not is_light(ground, rules, a, b, height + rules.stepdown):
            return False
    ground.go([[*place, height] for place in (places if height > z else places[1:])], CUT)
    for a, b in pairwise(places):
        carve_capsule(ground.stock, ground.pitch, *a, *b, rules.sure_radius, height)
    return True


def over(ground: Ground, rules: Rules, entry: Place, low: float, near: float) -> None:
    """Go over the stock to a place above a pass, whose tip is at `low` mm there, stock near it at `near`."""
    here = ground.here
    beside = ground.beside_board(entry, rules.radius)
    landing = max(low, near, 0.0 if beside else -math.inf) + GAP
    if here is None:
        ground.go([[*entry, rules.clearance], [*entry, min(landing, rules.clearance)]], RAPID)
        return
    start = (float(here[0]), float(here[1]))
    beyond = max(rules.radius + SIDE_GAP, widest(ground, rules))
    highest = link_height(ground.cells, ground.pitch, start, entry, beyond)
    highest = max(highest, 0.0) if beside else highest
    height = max(float(here[2]), min(highest + GAP, rules.clearance))
    ground.go(*hop(here, (*entry, low), height, min(landing, height)))


def _slant(ground: Ground, rules: Rules, start: Place, z: float, entry: Place, low: float) -> bool:
    """Go straight to where a pass begins, if that is near, above the tip's surface and a light cut.

    Where the axis comes to stand over solid stock, the cutter goes no deeper than it is.
    """
    run, bite = math.dist(start, entry), rules.bite
    if not 0 < run <= STRAIGHT:
        return False
    x, y = _along(ground, start, entry)
    under = float(_middle(ground, rules, x[-1:], y[-1:])[0])
    goal = max(low, min(z, under)) if under > low + bite else low
    way = np.linspace(z, goal, len(x))
    steep = z - goal > rules.steepest * run
    lowest, highest = min(z, goal), max(z, goal)
    if (
        (ground.tip[y, x] > way + 1e-9).any()
        or (steep and (_middle(ground, rules, x, y) > way + bite).any())
        or rules.keep_out.blocks(ground.on_table(start, lowest), ground.on_table(entry, lowest))
        or not is_light(ground, rules, start, entry, lowest + rules.stepdown)
    ):
        return False
    ground.go([[*entry, float(onto_lattice(rules.step, np.array([goal]))[0])]], PLUNGE if steep else CUT)
    carve_capsule(ground.stock, ground.pitch, *start, *entry, rules.sure_radius, highest)
    return True


def _middle(
    ground: Ground, rules: Rules, x: npt.NDArray[np.int64], y: npt.NDArray[np.int64]
) -> npt.NDArray[np.float64]:
    """Return the stock under the cutter's middle at some nodes."""
    if not rules.core:
        return ground.stock[y, x].astype(np.float64)
    places = zip((x * ground.pitch).tolist(), (y * ground.pitch).tolist(), strict=True)
    return np.array([link_height(ground.stock, ground.pitch, at, at, rules.core) for at in places])


def _along(ground: Ground, start: Place, end: Place) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return columns and rows of the nodes nearest to a straight line, from one end to the other."""
    count = math.ceil(2 * math.dist(start, end) / ground.pitch) + 1
    x, y = (
        np.rint(np.linspace(a, b, count) / ground.pitch).astype(np.int64)
        for a, b in zip(start, end, strict=True)
    )
    return x, y


def _tip_along(ground: Ground, start: Place, end: Place) -> float:
    """Return the highest tip height along a straight line: of the nodes nearest to it, safe all round."""
    x, y = _along(ground, start, end)
    return float(ground.tip[y, x].max())


def onto_lattice(step: float, heights: Doubles) -> Doubles:
    """Return heights rounded up onto the lattice."""
    return np.ceil(heights / step - 1e-6) * step
