"""The carved surface as a closed solid, and that solid as a file: STL, and PLY or glTF with colours."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.colours import diverging
from relief.errors import ReliefError
from relief.heightfield import Heightfield
from relief.kernels.mesh import Corners, few_triangles

Vertices = npt.NDArray[np.float64]
Triangles = npt.NDArray[np.int32]
Rgb = npt.NDArray[np.uint8]

# One facet of a binary STL file: "StereoLithography Interface Specification", 3D Systems, 1989.
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
# The file's first 80 bytes; must not begin with "solid", or readers take it for the text variant.
_HEADER = b"relief: carved surface, closed solid, millimetres".ljust(80)
# Facets turned into bytes at a time, so that a large mesh needs little memory beside its file.
_BATCH = 1 << 18
# What was not judged.
_GREY = (150, 150, 147)


@dataclass(frozen=True, eq=False)
class Mesh:
    """A closed solid of triangles.

    Parameters
    ----------
    vertices : (n, 3) float64, mm
    triangles : (m, 3) int32
        Corners of each triangle, counter-clockwise seen from outside.
    """

    vertices: Vertices
    triangles: Triangles

    def volume(self) -> float:
        """Return the volume, mm³.

        Notes
        -----
        Divergence theorem: V = 1/6 Σ v1 · (v2 × v3) over all triangles (Zhang & Chen, ICIP 2001).
        """
        middle = self.vertices.mean(axis=0)
        total = 0.0
        for start in range(0, len(self.triangles), _BATCH):
            a, b, c = np.moveaxis(self.vertices[self.triangles[start : start + _BATCH]] - middle, 1, 0)
            total += float(np.einsum("ij,ij->", a, np.cross(b, c)))
        return total / 6.0


def solid(surface: Heightfield, bottom: float) -> Mesh:
    """Return the solid between a surface and a flat bottom, with every node of the surface.

    Parameters
    ----------
    surface : Heightfield of at least 2 × 2 nodes
    bottom : float, mm, height of the flat bottom, below the whole surface

    Returns
    -------
    Mesh of 2 (rows − 1)(columns − 1) triangles on top, and 3 for each of the 2 (rows + columns − 2) edges
    around it: two in the wall and one in the bottom

    Raises
    ------
    ReliefError
        Fewer than 2 × 2 nodes, or a bottom that is not below the surface.
    """
    return reduced_solid(surface, bottom, tolerance=None)


def reduced_solid(
    surface: Heightfield, bottom: float, tolerance: float | None, largest: int | None = None
) -> Mesh:
    """Return the solid between a surface and a flat bottom, with as few of the nodes as the tolerance needs.

    Parameters
    ----------
    surface : Heightfield of at least 2 × 2 nodes
    bottom : float, mm, height of the flat bottom, below the whole surface
    tolerance : float, mm
        How far the mesh may lie above or below any node of the surface; None keeps every node.
    largest : bytes of the STL file, at most; the tolerance is widened by half until the mesh fits

    Returns
    -------
    Mesh, vertex to vertex, without cracks

    Raises
    ------
    ReliefError
        Fewer than 2 × 2 nodes, or a bottom that is not below the surface.

    Notes
    -----
    The nodes are chosen by greedy insertion (Garland & Heckbert, CMU-CS-95-181, 1995): see
    `relief.kernels.mesh.few_triangles`.
    """
    _check(surface, bottom)
    if tolerance is None:
        top = _all_triangles(surface.rows, surface.columns)
    else:
        top = few_triangles(surface.heights, tolerance)
    mesh = _closed(surface, bottom, top)
    if tolerance and largest and len(_HEADER) + 4 + _FACET.itemsize * len(mesh.triangles) > largest:
        return reduced_solid(surface, bottom, 1.5 * tolerance, largest)
    return mesh


def stl_bytes(mesh: Mesh) -> bytes:
    """Return a mesh as a binary STL file of 84 + 50 n bytes.

    Parameters
    ----------
    mesh : Mesh

    Returns
    -------
    bytes; outward unit normals, millimetres
    """
    vertices = mesh.vertices.astype(np.float32)
    facets = np.zeros(len(mesh.triangles), _FACET)
    for start in range(0, len(facets), _BATCH):
        batch = slice(start, start + _BATCH)
        corners = vertices[mesh.triangles[batch]]
        facets["corners"][batch] = corners
        facets["normal"][batch] = _normals(corners.astype(np.float64))
    return b"".join((_HEADER, struct.pack("<I", len(facets)), facets.data.cast("B")))


def deviation_colours(mesh: Mesh, surface: Heightfield, target: Heightfield, limit: float) -> Rgb:
    """Return the colour of each corner of a mesh: how far the surface lies from the target there.

    Parameters
    ----------
    mesh : Mesh whose upper corners are nodes of the surface
    surface : Heightfield
    target : Heightfield on a part of the surface's grid
    limit : float, mm, where the scale ends: blue where it is so much too deep, amber where so much is left

    Returns
    -------
    (n, 3) uint8 sRGB; grey where there is no target and on the underside
    """
    scale = diverging(255)
    (left, near), pitch = target.origin, target.pitch
    i, j = (np.round((mesh.vertices[:, :2] - (left, near)) / pitch).astype(np.int64)).T
    judged = (i >= 0) & (j >= 0) & (i < target.columns) & (j < target.rows)
    judged &= mesh.vertices[:, 2] > mesh.vertices[:, 2].min()
    deviation = (surface.cropped(target.region).heights.astype(np.float64) - target.heights)[
        j[judged], i[judged]
    ]
    colours = np.full((len(mesh.vertices), 3), _GREY, dtype=np.uint8)
    colours[judged] = scale[np.clip((deviation / limit / 2 + 0.5) * 255, 0, 254).astype(np.int64)]
    return colours


def ply_bytes(mesh: Mesh, colours: Rgb) -> bytes:
    """Return a mesh with coloured corners as a binary PLY file, millimetres.

    Notes
    -----
    G. Turk, "The PLY Polygon File Format", 1994. Files of this kind state no unit; a comment does.
    """
    from trimesh.exchange.ply import export_ply  # slow to load, as in `solids`

    content: bytes = export_ply(_coloured(mesh, mesh.vertices, colours))
    first, rest = content.split(b"\nelement", 1)
    return first + b"\ncomment relief: carved surface, millimetres, z up\nelement" + rest


def glb_bytes(mesh: Mesh, colours: Rgb) -> bytes:
    """Return a mesh with coloured corners as a binary glTF file, metres and y up as that standard asks for.

    Notes
    -----
    glTF 2.0 (ISO/IEC 12113:2022): section 3.4 units and axes, 3.9.2 the default material would be a metal,
    3.7.2.1 colours of corners are linear.
    """
    from trimesh.exchange.gltf import export_glb  # slow to load, as in `solids`

    x, y, z = mesh.vertices.T / 1000
    linear = np.where(colours <= 10, colours / 255 / 12.92, ((colours / 255 + 0.055) / 1.055) ** 2.4)
    turned = _coloured(mesh, np.column_stack([x, z, -y]), np.round(255 * linear).astype(np.uint8))
    content: bytes = export_glb(turned, tree_postprocessor=_described)  # type: ignore[no-untyped-call]
    return content


def _coloured(mesh: Mesh, vertices: Vertices, colours: Rgb) -> Any:
    import trimesh  # slow to load, as in `solids`

    return trimesh.Trimesh(vertices, mesh.triangles, vertex_colors=colours, process=False)


def _described(tree: dict[str, Any]) -> None:
    """Say in a glTF file's table what made it, and that it is not a metal."""
    tree["asset"] = {"version": "2.0", "generator": "relief", "extras": {"carved_in": "millimetres"}}
    tree["materials"] = [{"pbrMetallicRoughness": {"metallicFactor": 0.0, "roughnessFactor": 0.9}}]
    for part in tree["meshes"]:
        for primitive in part["primitives"]:
            primitive["material"] = 0


def _check(surface: Heightfield, bottom: float) -> None:
    if surface.rows < 2 or surface.columns < 2:
        message = f"a surface of {surface.columns} × {surface.rows} points has no area; it needs 2 × 2"
        raise ReliefError(message)
    lowest = float(surface.heights.min())
    if not bottom < lowest:
        message = f"the bottom at {bottom:g} mm is not below the surface, which goes down to {lowest:g} mm"
        raise ReliefError(message)


def _normals(corners: Vertices) -> Vertices:
    """Return the (n, 3) outward unit normals of (n, 3, 3) corners."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.sqrt(np.einsum("ij,ij->i", normals, normals))
    return np.asarray(normals / np.maximum(length, 1e-30)[:, None])


def _all_triangles(rows: int, columns: int) -> Corners:
    """Return the (m, 3) flat node numbers of the triangles of the full grid, two to each cell."""
    numbers = np.arange(rows * columns, dtype=np.int32).reshape(rows, columns)
    near_left, near_right = numbers[:-1, :-1].ravel(), numbers[:-1, 1:].ravel()
    far_left, far_right = numbers[1:, :-1].ravel(), numbers[1:, 1:].ravel()
    halves = [(near_left, near_right, far_right), (near_left, far_right, far_left)]
    return np.concatenate([np.stack(half, axis=1) for half in halves])


def _closed(surface: Heightfield, bottom: float, top: Corners) -> Mesh:
    """Close the triangles of the top with walls and a bottom, and number the nodes they use."""
    used = np.zeros(surface.rows * surface.columns, dtype=bool)
    used[top] = True
    number = np.cumsum(used, dtype=np.int32) - 1
    nodes = np.flatnonzero(used)
    top_vertices = np.column_stack(
        [
            surface.x[nodes % surface.columns],
            surface.y[nodes // surface.columns],
            surface.heights.ravel()[nodes].astype(np.float64),
        ]
    )
    around = _border(surface.rows, surface.columns)
    border = number[around[used[around]]]
    low_vertices = top_vertices[border] * (1, 1, 0) + (0, 0, bottom)
    middle = [[*(top_vertices[:, :2].min(axis=0) + top_vertices[:, :2].max(axis=0)) / 2, bottom]]
    low = len(nodes) + np.arange(len(border), dtype=np.int32)
    centre = np.full_like(low, len(nodes) + len(border))
    next_border, next_low = np.roll(border, -1), np.roll(low, -1)
    walls = [np.stack([low, next_low, next_border], axis=1), np.stack([low, next_border, border], axis=1)]
    floor = np.stack([centre, next_low, low], axis=1)
    triangles = np.concatenate([number[top], *walls, floor])
    return Mesh(np.concatenate([top_vertices, low_vertices, middle]), triangles)


def _border(rows: int, columns: int) -> npt.NDArray[np.int64]:
    """Return the flat numbers of the nodes on the grid's border, counter-clockwise seen from above."""
    numbers = np.arange(rows * columns).reshape(rows, columns)
    return np.concatenate([numbers[0, :-1], numbers[:-1, -1], numbers[-1, :0:-1], numbers[:0:-1, 0]])
