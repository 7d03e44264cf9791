"""Arcs (G2, G3) as chords (NISTIR 6556 s3.5.3). Plane geometry of a circle; the third axis goes evenly."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from relief.errors import ProgramError

CHORD_DEVIATION = 0.001  # mm between an arc and its chords, at most
# How far the two radii of an arc may differ, mm (s3.5.3.2: 0.002 mm, or 0.0002 in).
RADIUS_TOLERANCE = {1.0: 0.002, 25.4: 0.0002 * 25.4}
# Angles below this are no turn: end and start are the same point, and the arc is a full circle.
NO_TURN = 1e-12
LARGEST_RADIUS = 100_000.0  # mm; beyond it an arc is a straight line to any machine

Point = npt.NDArray[np.float64]
# First, second and third axis of the planes G17, G18, G19, so that G3 turns the first towards the second.
PLANES = {170: (0, 1, 2), 180: (2, 0, 1), 190: (1, 2, 0)}


def centre_by_offsets(
    start: Point, end: Point, axes: Sequence[int], offsets: Sequence[float], tolerance: float
) -> tuple[float, float]:
    """Return the centre of an arc in the centre format, in its plane.

    Raises
    ------
    ProgramError
        The centre is not equally far from both ends.
    """
    first, second = axes[:2]
    centre = start[first] + offsets[0], start[second] + offsets[1]
    radii = [math.hypot(p[first] - centre[0], p[second] - centre[1]) for p in (start, end)]
    if radii[0] == 0:
        message = "the centre of the arc is its start"
        raise ProgramError(message)
    if abs(radii[0] - radii[1]) > tolerance:
        message = (
            f"the arc starts {radii[0]:.4f} mm from its centre and ends {radii[1]:.4f} mm from it;"
            f" they may differ by {tolerance:g} mm"
        )
        raise ProgramError(message)
    return centre


def centre_by_radius(
    start: Point, end: Point, axes: Sequence[int], radius: float, left: bool, tolerance: float
) -> tuple[float, float]:
    """Return the centre of an arc in the radius format, in its plane.

    Parameters
    ----------
    radius : mm; below 0 for the longer of the two arcs
    left : G3, which turns to the left

    Raises
    ------
    ProgramError
        Start and end are the same, or further apart than two radii.
    """
    first, second = axes[:2]
    along = end[first] - start[first], end[second] - start[second]
    half = math.hypot(*along) / 2
    if half == 0:
        message = "an arc with R needs an end that is not its start"
        raise ProgramError(message)
    if half > abs(radius) + tolerance:
        message = f"an arc of R{radius:g} mm cannot reach its end, {2 * half:.4f} mm away"
        raise ProgramError(message)
    height = math.sqrt(max(radius * radius - half * half, 0.0))
    side = height / (2 * half) if left == (radius > 0) else -height / (2 * half)
    middle = (start[first] + end[first]) / 2, (start[second] + end[second]) / 2
    return middle[0] - side * along[1], middle[1] + side * along[0]


def arc_chords(
    start: Point, end: Point, axes: Sequence[int], centre: tuple[float, float], left: bool
) -> npt.NDArray[np.float64]:
    """Return (k, 3) the ends of an arc's chords, mm; the last is `end` itself.

    A chord of angle a is r (1 − cos(a/2)) ≤ r a²/8 from the arc: a = 2 √(2 `CHORD_DEVIATION` / r), and at
    most a radian.

    Raises
    ------
    ProgramError
        The radius is above `LARGEST_RADIUS`.
    """
    first, second, third = axes
    radii = [math.hypot(p[first] - centre[0], p[second] - centre[1]) for p in (start, end)]
    if max(radii) > LARGEST_RADIUS:
        message = f"an arc of {max(radii):.3g} mm radius is too large to follow"
        raise ProgramError(message)
    from_angle = math.atan2(start[second] - centre[1], start[first] - centre[0])
    to_angle = math.atan2(end[second] - centre[1], end[first] - centre[0])
    turn = (to_angle - from_angle if left else from_angle - to_angle) % (2 * math.pi)
    if turn < NO_TURN:
        turn = 2 * math.pi
    count = max(math.ceil(turn / (2 * math.sqrt(2 * CHORD_DEVIATION / max(radii)))), math.ceil(turn))
    share = np.arange(1, count + 1) / count
    angle = from_angle + (turn if left else -turn) * share
    radius = radii[0] + (radii[1] - radii[0]) * share
    chords = np.zeros((count, 3))
    chords[:, first] = centre[0] + radius * np.cos(angle)
    chords[:, second] = centre[1] + radius * np.sin(angle)
    chords[:, third] = start[third] + (end[third] - start[third]) * share
    chords[-1] = end
    return chords
