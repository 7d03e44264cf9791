"""Terraces of 8-bit pictures made smooth again, without leaving what the codes say.

A code says that the true value lies within half a level of it. `unstepped` looks for a smooth surface through
those limits: where two codes meet, the true surface is half way between them, so a curve is drawn along each
row and each column through these crossings; the steeper direction knows more and weighs more; what jitter is
left is smoothed away within the limits. Where codes jump (a hard edge), no curve runs across.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import ndimage

Levels = npt.NDArray[np.float32]  # values counted in levels: codes are whole numbers
_Any = npt.NDArray[Any]

# Short of half a level, so that rounding gives each code back whatever float arithmetic does.
WITHIN = np.float32(0.49)
# A jump is a hard edge when it is this many times its neighbours' (and two levels more), or when it is two
# levels or more beside a run of at least this many equal codes. A smooth slope does neither.
STEEPER, LONG = 2, 4
# Rounding alone bends a straight line by up to 2 levels; what bends more than this is an edge.
BEND = 4
# Radii of the last smoothing, pixels.
SCALES = (4.0, 2.0, 1.2, 1.2)


def unstepped(brightness: npt.NDArray[np.float64], levels: int) -> npt.NDArray[np.float64]:
    """Return brightness without its terraces.

    Parameters
    ----------
    brightness : (rows, columns), 0 to 1, in multiples of 1 / (levels − 1) or (colours weighed) between them
    levels : how many codes there are

    Returns
    -------
    (rows, columns), within half a level of the input everywhere, so that rounding gives the codes back.
    """
    top = levels - 1
    given = (brightness * top).astype(np.float32)
    codes = np.rint(given)
    low = np.maximum(given - WITHIN, 0)
    high = np.minimum(given + WITHIN, np.float32(top))
    with ThreadPoolExecutor(2) as pool:
        rows, columns = pool.map(_curves, (codes, np.ascontiguousarray(codes.T)))
    (across, steep_across), (along, steep_along) = rows, columns
    shape = across * steep_across + along.T * steep_along.T
    shape /= steep_across + steep_along.T
    shape = np.clip(shape, low, high, out=shape)
    return _polished(shape, codes, low, high).astype(np.float64) / top


class _Runs(NamedTuple):
    """Runs of equal codes, in reading order; all arrays have one entry a run."""

    length: _Any
    code: _Any
    start: _Any  # value where the run begins, in levels
    end: _Any
    free_start: _Any  # nothing continues it there: the row's end or a hard edge
    free_end: _Any


def _curves(codes: Levels) -> tuple[Levels, Levels]:
    """Return the curve along each row, and the weight it deserves: its steepness squared."""
    runs = _runs(codes)
    rise = (runs.end - runs.start) / runs.length
    runs = _with_free_ends(runs, rise)
    rise = (runs.end - runs.start) / runs.length
    at_start, at_end = _slopes(runs, rise)
    # Hermite's cubic on each run, as a polynomial of the pixel's place in it
    drop = runs.end - runs.start
    terms = (
        runs.start,
        at_start * runs.length,
        3 * drop - (2 * at_start + at_end) * runs.length,
        (at_start + at_end) * runs.length - 2 * drop,
        1 / runs.length,
        1 / runs.length**2,
    )
    counts = runs.length.astype(np.intp)
    first = np.cumsum(counts) - counts
    constant, linear, square, cubic, step, weight = (
        np.repeat(term.astype(np.float32), counts).reshape(codes.shape) for term in terms
    )
    place = np.arange(codes.size, dtype=np.int32) - np.repeat(first.astype(np.int32), counts)
    t = (place.reshape(codes.shape) + np.float32(0.5)).astype(np.float32) * step
    return constant + t * (linear + t * (square + t * cubic)), weight


def _runs(codes: Levels) -> _Runs:
    """Find the runs of equal codes and the value at both ends of each: half way to the next code."""
    flat, columns = codes.ravel(), codes.shape[1]
    row_end = np.zeros(flat.size - 1, dtype=np.bool_)
    row_end[columns - 1 :: columns] = True
    last = np.flatnonzero((flat[1:] != flat[:-1]) | row_end)  # the last pixel of each run but the last one
    length = np.diff(np.concatenate(([-1], last, [flat.size - 1]))).astype(np.float64)
    code = flat[np.append(last, flat.size - 1)].astype(np.float64)
    free = row_end[last] | _hard(np.abs(np.diff(code)), length)
    middle = (code[1:] + code[:-1]) / 2
    return _Runs(
        length,
        code,
        start=np.append(code[:1], np.where(free, code[1:], middle)),
        end=np.append(np.where(free, code[:-1], middle), code[-1:]),
        free_start=np.append(True, free),
        free_end=np.append(free, True),
    )


def _hard(jump: _Any, length: _Any) -> npt.NDArray[np.bool_]:
    """Return which of the jumps between runs are edges of the picture and not steps of a slope."""
    before, after = np.append(0, jump[:-1]), np.append(jump[1:], 0)
    single = np.minimum(length[1:], length[:-1])  # a long run has no slope to compare with
    usual = np.where(single > 1, 1, np.maximum(before, after))
    long = np.maximum(length[1:], length[:-1]) >= LONG
    return np.asarray((jump > STEEPER * usual + 2) | ((jump >= 2) & long))


def _with_free_ends(runs: _Runs, rise: _Any) -> _Runs:
    """Let a run whose one end is free go on as its neighbour does, as far as its length allows.

    Had the slope gone on for longer than a whole level, the code would have changed: so a run that is longer
    than that has levelled out, the longer the more.
    """
    only_start, only_end = runs.free_start & ~runs.free_end, runs.free_end & ~runs.free_start
    start, end = runs.start.copy(), runs.end.copy()
    start[only_start] = _gone_on(runs, rise, only_start, 1)
    end[only_end] = _gone_on(runs, rise, only_end, -1)
    return runs._replace(start=start, end=end)


def _gone_on(runs: _Runs, rise: _Any, chosen: npt.NDArray[np.bool_], step: int) -> _Any:
    """Return the values at the free ends of the chosen runs; `step` leads to the neighbour."""
    here = np.flatnonzero(chosen)
    held = (runs.end if step > 0 else runs.start)[here]
    towards = np.sign(held - runs.code[here])
    levels = step * towards * rise[here + step] * runs.length[here]
    gone = np.where(levels <= 1, levels, 0.5 + 0.5 / np.maximum(levels, 1))
    return np.asarray(held - towards * np.where(levels > 0, gone, 0.5))


def _slopes(runs: _Runs, rise: _Any) -> tuple[_Any, _Any]:
    """Return the slope at both ends of each run: of the parabola through three crossings, or a free end's."""
    h = runs.length
    inner = (rise[:-1] * h[1:] + rise[1:] * h[:-1]) / (h[:-1] + h[1:])
    at_start, at_end = np.append(0.0, inner), np.append(inner, 0.0)
    at_start = np.where(runs.free_start, np.where(runs.free_end, rise, (3 * rise - at_end) / 2), at_start)
    at_end = np.where(runs.free_end, np.where(runs.free_start, rise, (3 * rise - at_start) / 2), at_end)
    return at_start, at_end


def _polished(shape: Levels, codes: Levels, low: Levels, high: Levels) -> Levels:
    """Smooth away the jitter between rows and columns, within the limits and away from hard edges."""
    edges = _edges(codes)
    for scale in SCALES:
        radius = round(3 * scale)
        soft = ndimage.maximum_filter(edges, 4 * radius + 1) == 0
        smooth = np.clip(_smoothed(shape, scale, radius), low, high)
        shape = np.where(soft, smooth, shape)
    return shape


def _smoothed(shape: Levels, scale: float, radius: int) -> Levels:
    """Return 2G − G² of a Gaussian G: it leaves every parabola as it is.

    Beyond the border the surface goes on turned half about its edge, so that slopes go on too.
    """
    margin = min(2 * radius, min(shape.shape) - 1)
    wide = np.pad(shape, margin, mode="reflect", reflect_type="odd")
    once = ndimage.gaussian_filter(wide, scale, radius=radius)
    wide = 2 * once - ndimage.gaussian_filter(once, scale, radius=radius)
    return wide[margin:-margin, margin:-margin]


def _edges(codes: Levels) -> npt.NDArray[np.uint8]:
    """Return 1 where codes bend more than rounding could make them, and 0 elsewhere."""
    bends = (np.abs(ndimage.convolve1d(codes, [1.0, -2.0, 1.0], axis=axis)) > BEND for axis in (0, 1))
    return np.logical_or(*bends).astype(np.uint8)
