"""Mesh files as a source: the solid as it is seen from above, as brightness by height."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.errors import PictureError
from relief.kernels.above import seen_from_above
from relief.picture import FINE, Picture, file_content

Triangles = npt.NDArray[np.float64]

KINDS = (".stl", ".obj", ".ply", ".off")
# Undercuts below this share of the area are the work of rounding at upright walls.
TOLD = 0.001


@dataclass(frozen=True, eq=False)
class Solid:
    """Triangles of a mesh file, its near left lowest corner at (0, 0, 0).

    Parameters
    ----------
    triangles : (n, 3, 3) float64 corners, in the file's own unit, counter-clockwise seen from outside
    path : of the file
    """

    triangles: Triangles
    path: Path = Path("mesh")

    @property
    def size(self) -> tuple[float, float, float]:
        """Size along x, y and z, in the file's unit."""
        x, y, z = self.triangles.reshape(-1, 3).max(axis=0)
        return float(x), float(y), float(z)


def read_solid(path: Path) -> Solid:
    """Read a mesh file; Z is up, and it will be seen from above.

    Raises
    ------
    PictureError
        The file is missing, a folder, empty, no mesh, or the mesh has no area seen from above.
    """
    content = file_content(path, "a mesh file")
    triangles = _triangles(path, content)
    if triangles.size == 0:
        message = f"{path}: there are no triangles in it; export the mesh again as binary STL"
        raise PictureError(message)
    if not np.isfinite(triangles).all():
        message = f"{path}: some of its corners are not finite numbers; export the mesh again"
        raise PictureError(message)
    solid = Solid(_outside_out(triangles - triangles.reshape(-1, 3).min(axis=0)), path)
    if min(solid.size[:2]) <= 0:
        message = f"{path}: the mesh stands on edge, with no area seen from above; turn it so that Z is up"
        raise PictureError(message)
    return solid


def _triangles(path: Path, content: bytes) -> Triangles:
    """Decode a mesh file."""
    import trimesh  # takes a third of a second to load, and only meshes need it

    try:
        mesh: Any = trimesh.load(
            io.BytesIO(content), file_type=path.suffix[1:].lower(), force="mesh", process=False
        )
        return np.array(mesh.triangles, dtype=np.float64).reshape(-1, 3, 3)
    except Exception as fault:  # damaged files make a decoder raise nearly anything; it all means the same
        message = f"{path}: this is no whole mesh file ({', '.join(KINDS)}); export it again as binary STL"
        raise PictureError(message) from fault


def _outside_out(triangles: Triangles) -> Triangles:
    """Return triangles whose outsides face outside: a negative volume tells that they do not.

    Volume = sum of a · (b × c) / 6 over the triangles (the divergence theorem).
    """
    a, b, c = (triangles[:, corner] for corner in range(3))
    volume = float(np.einsum("ij,ij->", a, np.cross(b, c)))
    return np.ascontiguousarray(triangles[:, ::-1] if volume < 0 else triangles)


def solid_picture(solid: Solid, rows: int, columns: int) -> tuple[Picture, float]:
    """Return a solid as a picture, brightness by height, one pixel a node; and what its heights span.

    White is the highest place, black the lowest one that is seen. Where nothing lies over a node the picture
    is not opaque. The span is in the file's unit.
    """
    x, y, _ = solid.size
    per_node = np.array([(columns - 1) / x, (rows - 1) / y, 1.0])
    top, under = np.zeros((rows, columns)), np.zeros((rows, columns))
    seen_from_above(np.ascontiguousarray(solid.triangles * per_node), top, under)
    covered = np.isfinite(top)
    if not covered.any():
        message = f"{solid.path}: seen from above the mesh is all edges; export it again as a closed solid"
        raise PictureError(message)
    low, high = float(top[covered].min()), float(top[covered].max())
    span = high - low
    brightness = np.where(covered, (np.where(covered, top, low) - low) / (span or 1.0), 0.0)
    opacity = None if covered.all() else covered.astype(np.float64)
    return Picture(brightness, opacity, FINE, _undercuts(under > low + 1e-6 * span, covered)), span


def _undercuts(hollow: npt.NDArray[np.bool_], covered: npt.NDArray[np.bool_]) -> tuple[str, ...]:
    """Tell when part of the solid overhangs: a three-axis machine cannot cut below it."""
    share = float(hollow.sum() / covered.sum())
    if share < TOLD:
        return ()
    return (
        f"{100 * share:.1f} % of the mesh overhangs; no cutter reaches below it from above, so it is carved"
        " down to the ground there",
    )
