"""What "scallop" means for each kind of cutter: the ridge between two passes, as plane geometry gives it.

Along level passes every cutter that turns leaves its own outline s(u), so a ridge stands where the outlines
of two passes cross. How high it is above the surface that they touch is the scallop, normal to that surface.
"""

from __future__ import annotations

import math

from scipy.optimize import brentq

from relief.cutters import profile, profile_height
from relief.shop.records import Cutter

MEANINGS = {
    "ball": "the ridge between two passes of the ball",
    "bull": "the ridge between two passes of the rounded corner (on level ground the flat core leaves none)",
    "taper": "the ridge between two passes of the ball at the tip (of the cone, where its sides cut)",
    "vee": "the ridge between the flanks of two passes of the cone: it goes with their distance, not with its"
    " square",
    "flat": "the stairs that it leaves on slopes; level ground comes out flat",
}


def scallop_meaning(cutter: Cutter) -> str:
    """Return what the scallop of a finishing cutter is, in a few words."""
    if cutter.kind == "vee" and cutter.tip_radius:
        return MEANINGS["taper"]
    return MEANINGS[cutter.kind]


def ridge_height(cutter: Cutter, spacing: float, slope_deg: float = 0.0) -> float:
    """Return the ridge that passes leave on a plane that rises across them, mm, normal to the plane.

    Parameters
    ----------
    cutter : Cutter
    spacing : float, mm between passes, seen from above; at most the cutter's diameter
    slope_deg : float, of the plane, less steep than the cutter's sides

    Notes
    -----
    Plane geometry: with the plane's slope m the outlines s(u) and s(u − D) + m D cross at u = x; the plane
    that both touch lies at m u − max (m v − s(v)), so the ridge is s(x) − m x + max (m v − s(v)), times
    cos a. Closed forms of it:

    - ball: R − √(R² − D² / (4 cos² a)), textbook geometry; the same for a bull's corner and a taper's ball,
      as long as the outlines cross on them; a bull's flat core counts off D on level ground
    - vee with a sharp point: D (c² − m²) cos a / 2c, c the cotangent of half its angle: D c / 2 when level
    - flat end mill: D sin a, the step of a stair
    """
    shape, slope = profile(cutter), math.tan(math.radians(slope_deg))
    rise = slope * spacing

    def beyond(x: float) -> float:
        """Return how far the first pass's outline stands above the second's at x."""
        return float(profile_height(shape, abs(x)) - profile_height(shape, abs(x - spacing))) - rise

    low, high = spacing - shape.radius, shape.radius
    x = float(brentq(beyond, low, high, xtol=1e-12)) if beyond(low) < 0 < beyond(high) else high
    touched = shape.flat_radius + shape.corner_radius * math.sin(math.radians(slope_deg))
    plane = slope * (x - touched) + float(profile_height(shape, touched))
    ridge = float(profile_height(shape, abs(x - spacing))) + rise - plane
    return ridge * math.cos(math.radians(slope_deg))


def sharp_stepover(cutter: Cutter, scallop: float, slope_deg: float = 0.0) -> float:
    """Return the distance of passes that leaves ridges of a height, for a cutter without a round end, mm.

    They go with the distance itself (see `ridge_height`): a vee's on any ground, a flat end mill's on slopes.

    Examples
    --------
    >>> round(sharp_stepover(Cutter("vee", 12.0, angle=90.0), 0.05), 6)
    0.1
    """
    small = cutter.diameter / 8
    return scallop * small / ridge_height(cutter, small, slope_deg)
