"""Closed solids and their files, against trimesh, plane geometry and the format's published rules."""

from __future__ import annotations

import io
import json
import struct

import numpy as np
import pytest
import trimesh
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.errors import ReliefError
from relief.heightfield import Heightfield
from relief.mesh import (
    Mesh,
    deviation_colours,
    glb_bytes,
    ply_bytes,
    reduced_solid,
    solid,
    stl_bytes,
)
from tests import fields
from tests.oracles import mesh_height

SHAPES = [(2, 2), (2, 9), (9, 2), (7, 9), (17, 33), (33, 17), (40, 101), (64, 64)]


def random_field(rows: int, columns: int, pitch: float = 0.5, seed: int = 3) -> Heightfield:
    """Return rough heights between −1 and 0."""
    heights = np.random.default_rng(seed).random((rows, columns)) - 1.0
    return Heightfield(heights, pitch, (-2.0, 1.5))


def loaded(mesh: Mesh) -> trimesh.Trimesh:
    """Return the mesh as trimesh reads it from its STL file."""
    return trimesh.load(io.BytesIO(stl_bytes(mesh)), file_type="stl")


def assert_closed(mesh: Mesh) -> None:
    """Hold the rules of a closed solid: every edge is used once in each direction; V − E + F = 2."""
    edges = np.concatenate([mesh.triangles[:, [0, 1]], mesh.triangles[:, [1, 2]], mesh.triangles[:, [2, 0]]])
    there = {tuple(edge) for edge in edges.tolist()}
    assert len(there) == len(edges)
    assert {(b, a) for a, b in there} == there
    assert len(mesh.vertices) - len(edges) // 2 + len(mesh.triangles) == 2
    assert len(np.unique(mesh.vertices, axis=0)) == len(mesh.vertices)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("tolerance", [None, 0.0, 0.05, 0.4, 9.0])
def test_solid_is_closed(shape: tuple[int, int], tolerance: float | None) -> None:
    """Whatever the grid and the tolerance, the solid is closed, and trimesh reads its STL as watertight."""
    mesh = reduced_solid(random_field(*shape), -3.0, tolerance)
    assert_closed(mesh)
    read = loaded(mesh)
    assert read.is_watertight
    assert read.is_winding_consistent
    assert read.volume == pytest.approx(mesh.volume(), rel=1e-5)
    assert read.area_faces.min() > 0


def test_unit_cube() -> None:
    """A unit cube has the volume 1, whichever way its faces are cut."""
    cube = solid(Heightfield(np.zeros((2, 2)), 1.0), -1.0)
    assert cube.volume() == pytest.approx(1.0, abs=1e-12)


def test_facet_count_of_full_grid() -> None:
    """Two facets for each cell and three for each edge of the border."""
    assert len(solid(random_field(7, 9), -3.0).triangles) == 2 * 6 * 8 + 3 * 2 * (6 + 8)


def test_volume_is_that_under_the_surface() -> None:
    """Volume of a plane's solid is area × mean thickness; it does not change with the place."""
    field = fields.plane(20.0, 15.0, 0.25, at=-3.0, p=0.1, q=-0.05)
    expected = 20.0 * 15.0 * (8.0 - 3.0)
    assert solid(field, -8.0).volume() == pytest.approx(expected, rel=1e-6)
    moved = Heightfield(field.heights, field.pitch, (1000.0, -500.0))
    assert solid(moved, -8.0).volume() == pytest.approx(expected, rel=1e-6)


def test_mirrored_winding_gives_negative_volume() -> None:
    """The sign of the volume tells the winding (Zhang & Chen, ICIP 2001)."""
    mesh = solid(random_field(5, 6), -2.0)
    assert Mesh(mesh.vertices, mesh.triangles[:, ::-1]).volume() == pytest.approx(-mesh.volume())


@settings(max_examples=30, deadline=None)
@example(rows=17, columns=17, tolerance=0.05, seed=0)
@given(
    rows=st.integers(2, 24),
    columns=st.integers(2, 24),
    tolerance=st.floats(0.0, 0.6),
    seed=st.integers(0, 1000),
)
def test_no_node_is_missed(rows: int, columns: int, tolerance: float, seed: int) -> None:
    """Law: the reduced mesh lies within the tolerance of every node of the surface."""
    field = random_field(rows, columns, seed=seed)
    mesh = reduced_solid(field, -3.0, tolerance)
    height = mesh_height(mesh.vertices, mesh.triangles, field.x, field.y)
    assert np.abs(height - field.heights).max() <= tolerance + 1e-9


@pytest.mark.parametrize("name", ["terrain", "dome", "bowl", "step"])
def test_reduced_mesh_keeps_the_surface(name: str) -> None:
    """On real surfaces: closed, fewer facets, volume within 0.5 %, every node within the tolerance."""
    field = getattr(fields, name)()
    full = solid(field, float(field.heights.min()) - 5)
    mesh = reduced_solid(field, float(field.heights.min()) - 5, 0.05)
    assert_closed(mesh)
    assert len(mesh.triangles) < 0.6 * len(full.triangles)
    assert mesh.volume() == pytest.approx(full.volume(), rel=0.005)
    height = mesh_height(mesh.vertices, mesh.triangles, field.x, field.y)
    assert np.abs(height - field.heights).max() <= 0.05 + 1e-9


def test_flat_surface_needs_few_facets() -> None:
    """A flat surface needs two facets on top, and its solid is a box of 12 and two more."""
    mesh = reduced_solid(Heightfield(np.zeros((65, 70)), 0.1), -1.0, 0.01)
    assert len(mesh.triangles) == 2 + 8 + 4


def test_scalloped_surface_fits_in_its_file() -> None:
    """A finished surface (0.05 mm ridges of a 1/8 in ball, 0.1 mm grid) at 0.01 mm: below 20 MB at 1200².

    Checked on a quarter of the area each way: facets grow with the area.
    """
    y, x = np.mgrid[:301, :301] * 0.1
    radius, stepover = 1.5875, 0.79
    across = (x + stepover / 2) % stepover - stepover / 2
    heights = 3 * np.sin(x / 9) * np.cos(y / 8) - 6 + radius - np.sqrt(radius**2 - across**2)
    mesh = reduced_solid(Heightfield(heights, 0.1), -12.0, 0.01)
    assert 16 * len(stl_bytes(mesh)) < 20e6


def test_stl_layout() -> None:
    """84 + 50 n bytes, a header that does not begin with "solid", the count little-endian.

    Rules of the "StereoLithography Interface Specification", 3D Systems, October 1989.
    """
    mesh = solid(random_field(4, 5), -3.0)
    content = stl_bytes(mesh)
    assert len(content) == 84 + 50 * len(mesh.triangles)
    assert not content.startswith(b"solid")
    assert struct.unpack_from("<I", content, 80)[0] == len(mesh.triangles)
    first = struct.unpack_from("<12fH", content, 84)
    assert first[3:12] == tuple(mesh.vertices[mesh.triangles[0]].astype(np.float32).ravel())
    assert first[12] == 0
    assert stl_bytes(mesh) == content


def test_normals_point_outward() -> None:
    """Every stored normal has length 1 and points away from the inside (right-hand rule)."""
    mesh = solid(fields.plane(4.0, 3.0, 0.5), -6.0)
    content = np.frombuffer(stl_bytes(mesh), offset=84, dtype=np.uint8).reshape(-1, 50)
    floats = content[:, :48].copy().view("<f4").reshape(-1, 4, 3).astype(float)
    normals, middles = floats[:, 0], floats[:, 1:].mean(axis=1)
    assert np.allclose(np.linalg.norm(normals, axis=1), 1.0, atol=1e-6)
    assert (np.einsum("ij,ij->i", normals, middles - np.array([2.0, 1.5, -4.5])) > 0).all()


@pytest.mark.parametrize(
    ("shape", "bottom", "said"),
    [((1, 5), -3.0, "no area"), ((4, 4), 0.0, "not below the surface"), ((4, 4), float("nan"), "not below")],
)
def test_refusals(shape: tuple[int, int], bottom: float, said: str) -> None:
    """A surface without area and a bottom that is not below it are refused in one line."""
    with pytest.raises(ReliefError, match=said):
        solid(Heightfield(np.zeros(shape), 1.0), bottom)


def a_judged_mesh() -> tuple[Mesh, Heightfield, Heightfield]:
    """Return a solid, its surface and its target: 0.1 mm too deep on the left, 0.1 mm left on the right."""
    target = Heightfield(np.full((11, 21), -2.0), 0.5, (0.0, 0.0))
    heights = np.zeros((19, 29))
    heights[4:15, 4:14], heights[4:15, 14:25] = -2.1, -1.9
    surface = Heightfield(heights, 0.5, (-2.0, -2.0))
    return solid(surface, -6.0), surface, target


def test_deviation_colours() -> None:
    """Blue where it is too deep, amber where something is left, near white where right, grey outside."""
    mesh, surface, target = a_judged_mesh()
    colours = deviation_colours(mesh, surface, target, 0.1)
    x, y, z = mesh.vertices.T
    inside = (x >= 0) & (x <= 10) & (y >= 0) & (y <= 5) & (z > -6)
    assert (colours[~inside] == colours[~inside][0]).all()
    assert np.ptp(colours[~inside][0].astype(int)) < 5
    red, _, blue = colours.astype(int).T
    assert (blue[inside & (x < 5)] > red[inside & (x < 5)] + 50).all()
    assert (red[inside & (x >= 5)] > blue[inside & (x >= 5)] + 50).all()
    exact = surface.with_heights(np.where(surface.heights < -1, np.float32(-2.0), surface.heights))
    plain = deviation_colours(solid(exact, -6.0), exact, target, 0.1)
    assert (plain[inside] > 235).all()


def test_ply_holds_mesh_and_colours() -> None:
    """As trimesh reads the file: the same corners, facets and colours, closed; its head tells the unit."""
    mesh, surface, target = a_judged_mesh()
    colours = deviation_colours(mesh, surface, target, 0.1)
    content = ply_bytes(mesh, colours)
    head = content.split(b"end_header")[0].decode("ascii").splitlines()
    assert head[:2] == ["ply", "format binary_little_endian 1.0"]
    assert any(line.startswith("comment") and "millimetres" in line for line in head)
    read = trimesh.load(io.BytesIO(content), file_type="ply", process=False)
    assert np.allclose(read.vertices, mesh.vertices, atol=1e-5)
    assert (read.faces == mesh.triangles).all()
    assert (read.visual.vertex_colors[:, :3] == colours).all()
    assert read.is_watertight
    assert ply_bytes(mesh, colours) == content


def test_glb_holds_mesh_and_colours() -> None:
    """Layout, metres, y up and linear colours of glTF 2.0 (sections 3.4, 3.7.2.1, 4.4)."""
    mesh, surface, target = a_judged_mesh()
    colours = deviation_colours(mesh, surface, target, 0.1)
    content = glb_bytes(mesh, colours)
    magic, version, length = struct.unpack_from("<4sII", content)
    assert (magic, version, length) == (b"glTF", 2, len(content))
    size, kind = struct.unpack_from("<I4s", content, 12)
    assert kind == b"JSON"
    table = json.loads(content[20 : 20 + size])
    assert table["asset"]["generator"] == "relief"
    assert table["materials"][0]["pbrMetallicRoughness"]["metallicFactor"] == 0.0
    (read,) = trimesh.load(io.BytesIO(content), file_type="glb").geometry.values()
    assert read.is_watertight
    assert read.volume * 1e9 == pytest.approx(mesh.volume(), rel=1e-4)
    low, high = read.bounds * 1000
    assert low == pytest.approx([-2.0, -6.0, -7.0], abs=1e-4)
    assert high == pytest.approx([12.0, 0.0, 2.0], abs=1e-4)
    number = table["meshes"][0]["primitives"][0]["attributes"]["COLOR_0"]
    view = table["bufferViews"][table["accessors"][number]["bufferView"]]
    start = 20 + size + 8 + view.get("byteOffset", 0)
    written = np.frombuffer(content[start : start + view["byteLength"]], np.uint8).reshape(len(colours), -1)
    coded = colours / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    assert np.abs(written[:, :3] - 255 * linear).max() <= 0.5 + 1e-9
    assert glb_bytes(mesh, colours) == content


def test_a_file_that_would_be_too_large_gets_a_wider_tolerance() -> None:
    """As much of it as the size asks for; a mesh that fits is left as it is."""
    field = fields.terrain(width=20.0, depth=4.0, pitch=0.1)
    fine = reduced_solid(field, -10.0, 0.01)
    size = len(stl_bytes(fine))
    assert len(stl_bytes(reduced_solid(field, -10.0, 0.01, size))) == size
    smaller = reduced_solid(field, -10.0, 0.01, size // 2)
    assert size // 5 < len(stl_bytes(smaller)) <= size // 2
