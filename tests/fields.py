"""Test surfaces that every part of the suite shares: closed forms, and open datasets out of ordinary wheels.

Each function returns a Heightfield whose near left node is (0, 0) and whose highest node is not above 0.
"""

from __future__ import annotations

import math
from pathlib import Path

import matplotlib
import numpy as np
import skimage
from PIL import Image
from scipy import ndimage

from relief.heightfield import Heightfield


def grid(width: float, length: float, pitch: float) -> tuple[np.ndarray, np.ndarray]:
    """Return x and y of the nodes of a relief, each (rows, columns), mm; nodes lie on both edges."""
    x = np.arange(round(width / pitch) + 1) * pitch
    y = np.arange(round(length / pitch) + 1) * pitch
    across, along = np.meshgrid(x, y)
    return across, along


def plane(
    width: float = 20.0,
    length: float = 15.0,
    pitch: float = 0.25,
    *,
    at: float = -3.0,
    p: float = 0.0,
    q: float = 0.0,
) -> Heightfield:
    """Return z = at + p (x − width/2) + q (y − length/2)."""
    x, y = grid(width, length, pitch)
    return Heightfield(at + p * (x - width / 2) + q * (y - length / 2), pitch)


def ramp(
    angle_deg: float = 30.0,
    width: float = 20.0,
    length: float = 15.0,
    pitch: float = 0.25,
    *,
    turn_deg: float = 0.0,
) -> Heightfield:
    """Return a plane that falls at `angle_deg` towards `turn_deg` from +X; its highest node is at 0."""
    x, y = grid(width, length, pitch)
    turn = math.radians(turn_deg)
    z = -math.tan(math.radians(angle_deg)) * (x * math.cos(turn) + y * math.sin(turn))
    return Heightfield(z - z.max(), pitch)


def step(
    height: float = 4.0,
    width: float = 20.0,
    length: float = 15.0,
    pitch: float = 0.25,
    *,
    at: float | None = None,
) -> Heightfield:
    """Return one vertical wall: 0 for x ≤ at (default: the middle), −height beyond."""
    x, _ = grid(width, length, pitch)
    edge = width / 2 if at is None else at
    return Heightfield(np.where(x <= edge + 1e-9, 0.0, -height), pitch)


def spike(height: float = 5.0, width: float = 20.0, length: float = 20.0, pitch: float = 0.25) -> Heightfield:
    """Return a floor at −height with one node at 0, nearest to the middle."""
    x, _ = grid(width, length, pitch)
    z = np.full(x.shape, -height)
    z[z.shape[0] // 2, z.shape[1] // 2] = 0.0
    return Heightfield(z, pitch)


def bowl(
    radius: float = 15.0, depth: float = 5.0, width: float = 24.0, length: float = 24.0, pitch: float = 0.25
) -> Heightfield:
    """Return a spherical hollow of `radius`, `depth` deep in its middle, in a flat at 0."""
    x, y = grid(width, length, pitch)
    squared = (x - width / 2) ** 2 + (y - length / 2) ** 2
    sphere = (radius - depth) - np.sqrt(np.maximum(radius**2 - squared, 0.0))
    return Heightfield(np.where(squared < radius**2, np.minimum(sphere, 0.0), 0.0), pitch)


def dome(
    radius: float = 8.0,
    height: float | None = None,
    width: float = 24.0,
    length: float = 24.0,
    pitch: float = 0.25,
) -> Heightfield:
    """Return a spherical cap of `radius`, its top at 0, `height` above a flat (default: a hemisphere)."""
    x, y = grid(width, length, pitch)
    floor = -(radius if height is None else height)
    squared = (x - width / 2) ** 2 + (y - length / 2) ** 2
    sphere = np.sqrt(np.maximum(radius**2 - squared, 0.0)) - radius
    return Heightfield(np.where(squared < radius**2, np.maximum(sphere, floor), floor), pitch)


def plaque(
    levels: tuple[float, ...] = (-6.0, -4.0, -2.0, 0.0),
    width: float = 40.0,
    length: float = 30.0,
    pitch: float = 0.25,
) -> Heightfield:
    """Return nested rectangles with vertical walls, `levels` from the outermost to the innermost."""
    x, y = grid(width, length, pitch)
    z = np.full(x.shape, levels[0])
    for number, level in enumerate(levels[1:], start=1):
        inset = number / (2 * len(levels) + 1)
        inside = np.abs(x - width / 2) <= width * (0.5 - inset) + 1e-9
        inside &= np.abs(y - length / 2) <= length * (0.5 - inset) + 1e-9
        z[inside] = level
    return Heightfield(z, pitch)


def terrain(width: float = 60.0, depth: float = 6.0, pitch: float = 0.25) -> Heightfield:
    """Return real ground: `jacksboro_fault_dem.npz` of matplotlib's sample data, 344 × 403 nodes.

    Kept in its own proportions (square nodes), resampled cubically, from 0 at its highest to −depth.
    """
    file = Path(matplotlib.get_data_path()) / "sample_data" / "jacksboro_fault_dem.npz"
    with np.load(file) as data:
        elevation = data["elevation"].astype(np.float64)
    return _fitted(elevation[::-1], width, depth, pitch)


def band_limited(
    seed: int,
    width: float = 30.0,
    length: float = 24.0,
    pitch: float = 0.25,
    *,
    depth: float = 5.0,
    shortest: float = 6.0,
) -> Heightfield:
    """Return a sum of 24 random waves, none shorter than `shortest` mm, from 0 to −depth."""
    x, y = grid(width, length, pitch)
    rng = np.random.default_rng(seed)
    z = np.zeros(x.shape)
    for _ in range(24):
        wavelength = rng.uniform(shortest, 4 * shortest)
        turn, phase = rng.uniform(0, 2 * math.pi, 2)
        along = x * math.cos(turn) + y * math.sin(turn)
        z += wavelength * np.sin(2 * math.pi * along / wavelength + phase)
    return Heightfield(_between(z, depth), pitch)


def photograph(
    name: str = "camera", width: float = 60.0, depth: float = 5.0, pitch: float = 0.25, *, smooth: float = 1.0
) -> Heightfield:
    """Return a photograph of scikit-image's wheel ("camera", "coins", "moon"), smoothed by `smooth` mm."""
    with Image.open(Path(skimage.__file__).parent / "data" / f"{name}.png") as picture:
        brightness = np.asarray(picture, dtype=np.float64)
    field = _fitted(brightness[::-1], width, depth, pitch)
    z = ndimage.gaussian_filter(field.heights.astype(np.float64), smooth / pitch, mode="nearest")
    return Heightfield(_between(z, depth), pitch)


def every_field(pitch: float = 0.25) -> dict[str, Heightfield]:
    """Return a small one of each, by name."""
    return {
        "plane": plane(pitch=pitch),
        "ramp": ramp(pitch=pitch),
        "slanted ramp": ramp(20.0, pitch=pitch, turn_deg=33.0),
        "step": step(pitch=pitch),
        "spike": spike(pitch=pitch),
        "bowl": bowl(pitch=pitch),
        "dome": dome(pitch=pitch),
        "plaque": plaque(pitch=pitch),
        "terrain": terrain(width=40.0, pitch=pitch),
        "waves": band_limited(7, pitch=pitch),
        "photograph": photograph(width=40.0, pitch=pitch),
    }


def _fitted(source: np.ndarray, width: float, depth: float, pitch: float) -> Heightfield:
    """Return a grid of square cells as a relief of `width` mm, between −depth and 0."""
    rows, columns = source.shape
    x, y = grid(width, width * (rows - 1) / (columns - 1), pitch)
    per_mm = (columns - 1) / width
    z = ndimage.map_coordinates(
        source,
        [np.minimum(y * per_mm, rows - 1), np.minimum(x * per_mm, columns - 1)],
        order=3,
        mode="nearest",
    )
    return Heightfield(_between(z, depth), pitch)


def _between(z: np.ndarray, depth: float) -> np.ndarray:
    """Return heights stretched to reach from −depth to 0."""
    return depth * ((z - z.min()) / np.ptp(z) - 1.0)
