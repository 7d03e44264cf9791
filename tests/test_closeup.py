"""The verdict between the nodes of a plan: a second opinion, the noise it tends to, and why it is not met."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relief.carving import carve_stock, carve_windows
from relief.closeup import CloseLook, look_closely
from relief.evidence import ReadProgram
from relief.finer import Lens, halved
from relief.heightfield import Heightfield
from relief.job import job_from_source
from relief.measures import CAUSES, FineFigures, scallop_heights
from relief.program.read import read_program
from relief.report import Report
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_surface, tip_surface
from relief.workflow import carve
from tests import fields, independent
from tests.test_finer import closed

BALL = Cutter("ball", 3.175)
PITCH = 0.2


def program(points: np.ndarray) -> ReadProgram:
    """Return a program that feeds along points, as read back; what a close look does not ask is left out."""
    lines = [f"G1 X{x:.4f} Y{y:.4f} Z{z:.4f}" for x, y, z in points]
    first = f"G0 X{points[0][0]:.4f} Y{points[0][1]:.4f}"
    text = "\n".join(["G21 G90 G94 G54", "G0 Z5", first, "F1000", *lines, "M2"]).encode()
    nothing = Heightfield(np.zeros((1, 1)), 1.0)
    return ReadProgram(
        file="2-finishing.nc", operation="finishing", text=text, moves=read_program(text), cutter=BALL,
        feeds=None, before=nothing, after=nothing, contact_depth=0.0, contact_block=0, deepest_cut=0.0,
        deepest_block=0, seconds=0.0,
    )  # fmt: skip


def raster(field: Heightfield, every: int = 1) -> ReadProgram:
    """Return passes along every so many rows of nodes, forth and back, at the tip heights of a finer grid."""
    fine = Heightfield(halved(field.heights), field.pitch / 2, field.origin)
    tip = tip_surface(fine, BALL)
    passes = []
    for j in range(0, fine.rows, 2 * every):
        line = np.column_stack([fine.x, np.full(fine.columns, fine.y[j]), tip[j]])
        passes.append(line[::-1] if len(passes) % 2 else line)
    return program(np.concatenate(passes))


def look(field: Heightfield, *programs: ReadProgram, tolerance: float = 0.05) -> CloseLook:
    """Return the close look at what programs leave of a field."""
    stock = field.with_heights(np.zeros_like(field.heights))
    for each in programs:
        stock = carve_stock(stock, each.moves, BALL)
    ridges = scallop_heights(stock, field.with_heights(reachable_surface(field, BALL)))
    own = np.ones(ridges.shape, bool)
    return look_closely(programs, field, field.region, BALL, ridges, own, tolerance)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[np.ndarray, str, str, Report]:
    """Return a target, the texts of its roughing and finishing, and the report of the job."""
    folder = tmp_path_factory.mktemp("made")
    target = fields.terrain(12.0, 3.0, PITCH).heights
    np.save(folder / "target.npy", target)
    job = job_from_source(folder / "target.npy", {"output.pitch": PITCH, "finishing.scallop": 0.1})
    report = carve(job, Shop.read(None), folder / "job")
    texts = [(folder / "job" / f"{name}.nc").read_text("ascii") for name in ("1-roughing", "2-finishing")]
    return target, texts[0], texts[1], report


def test_the_figures_agree_with_a_recomputation(made):
    """Text read by a plain reader, carved by samples, closed by scipy, on a finer grid: the same figures."""
    target, rough, finish, report = made
    fine, radius = halved(target).astype(np.float64), BALL.diameter / 2
    size = fine.shape
    carved = np.minimum(
        independent.carved(size, PITCH / 2, independent.positions(rough)[0], np.zeros_like, 3.175, 0.05),
        independent.carved(
            size, PITCH / 2, independent.positions(finish)[0],
            lambda r: radius - np.sqrt(np.maximum(radius**2 - r**2, 0)), radius, 0.03,
        ),
    )  # fmt: skip
    best = closed(fine, PITCH / 2, BALL)
    slope = np.hypot(*np.gradient(best, PITCH / 2))
    ridges = (np.maximum(carved - best, 0) / np.sqrt(1 + slope**2))[slope <= math.tan(math.radians(75))]
    told = report.scallop_fine

    assert (told.share, told.pitch) == (1.0, PITCH / 2)
    assert told.max == pytest.approx(ridges.max(), rel=0.01, abs=5e-4)
    assert told.p999 == pytest.approx(np.percentile(ridges, 99.9), rel=0.01, abs=5e-4)
    assert told.p99 == pytest.approx(np.percentile(ridges, 99), rel=0.01, abs=5e-4)
    assert told.within == pytest.approx((ridges <= 0.1).mean(), abs=0.002)
    assert sum(s.share for s in told.short if s.cause != "wall") == pytest.approx(1 - told.within, abs=1e-3)


@pytest.mark.parametrize("name", ["terrain", "dome", "waves"])
def test_the_densest_path_leaves_the_noise(name):
    """Passes along every row of nodes leave what the grid's noise says, and fewer passes leave more."""
    field = fields.every_field(0.2)[name]
    lens = Lens.over(field, field.region, BALL)
    rows = [seen.noise[0][~seen.walls] for seen in lens.look(lens.windows())]
    dense, sparse = (look(field, raster(field, every)).figures for every in (1, 4))

    assert dense.p999 == pytest.approx(np.percentile(np.concatenate(rows), 99.9), abs=5e-4)
    assert dense.p999 <= dense.floor.p999 + 5e-4
    assert sparse.p999 > dense.p999
    assert sparse.within <= dense.within


def test_more_cuts_never_make_it_rougher():
    """The figures fall, or stay, with every program that is added."""
    field = fields.band_limited(3, 12.0, 10.0, 0.2)
    first, second = raster(field, 5), raster(field, 3)
    alone, both = look(field, first).figures, look(field, first, second).figures

    assert both.max <= alone.max
    assert both.p99 <= alone.p99
    assert both.within >= alone.within


def figures(field: Heightfield, *programs: ReadProgram) -> FineFigures:
    """Return the figures of a close look."""
    return look(field, *programs).figures


def test_a_pass_that_is_left_out_is_found_with_its_place():
    """Where passes lie too far apart, that is told as the cause, with a place between them."""
    field = fields.plane(12.0, 10.0, 0.2)
    rows = [0, 2, 4, 6, 16, 18, 20, 22, 24, 26, 28, 30, 32, 34, 36, 38, 40, 42, 44, 46, 48, 50]
    line = [[(0.0, 0.2 * j, -3.0), (12.0, 0.2 * j, -3.0)] for j in rows]
    found = figures(field, program(np.concatenate([c[::-1] if n % 2 else c for n, c in enumerate(line)])))
    worst = found.short[0]
    # a gap of 2 mm: h = R − √(R² − s²/4)
    radius = BALL.diameter / 2

    assert worst.cause == "passes"
    assert worst.max == found.max == pytest.approx(radius - math.sqrt(radius**2 - 1), abs=1e-3)
    assert worst.y == pytest.approx(2.2, abs=0.11)


def test_a_crease_between_nodes_is_told_as_such():
    """A valley whose bottom lies half-way between two rows: at the nodes all is well, between them not."""
    _, y = fields.grid(12.0, 10.0, 0.2)
    valley = Heightfield(np.abs(y - 5.1) - 6.0, 0.2)
    found = figures(valley, raster(valley))

    assert found.short[0].cause == "between"
    assert {short.cause for short in found.short} <= {"between", "rim"}
    assert found.short[0].y == pytest.approx(5.1, abs=0.11)
    assert found.floor.p999 == pytest.approx(0.1, rel=0.1)


def test_every_cause_has_its_words():
    """Walls apart, in the order in which they explain."""
    assert list(CAUSES) == ["wall", "beside a wall", "rim", "between", "passes"]


def test_a_large_relief_is_looked_at_in_parts_the_worst_among_them(monkeypatch):
    """With little to spend, the share is told, and the one place that was left out is still found."""
    monkeypatch.setattr("relief.finer.WINDOW", 10)
    monkeypatch.setattr("relief.closeup.WORK", 6e4)
    field = fields.plane(30.0, 30.0, 0.2)
    rows = np.arange(0, 30.1, 0.4)
    points = [(x, y, -3.0) for n, y in enumerate(rows) for x in ((0.0, 30.0), (30.0, 0.0))[n % 2]]
    whole = program(np.array(points))
    # on its way along y = 20 from x = 0 to 30 the tip rises by 2 mm for a while
    up = [(13.0, 20.0, -3.0), (13.0, 20.0, -1.0), (15.0, 20.0, -1.0), (15.0, 20.0, -3.0)]
    hole = program(np.array([*points[:101], *up, *points[101:]]))
    found, clean = figures(field, hole), figures(field, whole)

    assert 0 < found.share < 0.5
    assert found.max > 2 * clean.max
    assert found.short[0].x == pytest.approx(14.0, abs=1.1)


def test_windows_are_carved_like_the_whole():
    """What is left in a window does not depend on which moves were looked at for it."""
    field = fields.band_limited(1, 14.0, 12.0, 0.2)
    moves = raster(field, 3).moves
    stock = field.with_heights(np.zeros_like(field.heights))
    whole = carve_stock(stock, moves, BALL).heights
    places = [(slice(0, 9), slice(0, 9)), (slice(20, 41), slice(30, 70)), (slice(50, 61), slice(60, 71))]
    windows = [
        Heightfield(stock.heights[j, i], 0.2, (float(field.x[i.start]), float(field.y[j.start])))
        for j, i in places
    ]
    for (j, i), left in zip(places, carve_windows(windows, moves, BALL), strict=True):
        assert left.heights == pytest.approx(whole[j, i], abs=2e-6)


def test_nothing_to_carve_with_leaves_the_stock():
    """Programs that turn no cutter change nothing: the whole depth stands."""
    field = fields.plane(6.0, 6.0, 0.2)
    found = figures(field)

    assert found.max == pytest.approx(3.0)
    assert found.within == 0
