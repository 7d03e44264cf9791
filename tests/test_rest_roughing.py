"""Larger and smaller roughing cutters in whole jobs: facts of the trade, and a second cutter's program."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.operations import job_operations
from relief.plans import roughing_plan
from relief.program.read import read_program
from relief.progress import Silent
from relief.sections import Finishing, Relief, Roughing
from relief.setup import lay_out
from relief.shop.load import Shop
from relief.texts import write_programs
from relief.timing import program_seconds
from relief.workflow import carve
from tests import independent

SHOP = Shop.read(None)
PITCH, DEPTH, ALLOWANCE = 0.4, 4.0, 0.4
CORNER = 16  # nodes: as far as the largest of the cutters reaches
FLATS = ("flat 1/8 in", "flat 1/4 in", "flat 1/2 in")


def pocket() -> Heightfield:
    """Return a level floor, 44 × 36 mm, with upright walls and square corners."""
    heights = np.zeros((111, 131))
    heights[10:101, 10:121] = -DEPTH
    return Heightfield(heights, PITCH)


@dataclass(frozen=True)
class Roughed:
    """How long a cutter takes for the pocket, and what it leaves above the allowance in its corners, mm³."""

    seconds: float
    left: float


@cache
def roughed(cutter: str) -> Roughed:
    """Rough the pocket; carved from the text by the tests' own reader and carver."""
    job = Job("pocket", relief=Relief(edge="walled"), roughing=Roughing(cutter=cutter, allowance=ALLOWANCE))
    setup = lay_out(job, SHOP, pocket())
    plan = roughing_plan(job_operations(setup)[0], setup, (), Silent())
    text = write_programs([plan], setup, Silent())[0].text
    points, _, _ = independent.positions(text.decode("ascii"))
    left = independent.carved(
        pocket().heights.shape, PITCH, points, np.zeros_like, setup.roughing_cutter.diameter / 2, 0.2
    )
    # the allowance on the floor and on the walls is meant to be left
    inside = (slice(11, 100), slice(11, 120))
    over = np.maximum(left[inside] + DEPTH - ALLOWANCE - 0.03, 0.0)
    over[CORNER:-CORNER], over[:, CORNER:-CORNER] = 0.0, 0.0
    return Roughed(program_seconds(read_program(text), setup.machine), float(over.sum()) * PITCH**2)


def test_a_larger_flat_cutter_roughs_faster() -> None:
    """Common practice, no source."""
    small, middle, large = (roughed(name).seconds for name in FLATS)
    assert middle < 0.6 * small
    assert large < 0.8 * middle


def test_a_larger_flat_cutter_leaves_more_in_corners() -> None:
    """Common practice, no source; how much follows from geometry.

    A cylinder of radius R leaves (1 − π/4) R² in each of four square corners, here of a pocket that is
    smaller by the allowance all round.
    """
    found = [roughed(name).left for name in FLATS]
    assert found[0] < found[1] < found[2]
    deep = DEPTH - ALLOWANCE
    radii = (3.175 / 2, 6.35 / 2, 12.7 / 2)
    corners = [4 * (1 - math.pi / 4) * radius**2 * deep for radius in radii]
    # walls: what the grid's own caution leaves along them is the same for all
    assert found[2] - found[0] == pytest.approx(corners[2] - corners[0], rel=0.25)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, object]:
    """Return a job folder with two roughing cutters, and its report."""
    folder = tmp_path_factory.mktemp("rest")
    heights = np.full((61, 81), -1.0)
    heights[26:36, 10:70] = -4.0  # a groove 4.5 mm wide
    np.save(folder / "target.npy", heights)
    keys = {"output.pitch": 0.5, "finishing.scallop": 0.25, "roughing.rest": "flat 1/8 in"}
    report = carve(job_from_source(folder / "target.npy", keys), SHOP, folder / "job")
    return folder / "job", report


def test_the_second_cutter_has_a_program_between(made) -> None:
    """It runs after the first and before the finishing, with its own speeds; no check stops the job."""
    folder, report = made
    assert report.ready
    names = ["0-trace.nc", "1-roughing.nc", "2-rest-roughing.nc", "3-finishing.nc"]
    assert sorted(path.name for path in folder.glob("*.nc")) == names
    assert [run.cutter.name for run in report.programs[1:3]] == ["flat 1/4 in", "flat 1/8 in"]


@pytest.mark.parametrize(
    ("rest", "words"),
    [("ball 1/8 in", "flat end mill"), ("flat 1/2 in", "no smaller"), ("flat 1/4 in", "no smaller")],
)
def test_a_second_cutter_that_cannot_help_is_refused(rest: str, words: str) -> None:
    """One that is not flat, or not smaller."""
    job = Job("plane", roughing=Roughing(rest=rest), finishing=Finishing(scallop=0.2))
    with pytest.raises(JobError, match=words):
        lay_out(job, SHOP, pocket())


def test_what_is_asked_of_the_first_cutter_is_not_asked_of_the_second() -> None:
    """Stepdown, stepover and speeds of the job are the first cutter's; the second follows the material."""
    asked = Roughing(stepdown=3.0, stepover=2.0, feed=1000.0, rpm=12000.0, rest="flat 1/8 in")
    setup = lay_out(Job("pocket", relief=Relief(edge="walled"), roughing=asked), SHOP, pocket())
    first, second = job_operations(setup)[:2]
    plan = roughing_plan(first, setup, (), Silent())
    rest = roughing_plan(second, setup, (plan,), Silent())
    alone = lay_out(
        Job("pocket", relief=Relief(edge="walled"), roughing=replace(asked, cutter="flat 1/8 in", rest=None,
            stepdown=None, stepover=None, feed=None, rpm=None)), SHOP, pocket(),
    )  # fmt: skip
    by_rule = roughing_plan(job_operations(alone)[0], alone, (), Silent())
    assert plan.feeds is not None
    assert rest.feeds is not None
    assert by_rule.feeds is not None
    assert plan.feeds.cut == 1000.0
    assert (rest.feeds.rpm, rest.feeds.cut, rest.feeds.plunge) == (
        by_rule.feeds.rpm, by_rule.feeds.cut, by_rule.feeds.plunge,
    )  # fmt: skip
