"""What a set-up asks of the woodworker is told in plain sentences, and only where it has to be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from relief.hints import bed_note, below_board, hints, zero_place
from relief.part import Part
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.texts import program_head
from relief.tiling import Tile, Tiling
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
        assert program_head(setup, "cutout", FLAT, 9000, None).cautions == setup.material.cautions


@pytest.mark.parametrize("operation", ["cutout", "cutout, resumed: takes up 3-cutout.nc at line 9"])
def test_a_cutout_asks_for_a_sacrificial_board(operation):
    """Notes, and the head of its program alone, say how deep it goes below the board."""
    setup = cut_out(through=0.3)
    told = "the cutout goes 0.3 mm below the board: lay it on a flat sacrificial board thicker than that"
    assert any(told in note for note in hints(setup))
    assert told in program_head(setup, operation, FLAT, 9000, None).cautions[0]
    assert program_head(setup, "finishing", FLAT, 9000, None).cautions == setup.material.cautions


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


def test_zero_from_the_edges_of_a_given_stock():
    """The relief lies in the middle of a stock that is told; its zero follows."""
    job = a_job(picture="demo_images/gate_sign.png", stock={"width": 70, "length": 50, "thickness": 18})
    sizes = replace(job.relief, width=40.0, length=20.0, margin=None)
    setup = set_up(replace(job, relief=sizes, output=replace(job.output, pitch=1.0)), Shop.read(None))
    assert zero_place(setup) == pytest.approx((15.0, 15.0))
