"""What a set-up asks of the woodworker is told in plain sentences, and only where it has to be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from PIL import Image

from relief.heightfield import Region
from relief.hints import bed_note, below_board, depth_note, hints, zero_place
from relief.job import job_from_source
from relief.part import Part
from relief.progress import Silent
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.texts import program_head
from relief.tiling import Tile, Tiling
from relief.workflow import carve
from tests.reports import FLAT, a_job, a_setup


def cut_out(**cutout: object) -> Setup:
    """Return a set-up whose relief is cut out as a rectangle."""
    job = a_job(cutout={"shape": "rectangle"} | cutout)
    setup = a_setup(job)
    nodes = np.ones(setup.target.heights.shape, dtype=bool)
    return replace(setup, part=Part(shapely.box(0, 0, 120, 90), nodes, FLAT, job.cutout))


def test_a_part_that_stays_in_its_board_needs_nothing_below():
    """No cutout, or one that leaves a skin, does not touch the bed."""
    for setup in (a_setup(), cut_out(skin=0.5)):
        assert below_board(setup) == 0
        assert bed_note(setup) == ""
        assert program_head(setup, "cutout", FLAT, 9000, None).cautions[1:] == setup.material.cautions


def test_a_cutter_that_is_shorter_than_the_relief_is_deep_is_told_before_planning():
    """With its edges and the depth that they reach; one that is long enough is not."""
    setup = a_setup()
    short = replace(setup.finishing_cutter, name="stub", cutting_length=setup.depth - 0.5)
    (note,) = [note for note in hints(replace(setup, finishing_cutters=(short,))) if "stub" in note]
    assert f"the relief is {setup.depth:g} mm deep" in note
    assert f'"stub" (cutting edges of {setup.depth - 0.5:g} mm)' in note
    assert note.endswith(f"relief.depth = {setup.depth - 0.5:g} mm")
    just = replace(short, cutting_length=setup.depth)
    assert not any("edges" in note for note in hints(replace(setup, finishing_cutters=(just,))))


@pytest.mark.parametrize("operation", ["cutout", "cutout, resumed: takes up 3-cutout.nc at line 9"])
def test_a_cutout_asks_for_a_sacrificial_board(operation):
    """Notes, and the head of its program alone, say how deep it goes below the board."""
    setup = cut_out(through=0.3)
    told = "the cutout goes 0.3 mm below the board: lay it on a flat sacrificial board thicker than that"
    assert any(told in note for note in hints(setup))
    assert told in program_head(setup, operation, FLAT, 9000, None).cautions[0]
    assert program_head(setup, "finishing", FLAT, 9000, None).cautions[1:] == setup.material.cautions


@pytest.mark.parametrize(
    ("zero", "words"), [("stock top", "on stock top that stays uncut, outside"), ("bed", "on the bed")]
)
def test_where_each_cutter_is_touched_off(zero, words):
    """Once roughing is done the top of the relief is no stock top: the head tells where Z0 is set."""
    setup = a_setup(a_job(zero={"z": zero}))
    assert f"set Z0 for each cutter {words}" in program_head(setup, "finishing", FLAT, 9000, None).cautions[0]
    assert program_head(setup, "trace", None, 0, None).cautions == setup.material.cautions


@pytest.mark.parametrize(
    ("margin", "edge", "zero", "warned"),
    [
        (0.0, "open", "stock top", True), (9.0, "open", "stock top", True),
        (10.0, "open", "stock top", False), (None, "open", "stock top", False),
        (1.0, "walled", "stock top", False), (0.0, "open", "bed", False),
    ],
)  # fmt: skip
def test_a_board_without_uncut_top_is_warned_of(margin, edge, zero, warned):
    """High layers go up to 2.59 + 6.35 mm past an open edge; the default margin leaves a millimetre more."""
    job = a_job(picture="demo_images/gate_sign.png", zero={"z": zero}, output={"pitch": 1.0})
    sizes = replace(job.relief, width=40.0, length=20.0, margin=margin, edge=edge)
    notes = hints(set_up(replace(job, relief=sizes, stock=type(job.stock)()), Shop.read(None)))
    assert any("no stock top stays uncut" in note for note in notes) is warned


def test_holes_of_tiles_go_deeper():
    """Pins stand 6 mm deep in the bed (see relief.tiling): more than the cutout's 0.3 mm."""
    tile = Tile(1, a_setup().region, (0.0, 0.0), pins=((-8.0, 10.0), (128.0, 10.0)))
    setup = replace(cut_out(), tiling=Tiling((tile,), ()))
    assert (below_board(setup), below_board(setup, "cutout")) == (6.0, 0.3)
    assert "the holes go 6 mm below the board" in bed_note(setup)
    assert "the holes go 6 mm" in program_head(setup, "holes", FLAT, 9000, None).cautions[0]


@pytest.mark.parametrize(("through", "warned"), [(0.3, False), (1.5, False), (1.6, True), (5.0, True)])
def test_a_deep_groove_in_what_lies_below_is_warned_of(through, warned):
    """What is plainly too much is told as a warning, with what is enough."""
    found = [note for note in hints(cut_out(through=through)) if note.startswith("warning:")]
    assert bool(found) is warned
    assert all("0.3 mm is enough" in note for note in found)


@pytest.mark.parametrize(
    ("width", "length", "words"),
    [(2.0, 1.0, 'did you mean 2 in? write "2 in"'), (7.9, 5.0, "7.9 mm x 5 mm, next to"), (40.0, 20.0, None)],
)
def test_a_relief_of_a_few_cutters_is_asked_about(width, length, words):
    """A number that was surely meant as inches is told with the inches to write; an odd one without."""
    job = a_job()
    setup = a_setup(
        replace(job, relief=replace(job.relief, width=width)), region=Region(0.0, 0.0, width, length)
    )
    found = [note for note in hints(setup) if "the relief is only" in note]
    assert bool(found) is (words is not None)
    assert all(words in note for note in found)
    assert all(("did you mean" in note) == (width == 2) for note in found)


@pytest.mark.parametrize(
    ("relief", "tone"),
    [
        ({}, "black"), ({"style": "sunk"}, "white"), ({"invert": True}, "white"),
        ({"style": "sunk", "invert": True}, "black"),
    ],
)  # fmt: skip
def test_a_picture_that_does_not_use_its_depth(relief, tone):
    """What is carved less deep than asked for is told, with the tone that is missing."""
    job = a_job()
    setup = a_setup(replace(job, relief=replace(job.relief, depth=7.0, **relief)))
    (note,) = hints(setup)
    assert note.startswith("the deepest point lies 6 mm down, not 7 mm (relief.depth)")
    assert f"pure {tone}; shaping.levels = " in note
    assert hints(a_setup()) == ()


@pytest.mark.parametrize(
    ("lit", "material"), [("clear", "softwood"), ("clear", "acrylic"), ("none", "softwood")]
)
def test_a_sheet_to_be_lit_needs_its_material(lit, material):
    """Speeds for softwood are none for acrylic: a back-lit sheet without its name is warned of."""
    job = a_job(shaping={"back_lit": lit, "attenuation": 0.5})
    found = [note for note in hints(a_setup(replace(job, material=material))) if "lit from behind" in note]
    assert bool(found) is ((lit, material) == ("clear", "softwood"))


def test_levels_use_the_whole_depth(tmp_path):
    """What the note advises does what it says: a picture of greys reaches the depth asked for."""
    Image.fromarray(np.linspace(60, 200, 40 * 60).reshape(40, 60).astype(np.uint8)).save(
        tmp_path / "grey.png"
    )
    job = a_job(picture=str(tmp_path / "grey.png"), output={"pitch": 1.0})
    job = replace(job, relief=replace(job.relief, width=60.0, length=None))
    # 60 of 255 is the darkest: 1 - 60 / 255 of the 6 mm asked for
    assert "lies 4.59 mm down, not 6 mm" in depth_note(set_up(job, Shop.read(None)))
    whole = set_up(replace(job, shaping=replace(job.shaping, levels=("0 %", "100 %"))), Shop.read(None))
    assert whole.depth == pytest.approx(6.0)
    assert depth_note(whole) == ""


class Told(Silent):
    """Keeps the notes of a job."""

    def __init__(self) -> None:
        self.notes: list[str] = []

    def note(self, text: str) -> None:
        """Keep a note."""
        self.notes.append(text)


def test_all_that_the_report_notes_is_told_on_the_way(tmp_path):
    """Feeds that gave way and tabs that found no room are printed, not only in report.json."""
    asked = {
        "relief.width": 24, "output.pitch": 0.6, "finishing.scallop": 0.3, "finishing.feed": 90000,
        "cutout.shape": "rectangle", "cutout.tabs": 40,
    }  # fmt: skip
    job = job_from_source(Path("demo_images/gate_sign.png"), asked)
    told = Told()
    report = carve(job, Shop.read(None), tmp_path / "job", progress=told)
    assert {note.removeprefix("note: ") for note in told.notes} >= set(report.notes)
    for words in ("of 40 tabs find room", "you asked for 90000 mm/min", "0.3 mm below the board"):
        assert any(words in note for note in told.notes), words


def test_zero_from_the_edges_of_a_given_stock():
    """The relief lies in the middle of a stock that is told; its zero follows."""
    job = a_job(picture="demo_images/gate_sign.png", stock={"width": 70, "length": 50, "thickness": 18})
    sizes = replace(job.relief, width=40.0, length=20.0, margin=None)
    setup = set_up(replace(job, relief=sizes, output=replace(job.output, pitch=1.0)), Shop.read(None))
    assert zero_place(setup) == pytest.approx((15.0, 15.0))


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_stock_is_told_as_it_is_sawn(units):
    """Not as its grid is: a given stock to the last digit, a default margin in whole millimetres."""
    job = a_job(picture="demo_images/gate_sign.png", output={"pitch": 0.7, "units": units})
    sizes = replace(job.relief, width=40.0, length=20.0, margin=None)
    given = replace(job, relief=sizes, stock=type(job.stock)(width=65.0, length=41.0))
    setup = set_up(given, Shop.read(None))
    assert (setup.job.stock.width, setup.job.stock.length) == (65.0, 41.0)
    assert sum(zero_place(setup)) == pytest.approx(53.0 - sum((setup.region.width, setup.region.length)) / 2)

    wide = replace(given, stock=type(job.stock)(), roughing=replace(job.roughing, cutter="flat 6 mm"))
    wide = replace(wide, finishing=replace(job.finishing, cutter="ball 1/4 in"))
    setup = set_up(wide, Shop.read(None))
    assert zero_place(setup) == pytest.approx((12.0, 12.0))
    assert setup.job.stock.width == pytest.approx(setup.region.width + 2 * zero_place(setup)[0])
