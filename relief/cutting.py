"""How a cutter meets its stock, as numbers: speeds, chips, power, and how deep and thick the rules let it go.

Textbook formulas: surface speed v = π D n, removal rate Q = depth · width · feed,
power P = specific cutting force · Q.
"""

from __future__ import annotations

import math

import numpy as np

from relief.cutters import profile
from relief.shop.records import Cutter, Material


def surface_speed(diameter: float, rpm: float) -> float:
    """Return the speed of a cutting edge, m/min, v = π D n (textbook).

    Examples
    --------
    >>> round(surface_speed(6, 18000), 3)
    339.292
    """
    return math.pi * diameter * rpm / 1000.0


def removal_rate(stepdown: float, stepover: float, feed: float) -> float:
    """Return the volume removed, mm³/s, by a cut `stepdown` × `stepover` mm at `feed` mm/min."""
    return stepdown * stepover * feed / 60.0


def cutting_power(force: float, rate: float) -> float:
    """Return the power, W, from a specific cutting force, N/mm², and a removal rate, mm³/s.

    Examples
    --------
    >>> cutting_power(32, removal_rate(3, 3, 2000))
    9.6
    """
    return force * rate / 1000.0


def effective_diameter(cutter: Cutter, depth: float) -> float:
    """Return the diameter, mm, at which a cutter `depth` mm deep cuts level stock.

    Notes
    -----
    The profile solved for the radius: a ball gives D_eff = 2 √(depth (D − depth)) (geometry).

    Examples
    --------
    >>> round(effective_diameter(Cutter("ball", 6), 0.3), 6)
    2.615339
    """
    flat, corner, slope, radius = profile(cutter)
    cosine = slope / math.hypot(1.0, slope) if math.isfinite(slope) else 1.0
    corner_height = corner * (1.0 - math.sqrt(1.0 - cosine**2))
    if depth <= corner_height:
        return 2.0 * min(flat + math.sqrt(max(depth * (2.0 * corner - depth), 0.0)), radius)
    beyond = (depth - corner_height) / slope
    return 2.0 * min(flat + corner * cosine + beyond, radius)


def chip_thinning(stepover: float, diameter: float) -> float:
    """Return the thickest chip as a share of the feed per edge, 0 to 1.

    Notes
    -----
    √(1 − (1 − 2 stepover / D)²) below half the diameter, 1 above (geometry of a circle; El-Hofy,
    Fundamentals of Machining Processes, ch. 6, derives the approximation 2 √(stepover / D)).

    Examples
    --------
    >>> round(chip_thinning(0.6, 6), 6)
    0.6
    """
    if stepover >= diameter / 2.0:
        return 1.0
    return math.sqrt(1.0 - (1.0 - 2.0 * stepover / diameter) ** 2)


def nominal_diameter(cutter: Cutter) -> float:
    """Return the diameter, mm, by which a cutter's chip load is looked up.

    A cone counts as wide as it is half way up: the mean of its tip and its widest diameter (common
    practice, no source).
    """
    if cutter.kind in ("vee", "taper"):
        return (2.0 * cutter.tip_radius + cutter.diameter) / 2.0
    return cutter.diameter


def deepest_layer(cutter: Cutter, material: Material) -> float:
    """Return the deepest layer, mm, that the material's rule allows a cutter.

    A tapered ball counts as thick as its ball, for that is where it breaks (common practice, no source).
    """
    return material.stepdown * (2.0 * cutter.tip_radius if cutter.kind == "taper" else cutter.diameter)


def chip_range(material: Material, diameter: float, depth: float) -> tuple[float, float]:
    """Return the least and the most chip load, mm, for a cutter of `diameter` mm cutting `depth` mm deep.

    Notes
    -----
    Linear between the diameters of the material's table, in proportion below the smallest, level above the
    largest. A quarter less at twice the diameter deep, half at three times (common practice, no source).
    """
    table = sorted(material.chip_load, key=lambda row: row.diameter)
    diameters = [0.0] + [row.diameter for row in table]
    share = float(np.interp(depth / diameter, (1.0, 2.0, 3.0), (1.0, 0.75, 0.5)))
    low = float(np.interp(diameter, diameters, [0.0] + [row.low for row in table]))
    high = float(np.interp(diameter, diameters, [0.0] + [row.high for row in table]))
    return low * share, high * share
