"""Turning round from the end of a pass to the beginning of the next one, in a bow that is run at speed.

At two square corners a machine all but stands still twice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from relief.kernels.roughing import carve_capsule
from relief.planning.between import Place, is_light
from relief.planning.ground import Doubles, Ground, Rules
from relief.planning.linking import link_height
from relief.toolpath import CUT, PLUNGE

# Chords of a bow: so many that corners between them are no slower than the bow, at 3 mm across and a corner
# tolerance of 0.01 mm.
CHORDS = 16
# A bow goes no further along the passes than this, as a share of the way across, and bulges so much (2/3 is
# half a circle, but for 2 %), or less where a wall leaves no room for that.
ASKEW, BULGES = 5.0, (2 / 3, 1 / 2, 1 / 3, 1 / 5)
# mm: a bow rises no more than this over both its ends, and goes no further across.
RISE, WIDEST_TURN = 1.0, 8.0
# A node so near tells how low the tip may be, as a share of the pitch, and so far apart are the places
# that are looked at: what lies between two of them is within a pitch of such a node.
NEAR, APART = 0.9, 0.2


def turn_round(ground: Ground, rules: Rules, entry: tuple[float, float], low: float, heading: int) -> bool:
    """Go in a bow from the end of a pass to the next one, cut the other way, if that is a light cut.

    Parameters
    ----------
    ground : what stands
    rules : how deep a cut may be
    entry : (x, y) mm, of the first node of the next pass
    low : mm, where it begins
    heading : 1 where it goes along the row, −1 where it comes back

    Returns
    -------
    bool, whether the cutter is there now

    Notes
    -----
    A cubic curve along both passes at its ends. Its tip height is a straight line with half a sine on it,
    above the tip's surface everywhere. Steeper than a ramp it only goes down with the axis over cleared
    ground.
    """
    return any(_turned(ground, rules, _bow(ground, entry, heading, bulge), low) for bulge in BULGES)


def _turned(ground: Ground, rules: Rules, way: Doubles | None, low: float) -> bool:
    """Go along a bow if that is a light cut."""
    if way is None:
        return False
    z = _heights(ground, rules, way, low)
    if z is None:
        return False
    run, fall = np.linalg.norm(np.diff(way, axis=0), axis=1), -np.diff(z)
    steep = fall > 0.97 * rules.steepest * run
    if not _light(ground, rules, way, z, steep):
        return False
    ground.go(np.column_stack([way, z])[1:], np.where(steep, PLUNGE, CUT))
    for a, b, high in _chords(way, np.maximum(z[1:], z[:-1])):
        carve_capsule(ground.stock, ground.pitch, a[0], a[1], b[0], b[1], rules.sure_radius, high)
    return True


def _bow(ground: Ground, entry: tuple[float, float], heading: int, bulge: float) -> Doubles | None:
    """Return the corners of a bow seen from above; nothing where the cutter does not come to turn round."""
    lately = ground.lately(2)
    if len(lately) < 2:
        return None
    before, here = lately
    aside, across = entry[0] - here[0], abs(entry[1] - here[1])
    back = (here[0] - before[0]) * heading < 0 and here[1] == before[1]
    if not back or not 0 < across <= WIDEST_TURN or abs(aside) > ASKEW * across:
        return None
    t = np.linspace(0.0, 1.0, CHORDS + 1)[:, None]
    pull = np.array([-heading * bulge * across, 0.0])
    a, b = here[:2], np.array(entry)
    bow = (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * (a + pull) + 3 * (1 - t) * t**2 * (b + pull) + t**3 * b
    return np.asarray(bow)


def _heights(ground: Ground, rules: Rules, way: Doubles, low: float) -> Doubles | None:
    """Return the tip heights of a bow; nothing where it would have to rise too much."""
    here = ground.here
    assert here is not None
    looks = math.ceil(np.linalg.norm(np.diff(way, axis=0), axis=1).max() / (APART * ground.pitch))
    share = np.arange(CHORDS * looks + 1) / looks  # in chords
    places = np.column_stack([np.interp(share, np.arange(CHORDS + 1), way[:, k]) for k in (0, 1)])
    line = here[2] + share / CHORDS * (low - here[2])
    over = _safe(ground, rules, places) - line
    arch = np.interp(share, np.arange(CHORDS + 1), np.sin(np.linspace(0.0, np.pi, CHORDS + 1)))
    if over[0] > 1e-6 or over[-1] > 1e-6:
        return None
    rise = max(float((over[1:-1] / arch[1:-1]).max()), 0.0)
    if not rise <= RISE:
        return None
    z = line[::looks] + rise * arch[::looks]
    z[1:] = np.ceil(z[1:] / rules.step - 1e-6) * rules.step
    return np.asarray(z)


def _safe(ground: Ground, rules: Rules, places: Doubles) -> Doubles:
    """Return how low the tip may be at some places, ∞ further out than any pass goes.

    Within a node's distance of a node that is as low as at the node (see `ground._tip_heights`).
    """
    reach = math.floor(rules.radius / ground.pitch)
    nodes = np.rint(places / ground.pitch).astype(np.int64)
    (top, bottom), (left, right) = ((side.start - reach, side.stop + reach) for side in ground.inner)
    rows, columns = ground.tip.shape
    top, left, bottom, right = max(top, 1), max(left, 1), min(bottom, rows - 1), min(right, columns - 1)
    within = (nodes[:, 0] >= left) & (nodes[:, 0] < right) & (nodes[:, 1] >= top) & (nodes[:, 1] < bottom)
    safe = np.full(len(places), np.inf)
    for step in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1)):
        node = nodes + step
        near = within & (np.linalg.norm(node * ground.pitch - places, axis=1) <= NEAR * ground.pitch)
        safe[near] = np.minimum(safe[near], ground.tip[node[near, 1], node[near, 0]])
    return safe


def _light(ground: Ground, rules: Rules, way: Doubles, z: Doubles, steep: npt.NDArray[np.bool_]) -> bool:
    """Return whether a bow nowhere takes more than the stepdown, nor dives, nor comes near a clamp."""
    core = rules.core or ground.pitch
    for (a, b, lowest), dives in zip(_chords(way, np.minimum(z[1:], z[:-1])), steep, strict=True):
        if (
            not is_light(ground, rules, a, b, lowest + rules.stepdown)
            or (dives and link_height(ground.stock, ground.pitch, a, b, core) > lowest + rules.bite)
            or rules.keep_out.blocks(ground.on_table(a, lowest), ground.on_table(b, lowest))
        ):
            return False
    return True


def _chords(way: Doubles, heights: Doubles) -> Iterator[tuple[Place, Place, float]]:
    """Yield the ends of each chord and a height of it."""
    corners = [(x, y) for x, y in way.tolist()]
    yield from zip(corners[:-1], corners[1:], heights.tolist(), strict=True)
