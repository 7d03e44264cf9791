"""Pictures of surfaces: lit from the upper left, and maps with a scale in the user's unit."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from relief import colours
from relief.heightfield import Heightfield
from relief.legends import INKS, PAPER, SCALE, Indices, Legend, framed_png, png_file, toned
from relief.lighting import shade
from relief.measures import percent
from relief.units import MM_PER_INCH, Units, format_length

# Pixels: longest side of the surface itself, and its least size.
_LONGEST, _LEAST = 1340, 1000
# Pixels: longest side of a small picture.
_SMALL = 520
# Pixels: radius of the ring about a place.
_RING = 22

_Map = npt.NDArray[np.float64]


def shaded_png(surface: Heightfield, units: Units = "mm", relief: Heightfield | None = None) -> bytes:
    """Return a picture of a surface as if it lay in soft light from the upper left.

    Parameters
    ----------
    surface : Heightfield
    units : the unit of its scale bar
    relief : the part of it whose depth is told, where it is a board that is cut through; None: all of it

    Returns
    -------
    PNG file; the far side of the table is on top, +X points right
    """
    tone = shade(*_resampled(surface))
    width, length, depth = (
        _short(float(side), units, coarse=True)
        for side in (surface.width, surface.length, np.ptp((relief or surface).heights))
    )
    size, whose = f"{width.rpartition(' ')[0]} by {length}", ""
    if relief:
        size, whose = f"the board, {size}", "its relief "
    caption = f"{size}, {whose}{depth} from highest to lowest"
    return framed_png(toned(tone), colours.wood(SCALE), Legend((), (), caption), surface, units)


def stage_png(surface: Heightfield) -> bytes:
    """Return a small picture of a surface in the same light, without scale and margin.

    Parameters
    ----------
    surface : Heightfield

    Returns
    -------
    PNG file; the far side of the table is on top, +X points right
    """
    scale = min(_SMALL / max(surface.rows, surface.columns), 1.0)
    return png_file(toned(shade(*_resampled(surface, scale))), colours.wood(SCALE))


def deviation_png(carved: Heightfield, target: Heightfield, units: Units = "mm") -> bytes:
    """Return a map of carved minus target: blue where it is too deep, amber where something is left.

    Parameters
    ----------
    carved, target : Heightfields on the same grid
    units : the unit of its scale

    Returns
    -------
    PNG file. Where a pixel covers several nodes it shows the one that deviates most, so nothing is hidden.
    """
    deviation = carved.heights.astype(np.float64) - target.heights
    limit = deviation_limit(deviation, units)
    tone = _pooled(deviation, _factor(carved)) / limit / 2 + 0.5
    ticks = tuple(
        (step / 4, _signed((step / 2 - 1) * limit, units) + beyond)
        for step, beyond in enumerate(_beyond(deviation, limit))
    )
    caption = (
        f"carved minus target; at most {_short(max(deviation.max(), 0), units)} left standing and"
        f" {_short(max(-deviation.min(), 0), units)} too deep"
    )
    legend = Legend(ticks, ((0.0, "too deep"), (0.5, "as drawn"), (1.0, "left standing")), caption)
    return framed_png(toned(tone), colours.diverging(SCALE), legend, carved, units)


def _beyond(deviation: _Map, limit: float) -> tuple[str, ...]:
    """Return what follows each of the five marks of a scale: its ends may stand for more than they say."""
    low, high = (" or more" if past else "" for past in (deviation.min() < -limit, deviation.max() > limit))
    return low, "", "", "", high


def deviation_limit(deviation: npt.NDArray[Any], units: Units) -> float:
    """Return where the scale of a map of deviations ends, mm: a round number of the user's unit."""
    return _round_limit(max(float(np.percentile(np.abs(deviation), 99.9)), 0.01), units)


def scallop_png(
    scallops: npt.NDArray[Any],
    tolerance: float,
    pitch: float,
    units: Units = "mm",
    places: Sequence[tuple[float, float]] = (),
) -> bytes:
    """Return a map of the ridges between passes: pale where they are as low as asked, dark where not.

    Parameters
    ----------
    scallops : (rows, columns) mm, normal to the surface; NaN where it was not judged
    tolerance : float, mm, the scallop height asked for
    pitch : float, mm
    units : the unit of its scale
    places : (x, y) mm from the near left node, to be ringed

    Returns
    -------
    PNG file. Where a pixel covers several nodes it shows the highest, so nothing is hidden.
    """
    judged = np.isfinite(scallops)
    worst = float(np.where(judged, scallops, 0.0).max())
    caption = f"the highest ridge about each point, {_short(worst, units)} at most" + (
        "" if judged.all() else "; hatched: walls or waste, not judged"
    )
    words = ("smoother", "as asked", "rougher than asked")
    return _limit_map(
        scallops,
        _Limit(tolerance, 2.0 if worst <= 2 * tolerance else 4.0),
        words,
        caption,
        pitch,
        units,
        places,
    )


def lost_png(lost: npt.NDArray[Any], tolerance: float, pitch: float, units: Units = "mm") -> bytes:
    """Return a map of the detail that the finishing cutter cannot reach: pale where it would not show.

    Parameters
    ----------
    lost : (rows, columns) mm, reachable surface minus target; NaN outside the part
    tolerance : float, mm, the scallop height asked for: a loss below it does not show
    pitch : float, mm
    units : the unit of its scale

    Returns
    -------
    PNG file. Where a pixel covers several nodes it shows the greatest loss, so nothing is hidden.
    """
    judged = lost[np.isfinite(lost)]
    kept, most = float((judged <= tolerance).mean()), max(float(judged.max()), 0.0)
    share = "all" if kept == 1 else percent(kept)
    caption = (
        f"{share} of the surface can be cut to within {_short(tolerance, units)} of the picture;"
        f" elsewhere the cutter is too wide to get in, and up to {_short(most, units)}"
        " is left standing" + ("; hatched: waste" if judged.size < lost.size else "")
    )
    high = float(np.percentile(judged, 99.9)) / tolerance
    top = next((top for top in (2.0, 4.0, 8.0) if high <= top), 16.0)
    words = ("kept", "would not show", "lost")
    return _limit_map(lost, _Limit(tolerance, top), words, caption, pitch, units)


@dataclass(frozen=True)
class _Limit:
    """A limit, mm, and where the scale ends, in limits."""

    at: float
    top: float


def _limit_map(
    values: npt.NDArray[Any],
    limit: _Limit,
    words: tuple[str, str, str],
    caption: str,
    pitch: float,
    units: Units,
    rings: Sequence[tuple[float, float]] = (),
) -> bytes:
    """Return a map that is pale up to a limit and dark above it; what is NaN comes out hatched."""
    judged = np.isfinite(values)
    ratio = np.where(judged, values, 0.0) / limit.at
    grid = Heightfield(ratio.astype(np.float32), pitch)
    factor, top = _factor(grid), limit.top
    # the pale part gets room for its words, even where it is a small part of the scale
    pale = round(SCALE * max(1 / top, 0.3))
    indices = _split_indices(_pooled(ratio, factor), top, pale)
    seen = _pooled(judged.astype(np.float64), factor) > 0
    indices[~seen] = _hatching(indices.shape)[~seen]
    size = pitch * (factor if factor > 0 else -1 / factor)
    indices = _ringed(indices, [(x / size, indices.shape[0] - 1 - y / size) for x, y in rings])
    places = (0.0, 1.0, top / 2, top) if top > 2 else (0.0, 0.5, 1.0, top)
    share = pale / SCALE
    ticks = tuple((_along(place, top, share), _short(place * limit.at, units)) for place in places)
    if float(ratio.max()) > top:
        ticks = (*ticks[:-1], (1.0, f"{ticks[-1][1]} or more"))
    legend = Legend(ticks, tuple(zip((0.0, share, 1.0), words, strict=True)), caption)
    return framed_png(indices, colours.split(SCALE, share), legend, grid, units)


def _along(ratio: float, top: float, share: float) -> float:
    """Return the place 0..1 on a scale of a value in limits; `share` of the scale lies below the limit."""
    return ratio * share if ratio <= 1 else share + (ratio - 1) / (top - 1) * (1 - share)


# ---- surfaces to pixels ---------------------------------------------------------------------------------


def _factor(field: Heightfield) -> int:
    """Return how many nodes share a pixel (positive) or how many pixels show a node (negative)."""
    longest = max(field.rows, field.columns)
    if longest > _LONGEST:
        return math.ceil(longest / _LONGEST)
    return -max(1, min(_LONGEST // longest, math.ceil(_LEAST / longest)))


def _pooled(values: _Map, factor: int) -> _Map:
    """Return one value a pixel, top row first: of several nodes the one largest in size, sign kept."""
    flipped = values[::-1]
    if factor < 0:
        return np.repeat(np.repeat(flipped, -factor, axis=0), -factor, axis=1)
    rows, columns = (-(-size // factor) * factor for size in flipped.shape)
    padded = np.zeros((rows, columns))
    padded[: flipped.shape[0], : flipped.shape[1]] = flipped
    shares = [padded[j::factor, i::factor] for j in range(factor) for i in range(factor)]
    high, low = functools.reduce(np.maximum, shares), functools.reduce(np.minimum, shares)
    return np.asarray(np.where(high >= -low, high, low))


def _resampled(surface: Heightfield, scale: float | None = None) -> tuple[_Map, float]:
    """Return smoothly resampled heights, top row first, and the size of a pixel in mm."""
    longest = max(surface.rows, surface.columns)
    if scale is None:
        scale = min(max(_LEAST / longest, 1.0), _LONGEST / longest)
    width, height = (max(2, round(size * scale)) for size in (surface.columns, surface.rows))
    picture = Image.fromarray(np.ascontiguousarray(surface.heights[::-1]))
    method = Image.Resampling.BICUBIC if scale > 1 else Image.Resampling.LANCZOS
    resized = np.asarray(picture.resize((width, height), method), dtype=np.float64)
    return resized, surface.pitch * surface.columns / width


def _split_indices(ratio: _Map, top: float, pale: int) -> Indices:
    """Return colours of a split scale: a ratio of exactly 1 is still pale."""
    below = np.minimum(ratio * pale, pale - 1)
    above = np.minimum(pale + (ratio - 1) / (top - 1) * (SCALE - pale), SCALE - 1)
    return np.where(ratio <= 1, below, above).astype(np.uint8)


def _ringed(indices: Indices, places: Sequence[tuple[float, float]]) -> Indices:
    """Return a picture with a ring about each place (column, row), black with a pale rim."""
    picture = Image.fromarray(indices)
    draw = ImageDraw.Draw(picture)
    for x, y in places:
        for radius, ink, width in ((_RING + 3, PAPER, 9), (_RING, PAPER + INKS - 1, 3)):
            draw.ellipse((x - radius, y - radius, x + radius, y + radius), outline=ink, width=width)
    return np.asarray(picture)


def _hatching(shape: tuple[int, ...]) -> Indices:
    j, i = np.indices(shape)
    return np.where((i + j) % 8 < 2, PAPER + 9, PAPER + 2).astype(np.uint8)


# ---- numbers for people ---------------------------------------------------------------------------------


def _round_limit(value: float, units: Units) -> float:
    """Return the smallest 1, 2 or 5 × 10ⁿ of the unit that is not below the value, in mm."""
    unit = 1.0 if units == "mm" else MM_PER_INCH
    power = 10.0 ** math.floor(math.log10(value / unit) + 1e-9)
    return next(
        step * power * unit for step in (1.0, 2.0, 5.0, 10.0) if step * power * unit >= value * (1 - 1e-9)
    )


def _short(length: float, units: Units, coarse: bool = False) -> str:
    """Write a length to 1 µm or 0.0001 in, a coarse one to 0.1 mm or 0.01 in."""
    places = (3 if units == "mm" else 4) - 2 * coarse
    unit = 1.0 if units == "mm" else MM_PER_INCH
    return format_length(round(float(length) / unit, places) * unit, units)


def _signed(length: float, units: Units) -> str:
    text = _short(length, units)
    return f"+{text}" if length > 0 else text
