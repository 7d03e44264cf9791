"""Several finishing cutters in one job: keys, programs, report, and the surface from the text alone."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from relief.cli import relief
from relief.cutters import profile
from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.kernels.sweep import sweep
from relief.plans import left_standing, plan_operations
from relief.program.read import read_program
from relief.progress import Silent
from relief.recheck import recheck
from relief.report import Report
from relief.sections import Finishing, Output, Roughing
from relief.setup import lay_out
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.texts import write_programs
from relief.timing import program_seconds
from relief.workflow import carve
from tests import fields, independent

SHOP = Shop.read(None)
PASSES = ("ball 1/4 in", "taper 1/16 in")
BULL = Cutter("bull", 6.35, name="bull 1/4 in", tip_radius=1.0)
RACK = replace(SHOP, cutters={**SHOP.cutters, BULL.name: BULL})
FIELD = Heightfield(np.linspace(-6, 0, 21 * 41).reshape(21, 41), 1.0)
PITCH, SCALLOP = 0.2, 0.1
NAMES = ("0-trace.nc", "1-roughing.nc", "2-finishing.nc", "3-rest-finishing.nc")
# Of the starter shop's tapered ball: a ball of 1/32 in, then a cone of 10.8° that leaves it at a tangent.
TIP, HALF = 25.4 / 32, math.radians(5.4)


def taper(r: np.ndarray) -> np.ndarray:
    """Return the underside of the tapered ball (plane geometry of a circle and its tangent)."""
    touch = TIP * math.cos(HALF)
    ball = TIP - np.sqrt(np.maximum(TIP**2 - np.minimum(r, touch) ** 2, 0))
    return ball + np.maximum(r - touch, 0) / math.tan(HALF)


def ball(r: np.ndarray) -> np.ndarray:
    """Return the underside of the 1/4 in ball."""
    return 3.175 - np.sqrt(np.maximum(3.175**2 - r**2, 0))


UNDERSIDES = (lambda r: np.zeros_like(r), ball, taper)


def target() -> Heightfield:
    """Return a flat dome on a plane: a crease at its foot, and smooth ground around."""
    return fields.dome(8.0, 4.0, width=24.0, length=20.0, pitch=PITCH)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Report]:
    """Return a job folder with two finishing cutters, and its report."""
    folder = tmp_path_factory.mktemp("passes")
    np.save(folder / "target.npy", target().heights)
    keys = {"output.pitch": PITCH, "finishing.scallop": SCALLOP, "finishing.passes": list(PASSES)}
    report = carve(job_from_source(folder / "target.npy", keys), SHOP, folder / "job")
    return folder / "job", report


def test_each_cutter_has_its_program(made):
    """Numbered in running order, under names that tell them apart."""
    folder, report = made

    assert report.ready
    assert tuple(sorted(path.name for path in folder.glob("*.nc"))) == NAMES
    assert [run.operation for run in report.programs] == ["trace", "roughing", "finishing", "rest finishing"]
    assert [run.cutter.name for run in report.programs[2:]] == list(PASSES)
    assert json.loads((folder / "report.json").read_bytes())["programs"][3]["file"] == NAMES[3]


def test_the_surface_is_that_of_the_fine_cutter(made):
    """From the text alone: nothing below the target, and no node over the scallop above the closing."""
    folder, report = made
    field = target()
    z = field.heights.astype(float)
    left = np.zeros(z.shape)
    for name, underside in zip(NAMES[1:], UNDERSIDES, strict=True):
        points, _, _ = independent.positions((folder / name).read_text("ascii"))
        left = np.minimum(left, independent.carved(z.shape, PITCH, points, underside, 3.175, 0.04))
    best = closing(z)
    ridges = (left - best) / np.sqrt(1 + np.hypot(*np.gradient(best, PITCH)) ** 2)

    assert (z - left).max() <= 0.005
    assert ridges.max() <= SCALLOP + 0.002
    assert report.scallop.max == pytest.approx(ridges.max(), abs=0.003)
    assert report.lost_detail.max == pytest.approx((best - z).max(), abs=0.001)


def closing(z: np.ndarray) -> np.ndarray:
    """Return the best surface that the tapered ball can leave: every position, one by one."""
    steps = np.arange(-15, 16) * PITCH
    under = taper(np.hypot(steps[:, None], steps[None, :]))
    inside = np.hypot(steps[:, None], steps[None, :]) <= 3.175
    tip, best = np.full(z.shape, -np.inf), np.full(z.shape, np.inf)
    for out, source, sign in ((tip, z, 1), (best, tip, -1)):
        padded = np.pad(source, 15, constant_values=-sign * np.inf)
        for j, i in np.argwhere(inside):
            shifted = padded[j : j + z.shape[0], i : i + z.shape[1]] - sign * under[j, i]
            (np.maximum if sign > 0 else np.minimum)(out, shifted, out=out)
    return best


def test_it_is_quicker_than_the_fine_cutter_alone():
    """A dome on wide ground takes at most 0.7 of the time, by the texts, though its foot is done twice."""
    field = fields.dome(8.0, 4.0, width=72.0, length=60.0, pitch=0.25)
    seconds = []
    for passes in (PASSES, PASSES[-1:]):
        finishing = Finishing(cutter=passes[-1], passes=passes, scallop=SCALLOP)
        setup = lay_out(Job("a.png", finishing=finishing, output=Output(pitch=0.25)), SHOP, field)
        plans = [plan for plan in plan_operations(setup, Silent()) if "finishing" in plan.operation]
        texts = write_programs(plans, setup, Silent())
        seconds.append(sum(program_seconds(read_program(text.text), setup.machine) for text in texts))

    assert seconds[0] <= 0.7 * seconds[1]


def test_the_folder_is_judged_again_with_each_program_s_own_cutter(made):
    """By its report, and by the names of the files where only a job file is at hand."""
    folder, report = made
    for against in (folder, folder / "job.toml"):
        verdict = recheck([folder / name for name in NAMES], against)

        assert verdict.ready
        assert [p.cutter.name for p in verdict.programs[2:]] == list(PASSES)
        assert [p.feeds.rpm for p in verdict.programs[1:]] == [p.spindle_rpm for p in report.programs[1:]]


def test_the_last_pass_is_the_finishing_cutter(tmp_path):
    """What asks for the finishing cutter gets the finest; the job is written and read back as it is."""
    job = job_from_source(Path("a.png"), {"finishing.passes": list(PASSES)})
    (tmp_path / "job.toml").write_text(job.to_toml())

    assert job.finishing.cutter == PASSES[-1]
    assert Job.read(tmp_path / "job.toml").finishing == job.finishing


def test_the_command_line_wins_with_either_key(tmp_path):
    """A cutter replaces the file's passes, passes its cutter."""
    (tmp_path / "passes.toml").write_text(f'picture = "a.png"\n[finishing]\npasses = {json.dumps(PASSES)}\n')
    (tmp_path / "cutter.toml").write_text('picture = "a.png"\n[finishing]\ncutter = "ball 1/8 in"\n')
    one = job_from_source(tmp_path / "passes.toml", {"finishing.cutter": "ball 1/8 in"})
    two = job_from_source(tmp_path / "cutter.toml", {"finishing.passes": list(PASSES)})

    assert (one.finishing.cutter, one.finishing.passes) == ("ball 1/8 in", ())
    assert (two.finishing.cutter, two.finishing.passes) == (PASSES[-1], PASSES)


@pytest.mark.parametrize(
    ("field", "files", "said"),
    [
        (lambda: fields.bowl(12.0, 1.0, 12.0, 9.0, 0.25), 3, "finds nothing left to cut"),
        (
            lambda: fields.band_limited(3, 12.0, 9.0, 0.25, depth=3.0, shortest=2.0),
            4,
            "alone it may be as quick",
        ),
    ],
)
def test_what_the_coarse_pass_buys_is_told(field, files, said):
    """A fine cutter with nothing to do has no program; one with much to do is said to be as quick alone."""
    finishing = Finishing(cutter=PASSES[-1], passes=PASSES, scallop=SCALLOP)
    setup = lay_out(Job("a.png", finishing=finishing, output=Output(pitch=0.25)), SHOP, field())
    plans = plan_operations(setup, Silent())

    assert len(plans) == files
    assert [said in note for plan in plans for note in plan.notes] == [True]


@pytest.mark.parametrize(
    "passes",
    [
        ("ball 1/8 in", "taper 1/16 in"),
        ("ball 1/2 in", "ball 1/4 in", "ball 1/8 in", "taper 1/32 in"),
        ("bull 1/4 in", "ball 1/4 in"),
    ],
)
def test_coarse_to_fine(passes):
    """A taper is finer than a ball as thick as its shank, and than a thinner one that its cone clears."""
    job = Job("a.png", finishing=Finishing(cutter=passes[-1], passes=passes), output=Output(pitch=1.0))

    assert [c.name for c in lay_out(job, RACK, FIELD).finishing_cutters] == list(passes)


@pytest.mark.parametrize("passes", [PASSES[::-1], (PASSES[0],) * 2, ("ball 1/4 in", "bull 1/4 in")])
def test_fine_to_coarse_is_refused(passes):
    """The line names both cutters."""
    job = Job("a.png", finishing=Finishing(cutter=passes[-1], passes=passes), output=Output(pitch=1.0))

    with pytest.raises(JobError, match=f'"{passes[1]}" comes after "{passes[0]}"'):
        lay_out(job, RACK, FIELD)


def test_finish_may_be_given_more_than_once(tmp_path):
    """`--finish A --finish B` are the passes, coarse to fine."""
    np.save(tmp_path / "t.npy", fields.dome(3.0, width=9.0, length=8.0, pitch=0.25).heights)
    found = CliRunner().invoke(
        relief,
        ["carve", str(tmp_path / "t.npy"), "-o", str(tmp_path / "job"), "--pitch", "0.25",
         "--finish", PASSES[0], "--finish", PASSES[1], "--quiet"],
        prog_name="relief",
    )  # fmt: skip

    assert found.exit_code == 0, found.output
    assert Job.read(tmp_path / "job" / "job.toml").finishing.passes == PASSES


def test_the_order_of_passes_does_not_hang_on_the_depth() -> None:
    """On a relief without depth two balls are still told apart by their shapes, and one from itself not."""
    flat = Heightfield(np.zeros((21, 41), np.float32), 1.0)
    job = Job("none", finishing=Finishing(cutter=PASSES[1], passes=PASSES))
    assert lay_out(job, SHOP, flat).finishing_cutters[0].name == PASSES[0]

    twice = Finishing(cutter=PASSES[0], passes=(PASSES[0], PASSES[0]))
    with pytest.raises(JobError, match="is not the finer of the two"):
        lay_out(replace(job, finishing=twice), SHOP, flat)


def test_what_is_left_is_nowhere_lower_than_the_text_leaves_it() -> None:
    """Text in inches has three decimals more than the lattice in mm: it lies up to 0.0127 steps beside it."""
    field = fields.plaque((-3.0, -1.5, 0.0), 14.0, 11.0, 0.25)
    job = Job("none", roughing=Roughing(cutter="flat 6 mm"), output=Output(units="in", pitch=0.25))
    setup = lay_out(job, SHOP, field)
    plans = plan_operations(setup, Silent())[:2]
    left, path = left_standing(setup, plans).heights, plans[1].toolpath.points
    for way in ((1, 1), (1, -1), (-1, 1), (-1, -1)):
        beside = np.array([*way, 0.0]) * 0.0127 * setup.step
        points = path + beside - (*setup.stock.origin, 0.0)
        really = setup.stock.heights.copy()
        sweep(really, 0.25, np.array(profile(plans[1].cutter)), points[:-1].copy(), points[1:].copy())
        assert (really - left).max() <= 1e-4
