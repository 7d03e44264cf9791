"""Height files: millimetres to cut, or the heights of a measured landscape as a picture by height."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from relief.errors import JobError, PictureError
from relief.gaps import without_gaps
from relief.job import Job
from relief.picture import FINE, Picture, check_size, file_content, read_values
from relief.sections import Terrain


def read_heights(path: Path) -> tuple[npt.NDArray[np.float32], tuple[str, ...]]:
    """Read a height file: a `.npy` array of millimetres, 0 at the stock top, row 0 at the near side.

    Returns
    -------
    (rows, columns) float32, mm, as saved; no row is turned over, since the file is a grid and not a picture.
        Missing values inside are made up from those around them, those outside become the lowest height.
    What was decided on the user's behalf, one sentence each.

    Raises
    ------
    PictureError
        The file is missing, a folder, empty, no `.npy` array, not two-dimensional, too large, or holds no
        finite number.
    """
    heights = read_array(path)
    gapless = without_gaps(heights)
    whole = np.where(
        gapless.outside, np.nanmin(np.where(np.isfinite(heights), heights, np.nan)), gapless.values
    )
    return np.ascontiguousarray(whole, dtype=np.float32), gapless.notes()


def read_array(path: Path) -> npt.NDArray[Any]:
    """Read a `.npy` array of plain numbers in two dimensions, as saved.

    Raises
    ------
    PictureError
        As `read_heights`.
    """
    content = file_content(path, "a height file")
    try:
        heights: npt.NDArray[Any] = np.load(io.BytesIO(content), allow_pickle=False)
    except Exception as fault:  # what numpy raises for a broken header is whatever its parser does
        message = f"{path}: this is not a whole .npy array of numbers; save it again with numpy.save"
        raise PictureError(message) from fault
    _check_heights(path, heights)
    return heights


def _check_heights(path: Path, heights: Any) -> None:
    """Refuse what cannot be a grid of heights."""
    if not isinstance(heights, np.ndarray):
        message = f"{path}: this holds several arrays; save the one array of heights with numpy.save"
        raise PictureError(message)
    if heights.ndim != 2 or min(heights.shape) < 2:
        shape = " × ".join(str(size) for size in heights.shape) or "a single number"
        message = (
            f"{path}: the array is {shape}; heights need two dimensions (rows, columns) of at least 2 each"
        )
        raise PictureError(message)
    if heights.dtype.kind not in "fiu":
        message = f"{path}: the array holds {heights.dtype} values; heights are plain numbers in millimetres"
        raise PictureError(message)
    check_size(path, columns=heights.shape[1], rows=heights.shape[0])
    if not np.isfinite(heights).any():
        message = f"{path}: none of its heights is a finite number; save it again"
        raise PictureError(message)


class Ground(NamedTuple):
    """A landscape.

    Parameters
    ----------
    picture : lowest black, highest white; what lies outside is not opaque
    span : from lowest to highest, in the file's unit
    """

    picture: Picture
    span: float


def is_terrain(job: Job) -> bool:
    """Return whether a job says that its file holds ground heights."""
    return job.terrain != Terrain()


def read_ground(path: Path, terrain: Terrain, allow_large: bool = False) -> Ground:
    """Read a file of ground heights, its first row the far side, as on a map with north at the top.

    Parameters
    ----------
    path : a `.npy` array, or a picture file of one number a pixel (floating point or whole numbers)
    terrain : sea level, and the number that stands for a missing height
    allow_large : whether 178 million pixels are taken instead of 50

    Raises
    ------
    PictureError
        The file cannot be read, holds colours, no height at all, or one height only.
    """
    values = read_array(path) if path.suffix.lower() == ".npy" else read_values(path, allow_large)
    if terrain.missing is not None:
        values = np.where(values == terrain.missing, np.nan, values)
    if not np.isfinite(values).any():
        message = f"{path}: none of its heights is a finite number; look at terrain.missing"
        raise PictureError(message)
    gapless = without_gaps(values)
    heights = gapless.values
    inside = heights[~gapless.outside]
    low, high = float(inside.min()), float(inside.max())
    if terrain.sea_level is not None:
        low = max(low, terrain.sea_level)
    if high <= low:
        message = (
            f"{path}: no height stands above {low:g}, so there is nothing to carve; look at terrain.sea_level"
        )
        raise PictureError(message)
    brightness = np.clip((heights - low) / (high - low), 0.0, 1.0)
    brightness[gapless.outside] = 0.0
    opacity = (~gapless.outside[::-1]).astype(np.float64) if gapless.outside.any() else None
    notes = (f"ground heights from {low:g} to {high:g}; the file's first row lies at the far side",)
    picture = Picture(np.ascontiguousarray(brightness[::-1]), opacity, FINE, notes + gapless.notes())
    return Ground(picture, high - low)


def ground_depth(job: Job, span: float, width: float, columns: int) -> tuple[float | None, tuple[str, ...]]:
    """Return the depth of a landscape to scale, and what is to be told about its proportions.

    Parameters
    ----------
    job : its terrain.spacing, terrain.exaggeration and relief.depth
    span : from lowest to highest, in the unit of terrain.spacing
    width : mm of the relief
    columns : values of the file along X

    Returns
    -------
    mm, None where only relief.depth can tell; and notes

    Raises
    ------
    JobError
        An exaggeration without a spacing, or beside a depth that says otherwise.
    """
    terrain, depth = job.terrain, job.relief.depth
    if terrain.spacing is None:
        if terrain.exaggeration is not None:
            message = "terrain.exaggeration needs terrain.spacing, how far apart the heights lie"
            raise JobError(message)
        return depth, ()
    to_scale = span * width / ((columns - 1) * terrain.spacing)
    if depth is not None:
        if terrain.exaggeration is not None:
            message = "relief.depth and terrain.exaggeration both tell how deep; leave one of them out"
            raise JobError(message)
        return depth, (f"heights stand out {depth / to_scale:.3g} times as much as widths",)
    exaggeration = terrain.exaggeration or 1.0
    depth = to_scale * exaggeration
    if depth >= job.stock.thickness:
        message = (
            f"the ground at {exaggeration:g} times its height is {job.told(round(depth, 2))} deep, but"
            f" stock.thickness is {job.told(job.stock.thickness)}; set terrain.exaggeration below"
            f" {job.stock.thickness / to_scale:.3g} or use thicker stock"
        )
        raise JobError(message)
    return depth, (f"heights are carved {exaggeration:g} times as high as to scale",)
