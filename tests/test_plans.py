"""What each operation is planned with: the cut that its feeds are chosen for, and its ways down."""

from __future__ import annotations

import math

import pytest

from relief.feeds import Speeds
from relief.heightfield import Heightfield
from relief.job import Job
from relief.operations import job_operations
from relief.plans import feeds_for, load_of
from relief.sections import Cutout, Finishing, Roughing
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.texts import entry_rule
from tests import fields

SHOP = Shop.read(None)
FIELD = Heightfield(fields.ramp(10, 30, 20, 0.5).heights - 1.0, 0.5)


def laid_out(**sections: object) -> Setup:
    """Return a set-up in softwood: half a diameter deep, 0.4 wide, ramps of 5 degrees (no source)."""
    return lay_out(Job("a.png", **sections), SHOP, FIELD)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("asked", "section"),
    [
        ({}, 0.5 * 6.35 * 0.4 * 6.35),
        ({"stepdown": 2.0, "stepover": 1.5}, 3.0),
        ({"cutter": "flat 1/8 in"}, 0.5 * 3.175 * 0.4 * 3.175),
    ],
)
def test_roughing_is_fed_for_a_layer_and_a_pass(asked: dict[str, object], section: float) -> None:
    """Depth times width of the cut, by the material's rule or as asked (Q = a_p a_e v_f, textbook)."""
    setup = laid_out(roughing=Roughing(**asked))  # type: ignore[arg-type]
    rough = job_operations(setup)[0]
    feeds = feeds_for(rough, setup, Speeds())
    assert feeds.section == pytest.approx(section)
    assert load_of(rough, setup, feeds) == feeds


@pytest.mark.parametrize(("allowance", "depth"), [(0.4, 0.4), (0.0, 0.05)])
def test_finishing_is_fed_for_what_roughing_leaves(allowance: float, depth: float) -> None:
    """The allowance, or a scallop where there is none, times the stepover 2 √(2Rh − h²) (textbook)."""
    setup = laid_out(roughing=Roughing(allowance=allowance), finishing=Finishing(scallop=0.05))
    finish = job_operations(setup)[1]
    radius = 3.175 / 2
    width = 2 * math.sqrt(2 * radius * 0.05 - 0.05**2)
    feeds = feeds_for(finish, setup, Speeds())
    assert feeds.section == pytest.approx(depth * width)
    # where roughing could not reach, it may still take a slot by the rule, never faster than chosen
    load = load_of(finish, setup, feeds)
    assert load is not None
    assert (load.section, load.hurry) == (pytest.approx(0.5 * 3.175**2), 1.0)


def test_a_cutout_is_fed_for_a_slot() -> None:
    """A layer deep and the cutter wide."""
    setup = laid_out(cutout=Cutout(shape="rectangle"))
    freeing = job_operations(setup)[-1]
    assert feeds_for(freeing, setup, Speeds()).section == pytest.approx(0.5 * 6.35 * 6.35)
    assert load_of(freeing, setup, feeds_for(freeing, setup, Speeds())) is None


@pytest.mark.parametrize(
    ("name", "asked", "angle", "follows"),
    [
        ("roughing", {}, 5.0, False),
        ("roughing", {"roughing": Roughing(entry_angle=3.0)}, 3.0, False),
        ("cutout", {"roughing": Roughing(entry_angle=3.0)}, 5.0, False),
        ("cutout", {"cutout": Cutout(shape="rectangle", entry_angle=2.0)}, 2.0, False),
        ("finishing", {}, 5.0, True),
        ("rest finishing", {}, 5.0, True),
    ],
)
def test_ways_down_keep_to_the_angle_asked_for(
    name: str, asked: dict[str, object], angle: float, follows: bool
) -> None:
    """The job's entry angle, or else the material's; finishing follows the surface between its ways down."""
    setup = laid_out(**asked)
    rule = entry_rule(setup, name, setup.roughing_cutter, 600.0)
    assert rule == (angle, 600.0, follows)
    assert entry_rule(setup, name, SHOP.cutter("drag point"), 600.0) is None
    assert entry_rule(setup, "trace", None, 0.0) is None
