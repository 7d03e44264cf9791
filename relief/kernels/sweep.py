"""What straight moves of a cutter leave of a surface: exact swept envelopes, never samples.

Legend: a node lies at a along a move and d beside it; the move is L long seen from above, starts with its
tip at t0 and rises by g per mm; w = a − (where the tip is). The tip at w leaves the node no higher than

    f(w) = t0 + g (a − w) + s(√(d² + w²)),   w from a − L to a,   √(d² + w²) ≤ R

with s the cutter's profile: a flat core of radius F, a corner arc of radius c, a tangent cone of slope m.
s is convex, so f is, and the swept envelope is f at the free minimiser clamped to the interval.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

Doubles = npt.NDArray[np.float64]
Floats = npt.NDArray[np.float32]

RIM = 1e-9  # mm: a node this far outside the cutter still counts as touched, so that rounding cannot hide a cut
SHORT = 1e-7  # mm: a move shorter than this, seen from above, is a plunge


@njit(cache=True, nogil=True)
def profile_at(r: float, shape4: Doubles) -> float:
    """Return s(r), mm; infinite beyond the radius. Plane geometry of arc and tangent. Cost: 2 square roots."""
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    if r > radius + RIM:
        return math.inf
    u = min(r, radius) - flat
    if u <= 0.0:
        return 0.0
    if slope == math.inf:
        return corner - math.sqrt(max(corner * corner - u * u, 0.0))
    sine = 1.0 / math.sqrt(1.0 + slope * slope)
    join = corner * slope * sine
    if u <= join:
        return corner - math.sqrt(max(corner * corner - u * u, 0.0))
    return corner * (1.0 - sine) + (u - join) * slope


@njit(cache=True, nogil=True)
def corner_offset(d: float, g: float, flat: float, corner: float) -> float:
    """Return the free minimiser w > 0 on the corner arc of a bull nose (flat > 0, corner > 0, g > 0, d < R).

    The arc is a ball of radius c carried round the core's rim. With the ball at the rim's angle φ from the
    move (σ = sin φ) and the contact at χ from the ball's middle, f' = 0 reads tan χ = κ tan φ, κ = g/√(1 + g²):

        F σ + c κ σ / √(1 − j σ²) = d,   j = 1 − κ²,   w = √(1 − σ²) (F + κ c / √(1 − j σ²))

    The left side is convex and rises with σ: Newton inside a bracket. f is flat at its minimum, so an error
    of 1e-5 in w is 1e-10 in f. Cost: about 5 square roots.
    """
    kappa2 = g * g / (1.0 + g * g)
    kappa = math.sqrt(kappa2)
    j = 1.0 / (1.0 + g * g)
    low = max((d - corner) / flat, 0.0)
    high = min(d / (flat + corner * kappa), 1.0)
    sigma = high
    if d > flat:
        left = 1.0 - corner * corner * kappa2 / ((d - flat) * (d - flat))
        if left > 0.0:  # a lower bound: the equation with σ = 1 outside the root
            low = max(low, min(math.sqrt(left / j), high))
            sigma = low
    for _ in range(60):
        root = math.sqrt(1.0 - j * sigma * sigma)
        miss = flat * sigma + corner * kappa * sigma / root - d
        if miss > 0.0:
            high = sigma
        else:
            low = sigma
        step = miss / (flat + corner * kappa / (root * root * root))
        following = sigma - step
        if not low <= following <= high:
            following = 0.5 * (low + high)
        done = abs(following - sigma) <= 1e-6 * (1.0 - following) + 1e-15
        sigma = following
        if done:
            break
    root = math.sqrt(1.0 - j * sigma * sigma)
    return math.sqrt((1.0 - sigma) * (1.0 + sigma)) * (flat + kappa * corner / root)


@njit(cache=True, nogil=True)
def free_offset(d: float, g: float, shape4: Doubles) -> float:
    """Return the w ≥ 0 that minimises s(√(d² + w²)) − g w over the cutter, for a slope g ≥ 0 and d ≤ R.

    ball: w = g √((c² − d²) / (1 + g²));  cone: w = d g / √(m² − g²);  flat: w = √(R² − d²).
    Found by setting f' = s'(r) w/r − g = 0 on each piece; f is convex, so the first piece that holds its own
    root has it. Cost: about 4 square roots; a bull nose adds `corner_offset`.
    """
    flat, corner, slope, radius = shape4[0], shape4[1], shape4[2], shape4[3]
    if g == 0.0 or d >= radius:
        return 0.0
    rim = math.sqrt(radius * radius - d * d)
    w = math.sqrt(flat * flat - d * d) if d < flat else 0.0
    join = flat + corner
    if slope < math.inf:
        join = flat + corner * slope / math.sqrt(1.0 + slope * slope)
    if corner > 0.0 and d < join:
        to_join = math.sqrt(join * join - d * d)
        if slope == math.inf or slope * to_join >= g * join:
            if flat > 0.0:
                return min(corner_offset(d, g, flat, corner), rim)
            return min(g * math.sqrt((corner * corner - d * d) / (1.0 + g * g)), rim)
        w = to_join
    if slope < math.inf:
        w = max(w, d * g / math.sqrt(slope * slope - g * g)) if g < slope else rim
    return min(w, rim)


@njit(cache=True, nogil=True)
def swept_height(a: float, d: float, length: float, t0: float, g: float, shape4: Doubles) -> float:
    """Return the height, mm, that a move leaves at a node; infinite where it does not reach.

    Parameters
    ----------
    a, d : mm, of the node along and beside the move
    length, t0, g : L mm, tip height at the start mm, rise per mm; for a plunge L = g = 0, t0 its lower end
    shape4 : [flat radius, corner radius, cone slope, radius]
    """
    w = math.copysign(free_offset(abs(d), abs(g), shape4), g)
    w = min(max(w, a - length), a)
    return t0 + g * (a - w) + profile_at(math.sqrt(d * d + w * w), shape4)


@njit(cache=True, nogil=True)
def sweep_plain(c: Floats, pitch: float, shape4: Doubles, starts: Doubles, ends: Doubles) -> None:
    """Lower `c` to what the moves leave, one move at a time over its own box."""
    rows, columns = c.shape
    radius = shape4[3]
    for k in range(starts.shape[0]):
        x0, y0, z0 = starts[k, 0], starts[k, 1], starts[k, 2]
        dx, dy, dz = ends[k, 0] - x0, ends[k, 1] - y0, ends[k, 2] - z0
        if not math.isfinite(x0 + y0 + z0 + dx + dy + dz):
            continue
        length = math.sqrt(dx * dx + dy * dy)
        ex, ey, g = 1.0, 0.0, 0.0
        if length < SHORT:
            length = 0.0
            if dz < 0.0:
                x0, y0, z0 = ends[k, 0], ends[k, 1], ends[k, 2]
        else:
            ex, ey, g = dx / length, dy / length, dz / length
        left = min(x0, x0 + length * ex) - radius
        right = max(x0, x0 + length * ex) + radius
        near = min(y0, y0 + length * ey) - radius
        far = max(y0, y0 + length * ey) + radius
        i0 = int(min(max(math.floor(left / pitch), 0.0), columns))
        i1 = int(max(min(math.ceil(right / pitch), columns - 1.0), -1.0))
        j0 = int(min(max(math.floor(near / pitch), 0.0), rows))
        j1 = int(max(min(math.ceil(far / pitch), rows - 1.0), -1.0))
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                x, y = i * pitch - x0, j * pitch - y0
                h = swept_height(x * ex + y * ey, y * ex - x * ey, length, z0, g, shape4)
                if h < c[j, i]:
                    c[j, i] = np.float32(h)


def sweep(c: Floats, pitch: float, shape4: Doubles, starts: Doubles, ends: Doubles) -> None:
    """Lower `c` to what straight moves of a cutter leave: c = min(c, swept envelope).

    Parameters
    ----------
    c : (rows, columns) float32, mm, changed in place
    pitch : mm between nodes
    shape4 : [flat radius, corner radius, cone slope, radius] of the cutter, mm
    starts, ends : (n, 3) float64, mm, tip positions measured from node (0, 0)
    """
    sweep_plain(c, pitch, shape4, starts, ends)
