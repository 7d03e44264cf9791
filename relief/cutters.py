"""The shape of each kind of cutter: the height of its underside above its tip.

All kinds are one family: a flat core, a rounded corner and a cone that leaves the corner at a tangent.
To add a kind, add a function to `PROFILES` (and its name to `relief.shop.records.CutterKind`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull

from relief.errors import ShopError
from relief.shop.records import Cutter


class Profile(NamedTuple):
    """The underside of a turning cutter; s(r) is its height above the tip at radius r, infinite beyond.

    Parameters
    ----------
    flat_radius : float, mm, of the flat core
    corner_radius : float, mm, of the rounded corner around it
    cone_slope : float, dz/dr of the cone beyond the corner; infinite for a straight side
    radius : float, mm, of the whole cutter
    """

    flat_radius: float
    corner_radius: float
    cone_slope: float
    radius: float


# Of the lattice of a plan: text in inches has three decimals more, so it puts a cutter up to half of 0.0254
# steps off, along X and along Y.
ROUNDING = 0.02


def narrower(shape: Profile, by: float) -> Profile:
    """Return a cutter a little narrower: what it cuts is cut wherever rounding may put the true one."""
    flat, corner = shape.flat_radius, shape.corner_radius
    flat, corner = (flat - by, corner) if flat > by else (flat, max(corner - by, 0.0))
    return shape._replace(flat_radius=flat, corner_radius=corner, radius=shape.radius - by)


def wider(shape: Profile, by: float) -> Profile:
    """Return a round-ended cutter a little wider: it gouges where rounding may make the true one gouge."""
    return shape._replace(corner_radius=shape.corner_radius + by, radius=shape.radius + by)


def _flat(cutter: Cutter) -> Profile:
    return Profile(cutter.diameter / 2, 0.0, math.inf, cutter.diameter / 2)


def _ball(cutter: Cutter) -> Profile:
    return Profile(0.0, cutter.diameter / 2, math.inf, cutter.diameter / 2)


def _bull(cutter: Cutter) -> Profile:
    radius = cutter.diameter / 2
    return Profile(radius - cutter.tip_radius, cutter.tip_radius, math.inf, radius)


def _cone(cutter: Cutter) -> Profile:
    """Vee and tapered ball: a (possibly rounded) tip and a cone of the included angle."""
    half_angle = math.radians(cutter.angle) / 2
    return Profile(0.0, cutter.tip_radius, 1 / math.tan(half_angle), cutter.diameter / 2)


PROFILES: dict[str, Callable[[Cutter], Profile]] = {
    "flat": _flat,
    "ball": _ball,
    "bull": _bull,
    "vee": _cone,
    "taper": _cone,
    "drag": _cone,
}


def profile(cutter: Cutter) -> Profile:
    """Return the profile of a cutter."""
    return PROFILES[cutter.kind](cutter)


def profile_height(shape: Profile, r: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return s(r), the height of the underside above the tip.

    Parameters
    ----------
    shape : Profile
    r : array, mm, distance from the axis

    Returns
    -------
    array like r, float64, mm; infinite beyond the cutter's radius

    Notes
    -----
    Plane geometry of a circle and its tangent: with u = r − flat radius, corner radius c and half angle b of
    the cone, s = c − √(c² − u²) while u ≤ c cos b, then s = c (1 − sin b) + (u − c cos b) cot b.
    """
    distance = np.asarray(r, dtype=np.float64)
    corner = shape.corner_radius
    sine, cosine = _half_angle(shape.cone_slope)
    u = np.maximum(distance - shape.flat_radius, 0.0)
    arc = corner - np.sqrt(np.maximum(corner**2 - u**2, 0.0))
    beyond = np.maximum(u - corner * cosine, 0.0)
    slope = shape.cone_slope if math.isfinite(shape.cone_slope) else 0.0
    cone = corner * (1 - sine) + beyond * slope
    height = np.where(u <= corner * cosine, arc, cone)
    return np.where(distance <= shape.radius, height, np.inf)


def _half_angle(cone_slope: float) -> tuple[float, float]:
    """Return sine and cosine of the cone's half angle from its cotangent."""
    if math.isinf(cone_slope):
        return 0.0, 1.0
    return 1 / math.hypot(1, cone_slope), cone_slope / math.hypot(1, cone_slope)


def profile_table(shape: Profile, pitch: float) -> npt.NDArray[np.float32]:
    """Return s at the node offsets of a grid.

    Parameters
    ----------
    shape : Profile
    pitch : float, mm

    Returns
    -------
    (2k + 1, 2k + 1) float32, mm
        Infinite at offsets beyond the cutter. A flat cutter's disc is rounded outward: it is the smallest
        disc of nodes whose convex hull holds the cutter's true disc, so that no slope is under-estimated.
    """
    radius = shape.radius
    if shape.corner_radius == 0.0 and shape.flat_radius > 0.0:
        radius = outward_radius(shape.radius, pitch)
    reach = math.floor(radius / pitch + 1e-9)
    steps = np.arange(-reach, reach + 1) * pitch
    distance = np.hypot(steps[:, None], steps[None, :])
    inside = distance <= radius * (1 + 1e-12) + 1e-12
    height = profile_height(shape, np.minimum(distance, shape.radius))
    return np.where(inside, height, np.inf).astype(np.float32)


def outward_radius(radius: float, pitch: float) -> float:
    """Return the radius of the smallest disc of nodes whose convex hull holds a disc of `radius` mm."""
    size = math.ceil(radius / pitch) + 2
    steps = np.arange(-size, size + 1)
    i, j = (axis.ravel() for axis in np.meshgrid(steps, steps))
    squared = i**2 + j**2
    wanted = radius / pitch * (1 - 1e-12)
    for limit in np.unique(squared[squared >= (wanted - 1e-9) ** 2]):
        rim = (squared <= limit) & (squared >= max(math.sqrt(limit) - 2, 0) ** 2)
        if _inscribed(np.column_stack([i[rim], j[rim]])) >= wanted - 1e-9:
            return math.sqrt(float(limit)) * pitch
    message = (
        f"points {pitch:g} mm apart cannot hold a cutter of radius {radius:g} mm; use a finer output.pitch"
    )
    raise ShopError(message)


def _inscribed(points: npt.NDArray[Any]) -> float:
    """Return the radius of the largest disc around (0, 0) inside the convex hull of the points."""
    if len(points) < 4:
        return 0.0
    return float(-ConvexHull(points).equations[:, 2].max())
