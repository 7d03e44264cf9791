"""Mesh: seconds and facets on real ground of 2000 × 2000 nodes, beside the full grid's in the same run.

Run with `pytest tests/benchmarks/test_mesh.py --benchmark-only -s`.
"""

from __future__ import annotations

import time

import numpy as np
import trimesh
from pytest_benchmark.fixture import BenchmarkFixture

from relief.heightfield import Heightfield
from relief.mesh import reduced_solid, solid, stl_bytes
from tests.fields import terrain

TOLERANCE = 0.01


def test_few_facets_on_terrain(benchmark: BenchmarkFixture) -> None:
    """At most 12 % of the full grid's facets, each node within the tolerance, closed as trimesh sees it."""
    ground = terrain(width=234.5, depth=6.0, pitch=0.1)
    field = Heightfield(ground.heights[:2000, :2000], 0.1)
    reduced_solid(Heightfield(field.heights[:30, :30], 0.1), -18.0, TOLERANCE)
    begin, busy = time.perf_counter(), time.process_time()
    mesh = benchmark.pedantic(reduced_solid, (field, -18.0, TOLERANCE), rounds=1)
    middle, busy = time.perf_counter(), time.process_time() - busy
    content = stl_bytes(mesh)
    end = time.perf_counter()
    full = solid(field, -18.0)
    last = time.perf_counter()
    share = len(mesh.triangles) / len(full.triangles)
    worst = np.abs(heights_at_nodes(mesh.vertices, mesh.triangles, field) - field.heights).max()
    print(
        f"\nfacets {len(mesh.triangles)} ({share:.1%} of {len(full.triangles)}),"
        f" mesh {middle - begin:.2f} s by the clock [6], {busy:.2f} s of processors,"
        f" file {end - middle:.2f} s, {len(content) / 1e6:.1f} MB; full mesh {last - end:.2f} s;"
        f" furthest from a node {worst:.5f} mm"
    )
    assert share <= 0.12
    assert worst <= TOLERANCE + 1e-9
    assert trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False).is_watertight


def heights_at_nodes(vertices: np.ndarray, triangles: np.ndarray, field: Heightfield) -> np.ndarray:
    """Return the mesh's height at every node: every node in each triangle's box, by barycentres."""
    height = np.full(field.heights.shape, np.nan)
    places = np.column_stack([np.round(vertices[:, :2] / field.pitch), vertices[:, 2]])
    sides = np.diff(places[triangles][:, :, :2], axis=1)
    top = triangles[sides[:, 0, 0] * sides[:, 1, 1] > sides[:, 0, 1] * sides[:, 1, 0]]
    for start in range(0, len(top), 10_000):
        corners = places[top[start : start + 10_000]]
        low = corners[:, :, :2].min(axis=1).astype(int)
        size = corners[:, :, :2].max(axis=1).astype(int) - low + 1
        each = size.prod(axis=1)
        which = np.repeat(np.arange(len(corners)), each)
        number = np.arange(each.sum()) - np.repeat(each.cumsum() - each, each)
        x, y = low[which].T + np.stack([number % size[which, 0], number // size[which, 0]])
        a, b, c = np.moveaxis(corners[which], 1, 0)
        area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
        u = ((x - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (y - a[:, 1])) / area
        v = ((b[:, 0] - a[:, 0]) * (y - a[:, 1]) - (x - a[:, 0]) * (b[:, 1] - a[:, 1])) / area
        inside = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9)
        z = a[:, 2] + u * (b[:, 2] - a[:, 2]) + v * (c[:, 2] - a[:, 2])
        height[y[inside], x[inside]] = z[inside]
    return height
