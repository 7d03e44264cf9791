"""How hard a cutter works along its way: closed forms, and feeds that are told too high."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from relief.engagement import engagement, hardest_feed
from relief.feeds import choose_feeds
from relief.heightfield import Heightfield
from relief.program.read import read_program
from relief.shop.load import Shop

SHOP = Shop.read(None)
FLAT = SHOP.cutter("flat 6 mm")
STOCK = Heightfield(np.zeros((201, 601), dtype=np.float32), 0.1)
# Two passes from air to air, the second beside the first, and a rapid back.
STEPDOWN, STEPOVER = 2.0, 1.5
FEEDS = choose_feeds(FLAT, SHOP.material("softwood"), SHOP.machine("benchtop router"), STEPDOWN, STEPOVER)
SLOT, BESIDE = f"F{FEEDS.cut * STEPOVER / 6:.0f}", f"F{FEEDS.cut:.0f}"
TEXT = f"""G21 G90 G94 G54
G0 Z5
G0 X-4 Y10.05
S{FEEDS.rpm:.0f} M3
G1 Z-2 F500
G1 X64 {SLOT}
G0 Z5
G0 X-4 Y11.55
G0 Z-1.9
G1 Z-2 F500
G1 X64 {BESIDE}
G0 Z5
M5
M2
"""


def test_a_rib_narrower_than_the_cutter_is_felt_as_a_whole_slot():
    """A bar 4 mm thick is met over all of a 6 mm cutter's width at once, for a millimetre of its way."""
    bar = np.full((201, 601), -5.0, dtype=np.float32)
    bar[:, 300:341] = 0.0
    moves = read_program(
        "G21 G90 G94 G54\nG0 Z5\nG0 X20 Y10.05\nS9000 M3\nG1 Z-2 F500\nG1 X44 F900\nG0 Z5\nM2"
    )
    found = engagement(Heightfield(bar, 0.1), moves.points, moves.rapid, FLAT)

    assert found.section.max() == pytest.approx(6.0 * 2.0, rel=0.1)


def test_section_and_chip_are_those_of_the_textbook():
    """Section = a_p a_e, D a_p in a slot; the chip thins as 2 √(a_e/D (1 − a_e/D)) (published formula)."""
    moves = read_program(TEXT.encode())
    found = engagement(STOCK, moves.points, moves.rapid, FLAT)
    ends = moves.points[found.move + 1]
    middle = (
        moves.points[found.move, 0]
        + (found.start + found.end) / 2 * np.diff(moves.points, axis=0)[found.move, 0]
    )
    inside = (middle > 5) & (middle < 50)
    slot, beside = inside & (ends[:, 1] == 10.05), inside & (ends[:, 1] == 11.55)

    assert slot.sum() > 40
    # a node is 0.3 mm wide here, a twentieth of the cutter
    assert found.section[slot] == pytest.approx(6.0 * STEPDOWN, rel=0.06)
    assert found.section[beside] == pytest.approx(STEPOVER * STEPDOWN, rel=0.12)
    assert found.chip[slot] == pytest.approx(1.0, abs=0.01)
    share = STEPOVER / 6.0
    assert found.chip[beside] == pytest.approx(2 * np.sqrt(share * (1 - share)), abs=0.07)
    assert found.length.sum() == pytest.approx(moves.cutting_length())


def test_feeds_that_the_load_allows_are_not_told_from_the_chosen_one():
    """A slot at the chosen feed × a_e / D takes as much a second as a pass at the chosen feed."""
    moves = read_program(TEXT.encode())

    assert 0.85 < hardest_feed(STOCK, STOCK, moves, FLAT, FEEDS).share < 1.13


@pytest.mark.parametrize(("said", "line"), [(SLOT, 6), (BESIDE, 11)])
def test_a_raised_feed_is_found_with_its_line(said, line):
    """Half as fast again, at one place in the text: beyond what the cut there allows."""
    text = TEXT.replace(f"X64 {said}", f"X64 F{float(said[1:]) * 1.5:.0f}")
    found = hardest_feed(STOCK, STOCK, read_program(text.encode()), FLAT, FEEDS)

    assert found.share > 1.3
    assert found.block == line


def test_a_light_cut_may_go_faster_but_not_without_end():
    """Air and a shaving: up to twice the feed; a thick chip: only as far as the chip's range goes."""
    none, thin = np.array([0.0, 0.0]), np.array([0.0, 0.3])

    assert FEEDS.most(none, thin) == pytest.approx(2 * FEEDS.cut)
    whole = FEEDS.most(np.array([0.5]), np.array([1.0]))
    assert whole == pytest.approx(FEEDS.chip_high * FEEDS.rpm * FLAT.flutes)
    # where the user asked for more than the range, that is what a light cut may have too
    asked = replace(FEEDS, chip_load=1.5 * FEEDS.chip_high)
    assert asked.most(np.array([0.5]), np.array([np.nan])) == pytest.approx(FEEDS.cut)


def test_nothing_but_rapids_takes_nothing():
    """A program that cuts nothing has no hardest feed."""
    moves = read_program(b"G21 G90 G94 G54\nG0 Z5\nG0 X0 Y0\nG0 X9\nM2\n")

    assert hardest_feed(STOCK, STOCK, moves, FLAT, FEEDS).share == 0.0
