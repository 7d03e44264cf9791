"""A job longer than the machine's travel: its tiles, laid where they belong, carve the whole."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh

from relief.errors import JobError
from relief.heightfield import Region
from relief.job import job_from_source
from relief.recheck import recheck
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.tiled import clipped
from relief.tiling import Needs, lay_out_tiles
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from relief.workflow import carve
from tests import fields, independent, test_freeing
from tests.judge import underside

PITCH, THICKNESS = 0.4, 12.0
SHOPS = {
    "small": '[[machine]]\nname = "small"\ntravel = [67, 96, 60]\n',
    "square": '[[machine]]\nname = "small"\ntravel = [96, 96, 60]\n',
    "large": '[[machine]]\nname = "small"\ntravel = [400, 400, 60]\n',
}


def carved(
    folder: Path, shop: str, turned: bool = False, rows: int = 60, size: float = 80.0, **settings: object
):
    """Carve 80 mm of terrain with a machine that travels 67 mm, or far enough."""
    heights = fields.terrain(size, 4.0, PITCH).heights[:rows]
    machine = SHOPS[shop]
    if turned:
        heights, machine = heights.T, machine.replace("67, 96", "96, 67")
    np.save(folder / "target.npy", heights)
    (folder / f"{shop}.toml").write_text(machine, encoding="utf-8")
    asked = {
        "output.pitch": PITCH, "finishing.scallop": 0.2, "stock.thickness": THICKNESS, "machine": "small",
        "tiles": True, "relief.margin": 24, "shop": str(folder / f"{shop}.toml"),
    }  # fmt: skip
    job = job_from_source(folder / "target.npy", asked | settings)
    return carve(job, Shop.read(folder / f"{shop}.toml"), folder / shop), heights


def surface(folder: Path, report, shape: tuple[int, int], shifts: dict[str, np.ndarray]) -> np.ndarray:
    """Return what all programs leave of the relief, each laid where its tile lies, by scipy."""
    left = [np.zeros(shape)]
    for run in report.programs:
        if run.cutter is None or run.operation in ("holes", "cutout"):
            continue
        points = independent.positions((folder / run.file).read_text("ascii"))[0] + shifts.get(
            run.file[:6], 0.0
        )
        left.append(
            independent.carved(shape, PITCH, points, underside(run.cutter), run.cutter.diameter / 2, 0.05)
        )
    return np.min(left, axis=0)


def shifts_of(folder: Path) -> dict[str, np.ndarray]:
    """Return where each tile's zero lies on the board, from the holes that the texts drill.

    A pair goes on into the bed, for the pins; another ends just below the board, and is set down on the pins.
    """
    shifts = {"tile-1": np.zeros(3)}
    pins = np.zeros((0, 2))
    for number in range(1, 99):
        path = folder / f"tile-{number}-1-holes.nc"
        if not path.exists():
            break
        points = independent.positions(path.read_text("ascii"))[0]
        deep = points[points[:, 2] < -THICKNESS].round(3)
        spots, which = np.unique(deep[:, :2], axis=0, return_inverse=True)
        bottoms = [deep[which.ravel() == k, 2].min() for k in range(len(spots))]
        places = np.column_stack([spots, bottoms])
        into_bed = np.isclose(places[:, 2], -THICKNESS - 6.0)
        assert np.isclose(places[~into_bed, 2], -THICKNESS - 0.3).all()
        pins = places[into_bed, :2] if into_bed.any() else pins
        step = places[~into_bed, :2] - pins
        assert np.isclose(step[0], step[1]).all()
        shifts[f"tile-{number + 1}"] = shifts[f"tile-{number}"] + (*step[0], 0.0)
    return shifts


CUT_OUT = {"cutout.shape": "rectangle", "relief.margin": 30, "cutout.tabs": 5, "cutout.tab_width": 6.0}
ROUND = {"cutout.shape": "ellipse", "relief.margin": 30, "outline.cutter": "drag", "outline.lines": 2}


@pytest.mark.parametrize(
    ("shop", "turned", "settings", "tiles"),
    [
        ("small", False, {}, 3),
        ("small", True, CUT_OUT, 3),
        ("square", False, {"rows": 216, "size": 88.0} | ROUND, 4),
    ],
)
def test_tiles_carve_what_the_whole_job_carves(tmp_path, shop, turned, settings, tiles):
    """To 0.01 mm on every node of the relief, its outline too; each program stays within the travel."""
    report, target = carved(tmp_path, shop, turned, **settings)
    whole, _ = carved(tmp_path, "large", turned, **settings)
    assert report.ready, report.stops
    assert whole.ready

    folder, files = tmp_path / shop, [run.file for run in report.programs]
    assert files[:4] == [
        "tile-1-0-trace.nc", "tile-1-1-holes.nc", "tile-1-2-roughing.nc", "tile-1-3-finishing.nc"
    ]  # fmt: skip
    shifts = shifts_of(folder)
    assert len(shifts) == tiles == int(files[-1][5])
    tiled = surface(folder, report, target.shape, shifts)
    alone = surface(tmp_path / "large", whole, target.shape, {})
    assert np.abs(tiled - alone).max() <= 0.01
    if "cutout.shape" in settings:
        check_part(tmp_path, shop, report, whole, target.shape, shifts)

    travel = {"small": (96, 67, 60) if turned else (67, 96, 60), "square": (96, 96, 60)}[shop]
    spans = []
    for file in files:
        points = independent.positions((folder / file).read_text("ascii"))[0]
        spans += [np.nanmin(points, axis=0), np.nanmax(points, axis=0)]
    assert (np.ptp(spans, axis=0) <= travel).all()
    assert recheck([folder / file for file in files], folder).ready


def check_part(folder: Path, shop: str, report, whole, shape: tuple[int, int], shifts) -> None:
    """Hold the part that tiles cut free against the shape and the tabs asked for, and the whole job's."""
    cutout, (length, width) = report.job["cutout"], (np.array(shape) - 1) * PITCH
    part = shapely.box(0, 0, width, length)
    if cutout["shape"] == "ellipse":
        turn = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
        part = shapely.Polygon(np.column_stack([np.cos(turn), np.sin(turn)]) * 0.5 + 0.5)
        part = shapely.affinity.scale(part, width, length, origin=(0, 0))
    tab = (cutout["tabs"], cutout["tab_width"], cutout["tab_height"])
    files = [run.file for run in report.programs if run.operation == "cutout"]
    assert len(files) == len(shifts)
    radius = next(run.cutter.diameter for run in report.programs if run.operation == "cutout") / 2
    cuts = tuple((file, tuple(shifts[file[:6]][:2])) for file in files)
    freed = test_freeing.Freed(report, folder / shop, part, -THICKNESS, radius, tab, cuts)
    test_freeing.test_no_move_cuts_into_the_part(freed)
    test_freeing.test_the_outline_is_true(freed)
    test_freeing.test_the_tabs_asked_for_stand_and_nothing_else(freed)

    last = ((whole.programs[-1].file, (0.0, 0.0)),)
    alone = test_freeing.Freed(whole, folder / "large", part, -THICKNESS, radius, tab, last)
    for height in (0.01, tab[2] + 0.01, THICKNESS - 1.0):
        ours, theirs = freed.cleared(height), alone.cleared(height)
        assert theirs.buffer(0.01).contains(ours)
        assert ours.buffer(0.01).contains(theirs)


def test_a_tile_may_be_one_program(tmp_path, monkeypatch):
    """On a machine that changes cutters each tile has its trace and a program with all its cuts."""
    monkeypatch.setitem(SHOPS, "small", SHOPS["small"] + 'tool_change = "M6"\n')
    settings = CUT_OUT | {"cutout.tabs": 2, "output.programs": "one"}
    report, _ = carved(tmp_path, "small", rows=30, size=52.0, **settings)
    assert report.ready, report.stops

    files = [f"tile-{tile}-{name}.nc" for tile in (1, 2) for name in ("0-trace", "1-carving")]
    assert sorted(path.name for path in (tmp_path / "small").glob("*.nc")) == files
    cuts = ["holes", "roughing", "finishing", "cutout"]
    found = [(run.file, run.operation) for run in report.programs if run.cutter]
    assert found == [(files[1], cut) for cut in cuts] + [(files[3], cut) for cut in cuts[1:]]
    assert recheck([tmp_path / "small" / file for file in files], tmp_path / "small").ready


def test_the_holes_stand_in_mesh_and_drawing(tmp_path):
    """The solid is open down to a film at each hole, within a node of its rim; the sheet shows each hole."""
    report, _ = carved(tmp_path, "small")
    text = (tmp_path / "small" / "tile-1-1-holes.nc").read_text("ascii")
    points, rapid, _ = independent.positions(text)
    holes = np.unique(points[points[:, 2] < -THICKNESS][:, :2].round(3), axis=0)
    cutter = next(run.cutter for run in report.programs if run.operation == "holes")
    radius = cutter.diameter / 2
    for hole in holes:
        # peck by peck, none deeper than a layer by the rule: half the diameter in softwood (no source)
        bottoms = points[(points[:, :2].round(3) == hole).all(axis=1) & (points[:, 2] < 0) & ~rapid, 2]
        assert (np.diff([0.0, *bottoms]) < 0).all()
        assert -np.diff([0.0, *bottoms]).min() <= 0.5 * cutter.diameter + 1e-6
    mesh = trimesh.load_mesh(tmp_path / "small" / "carved.stl")
    assert mesh.is_watertight
    for hole in holes:
        away = np.hypot(*(mesh.vertices[:, :2] - hole).T)
        inside = mesh.vertices[(away < radius - PITCH) & (mesh.vertices[:, 2] > -THICKNESS + 1e-3)]
        assert (inside[:, 2] < 0.1 - THICKNESS).all()
        rim = mesh.vertices[(away < radius + 2 * PITCH) & (mesh.vertices[:, 2] > -0.01)]
        assert len(rim)
        near, height = away < radius + 2 * PITCH, mesh.vertices[:, 2] + THICKNESS
        assert (near & (height > 1e-3) & (height < 0.1)).any()  # the film, at the foot of its wall

    sheet = (tmp_path / "small" / "sheet.html").read_text(encoding="utf-8")
    drawn = re.findall(rf'<circle cx="([^"]*)" cy="([^"]*)" r="{radius}"', sheet)
    places = np.array(drawn, dtype=float)[:, :2] * (1, -1)
    for hole in holes:
        assert np.hypot(*(places - hole).T).min() <= 0.002
    assert "circles: holes for the pins; dotted: seams of the tiles" in sheet


def test_a_job_that_fits_is_not_divided(tmp_path):
    """`tiles = true` allows it, and does no more than that."""
    report, _ = carved(tmp_path, "large")

    assert [run.file for run in report.programs] == ["0-trace.nc", "1-roughing.nc", "2-finishing.nc"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"tiles": False}, ("along X, but small travels 67 mm", "set tiles = true")),
        (
            {"cutout.shape": "rectangle", "cutout.tabs": 0},
            ("the board is moved between tiles", "cutout.tabs"),
        ),
        ({"relief.margin": 8}, ("the holes for the pins need", "raise relief.margin")),
        ({"stock.thickness": 25}, ("the holes for the pins go 31 mm deep", "thinner stock")),
    ],
)
def test_what_cannot_be_divided_is_refused(tmp_path, settings, words):
    """One line says what is too short and by how much."""
    with pytest.raises(JobError) as refused:
        carved(tmp_path, "small", **settings)
    for word in words:
        assert word in str(refused.value)


NEEDS = Needs(8.0, 4.0, Cutter("flat", 6.0))


def test_three_rows_are_refused():
    """Tiles in the middle would have no waste for pins."""
    with pytest.raises(JobError, match=r"4 by 3 tiles would be needed, and those in the middle"):
        lay_out_tiles(Region(0, 0, 200, 150), (100.0, 100.0, 60.0), NEEDS, (30.0, 30.0), 0.001)


def test_a_tile_of_many_layers_stays_within_the_travel(tmp_path):
    """Upper layers of a roughing go further out than lower ones, a cutter's radius past the overrun at most.

    Each tile keeps that much room, so none is made as long as the travel and then stopped by its check.
    """
    report, heights = carved(tmp_path, "small", **{"roughing.stepdown": 0.5, "roughing.stepover": 5.0})
    assert report.ready, report.stops

    rough = next(run for run in report.programs if run.operation == "roughing").cutter
    ball = next(run for run in report.programs if run.operation == "finishing").cutter
    files = [run.file for run in report.programs if run.operation == "roughing"]
    points = np.concatenate(
        [independent.positions((tmp_path / "small" / file).read_text("ascii"))[0] for file in files]
    )
    length = (heights.shape[0] - 1) * PITCH
    beyond = max(-np.nanmin(points[:, 1]), np.nanmax(points[:, 1]) - length)
    overrun = ball.diameter / 2 + 1.0
    assert overrun + rough.diameter / 4 < beyond <= overrun + rough.diameter / 2 + 2 * PITCH


@pytest.mark.parametrize("size", [(150.0, 90.0), (90.0, 150.0), (90.0, 90.0), (90.0, 70.0)])
def test_holes_come_to_stand_on_pins(size):
    """At every move of the board the pair drilled for it lies where a pair was drilled into the bed.

    The reverse of what the machine sees: a place of the board lies over the bed's place less the shift.
    Every hole lies beside the relief, and what drills it stays within the travel.
    """
    relief = Region(0, 0, *size)
    tiling = lay_out_tiles(relief, (100.0, 100.0, 60.0), NEEDS, (30.0, 30.0), 0.001)
    assert tiling is not None
    bed = set()
    for tile, following in pairwise(tiling.tiles):
        bed |= {(round(x - tile.shift[0], 6), round(y - tile.shift[1], 6)) for x, y in tile.pins}
        ready = {
            (round(x - following.shift[0], 6), round(y - following.shift[1], 6)) for x, y in tile.following
        }
        assert len(ready) == 2
        assert ready <= bed
    assert not tiling.tiles[-1].holes
    for tile in tiling.tiles:
        for x, y in tile.holes:
            assert x < -8 or y < -8 or x > size[0] + 8 or y > size[1] + 8
            assert -30 < x < size[0] + 30
            assert -30 < y < size[1] + 30
        box = tile.region.grown(NEEDS.beyond)
        for axis, sides in enumerate(((box.left, box.right), (box.near, box.far))):
            places = [*sides, *(hole[axis] for hole in tile.holes)]
            assert max(places) - min(places) <= 100.0 - NEEDS.drill.diameter
    shares = sum(tile.region.width * tile.region.length for tile in tiling.tiles)
    assert shares == pytest.approx(size[0] * size[1])


def test_pins_stand_far_apart_where_there_is_travel_to_spare():
    """The play p of a pin turns a board by p over their distance: 0.05 mm over 40 mm is 0.36 mm at 290 mm.

    Half of the travel that two rows leave is used, and half is left to lay the board in.
    """
    tiling = lay_out_tiles(Region(0, 0, 900, 580), (600.0, 600.0, 60.0), NEEDS, (30.0, 30.0), 0.001)
    assert tiling is not None
    for tile in tiling.tiles:
        for pair in (tile.pins, tile.following):
            if pair:
                # 450 and 290 mm of the travel are needed for a tile, 46 for what stands out beside it
                assert math.dist(*pair) >= 40.0 + (600.0 - 450.0 - 46.0) / 2 - 1.0
            for axis in (0, 1):
                places = [hole[axis] - tile.shift[axis] for hole in pair]
                assert max(places, default=0.0) <= 600.0 - 46.0


def test_a_path_is_cut_at_a_line():
    """Pieces are entered by a plunge from clearance height; what lies beyond is left out."""
    points = np.array([(0, 0, 5), (0, 0, -1), (10, 0, -2), (10, 1, -2), (0, 1, -1), (0, 1, 5)], dtype=float)
    kinds = np.array([RAPID, PLUNGE, CUT, CUT, CUT, RAPID], dtype=np.uint8)
    found = clipped(Toolpath(points, kinds), 0, 6.0, 20.0, 5.0, 0.001)

    assert found.points == pytest.approx(
        np.array([(6, 0, 5), (6, 0, -1.6), (10, 0, -2), (10, 1, -2), (6, 1, -1.6), (6, 1, 5)])
    )
    assert found.kinds.tolist() == [RAPID, PLUNGE, CUT, CUT, CUT, RAPID]
