"""The carved surface as a closed solid, and that solid as binary STL."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from relief.errors import ReliefError
from relief.heightfield import Heightfield
from relief.kernels.mesh import kept_nodes, lattice

Vertices = npt.NDArray[np.float64]
Triangles = npt.NDArray[np.int32]

# One facet of a binary STL file: "StereoLithography Interface Specification", 3D Systems, 1989.
_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
# The file's first 80 bytes; must not begin with "solid", or readers take it for the text variant.
_HEADER = b"relief: carved surface, closed solid, millimetres".ljust(80)
# Facets turned into bytes at a time, so that a large mesh needs little memory beside its file.
_BATCH = 1 << 18


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


def reduced_solid(surface: Heightfield, bottom: float, tolerance: float | None) -> Mesh:
    """Return the solid between a surface and a flat bottom, with as few of the nodes as the tolerance needs.

    Parameters
    ----------
    surface : Heightfield of at least 2 × 2 nodes
    bottom : float, mm, height of the flat bottom, below the whole surface
    tolerance : float, mm
        How far the mesh may lie above or below any node of the surface; None keeps every node.

    Returns
    -------
    Mesh, vertex to vertex, without cracks

    Raises
    ------
    ReliefError
        Fewer than 2 × 2 nodes, or a bottom that is not below the surface.

    Notes
    -----
    The right-triangulated irregular network of Evans, Kirkpatrick & Townsend, Algorithmica 30:264–286, 2001:
    isosceles right triangles, halved at the middle of their long side, where a node is kept together with
    all that the halving rests on, so that neighbours always meet vertex to vertex. We halve a triangle when
    any node under it (not its middle alone) lies outside the tolerance.
    """
    _check(surface, bottom)
    if tolerance is None:
        top = _all_triangles(surface.rows, surface.columns)
    else:
        top = _leaves(kept_nodes(surface.heights, tolerance), surface.rows, surface.columns)
    return _closed(surface, bottom, top)


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


def _check(surface: Heightfield, bottom: float) -> None:
    if surface.rows < 2 or surface.columns < 2:
        message = f"a surface of {surface.columns} × {surface.rows} nodes has no area; it needs 2 × 2"
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


# A node of the grid as (j, i); many at once as two arrays.
_Nodes = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]
_Corners = npt.NDArray[np.int32]


def _all_triangles(rows: int, columns: int) -> _Corners:
    """Return the (m, 3) flat node numbers of the triangles of the full grid, two to each cell."""
    j, i = (axis.ravel() for axis in np.indices((rows - 1, columns - 1)))
    near, far = [(j, i), (j, i + 1)], [(j + 1, i + 1), (j + 1, i)]
    return np.concatenate([_flat([*near, far[0]], columns), _flat([near[0], *far], columns)])


def _leaves(kept: npt.NDArray[np.uint8], rows: int, columns: int) -> _Corners:
    """Return the (m, 3) flat node numbers of every triangle that is there and is not halved.

    A triangle is there when the node at its right angle is kept (that node halved its parent), and it is
    halved when the node in the middle of its long side is kept.
    """
    found = []
    for corners in _unhalved(kept, rows, columns):
        there = _inside(corners, rows, columns)
        corner_j, corner_i = (axis[there] for axis in corners[2])
        there[there] = kept[corner_j, corner_i] > 0
        found.append(_flat([(j[there], i[there]) for j, i in corners], columns))
    return np.concatenate(found)


def _unhalved(kept: npt.NDArray[np.uint8], rows: int, columns: int) -> Iterator[list[_Nodes]]:
    """Yield all triangles that would not be halved if they were there; the right angle is the last corner."""
    j, i = (axis.ravel() for axis in np.indices((rows - 1, columns - 1)))
    yield from _on_diagonals(2 * j + 1, 2 * i + 1, 1, doubled=True)
    step = 1
    while step < lattice(rows, columns)[2]:
        for first_j, first_i in ((0, step), (step, 0), (step, step)):
            free = kept[first_j : rows : 2 * step, first_i : columns : 2 * step] == 0
            j, i = (2 * step * axis for axis in np.nonzero(free))
            j, i = j + first_j, i + first_i
            if first_j == 0:
                yield from _both_sides(j, i, (0, step), (step, 0))
            elif first_i == 0:
                yield from _both_sides(j, i, (step, 0), (0, step))
            else:
                yield from _on_diagonals(j, i, step)
        step *= 2


def _on_diagonals(j: Any, i: Any, step: int, doubled: bool = False) -> Iterator[list[_Nodes]]:
    """Yield the triangles on both sides of the diagonals whose middles are the nodes (j, i).

    A diagonal runs between the corner with two odd multiples of 2 × step and the one with two even ones.
    The middles of the smallest lie between the nodes; they come doubled.
    """
    rising = (j // (2 * step) + i // (2 * step)) % 2 == 0
    for which, end, side in ((rising, (step, step), (step, -step)), (~rising, (step, -step), (step, step))):
        for nodes in _both_sides(j[which], i[which], end, side):
            yield [(nj // 2, ni // 2) for nj, ni in nodes] if doubled else nodes


def _both_sides(j: Any, i: Any, end: tuple[int, int], side: tuple[int, int]) -> Iterator[list[_Nodes]]:
    """Yield the triangles with a long side from (j, i) − end to + end and a right angle at (j, i) ± side."""
    ends = [(j - end[0], i - end[1]), (j + end[0], i + end[1])]
    yield [*ends, (j + side[0], i + side[1])]
    yield [*ends, (j - side[0], i - side[1])]


def _inside(corners: list[_Nodes], rows: int, columns: int) -> npt.NDArray[np.bool_]:
    """Return which triangles lie on the grid with all their corners."""
    inside = [(j >= 0) & (j < rows) & (i >= 0) & (i < columns) for j, i in corners]
    return np.asarray(inside[0] & inside[1] & inside[2])


def _flat(corners: list[_Nodes], columns: int) -> _Corners:
    """Return (m, 3) flat node numbers, counter-clockwise seen from above."""
    (aj, ai), (bj, bi), (cj, ci) = corners
    numbers = np.stack([aj * columns + ai, bj * columns + bi, cj * columns + ci], axis=1).astype(np.int32)
    clockwise = (bi - ai) * (cj - aj) < (bj - aj) * (ci - ai)
    numbers[clockwise] = numbers[clockwise][:, ::-1]
    return numbers


def _closed(surface: Heightfield, bottom: float, top: _Corners) -> Mesh:
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
