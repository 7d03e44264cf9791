"""Parts cut free by the whole job, judged from the program text alone by means of their own.

A plain reader gives the axis's way; shapely draws what a cutter of its diameter leaves at a height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import shapely
import trimesh
from PIL import Image

from relief.job import job_from_source
from relief.report import Report
from relief.shop.load import Shop
from relief.workflow import carve
from tests import independent
from tests.program.standard import violations

SHOP = Shop.read(None)
COARSE = {"output.pitch": 0.5, "finishing.scallop": 0.25, "stock.thickness": 12.0, "relief.depth": 3.0}
SIZE = (48.0, 36.0)


@dataclass(frozen=True)
class Freed:
    """A job with a cutout, and its part as asked for, in program coordinates, mm.

    `cuts` names the programs of the cutout, and how far the board was moved on for each, where it was.
    """

    report: Report
    folder: Path
    part: shapely.Geometry
    bottom: float
    radius: float
    tab: tuple[int, float, float]
    cuts: tuple[tuple[str, tuple[float, float]], ...] = (("3-cutout.nc", (0.0, 0.0)),)

    def ways(self, height: float) -> shapely.Geometry:
        """Return where the axis goes with the tip below a height, both above the bottom of the stock."""
        pairs = [np.zeros((0, 2, 2))]
        for file, moved in self.cuts:
            points, rapid, _ = independent.positions((self.folder / file).read_text("ascii"))
            low = ~rapid[1:] & (np.maximum(points[:-1, 2], points[1:, 2]) < self.bottom + height)
            low &= (points[:-1, :2] != points[1:, :2]).any(axis=1)
            pairs.append(np.stack([points[:-1][low, :2], points[1:][low, :2]], axis=1) + moved)
        return shapely.line_merge(
            shapely.union_all(shapely.linestrings(np.concatenate(pairs)), grid_size=1e-3)
        )

    def cleared(self, height: float) -> shapely.Geometry:
        """Return what is gone at a height above the bottom."""
        lines = shapely.get_parts(self.ways(height))
        return shapely.union_all(shapely.buffer(lines, self.radius, quad_segs=64))

    def joined(self, height: float) -> list[float]:
        """Return the widths of what stands half-way across the cut beside the part, at a height."""
        cleared = self.cleared(height)
        found = []
        for rim in shapely.get_parts(self.part.buffer(self.radius + 0.1, quad_segs=64).boundary):
            left = shapely.get_parts(shapely.line_merge(rim - cleared))
            found += [math.dist(line.coords[0], line.coords[-1]) for line in left if line.length > 0.1]
        return found


def picture(folder: Path) -> Path:
    """Save a soft-edged oval with a hole, on waves of grey: 481 × 361 pixels."""
    j, i = np.mgrid[0:361, 0:481] / 10.0
    u, v = (i - 24) / 22, (j - 18) / 16.5
    away = np.maximum(np.hypot(u, v), 1e-9)
    # the distance to the oval is 1 − away over its slope, near the edge
    oval = (1 - away) * away / np.maximum(np.hypot(u / 22, v / 16.5), 1e-9) * 10 + 0.5
    hole = (np.hypot(i - 30, j - 18) - 7.0) * 10 + 0.5
    opacity = np.clip(np.minimum(oval, hole), 0, 1)
    grey = 0.6 + 0.3 * np.sin(i / 5) * np.cos(j / 6)
    codes = np.dstack([grey, grey, grey, opacity]) * 255
    Image.fromarray(codes.astype(np.uint8), "RGBA").save(folder / "oval.png")
    return folder / "oval.png"


def asked(shape: str) -> shapely.Geometry:
    """Return the part in relief coordinates, drawn by formula."""
    turn = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    if shape == "rectangle":
        return shapely.box(0, 0, *SIZE)
    if shape == "ellipse":
        return shapely.Polygon(np.column_stack([24 + 24 * np.cos(turn), 18 + 18 * np.sin(turn)]))
    oval = shapely.Polygon(np.column_stack([24 + 22 * np.cos(turn), 18 + 16.5 * np.sin(turn)]))
    return oval - shapely.Point(30, 18).buffer(7.0, quad_segs=180)


JOBS = {
    "rectangle": {"cutout.shape": "rectangle"},
    "ellipse in inches": {
        "cutout.shape": "ellipse", "cutout.cutter": "flat 6 mm", "output.units": "in", "zero.xy": "centre",
        "cutout.tabs": 3, "cutout.tab_width": 8.0, "cutout.tab_height": 4.0, "relief.style": "sunk",
    },
    "silhouette from the bed": {
        "cutout.shape": "silhouette", "zero.z": "bed", "cutout.tabs": 2, "cutout.tab_width": 5.0,
        "cutout.allowance": 0.0, "machine": "benchtop router",
    },
    "rectangle in a walled board": {
        "cutout.shape": "rectangle", "relief.edge": "walled", "material": "hardwood",
        "cutout.tab_height": 2.0,
    },
}  # fmt: skip


@pytest.fixture(scope="module", params=JOBS)
def freed(request, tmp_path_factory) -> Freed:
    """Return each job's folder and what was asked of it."""
    folder = tmp_path_factory.mktemp("cutout")
    keys = JOBS[request.param]
    job = job_from_source(
        picture(folder), COARSE | {"relief.width": SIZE[0], "relief.length": SIZE[1]} | keys
    )
    report = carve(job, SHOP, folder / "job")
    centred, on_bed = job.zero.xy == "centre", job.zero.z == "bed"
    part = shapely.affinity.translate(asked(job.cutout.shape), *((-24.0, -18.0) if centred else (0.0, 0.0)))
    cutter = SHOP.cutter(job.cutout.cutter or job.roughing.cutter)
    tab = (job.cutout.tabs, job.cutout.tab_width, job.cutout.tab_height)
    return Freed(report, folder / "job", part, 0.0 if on_bed else -12.0, cutter.diameter / 2, tab)


def test_the_job_is_ready_and_says_what_holds_the_part(freed):
    """Every check that stops holds; the cutout is the last program."""
    held = next(check for check in freed.report.checks if check.name == "part held")

    assert freed.report.ready
    assert "cutout" == freed.report.programs[-1].operation
    assert f"held by {freed.tab[0]} tabs" in held.message


def test_no_move_cuts_into_the_part(freed):
    """At any height the axis stays a radius away from the shape, to the roundings of its outline."""
    assert freed.ways(math.inf).distance(freed.part) >= freed.radius - 0.01


def test_the_outline_is_true(freed):
    """Above the tabs the wall lies on the shape, to 0.02 mm, a picture's soft edge included."""
    ways = freed.ways(freed.tab[2] + 0.01)
    for rim in shapely.get_parts(freed.part.boundary):
        samples = rim.interpolate(np.linspace(0, rim.length, 700))
        away = shapely.distance(ways, samples)
        assert away.max() <= freed.radius + 0.02
        assert away.min() >= freed.radius - 0.01


def test_the_tabs_asked_for_stand_and_nothing_else(freed):
    """Number and width from the floor to the tabs' tops are those asked for, and above nothing is left."""
    count, width, height = freed.tab

    assert freed.joined(0.01) == pytest.approx([width] * count, abs=0.1)
    assert freed.joined(height - 0.01) == pytest.approx([width] * count, abs=0.1)
    assert [] == freed.joined(height + 0.01)


def test_the_text_conforms(freed):
    """The cutout's text keeps to RS274/NGC (NISTIR 6556) as the other programs do."""
    assert [] == violations((freed.folder / "3-cutout.nc").read_text("ascii"))


def test_the_mesh_is_one_closed_solid(freed):
    """It is watertight although the board is cut through."""
    mesh = trimesh.load(freed.folder / "carved.stl")

    assert mesh.is_watertight
    assert mesh.bounds[0][2] == pytest.approx(-12.0)


def test_a_last_pass_along_a_corner_is_no_deep_bite(tmp_path):
    """It takes a thin rim off the wall at full depth, in the corners of a notch too: that is no layer."""
    codes = np.full((241, 321, 4), 255, np.uint8)
    codes[:, :, :3] = np.linspace(90, 255, 321).astype(np.uint8)[None, :, None]
    codes[:60, 138:183, 3] = 0
    Image.fromarray(codes, "RGBA").save(tmp_path / "notch.png")
    keys = {"cutout.shape": "silhouette", "relief.width": 64.0, "cutout.tabs": 2, "output.pitch": 0.25}
    report = carve(job_from_source(tmp_path / "notch.png", COARSE | keys), SHOP, tmp_path / "job")
    rule = next(check for check in report.checks if check.name == "stepdown by the rule")
    assert rule.message.startswith("2-finishing.nc takes off up to")
    # the relief's 3 mm, not the 9 mm of the board below it
    assert rule.measured <= 3.05


def test_without_tabs_the_user_is_told(tmp_path):
    """No tabs are allowed; the check warns, and the notes say how to hold the part."""
    settings = COARSE | {"cutout.shape": "rectangle", "cutout.tabs": 0, "relief.width": 24.0}
    report = carve(job_from_source(picture(tmp_path), settings), SHOP, tmp_path / "job")
    held = next(check for check in report.checks if check.name == "part held")

    assert report.ready
    assert (False, "warn") == (held.holds, held.severity)
    assert any("vacuum" in note for note in report.notes)


def test_a_skin_is_left(tmp_path):
    """With a skin nothing is cut through; the board stays one piece."""
    settings = COARSE | {"cutout.shape": "ellipse", "cutout.skin": 0.5, "relief.width": 24.0}
    report = carve(job_from_source(picture(tmp_path), settings), SHOP, tmp_path / "job")
    points, _, _ = independent.positions((tmp_path / "job" / "3-cutout.nc").read_text("ascii"))

    assert report.ready
    assert np.nanmin(points[:, 2]) == pytest.approx(-11.5)
