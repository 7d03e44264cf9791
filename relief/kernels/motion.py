"""How long moves take on a machine with limited feed and acceleration on each axis.

Legend: k block, L its length mm, u its unit direction, v speed mm/s, a acceleration mm/s²,
e corner tolerance mm, th turn angle at a corner.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import kernel

Array = npt.NDArray[np.float64]


@kernel
def axis_limit(dx: float, dy: float, dz: float, limit: Array) -> float:
    """Return the largest speed (or acceleration) along the unit vector (dx, dy, dz) within `limit` per axis.

    min over axes of limit / |component|; an axis that stands still sets no limit. Cost: 3 divisions.
    """
    largest = np.inf
    for axis, part in enumerate((abs(dx), abs(dy), abs(dz))):
        if part > 1e-12 and limit[axis] / part < largest:
            largest = limit[axis] / part
    return largest


@kernel
def corner_speed(u: Array, w: Array, half: float, e: float, acceleration: Array) -> float:
    """Return the speed, mm/s, at which a corner from direction `u` to direction `w` may be taken.

    The corner is rounded by the arc that touches both blocks and passes e from the corner:
    r = e cos(th/2) / (1 − cos(th/2)), v = √(a r), with a the least acceleration that the axes can give
    towards the arc's middle from any point of it. The arc may use at most half of the shorter block,
    `half` mm: r ≤ half / tan(th/2), so that chords of a circle of radius R are taken at √(a R).
    No turn: no limit. Full reversal: 0. Plane geometry. Cost: 6 square roots.
    """
    turn = 0.0
    along = 0.0
    for axis in range(3):
        turn += (w[axis] - u[axis]) ** 2
        along += (w[axis] + u[axis]) ** 2
    sine, cosine = np.sqrt(turn) / 2.0, np.sqrt(along) / 2.0  # of th/2: exact for the smallest turns
    if sine < 1e-9:
        return np.inf
    a = np.inf
    for axis in range(3):
        # the arc's normals turn by th/2 either way from the middle one; where an axis reverses, its greatest
        # share lies between the ends
        normal = abs(w[axis] - u[axis]) / (2.0 * sine)
        tangent = abs(w[axis] + u[axis]) / max(2.0 * cosine, 1e-12)
        share = cosine * normal + sine * tangent
        if u[axis] * w[axis] < 0.0:
            share = np.sqrt(normal * normal + tangent * tangent)
        if share > 1e-12 and acceleration[axis] / share < a:
            a = acceleration[axis] / share
    if np.isinf(a):
        return np.inf
    radius = e * cosine * (1.0 + cosine) / (sine * sine)  # 1 − cos = sin² / (1 + cos)
    return float(np.sqrt(a * min(radius, half * cosine / sine)))


@kernel
def block_time(length: float, v: float, a: float, start: float, end: float) -> float:
    """Return the least time, s, over `length` from speed `start` to `end` with top speed v, acceleration a.

    v_peak² = a L + (start² + end²)/2; below v: t = (2 v_peak − start − end)/a, else the cruise at v joins in.
    Textbook kinematics. Cost: one square root.
    """
    ends = start * start + end * end
    squared = a * length + ends / 2.0
    if squared < v * v:
        return float((2.0 * np.sqrt(squared) - start - end) / a)
    cruise = max(length - (2.0 * v * v - ends) / (2.0 * a), 0.0)
    return (2.0 * v - start - end) / a + cruise / v


@kernel
def motion(
    steps: Array,
    feed: Array,
    stop: npt.NDArray[np.bool_],
    max_feed: Array,
    acceleration: Array,
    e: float,
    speed: Array,
    grip: Array,
    entry: Array,
    seconds: Array,
) -> None:
    """Fill in how long each block takes, with look-ahead over all blocks.

    Parameters
    ----------
    steps : (n, 3) mm, what each block moves by; none of zero length
    feed : (n,) mm/s, along the path; infinite for rapids (the axes' own limits rule)
    stop : (n,) the machine stands still before block k
    max_feed, acceleration : (3,) mm/s and mm/s², per axis
    e : mm, how far a corner may be missed
    speed, grip : (n,) out, top speed mm/s and acceleration mm/s² along each block
    entry : (n + 1,) out, mm/s, speed at which block k starts; 0 at both ends of the program
    seconds : (n,) out, s

    Notes
    -----
    Entry speeds start as corner speeds; a backward and a forward pass enforce
    |v_end² − v_start²| ≤ 2 a L in every block; then each block is an exact trapezoid or triangle.
    `seconds` holds the lengths until then. Cost: about 8 square roots a block, two 3-vectors of memory.
    """
    n = steps.shape[0]
    u = np.zeros(3)
    w = np.zeros(3)
    before = 0.0
    entry[n] = 0.0
    for k in range(n):
        x, y, z = steps[k, 0], steps[k, 1], steps[k, 2]
        length = np.sqrt(x * x + y * y + z * z)
        w[0], w[1], w[2] = x / length, y / length, z / length
        speed[k] = min(feed[k], axis_limit(w[0], w[1], w[2], max_feed))
        grip[k] = axis_limit(w[0], w[1], w[2], acceleration)
        seconds[k] = length
        if k == 0 or stop[k]:
            entry[k] = 0.0
        else:
            corner = corner_speed(u, w, min(before, length) / 2.0, e, acceleration)
            entry[k] = min(corner, speed[k - 1], speed[k])
        u[0], u[1], u[2] = w[0], w[1], w[2]
        before = length
    for k in range(n - 1, -1, -1):
        entry[k] = min(entry[k], np.sqrt(entry[k + 1] * entry[k + 1] + 2.0 * grip[k] * seconds[k]))
    for k in range(n):
        entry[k + 1] = min(entry[k + 1], np.sqrt(entry[k] * entry[k] + 2.0 * grip[k] * seconds[k]))
        seconds[k] = block_time(seconds[k], speed[k], grip[k], entry[k], entry[k + 1])
