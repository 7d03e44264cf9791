"""The rack held against one relief: detail lost, times beside full plans, and what is recommended."""

from __future__ import annotations

import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from relief import estimate
from relief.cli import relief
from relief.compare import compare
from relief.comparison import CHANGE, Choice, Comparison
from relief.job import Job, job_from_source
from relief.operations import Operation
from relief.planning.finishing import FinishingPlan
from relief.plans import Plan, finishing_plan, roughing_plan
from relief.program.read import read_program
from relief.progress import Silent
from relief.setup import set_up
from relief.shop.load import Shop
from relief.texts import program_text
from relief.timing import program_seconds
from relief.toolpath import Toolpath

SHOP = Shop.read(None)
PICTURES = sorted((Path(__file__).parent.parent / "demo_images").glob("*.png"))[:3]
PITCH = 0.2


def job_of(picture: Path, width: float = 24.0) -> Job:
    """Return a job on a grid that is quickly planned."""
    settings = {"relief.width": width, "output.pitch": PITCH, "finishing.scallop": 0.1}
    return job_from_source(picture, settings)


def full_seconds(job: Job, name: str) -> float:
    """Return how long one cutter takes by a plan of the whole relief, read back from its text."""
    cutter = SHOP.cutter(name)
    setup = replace(set_up(job, SHOP), finishing_cutters=(cutter,))
    rough = Operation("roughing", "roughing", setup.roughing_cutter)
    done = (roughing_plan(rough, setup, (), Silent()),)
    plan = finishing_plan(Operation("finishing", "finishing", cutter), setup, done, Silent())
    return program_seconds(read_program(program_text(plan, setup)), setup.machine)


@pytest.fixture(scope="module", params=PICTURES, ids=lambda path: path.stem)
def compared(request: pytest.FixtureRequest) -> tuple[Job, Comparison]:
    """Return a demo picture's job and the comparison for it."""
    job = job_of(request.param)
    return job, compare(job, SHOP, Silent())


def test_a_smaller_ball_loses_less_and_takes_longer(compared: tuple[Job, Comparison]) -> None:
    """Among the balls of the rack, from large to small (common practice, no source)."""
    by_name = {choice.name: choice for choice in compared[1].finishing}
    balls = sorted((c for c in SHOP.cutters.values() if c.kind == "ball"), key=lambda c: -c.diameter)
    choices = [by_name[ball.name] for ball in balls]
    assert all(np.diff([c.share for c in choices]) <= 0)
    assert all(np.diff([c.lost.max for c in choices if c.lost]) <= 1e-6)
    assert all(np.diff([c.time for c in choices]) > 0)


def test_times_are_those_of_full_plans(compared: tuple[Job, Comparison]) -> None:
    """Each within 10 % of a plan of the whole relief with that very cutter, and in the table's order."""
    job, comparison = compared
    planned = [c for c in comparison.finishing if c.planned]
    assert len(planned) >= 8
    full = [full_seconds(job, choice.name) for choice in planned]
    assert [c.time for c in planned] == pytest.approx(full, rel=0.10)
    assert full == sorted(full)


def test_a_large_relief_is_planned_in_strips(monkeypatch: pytest.MonkeyPatch) -> None:
    """A third of the relief stands for all of it, to within 10 %."""
    job = job_of(PICTURES[-1], 90.0)
    setup, ball = set_up(job, SHOP), SHOP.cutter("ball 1/16 in")
    monkeypatch.setattr(estimate, "FINISHED_NODES", setup.relief.heights.size // 4)
    sample = estimate.sample_finishing(setup, ball)
    assert len(sample.strips) == estimate.STRIPS
    assert sample.planned == pytest.approx(0.33, abs=0.06)
    told = estimate.finishing_estimate(sample, ball)
    assert told.seconds == pytest.approx(full_seconds(job, ball.name), rel=0.10)


def test_strips_take_the_bearing_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bearing of the passes is asked of all of the relief, and all strips are planned alike."""
    setup, asked = set_up(job_of(PICTURES[-1], 90.0), SHOP), []
    empty = FinishingPlan(Toolpath.join([]), 0.0, 0.0, 0.0)
    monkeypatch.setattr(
        estimate,
        "plan_alike",
        lambda pieces, *_, **keys: asked.append((pieces, keys)) or [empty] * len(pieces),
    )
    monkeypatch.setattr(estimate, "FINISHED_NODES", setup.relief.heights.size // 4)
    estimate.sample_finishing(setup, SHOP.cutter("ball 1/16 in"))
    ((pieces, keys),) = asked
    assert len(pieces) == estimate.STRIPS
    assert keys["angle"] in (0.0, 90.0)


def test_cutters_with_the_same_round_end_share_one_path() -> None:
    """Where walls are gentle the 1/8 in taper's tip runs the path of the 1/8 in ball."""
    setup = set_up(job_of(PICTURES[0]), SHOP)
    gentle = replace(setup, target=setup.target.with_heights(setup.target.heights / 50))
    names = ("ball 1/8 in", "taper 1/8 in")
    assert len({estimate.path_cutter(gentle, SHOP.cutter(name)) for name in names}) == 1


@pytest.mark.parametrize(
    ("name", "planned"),
    [("flat 1/2 in", 1.0), ("flat 6 mm", 1.0), ("flat 1/4 in", 0.25), ("flat 3 mm", 0.25)],
)
def test_thick_cutters_rough_on_the_grid_of_the_job(
    monkeypatch: pytest.MonkeyPatch, name: str, planned: float
) -> None:
    """And so do thinner ones whose radius is a whole number of nodes; others on every second node.

    The nodes of this relief stand for a million: 90,000 for each mm of the cutter, twice that for the rims.
    """
    setup = set_up(job_from_source(PICTURES[0], {"relief.width": 24.0, "output.pitch": 0.1}), SHOP)
    monkeypatch.setattr(estimate, "ROUGHED_NODES", 90_000 * setup.relief.heights.size / 1001**2)
    assert estimate.roughing_estimate(setup, SHOP.cutter(name), SHOP).planned == planned


def pair_seconds(job: Job, names: tuple[str, ...]) -> float:
    """Return how long a coarse and a fine cutter take by plans of the whole relief, the change included."""
    setup = replace(set_up(job, SHOP), finishing_cutters=tuple(SHOP.cutter(name) for name in names))
    rough = Operation("roughing", "roughing", setup.roughing_cutter)
    plans: tuple[Plan, ...] = (roughing_plan(rough, setup, (), Silent()),)
    for cutter in setup.finishing_cutters:
        plans += (finishing_plan(Operation("finishing", "finishing", cutter), setup, plans, Silent()),)
    moves = [read_program(program_text(plan, setup)) for plan in plans[1:] if len(plan.toolpath.points)]
    return sum(program_seconds(each, setup.machine) for each in moves)


def test_pairs_take_as_long_as_full_plans(monkeypatch: pytest.MonkeyPatch) -> None:
    """A coarse cutter, then a fine one: within 10 % of both planned for the whole relief, in that order.

    Cutters change by themselves while pairs are sought: on so small a relief none would pay else. Then the
    change counts, as it does in the table.
    """
    monkeypatch.setattr("relief.compare.CHANGE", 0.0)
    job = job_of(PICTURES[0], 40.0)
    pairs = compare(job, SHOP, Silent()).pairs
    assert pairs
    full = [pair_seconds(job, pair.cutters) for pair in pairs]
    told = [pair.time + CHANGE for pair in pairs]
    assert told == pytest.approx([seconds + CHANGE for seconds in full], rel=0.10)
    assert full == sorted(full)


def test_every_cutter_stands_in_the_tables(compared: tuple[Job, Comparison]) -> None:
    """Balls, tapers and vees with their loss, flats with their time; sorted, a vee's time marked as least."""
    comparison = compared[1]
    kinds = {c.name: c.kind for c in SHOP.cutters.values()}
    assert {kinds[c.name] for c in comparison.finishing} == {"ball", "taper", "vee"}
    assert {c.name for c in comparison.roughing} == {name for name, kind in kinds.items() if kind == "flat"}
    for table in (comparison.finishing, comparison.pairs, comparison.roughing):
        assert [c.time for c in table] == sorted(c.time for c in table)
    assert all("at least" in c.note and not c.fits for c in comparison.finishing if kinds[c.name] == "vee")


def test_what_is_recommended_can_be_carved(compared: tuple[Job, Comparison]) -> None:
    """The advice ends with a command that names cutters of the rack, and tells a reason."""
    *said, command = compared[1].advice
    assert any("We would finish with" in line and "% of the area" in line for line in said)
    assert "relief carve" in command
    assert "--finish" in command


def test_a_cutter_that_is_too_short_is_not_recommended(tmp_path: Path) -> None:
    """Edges of 6.35 mm do not reach 9 mm down: the 1/16 in ball stays in the table, with the reason."""
    rng = np.random.default_rng(3)
    ground = np.pad(-9.0 * rng.random((6, 6)).round(), 1, constant_values=0.0).repeat(8, 0).repeat(8, 1)
    np.save(tmp_path / "steps.npy", ground.astype(np.float32))
    settings = {"relief.width": 30.0, "finishing.scallop": 0.15, "material": "softwood"}
    comparison = compare(job_from_source(tmp_path / "steps.npy", settings), SHOP, Silent())
    short = next(c for c in comparison.finishing if c.name == "ball 1/16 in")
    assert not short.fits
    assert "too short" in short.note
    assert all("ball 1/16 in" not in line for line in comparison.advice)


def test_the_command_prints_tables_and_writes_a_folder(tmp_path: Path) -> None:
    """Tables on the terminal, and in the folder with figures and pictures; every time is a number."""
    heights = -2.0 + np.sin(np.mgrid[0:40, 0:50][1] / 6.0)
    np.save(tmp_path / "waves.npy", heights.astype(np.float32))
    folder = tmp_path / "held"
    options = ["--width", "20", "--scallop", "0.1", "-o", str(folder), "--quiet"]
    result = CliRunner().invoke(relief, ["compare", str(tmp_path / "waves.npy"), *options])
    assert result.exit_code == 0, result.output
    assert "ball 1/8 in" in result.output
    assert "We would finish with" in result.output
    table = json.loads((folder / "compare.json").read_bytes())
    assert len(table["finishing"]) == 10
    assert all(math.isfinite(choice["seconds"]) for choice in table["finishing"])
    with Image.open(io.BytesIO((folder / "compare.png").read_bytes())) as sheet:
        assert sheet.width > 2000
    again = CliRunner().invoke(relief, ["compare", str(tmp_path / "waves.npy"), *options])
    assert again.exit_code == 1
    assert "already" in again.output


def test_a_choice_without_a_time_stands_last() -> None:
    """Unknown times sort behind known ones, and are not recommended."""
    unknown = Choice(("x",), None)
    assert unknown.time == math.inf
    assert not unknown.able
