"""The target and every other surface: heights on the nodes of a grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.errors import ReliefError

Heights = npt.NDArray[np.float32]

# No place of a grid is further from its nearest node, in pitches.
NEAREST = math.sqrt(0.5)


@dataclass(frozen=True)
class Region:
    """A box on the table, seen from above.

    Parameters
    ----------
    left, right : float, mm, along x
    near, far : float, mm, along y
    """

    left: float
    near: float
    right: float
    far: float

    @property
    def width(self) -> float:
        """Size along x, mm."""
        return self.right - self.left

    @property
    def length(self) -> float:
        """Size along y, mm."""
        return self.far - self.near

    def grown(self, by: float) -> Region:
        """Return the box with every side moved outward by `by` mm."""
        return Region(self.left - by, self.near - by, self.right + by, self.far + by)


@dataclass(frozen=True, eq=False)
class Heightfield:
    """Heights on the nodes of a regular grid.

    Parameters
    ----------
    heights : (rows, columns) array, mm, z up, 0 at the stock top
        Kept as a read-only float32 copy (or as it is, when it already is one). Row j grows with +Y.
    pitch : float, mm between nodes
    origin : (x, y) of node (0, 0), mm

    Raises
    ------
    ReliefError
        Heights that are not two-dimensional, not finite or empty; a pitch that is not positive.

    Examples
    --------
    >>> field = Heightfield(np.zeros((3, 5)), pitch=0.5)
    >>> field.columns, field.rows, field.width, field.length
    (5, 3, 2.0, 1.0)
    """

    heights: Heights
    pitch: float
    origin: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        object.__setattr__(self, "heights", _checked_heights(self.heights))
        if not (math.isfinite(self.pitch) and self.pitch > 0):
            message = f"pitch is {self.pitch!r}; it must be a positive number of millimetres"
            raise ReliefError(message)

    @property
    def rows(self) -> int:
        """Nodes along y."""
        return int(self.heights.shape[0])

    @property
    def columns(self) -> int:
        """Nodes along x."""
        return int(self.heights.shape[1])

    @property
    def width(self) -> float:
        """Distance between the outermost columns, mm."""
        return (self.columns - 1) * self.pitch

    @property
    def length(self) -> float:
        """Distance between the outermost rows, mm."""
        return (self.rows - 1) * self.pitch

    @property
    def x(self) -> npt.NDArray[np.float64]:
        """(columns,) x of each column, mm."""
        return self.origin[0] + np.arange(self.columns, dtype=np.float64) * self.pitch

    @property
    def y(self) -> npt.NDArray[np.float64]:
        """(rows,) y of each row, mm."""
        return self.origin[1] + np.arange(self.rows, dtype=np.float64) * self.pitch

    @property
    def region(self) -> Region:
        """The box that the outermost nodes span."""
        left, near = self.origin
        return Region(left, near, left + self.width, near + self.length)

    def with_heights(self, heights: npt.NDArray[Any]) -> Heightfield:
        """Return the same grid with other heights."""
        return Heightfield(heights, self.pitch, self.origin)

    def window(self, region: Region) -> tuple[slice, slice]:
        """Return the (rows, columns) slices of the nodes inside `region`, its edges included."""
        i0 = math.ceil((region.left - self.origin[0]) / self.pitch - 1e-6)
        i1 = math.floor((region.right - self.origin[0]) / self.pitch + 1e-6)
        j0 = math.ceil((region.near - self.origin[1]) / self.pitch - 1e-6)
        j1 = math.floor((region.far - self.origin[1]) / self.pitch + 1e-6)
        return (
            slice(max(j0, 0), min(j1 + 1, self.rows)),
            slice(max(i0, 0), min(i1 + 1, self.columns)),
        )

    def cropped(self, region: Region) -> Heightfield:
        """Return the part of the grid inside `region`, its edges included."""
        rows, columns = self.window(region)
        corner = (self.origin[0] + columns.start * self.pitch, self.origin[1] + rows.start * self.pitch)
        return Heightfield(self.heights[rows, columns], self.pitch, corner)

    def slope(self) -> npt.NDArray[np.float64]:
        """(rows, columns) steepest slope at each node, as rise over run."""
        z = self.heights.astype(np.float64)
        along_x = np.gradient(z, self.pitch, axis=1) if self.columns > 1 else np.zeros_like(z)
        along_y = np.gradient(z, self.pitch, axis=0) if self.rows > 1 else np.zeros_like(z)
        return np.hypot(along_x, along_y)


def _checked_heights(heights: npt.ArrayLike) -> Heights:
    given = np.asarray(heights)
    if given.ndim != 2 or given.size == 0:
        message = f"heights have the shape {given.shape}; they must be a non-empty (rows, columns) array"
        raise ReliefError(message)
    kept = np.ascontiguousarray(given, dtype=np.float32)
    if not np.isfinite(kept).all():
        message = "heights hold values that are not finite numbers; fill or mask them first"
        raise ReliefError(message)
    if kept.flags.writeable:
        kept = kept.copy() if np.shares_memory(kept, given) else kept
        kept.flags.writeable = False
    return kept
