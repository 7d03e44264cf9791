"""Mesh files as a source: sizes, undercuts, and heights in closed form."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from relief.errors import JobError, PictureError
from relief.job import job_from_source
from relief.setup import set_up
from relief.shop.load import Shop
from relief.solids import KINDS, read_solid, solid_picture

SHOP = Shop.read(None)


def written(folder: Path, mesh: trimesh.Trimesh, kind: str = ".stl") -> Path:
    """Write a mesh with trimesh, a general-purpose library."""
    path = folder / f"mesh{kind}"
    content = mesh.export(file_type=kind[1:])
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_mesh_file_is_read(tmp_path: Path, kind: str) -> None:
    """A box of 3 × 4 × 5 has its size, whatever the format and wherever it stands."""
    box = trimesh.creation.box((3, 4, 5)).apply_translation((-70, 8, 2))
    assert read_solid(written(tmp_path, box, kind)).size == pytest.approx((3, 4, 5), abs=1e-5)


def test_a_mesh_turned_inside_out_is_turned_back(tmp_path: Path) -> None:
    """With its faces the wrong way round a ball still has no overhang above its middle."""
    ball = trimesh.creation.icosphere(3)
    ball.invert()
    assert solid_picture(read_solid(written(tmp_path, ball)), 41, 41)[0].notes == ()


def test_a_mesh_without_an_area_between_the_nodes_is_refused(tmp_path: Path) -> None:
    """Two slivers at opposite corners cover no node of the grid."""
    corners = [[0, 0, 0], [1e-9, 0, 0], [0, 1e-9, 0], [9, 9, 1], [9, 9 - 1e-9, 1], [9 - 1e-9, 9, 1]]
    slivers = trimesh.Trimesh(np.array(corners) + 0.3, [[0, 1, 2], [3, 4, 5]], process=False)
    path = written(tmp_path, slivers, ".obj")
    with pytest.raises(PictureError, match=r"mesh\.obj: seen from above the mesh is all edges"):
        solid_picture(read_solid(path), 7, 9)


def test_a_ball_becomes_a_dome_in_its_own_proportion(tmp_path: Path) -> None:
    """A ball carved 40 mm wide, no depth asked: z = √(20² − r²) − 20 within its facets' 0.03 mm."""
    path = written(tmp_path, trimesh.creation.icosphere(5, 3.0))
    job = job_from_source(path, {"relief.width": 40, "stock.thickness": 30, "output.pitch": 0.5})
    relief = set_up(job, SHOP).relief
    j, i = (np.mgrid[0 : relief.rows, 0 : relief.columns] - 40) * 0.5
    inner = np.hypot(i, j) < 17
    assert (relief.width, relief.length) == pytest.approx((40, 40))
    assert relief.heights[inner] == pytest.approx(np.sqrt(400 - (i * i + j * j)[inner]) - 20, abs=0.03)
    assert relief.heights[0, 0] == relief.heights.min()


def test_a_depth_stretches_the_heights(tmp_path: Path) -> None:
    """A wedge of any height, 4 mm deep: a ramp from −4 to 0."""
    corners = [[0, 0, 0], [8, 0, 7], [8, 5, 7], [0, 5, 0], [8, 0, 0], [8, 5, 0]]
    wedge = trimesh.Trimesh(
        corners, [[0, 1, 2], [0, 2, 3], [0, 4, 1], [3, 2, 5], [1, 4, 5], [1, 5, 2], [0, 3, 5], [0, 5, 4]]
    )
    job = job_from_source(
        written(tmp_path, wedge), {"relief.width": 80, "relief.depth": 4, "output.pitch": 1}
    )
    heights = set_up(job, SHOP).relief.heights
    assert heights.shape == (51, 81)
    assert heights == pytest.approx(np.tile(np.linspace(-4, 0, 81), (51, 1)), abs=1e-5)


def test_an_overhang_is_told(tmp_path: Path) -> None:
    """A table: a top of 10 × 10 over a foot of 12 × 12; below (10/12)² of it, 101² nodes of 121², is air."""
    parts = [
        trimesh.creation.box((10, 10, 1)).apply_translation((0, 0, 5)),
        trimesh.creation.box((2, 2, 4.5)).apply_translation((0, 0, 2.5)),
        trimesh.creation.box((12, 12, 1)),
    ]
    picture, span = solid_picture(read_solid(written(tmp_path, trimesh.util.concatenate(parts))), 121, 121)
    assert span == pytest.approx(5)
    assert picture.notes[0].split()[0] == pytest.approx("69.7")
    assert "overhangs" in picture.notes[0]


@pytest.mark.parametrize(("lip", "told"), [(1, "1.6"), (0, "")])
def test_a_narrow_overhang_is_told_too(tmp_path: Path, lip: int, told: str) -> None:
    """A lip 1 mm wide over one edge of a block: 2 of 122 columns hang in the air, 1.6 %; else none."""
    parts = [trimesh.creation.box((120, 120, 10))]
    if lip:
        parts.append(trimesh.creation.box((lip, 120, 2)).apply_translation((60 + lip / 2, 0, 20)))
    solid = read_solid(written(tmp_path, trimesh.util.concatenate(parts)))
    picture, _ = solid_picture(solid, 121, 121 + lip)
    assert [note.split(" ")[0] for note in picture.notes] == ([told] if told else [])


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("none.stl", b"solid nothing\nendsolid nothing\n", "no triangles"),
        ("text.ply", b"hello", "no whole mesh file"),
        ("empty.obj", b"", "empty"),
        ("flat.obj", b"v 0 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\n", "Z is up"),
        ("odd.obj", b"v 0 0 nan\nv 1 0 0\nv 0 1 0\nf 1 2 3\n", "finite"),
    ],
)
def test_a_bad_mesh_is_refused_in_one_line(tmp_path: Path, name: str, content: bytes, words: str) -> None:
    """What came, where, and how to mend it."""
    (tmp_path / name).write_bytes(content)
    with pytest.raises(PictureError, match=words) as refusal:
        read_solid(tmp_path / name)
    assert str(refusal.value).startswith(str(tmp_path / name))
    assert "\n" not in str(refusal.value)


def test_a_level_mesh_is_refused(tmp_path: Path) -> None:
    """A plate has nothing to carve, unless a depth or more than its top is there."""
    with pytest.raises(JobError, match="flat"):
        set_up(job_from_source(written(tmp_path, trimesh.creation.box((3, 3, 1))), {"output.pitch": 2}), SHOP)
