"""Ways down into the stock: ramps, plunges at plunge feed, and cutters that may not plunge at all."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from relief.entries import EntryRule, deepest_entry
from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import job_from_source
from relief.planning.approach import BITE
from relief.planning.roughing import plan_roughing
from relief.program.read import read_program
from relief.recheck import recheck
from relief.sections import Roughing
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.toolpath import PLUNGE, RAPID, Toolpath
from relief.workflow import carve
from tests import fields

FLAT = Cutter("flat", 6.0)
BLUNT = replace(FLAT, plunges=False)
STOCK = Heightfield(np.zeros((121, 241)), 0.25)
RULE = EntryRule(angle=5.0, plunge=400.0, follows=False)
HEAD = "G21 G90 G94 G54\nG0 Z5\nG0 X10 Y15\nG0 Z1\nM3 S12000\n"


@pytest.mark.parametrize(
    ("way", "cutter", "depth"),
    [
        ("G1 Z-2 F400\nG1 X30 F2000\n", FLAT, 0.0),  # a plunge at plunge feed
        ("G1 Z-2 F900\nG1 X30 F2000\n", FLAT, 2.0),  # too fast
        ("G1 Z-2 F400\nG1 X30 F2000\n", BLUNT, 2.0),  # by a cutter that may not, at any feed
        ("G1 Z0 F400\nG1 X32.86 Z-2 F2000\nG1 X10\n", BLUNT, 0.0),  # a ramp of 5 degrees
        ("G1 Z0 F400\nG1 X20 Z-2 F2500\nG1 X10\n", FLAT, 2.0),  # one of 11 degrees, too fast
        ("G1 Z0 F400\nG1 X20 Z-2 F2000\nG1 X10\n", BLUNT, 2.0),
        ("G1 Z0 F400\nG1 X20 Z-2 F1800\nG1 X10\n", FLAT, 0.0),  # 353 mm/min downward
        ("G1 Z-2 F400\nG1 X30 F2000\nG1 Z1\nG1 Z-2 F3000\nG1 X20\n", FLAT, 0.0),  # into what is cut
    ],
)
def test_ways_down_that_break_the_rule(way: str, cutter: Cutter, depth: float) -> None:
    """Steeper than the ramp only at plunge feed, downward; a cutter that may not plunge, at none.

    Expected depths by hand: what stands under the cutter when it comes down.
    """
    found = deepest_entry(STOCK, read_program(HEAD + way + "G0 Z5\nM5\nM2\n"), cutter, RULE)
    assert found.depth == pytest.approx(depth, abs=1e-6)
    assert (found.block > 0) == (depth > 0)


@pytest.mark.parametrize(("aside", "depth"), [(0.75, 2.0), (1.25, 0.0)])
def test_the_middle_of_a_blunt_cutter_is_a_third_of_it(aside: float, depth: float) -> None:
    """A post under the middle third of it stops it; one beside that it cuts (common practice, no source)."""
    heights = np.full((121, 241), -5.0)
    heights[60, round((10 + aside) / 0.25)] = 0.0
    down = read_program(HEAD + "G1 Z-2 F400\nG0 Z5\nM5\nM2\n")
    assert deepest_entry(Heightfield(heights, 0.25), down, BLUNT, RULE).depth == pytest.approx(depth)
    assert deepest_entry(Heightfield(heights, 0.25), down, FLAT, RULE).depth == 0.0


def test_passes_that_follow_a_surface_enter_after_a_rapid() -> None:
    """Downhill along the surface is no entry; the way down from a rapid is one."""
    way = "G1 Z-0.5 F400\nG1 X20 Z-3 F3000\nG0 Z5\nM5\nM2\n"
    follows = RULE._replace(follows=True)
    assert deepest_entry(STOCK, read_program(HEAD + way), FLAT, follows).depth == 0.0
    assert deepest_entry(STOCK, read_program(HEAD + way), FLAT, RULE).depth > 2.0
    fast = read_program(HEAD + way.replace("F400", "F900"))
    assert deepest_entry(STOCK, fast, FLAT, follows).depth == pytest.approx(0.5)


@pytest.mark.parametrize("room", [0.6, 1.0, 2.0, 4.0, 9.0])
@pytest.mark.parametrize("shape", ["round", "square", "slot"])
@pytest.mark.parametrize("cutter", [FLAT, BLUNT])
def test_a_ramp_along_the_pass_fits_wherever_a_helix_would(shape: str, room: float, cutter: Cutter) -> None:
    """Pits in which the axis has so much room are roughed to their floor, however narrow, by ramps.

    Geometry: a helix whose axis turns on a circle of diameter d needs d of room along the pass as well; a
    ramp to and fro over that d falls 2 d tan(angle) a turn, and takes the stock under the axis all the same.
    """
    pitch, depth, rules = 0.2, 5.0, Roughing(allowance=0.4, stepdown=2.5, stepover=2.4, entry_angle=5.0)
    x = pitch * np.arange(161) - 16.0
    half = FLAT.diameter / 2 + rules.allowance + 2 * pitch + room / 2
    away = np.hypot(*np.meshgrid(x, x)) if shape == "round" else np.maximum(*np.abs(np.meshgrid(x, x)))
    if shape == "slot":
        away = np.maximum(np.abs(x)[None, :], np.abs(x)[:, None] / 2)
    target = Heightfield(np.where(away <= half, -depth, 0.0), pitch)
    path = plan_roughing(target, target.region, cutter, rules, overrun=0.0, clearance=5.0)
    # a wedge of a ramp, or a bend, may be left in each of the two layers
    ridge = max(rules.allowance, BITE * rules.stepdown)
    assert path.points[:, 2].min() <= rules.allowance - depth + (ridge if room > 1 else 2 * ridge)
    steps = np.diff(path.points, axis=0)
    run, fall = np.hypot(steps[:, 0], steps[:, 1]), -steps[:, 2]
    ramps = (path.kinds[1:] != RAPID) & (path.kinds[1:] != PLUNGE) & (fall > 0)
    legs = run[ramps & (fall > 0.004)]
    assert len(legs)
    told = deepest_entry(target.with_heights(np.zeros_like(target.heights)), moves(path), cutter, RULE)
    assert told.depth == 0.0


def moves(path: Toolpath, feed: float = 2000.0, plunge: float = 400.0):
    """Return a toolpath as program text says it: plunges no faster downward than their feed."""
    lines = [HEAD]
    for before, point, kind in zip(path.points, path.points[1:], path.kinds[1:], strict=False):
        fall = max((before[2] - point[2]) / max(math.dist(before, point), 1e-9), 1e-9)
        speed = min(feed, plunge / fall) if kind == PLUNGE else feed
        word = "G0" if kind == RAPID else "G1"
        lines.append(f"{word} X{point[0]:.3f} Y{point[1]:.3f} Z{point[2]:.3f} F{speed:.0f}\n")
    first = path.points[0]
    lines[0] = f"G21 G90 G94 G54\nM3 S12000\nG0 Z{first[2]:.3f}\nG0 X{first[0]:.3f} Y{first[1]:.3f}\n"
    return read_program("".join(lines) + "M5\nM2\n")


DIVE = "G0 X12 Y12\nG1 Z-6 F100\nG0 Z5\n"
RACK = """
[[cutter]]
name = "blunt"
kind = "{kind}"
diameter = 6
plunges = false
"""


def blunt_job(folder: Path, kind: str, **settings: object):
    """Return a small job and a shop with a cutter that may not plunge."""
    (folder / "shop.toml").write_text(RACK.format(kind=kind), encoding="utf-8")
    np.save(folder / "target.npy", fields.terrain(24.0, 4.0, 0.4).heights)
    job = job_from_source(
        folder / "target.npy",
        {"output.pitch": 0.4, "finishing.scallop": 0.2, "shop": str(folder / "shop.toml")} | settings,
    )
    return job, Shop.read(folder / "shop.toml")


def test_a_cutter_that_may_not_plunge_ramps_and_is_held_to_it(tmp_path: Path) -> None:
    """Its roughing passes the check; the same text with a straight way down put in does not."""
    job, shop = blunt_job(tmp_path, "flat", **{"roughing.cutter": "blunt"})
    report = carve(job, shop, tmp_path / "job")
    assert report.ready, report.stops
    told = {check.name: check for check in report.checks}["enters the stock by the rule"]
    assert told.holds

    path = tmp_path / "job" / "1-roughing.nc"
    lines = path.read_text("ascii").splitlines(keepends=True)
    at = next(k for k, line in enumerate(lines) if line.startswith("M5"))
    path.write_text("".join([*lines[:at], DIVE, *lines[at:]]), encoding="ascii")
    found = {check.name: check for check in recheck([path], tmp_path / "job").checks}
    assert not found["enters the stock by the rule"].holds
    assert '"blunt" may not plunge' in found["enters the stock by the rule"].message


def test_a_finishing_cutter_has_to_plunge(tmp_path: Path) -> None:
    """Finishing passes begin straight down: one line says so."""
    job, shop = blunt_job(tmp_path, "ball", **{"finishing.cutter": "blunt"})
    with pytest.raises(JobError, match=r'"blunt" may not go straight down into stock'):
        carve(job, shop, tmp_path / "job")
