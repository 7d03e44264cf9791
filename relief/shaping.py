"""From brightness, or from given heights, to the target: a Heightfield in millimetres.

Node registration: the centres of a picture's outermost pixels lie on the relief's edges, as the outermost
nodes do. A picture of as many pixels as the grid has nodes therefore needs no resampling at all.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Relief, Shaping
from relief.picture import Picture

Floats = npt.NDArray[np.float64]
LARGEST = 50_000_000  # nodes; float32 heights of this size take 200 MB, the work on them a good deal more


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


def grid_for(width: float, length: float | None, pitch: float, shape: tuple[int, int]) -> Grid:
    """Return the grid for a relief of the given size.

    Parameters
    ----------
    width, length : float, mm
        No length: it follows the picture, width × (rows − 1) / (columns − 1), so that pixels stay square.
    pitch : float, mm between nodes
    shape : (rows, columns) of the picture or of the given heights

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
            message = f"{name} is {size:g} mm; it must be more than 0"
            raise JobError(message)
    if pitch > min(width, length):
        message = f"pitch {pitch:g} mm is wider than the relief ({width:g} × {length:g} mm); make it finer"
        raise JobError(message)
    nodes = (width / pitch + 1) * (length / pitch + 1)
    if nodes > LARGEST:
        message = (
            f"{width:g} × {length:g} mm at a pitch of {pitch:g} mm makes {nodes / 1e6:.0f} million nodes; "
            f"use a pitch of {(width * length / LARGEST) ** 0.5 * 1.01:.3g} mm or more"
        )
        raise JobError(message)
    return Grid(round(width / pitch) + 1, round(length / pitch) + 1, pitch)


def shape_heights(picture: Picture, relief: Relief, shaping: Shaping, grid: Grid) -> Heightfield:
    """Turn brightness into the target.

    Raised: white stands at the stock top (0), black at −depth. Sunk: black stays at the stock top and white
    sinks to −depth, as in a mould or a hollowed sign. Nothing is smoothed; with the linear tone and as many
    pixels as nodes, each height is the float32 nearest to −depth × (1 − code / largest code).

    Raises
    ------
    JobError
        A depth that is not set or not more than 0.
    """
    if relief.depth is None or not relief.depth > 0:
        message = f"relief.depth is {relief.depth}; it must be more than 0 mm"
        raise JobError(message)
    brightness = TONES[shaping.tone](picture.brightness)
    if relief.mirror:
        brightness = brightness[:, ::-1]
    white_is_deep = (relief.style == "sunk") != relief.invert
    below_top = brightness if white_is_deep else 1.0 - brightness
    heights = 0.0 - relief.depth * resampled(below_top, grid.rows, grid.columns)
    return Heightfield(heights.astype(np.float32), grid.pitch)


def _linear(brightness: Floats) -> Floats:
    """Take brightness as it stands: equal steps of code value are equal steps of height."""
    return brightness


TONES: dict[str, Callable[[Floats], Floats]] = {"linear": _linear}


def fit_heights(heights: npt.NDArray[np.float32], thickness: float, grid: Grid) -> Heightfield:
    """Lay given heights (mm, 0 at the stock top) on the grid as they are.

    Raises
    ------
    JobError
        Heights above the stock top or below its bottom.
    """
    highest, lowest = float(heights.max()), float(heights.min())
    if highest > 0:
        message = (
            f"the heights reach {highest:g} mm above the stock top; subtract {highest:g} from all of them"
        )
        raise JobError(message)
    if lowest <= -thickness:
        message = (
            f"the heights reach {-lowest:g} mm deep, but the stock is {thickness:g} mm thick; "
            "set a greater thickness or scale them down"
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
