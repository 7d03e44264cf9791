"""From brightness, or from given heights, to the target: a Heightfield in millimetres.

The steps come in one order. On the picture's own pixels: mask, crop, unstep, levels, tone, gamma, invert,
mirror. Then, on the grid: smooth, detail, flatten, lift, feather, vignette; then
depth (or back_lit instead) and border. Unstep needs the codes as they are in the file, so it comes early.

Node registration: the centres of a picture's outermost pixels lie on the relief's edges, as the outermost
nodes do. A picture of as many pixels as the grid has nodes therefore needs no resampling at all.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from relief.body import lifted
from relief.errors import JobError
from relief.framing import edge_distance, ellipse_distance, faded, framed
from relief.gradients import detailed, smoothed
from relief.heightfield import Heightfield
from relief.picture import Mask, Picture
from relief.sections import Relief, Shaping
from relief.terraces import unstepped
from relief.tones import (
    LIGHT_OF_TONE,
    TONES,
    depth_of_clear,
    depth_of_white,
    flattened,
    level_at,
    levelled,
    with_gamma,
)
from relief.units import Units, format_length, rounded_up

Floats = npt.NDArray[np.float64]
LARGEST = 50_000_000  # nodes; float32 heights of this size take 200 MB, the work on them a good deal more
MOST_LEVELS = 4096  # finer codes than these leave no terraces to remove


class Grid(NamedTuple):
    """A grid of nodes that reaches from edge to edge of the relief."""

    columns: int
    rows: int
    pitch: float

    @property
    def width(self) -> float:
        """Distance between the outermost columns, mm."""
        return (self.columns - 1) * self.pitch

    @property
    def length(self) -> float:
        """Distance between the outermost rows, mm."""
        return (self.rows - 1) * self.pitch


def grid_for(
    width: float, length: float | None, pitch: float, shape: tuple[int, int], units: Units = "mm"
) -> Grid:
    """Return the grid for a relief of the given size.

    Parameters
    ----------
    width, length : float, mm
        No length: it follows the picture, width × (rows − 1) / (columns − 1), so that pixels stay square.
    pitch : float, mm between nodes
    shape : (rows, columns) of the picture or of the given heights
    units : in which a refusal tells lengths

    Raises
    ------
    JobError
        A size or pitch that is not positive, a pitch wider than the relief, or more nodes than are safe.

    Examples
    --------
    >>> grid_for(100.0, None, 0.1, (501, 1001))
    Grid(columns=1001, rows=501, pitch=0.1)
    """
    rows, columns = shape
    if length is None:
        length = width * (rows - 1) / (columns - 1)
    for name, size in (("width", width), ("length", length), ("pitch", pitch)):
        if not (np.isfinite(size) and size > 0):
            message = f"{name} is {format_length(size, units)}; it must be more than 0"
            raise JobError(message)
    if pitch > min(width, length):
        message = (
            f"pitch {format_length(pitch, units)} is wider than the relief"
            f" ({format_length(width, units)} × {format_length(length, units)}); make it finer"
        )
        raise JobError(message)
    nodes = (width / pitch + 1) * (length / pitch + 1)
    if nodes > LARGEST:
        least = (width * length / LARGEST) ** 0.5 * 1.01
        message = (
            f"{format_length(width, units)} × {format_length(length, units)} at a pitch of"
            f" {format_length(pitch, units)} makes {nodes / 1e6:.0f} million points; use a pitch of"
            f" {format_length(rounded_up(least, units), units)} or more"
        )
        raise JobError(message)
    return Grid(round(width / pitch) + 1, round(length / pitch) + 1, pitch)


def cropped(picture: Picture, crop: tuple[float, float, float, float]) -> Picture:
    """Return a part of a picture.

    Parameters
    ----------
    picture : Picture
    crop : percent of it to cut off at its left, right, near and far side

    Raises
    ------
    JobError
        Less than two pixels would be left along an axis.
    """
    if crop == (0, 0, 0, 0):
        return picture
    left, right = (round(share / 100 * picture.columns) for share in crop[:2])
    near, far = (round(share / 100 * picture.rows) for share in crop[2:])
    if left + right > picture.columns - 2 or near + far > picture.rows - 2:
        message = f"shaping.crop = {list(crop)} leaves nothing of the picture; its percentages are too large"
        raise JobError(message)
    kept = (slice(near, picture.rows - far), slice(left, picture.columns - right))
    opacity = None if picture.opacity is None else np.ascontiguousarray(picture.opacity[kept])
    return replace(picture, brightness=np.ascontiguousarray(picture.brightness[kept]), opacity=opacity)


def masked(picture: Picture, mask: Picture) -> Picture:
    """Return a picture whose opacity is also limited by the brightness of another one, white being kept."""
    cover = resampled(mask.brightness, picture.rows, picture.columns)
    opacity = cover if picture.opacity is None else np.minimum(picture.opacity, cover)
    return replace(picture, opacity=opacity)


def shape_heights(
    picture: Picture,
    relief: Relief,
    shaping: Shaping,
    grid: Grid,
    thickness: float = math.inf,
    units: Units = "mm",
) -> Heightfield:
    """Turn brightness into the target.

    Raised: white stands at the stock top (0), black at −depth. Sunk: black stays at the stock top and white
    sinks to −depth, as in a mould or a hollowed sign. With every step of shaping at its default and as many
    pixels as nodes, each height is the float32 nearest to −depth × (1 − code / largest code).

    Parameters
    ----------
    picture : already cropped and masked, see `cropped` and `masked`
    relief, shaping, grid : what is asked for
    thickness : mm of the stock; only a back-lit white sheet depends on it
    units : in which a refusal tells lengths

    Raises
    ------
    JobError
        A depth that is not set or not more than 0; a step that lacks what it needs.
    """
    depth = relief.depth
    if depth is None or not depth > 0:
        message = f"relief.depth is {depth}; it must be more than 0"
        raise JobError(message)
    amount = _on_the_grid(_toned(picture, relief, shaping), picture, relief, shaping, grid)
    if shaping.back_lit != "none":
        below = _back_lit(amount, shaping, depth, thickness, units) / depth
    else:
        below = amount if relief.style == "sunk" else 1.0 - amount
    if shaping.border != "none":
        _check_border(shaping, grid, units)
        distance = edge_distance(grid.rows, grid.columns, grid.pitch)
        below = 1.0 - framed(1.0 - below, distance, shaping.border, shaping.border_width)
    return Heightfield((0.0 - depth * below).astype(np.float32), grid.pitch)


def _toned(picture: Picture, relief: Relief, shaping: Shaping) -> Floats:
    """Return how far the relief stands out, 0 to 1, on the picture's own pixels."""
    amount = picture.brightness
    if shaping.unstep:
        if picture.levels > MOST_LEVELS:
            message = (
                f"shaping.unstep = true, but the picture has {picture.levels} levels, not steps; leave it out"
            )
            raise JobError(message)
        amount = unstepped(amount, picture.levels)
    low, high = (level_at(amount, level) for level in shaping.levels)
    if high < low or (high == low and not _from_shares(shaping)):
        message = f"shaping.levels = {list(shaping.levels)}: the first must lie below the second"
        raise JobError(message)
    amount = with_gamma(TONES[shaping.tone](levelled(amount, low, high)), shaping.gamma)
    amount = 1.0 - amount if relief.invert else amount
    return amount if picture.opacity is None else _on_its_ground(amount, picture.opacity)


def _from_shares(shaping: Shaping) -> bool:
    return all(isinstance(level, str) for level in shaping.levels)


def _on_its_ground(amount: Floats, opacity: Floats) -> Floats:
    """Return the relief sunk to its ground where the picture is not opaque."""
    return np.minimum(amount, opacity)


def _on_the_grid(amount: Floats, picture: Picture, relief: Relief, shaping: Shaping, grid: Grid) -> Floats:
    """Lay the relief on the grid and do the steps that think in millimetres."""
    mirrored = amount[:, ::-1] if relief.mirror else amount
    amount = resampled(mirrored, grid.rows, grid.columns)
    amount = smoothed(amount, shaping.smooth / grid.pitch)
    amount = flattened(detailed(amount, shaping.detail), shaping.flatten)
    if shaping.lift > 0:
        amount = lifted(amount, _silhouette(amount, picture, relief, shaping, grid), shaping.lift)
    if shaping.feather > 0:
        amount = faded(amount, edge_distance(grid.rows, grid.columns, grid.pitch), shaping.feather)
    if shaping.vignette > 0:
        amount = faded(amount, ellipse_distance(grid.rows, grid.columns, grid.pitch), shaping.vignette)
    return amount


def _silhouette(amount: Floats, picture: Picture, relief: Relief, shaping: Shaping, grid: Grid) -> Mask:
    """Return what is to be lifted: the opaque part, or all that stands out of a flattened ground."""
    if picture.opacity is not None:
        opacity = picture.opacity[:, ::-1] if relief.mirror else picture.opacity
        return resampled(opacity, grid.rows, grid.columns) >= 0.5
    if shaping.flatten > 0:
        return amount > 0
    message = (
        "shaping.lift needs a silhouette: a picture with a transparent background, shaping.mask, or"
        " shaping.flatten to make the dark ground flat"
    )
    raise JobError(message)


def _back_lit(amount: Floats, shaping: Shaping, depth: float, thickness: float, units: Units) -> Floats:
    """Return the depth of cut, mm, that lets light through as the picture says."""
    light = LIGHT_OF_TONE[shaping.tone](amount)
    if shaping.back_lit == "clear":
        if shaping.attenuation is None:
            message = 'shaping.back_lit = "clear" needs shaping.attenuation, measured on your sheet (1/mm)'
            raise JobError(message)
        return depth_of_clear(light, depth, shaping.attenuation)
    if shaping.scatter is None:
        message = 'shaping.back_lit = "white" needs shaping.scatter, measured on your sheet (1/mm)'
        raise JobError(message)
    if not depth < thickness < math.inf:
        deep = format_length(depth, units)
        message = f"a back-lit white sheet must be thicker than the depth {deep}; set stock.thickness"
        raise JobError(message)
    return depth_of_white(light, depth, thickness, shaping.scatter, shaping.absorb)


def _check_border(shaping: Shaping, grid: Grid, units: Units) -> None:
    if 2 * shaping.border_width >= min(grid.width, grid.length):
        message = (
            f"shaping.border_width = {format_length(shaping.border_width, units)} leaves nothing inside a"
            f" relief of {format_length(grid.width, units)} × {format_length(grid.length, units)};"
            " make it narrower"
        )
        raise JobError(message)


def fit_heights(
    heights: npt.NDArray[np.float32], thickness: float, grid: Grid, units: Units = "mm"
) -> Heightfield:
    """Lay given heights (mm, 0 at the stock top) on the grid as they are; a refusal tells them in `units`.

    Raises
    ------
    JobError
        Heights above the stock top or below its bottom.
    """
    highest, lowest = float(heights.max()), float(heights.min())
    if highest > 0:
        message = (
            f"the heights reach {format_length(highest, units)} above the stock top; subtract"
            f" {highest:g} mm from all of them"
        )
        raise JobError(message)
    if lowest <= -thickness:
        message = (
            f"the heights reach {format_length(-lowest, units)} deep, but the stock is"
            f" {format_length(thickness, units)} thick; set a greater thickness or scale them down"
        )
        raise JobError(message)
    fitted = resampled(heights.astype(np.float64), grid.rows, grid.columns)
    return Heightfield(fitted.astype(np.float32), grid.pitch)


def resampled(values: Floats, rows: int, columns: int) -> Floats:
    """Return `values` on a grid of another size between the same edges; unchanged where the sizes agree.

    Along an axis that shrinks, each node takes the mean over its own cell (no aliasing, volume kept); along
    an axis that grows, a smooth curve runs through the given values and never past them.

    Examples
    --------
    >>> resampled(np.array([[0.0, 2.0], [4.0, 6.0]]), rows=2, columns=3)
    array([[0., 1., 2.],
           [4., 5., 6.]])
    """
    if values.shape == (rows, columns):
        return values
    along_x = _resampled_rows(values.T, columns).T
    resized = _resampled_rows(along_x, rows)
    return np.clip(resized, values.min(), values.max())  # rounding alone could step past by an ulp


def _resampled_rows(values: Floats, rows: int) -> Floats:
    """Resample along the first axis."""
    given = values.shape[0]
    if rows == given:
        return values
    places = np.linspace(0.0, given - 1.0, rows)
    if rows < given:
        return _cell_means(values, places)
    # Fritsch & Carlson, "Monotone piecewise cubic interpolation", SIAM J. Numer. Anal. 17(2):238-246, 1980
    return np.asarray(PchipInterpolator(np.arange(given), values, axis=0)(places))


def _cell_means(values: Floats, places: Floats) -> Floats:
    """Average the broken line through `values` (first axis, one unit apart) over the cell around each place.

    A cell reaches half way to the next places; the outermost cells end at the edge. The cells tile the line,
    so the area under it is kept.
    """
    bounds = np.concatenate((places[:1], (places[1:] + places[:-1]) / 2, places[-1:]))
    left = np.minimum(bounds.astype(np.intp), values.shape[0] - 2)
    past = (bounds - left)[:, None]
    start, end = values[left], values[left + 1]
    whole = np.concatenate((np.zeros_like(values[:1]), np.cumsum((values[1:] + values[:-1]) / 2, axis=0)))
    area = whole[left] + past * (start + past / 2 * (end - start))
    return np.asarray(np.diff(area, axis=0) / np.diff(bounds)[:, None])
