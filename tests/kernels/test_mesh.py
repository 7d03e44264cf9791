"""Few triangles: within the tolerance, Delaunay, without cracks; all by plane geometry of their own."""

from __future__ import annotations

import numpy as np
import pytest

from relief.kernels import mesh
from relief.kernels.mesh import few_triangles, tile_lines

pytestmark = pytest.mark.jitless

SHAPES = [(2, 2), (2, 7), (9, 9), (6, 8), (3, 11), (14, 13)]


def rough(shape: tuple[int, int], levels: int | None = None) -> np.ndarray:
    """Return random heights 0..1; with `levels`, on that many steps, so that many nodes lie in one plane."""
    z = np.random.default_rng(5).random(shape)
    return (np.round(z * levels) / levels if levels else z).astype(np.float32)


def corners(z: np.ndarray, tolerance: float) -> np.ndarray:
    """Return the (n, 3, 2) whole-numbered rows and columns of the triangles' corners."""
    found = few_triangles(z, tolerance)
    return np.stack(np.divmod(found.astype(np.int64), z.shape[1]), axis=2)


def strays(z: np.ndarray, triangle: np.ndarray, tolerance: float) -> bool:
    """Return whether a triangle misses a node below it: the plane through its corners by linear algebra."""
    square = np.column_stack([triangle, np.ones(3)])
    plane = np.linalg.solve(square, [float(z[j, i]) for j, i in triangle])
    nodes = np.column_stack([*(axis.ravel() for axis in np.indices(z.shape)), np.ones(z.size)])
    inside = np.linalg.solve(square.T, nodes.T).min(axis=0) >= -1e-9
    return bool((np.abs(nodes @ plane - z.ravel())[inside] > tolerance + 1e-8).any())


def twice_areas(triangles: np.ndarray) -> np.ndarray:
    """Return twice the area of each triangle, positive for corners counter-clockwise in (column, row)."""
    (aj, ai), (bj, bi), (cj, ci) = np.moveaxis(triangles, (1, 2), (0, 1))
    return (bi - ai) * (cj - aj) - (bj - aj) * (ci - ai)


def assert_whole(triangles: np.ndarray, shape: tuple[int, int]) -> None:
    """Hold that the triangles cover the grid once and meet corner to corner."""
    assert (twice_areas(triangles) > 0).all()
    assert twice_areas(triangles).sum() == 2 * (shape[0] - 1) * (shape[1] - 1)
    edges = {(tuple(t[k]), tuple(t[(k + 1) % 3])) for t in triangles.tolist() for k in range(3)}
    assert len(edges) == 3 * len(triangles)
    for a, b in edges:
        on_border = any(a[k] == b[k] and a[k] in (0, shape[k] - 1) for k in (0, 1))
        assert ((b, a) in edges) != on_border


@pytest.mark.parametrize("levels", [None, 3])
@pytest.mark.parametrize("tolerance", [0.0, 0.2, 0.5])
@pytest.mark.parametrize("shape", SHAPES)
def test_within_tolerance_and_whole(shape: tuple[int, int], tolerance: float, levels: int | None) -> None:
    """No triangle strays from a node under it; together they cover the grid without gap or overlap."""
    z = rough(shape, levels)
    triangles = corners(z, tolerance)
    assert not any(strays(z, triangle, tolerance) for triangle in triangles)
    assert_whole(triangles, shape)


@pytest.mark.parametrize("side", [3, 5])
def test_tiles_meet(side: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into many tiles the mesh is as whole and as true as in one piece."""
    monkeypatch.setattr(mesh, "TILE", side)
    z = rough((14, 17))
    triangles = corners(z, 0.3)
    assert_whole(triangles, z.shape)
    assert not any(strays(z, triangle, 0.3) for triangle in triangles)


def test_delaunay() -> None:
    """No corner lies inside the circle round a triangle (B. Delaunay, 1934), by distances from its centre."""
    z = rough((13, 12))
    triangles = corners(z, 0.25).astype(float)
    points = np.unique(triangles.reshape(-1, 2), axis=0)
    for a, b, c in triangles:
        centre = np.linalg.solve(2 * np.array([b - a, c - a]), [b @ b - a @ a, c @ c - a @ a])
        assert np.linalg.norm(points - centre, axis=1).min() >= np.linalg.norm(a - centre) - 1e-9


def test_plane_keeps_corners_alone() -> None:
    """Law: a plane needs two triangles to a tile."""
    j, i = np.mgrid[:17, :23]
    assert len(few_triangles((0.5 * i - 0.25 * j).astype(np.float32), 1e-5)) == 2


def test_a_spike_is_kept() -> None:
    """Law: one node that stands out becomes a corner; the plane around it stays in few triangles."""
    z = np.zeros((20, 20), dtype=np.float32)
    z[7, 11] = 1.0
    found = few_triangles(z, 0.01)
    assert 7 * 20 + 11 in found
    assert len(found) < 40


@pytest.mark.parametrize(("size", "lines"), [(2, 2), (129, 2), (300, 3), (1281, 11)])
def test_tile_lines(size: int, lines: int) -> None:
    """Tiles are alike in size and reach from edge to edge."""
    places = tile_lines(size)
    assert (places[0], places[-1], len(places)) == (0, size - 1, lines)
    assert np.ptp(np.diff(places)) <= 1
