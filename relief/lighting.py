"""How a surface looks in soft light from the upper left: direct light and open sky together."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.heightfield import Heights

_Map = npt.NDArray[np.float64]


def shade(heights: _Map, size: float) -> _Map:
    """Return the place on the colour scale, about 0 to 1, of each point.

    Parameters
    ----------
    heights : (rows, columns) mm, top row first
    size : float, mm between points

    Notes
    -----
    Light = direct light (Lambert's cosine law) × 0.6 + open sky × 0.4, the latter as the sky-view factor of
    Zakšek, Oštir & Kokalj, Remote Sensing 3(2):398–415, 2011 (from memory): hollows are darker.
    """
    level = np.zeros((2, 2))
    light, flat = (0.60 * _direct_light(z, size) + 0.40 * open_sky(z, size) for z in (heights, level))
    return _toned(light, float(flat[0, 0]))


def _direct_light(heights: _Map, size: float) -> _Map:
    """Return the cosine between surface and light, for a lamp on the upper left and two weak ones beside."""
    down, right = np.gradient(heights, size)
    length = np.sqrt(1 + down**2 + right**2)
    light = np.zeros_like(heights)
    for share, azimuth_deg, altitude_deg in ((0.70, 135.0, 42.0), (0.15, 180.0, 35.0), (0.15, 90.0, 35.0)):
        azimuth, altitude = math.radians(azimuth_deg), math.radians(altitude_deg)
        # rows run down the picture, so a lamp at the top shines on surfaces that rise downward
        towards = (-math.cos(azimuth) * right + math.sin(azimuth) * down) * math.cos(altitude)
        light += share * np.maximum((towards + math.sin(altitude)) / length, 0.0)
    return light


def _toned(light: _Map, flat: float) -> _Map:
    """Return the place on the colour scale of each point; a level surface keeps the same middle tone."""
    low, high = np.percentile(light, (0.2, 99.8))
    # the least spans keep the rounding errors of a flat surface from being blown up
    brighter = 0.28 * (light - flat) / max(high - flat, 0.12)
    darker = 0.66 * (light - flat) / max(flat - low, 0.25)
    return np.asarray(0.70 + np.where(light > flat, brighter, darker))


def open_sky(heights: _Map, size: float) -> _Map:
    """Return the share of the sky that each point sees: 1 − mean over 16 directions of sin(horizon)."""
    coarse = heights[::2, ::2].astype(np.float32)
    reach = 3.0 * max(float(np.ptp(heights)), size) / (2 * size)
    steepest = np.zeros((16, *coarse.shape), dtype=np.float32)
    for step in sorted({max(1, round(reach ** (n / 8))) for n in range(9)}):
        # what lies far off is looked at blurred, or single distances would show as bands
        around = ndimage.gaussian_filter(coarse, step / 4 - 0.25, truncate=2.0)
        for direction in range(16):
            _raise_horizon(steepest[direction], coarse, around, 2 * size, step, math.pi * direction / 8)
    hidden = sum(slope / np.sqrt(1 + slope**2) for slope in steepest)
    sky = 1.0 - np.asarray(hidden, dtype=np.float64) / 16
    zoom = [a / b for a, b in zip(heights.shape, sky.shape, strict=True)]
    return np.asarray(ndimage.zoom(sky, zoom, order=1, mode="nearest", grid_mode=True))


def _raise_horizon(
    steepest: Heights, heights: Heights, around: Heights, size: float, step: int, azimuth: float
) -> None:
    """Raise the slope up to the horizon in one direction to what stands `step` pixels off."""
    rows, columns = heights.shape
    dj, di = round(step * math.sin(azimuth)), round(step * math.cos(azimuth))
    if abs(dj) >= rows or abs(di) >= columns:
        return
    here = (slice(max(0, -dj), rows - max(0, dj)), slice(max(0, -di), columns - max(0, di)))
    there = (slice(max(0, dj), rows + min(0, dj)), slice(max(0, di), columns + min(0, di)))
    rise = (around[there] - heights[here]) / np.float32(size * math.hypot(dj, di))
    np.maximum(steepest[here], rise, out=steepest[here])
