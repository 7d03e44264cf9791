"""Scoring with a drag point: where its lines run, how deep they go, and that the spindle never turns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from relief.checks import run_checks
from relief.errors import JobError, PlanError
from relief.heightfield import Heightfield
from relief.job import Job
from relief.planning.scoring import plan_scoring
from relief.plans import plan_operations
from relief.progress import Silent
from relief.proof import prove
from relief.sections import Outline, Relief
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.texts import Program, write_programs
from relief.toolpath import CUT
from tests import fields

SHOP = Shop.read(None)
DRAG = SHOP.cutter("drag point")
DEPTH = 0.3


def dome(pitch: float = 0.25) -> Heightfield:
    """Return a dome on a ground 3 mm below the stock top, as wide as 30 mm."""
    j, i = np.mgrid[0:121, 0:121] * pitch - 15.0
    return Heightfield(np.maximum(-3.0, -(i**2 + j**2) / 40.0).astype(np.float32), pitch)


def scored_job(machine: str = "benchtop router", lines: int = 2) -> Setup:
    """Return the dome's job, its silhouette and level lines scored."""
    job = Job(
        "dome", machine=machine, relief=Relief(margin=10.0), outline=Outline("drag point", DEPTH, lines)
    )
    return lay_out(job, SHOP, dome())


def test_level_lines_of_a_dome_are_circles() -> None:
    """Level k/3 of 3 mm is at r = √(40 · 3 (1 − k/3)) to a sixth of a node (closed form)."""
    field = dome()
    path = plan_scoring(field, field.region, DRAG, DEPTH, 2, clearance=5.0)
    cuts = path.points[path.kinds == CUT]
    radii = np.hypot(cuts[:, 0] - 15.0, cuts[:, 1] - 15.0)
    for share in (0.02, 1 / 3, 2 / 3):
        wanted = np.sqrt(40.0 * 3.0 * (1.0 - share))
        near = np.abs(radii - wanted) < 0.5
        assert near.sum() > 20
        assert np.abs(radii[near] - wanted).max() < 0.04


def test_nothing_is_cut_deeper_than_asked() -> None:
    """Read back and carved: as deep as asked and no deeper; beside the lines nothing below the target."""
    setup = scored_job()
    proof = prove(write_programs(plan_operations(setup, Silent()), setup, Silent()), setup, Silent())
    below = setup.target.heights - proof.carved.heights
    assert 0.6 * DEPTH < below.max() <= DEPTH + 1e-3
    assert proof.evidence.gouge < 1e-3
    program = next(p for p in proof.evidence.programs if p.operation == "outline")
    assert ((program.before.heights - program.after.heights) > 0).mean() < 0.1
    assert all(check.holds for check in run_checks(proof.evidence) if check.severity == "stop")


def test_a_line_that_goes_deeper_is_a_gouge() -> None:
    """The same program with its heights a tenth of a millimetre lower falls short of `no gouge`."""
    setup = scored_job()
    texts = write_programs(plan_operations(setup, Silent()), setup, Silent())
    deeper = [_deeper(text) if text.operation == "outline" else text for text in texts]
    proof = prove(deeper, setup, Silent())
    short = {check.name for check in run_checks(proof.evidence) if not check.holds}
    assert proof.evidence.gouge == pytest.approx(0.1, abs=0.01)
    assert "no gouge" in short


def _deeper(program: Program) -> Program:
    def lowered(word: str) -> str:
        is_deep = word.startswith("Z-")
        return f"Z{float(word[1:]) - 0.1:.3f}" if is_deep else word

    lines = program.text.decode().splitlines()
    moved = [" ".join(map(lowered, line.split(" "))) if line[:1] != "(" else line for line in lines]
    return replace(program, text=("\n".join(moved) + "\n").encode())


@pytest.mark.parametrize("machine", sorted(SHOP.machines))
def test_its_program_never_starts_the_spindle(machine: str) -> None:
    """On every machine: no M3, M4 or S word in it, nobody is asked to start it, and the head says so."""
    setup = scored_job(machine, lines=0)
    texts = write_programs(plan_operations(setup, Silent()), setup, Silent())
    program = next(t for t in texts if t.operation == "outline").text.decode()
    code = "\n".join(line.split("(")[0] for line in program.splitlines())
    assert "S" not in code
    assert "M3" not in code
    assert "M4" not in code
    assert "M0" not in code
    assert "STAYS OFF" in program


def test_a_program_that_turns_the_point_is_stopped() -> None:
    """One added `S8000 M3` fails the check of the spindle's speed, which stops."""
    setup = scored_job(lines=0)
    texts = write_programs(plan_operations(setup, Silent()), setup, Silent())
    turned = [
        replace(t, text=t.text.replace(b"\nM5\n", b"\nS8000 M3\n", 1)) if t.operation == "outline" else t
        for t in texts
    ]
    assert turned != list(texts)
    short = {c.name for c in run_checks(prove(turned, setup, Silent()).evidence) if not c.holds}
    assert "spindle speed in range" in short


def test_on_terrain_and_in_corners_too() -> None:
    """Slopes and creases of terrain: still no node beside or on a line deeper than asked."""
    field = fields.terrain(24.0, 5.0, 0.2)
    job = Job("terrain", relief=Relief(margin=10.0), outline=Outline("drag point", 0.5, 4))
    setup = lay_out(job, SHOP, field)
    proof = prove(write_programs(plan_operations(setup, Silent()), setup, Silent()), setup, Silent())
    assert (setup.target.heights - proof.carved.heights).max() <= 0.5 + 1e-3
    assert proof.evidence.gouge <= 1e-3


def test_a_turning_cutter_cannot_score() -> None:
    """Refused by the job, and by the planner."""
    with pytest.raises(JobError, match="does not turn"):
        lay_out(Job("x", relief=Relief(margin=10.0), outline=Outline("ball 1/8 in")), SHOP, dome())
    with pytest.raises(PlanError, match="turns"):
        plan_scoring(dome(), dome().region, SHOP.cutter("vee 60"), 0.2, 0, clearance=5.0)


def test_scoring_through_the_board_is_refused() -> None:
    """A relief of 3 mm in a board of 3.2 mm cannot be scored 0.3 mm deep."""
    job = Job("x", relief=Relief(margin=10.0), outline=Outline("drag point"))
    thin = replace(job, stock=replace(job.stock, thickness=3.2))
    with pytest.raises(JobError, match="thicker stock"):
        lay_out(thin, SHOP, dome())


def test_the_readme_tells_how() -> None:
    """The walk names the section."""
    assert "[outline]" in (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
