"""Kept nodes of the right-triangulated network, against the definition worked out by recursion."""

from __future__ import annotations

import numpy as np
import pytest

from relief.kernels.mesh import kept_nodes, lattice

pytestmark = pytest.mark.jitless


def strays(z: np.ndarray, corners: tuple[tuple[int, int], ...], tolerance: float) -> bool:
    """Return whether a triangle misses a node below it: the plane through its corners by linear algebra."""
    points = np.array(corners, dtype=float)
    if points[:, 0].min() >= z.shape[0] - 1 or points[:, 1].min() >= z.shape[1] - 1:
        return False
    if points[:, 0].max() > z.shape[0] - 1 or points[:, 1].max() > z.shape[1] - 1:
        return True
    square = np.column_stack([points, np.ones(3)])
    plane = np.linalg.solve(square, [float(z[j, i]) for j, i in corners])
    for j in range(z.shape[0]):
        for i in range(z.shape[1]):
            weights = np.linalg.solve(square.T, [j, i, 1.0])
            if weights.min() >= -1e-9 and abs(plane @ [j, i, 1.0] - z[j, i]) > tolerance + 1e-9:
                return True
    return False


def leaves(kept: np.ndarray, a: tuple[int, int], b: tuple[int, int], c: tuple[int, int]) -> list[tuple]:
    """Return the unhalved triangles inside the one with long side a-b and right angle c."""
    middle = ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2)
    if middle[0] % 1 or middle[1] % 1 or not kept[int(middle[0]), int(middle[1])]:
        return [(a, b, c)]
    m = (int(middle[0]), int(middle[1]))
    return leaves(kept, a, c, m) + leaves(kept, c, b, m)


@pytest.mark.parametrize("shape", [(9, 9), (6, 8), (3, 11)])
@pytest.mark.parametrize("tolerance", [0.0, 0.2, 0.5])
def test_every_unhalved_triangle_is_within_tolerance(shape: tuple[int, int], tolerance: float) -> None:
    """Halving the whole squares by the kept nodes leaves no triangle that strays; neighbours share nodes."""
    z = np.random.default_rng(5).random(shape).astype(np.float32)
    kept = kept_nodes(z, tolerance)
    rows, columns, side = lattice(*shape)
    assert kept.shape == (rows, columns)
    found = []
    for j in range(0, rows - 1, side):
        for i in range(0, columns - 1, side):
            corners = [(j, i), (j, i + side), (j + side, i + side), (j + side, i)]
            turn = (j // side + i // side) % 2
            a, c, b, d = corners[turn:] + corners[:turn]
            found += leaves(kept, a, b, c) + leaves(kept, b, a, d)
    assert not any(strays(z, triangle, tolerance) for triangle in found)
    used = {corner for triangle in found for corner in triangle}
    for a, b, _ in found:
        # the middle of a long side is nobody's corner, or there would be a crack
        assert ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) not in used


def test_plane_keeps_corners_alone() -> None:
    """Law: a plane on 2ⁿ + 1 nodes needs no node but its corners."""
    j, i = np.mgrid[:17, :17]
    kept = kept_nodes((0.5 * i - 0.25 * j).astype(np.float32), 1e-6)
    assert np.argwhere(kept).tolist() == [[0, 0], [0, 16], [16, 0], [16, 16]]


def test_lower_tolerance_keeps_more() -> None:
    """Law: what a wide tolerance keeps is kept by a narrow one too."""
    z = np.random.default_rng(6).random((20, 30)).astype(np.float32)
    few, many = kept_nodes(z, 0.5), kept_nodes(z, 0.1)
    assert (many >= few).all()
    assert many.sum() > few.sum()
