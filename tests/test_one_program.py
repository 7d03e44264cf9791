"""All cuts in one program, for machines that change cutters by M6."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from relief.errors import JobError, ProgramError
from relief.heightfield import Heightfield
from relief.job import Job, job_from_source
from relief.operations import check_one_program
from relief.program.read import read_program
from relief.recheck import recheck, recheck_without_job
from relief.sections import Output
from relief.setup import lay_out
from relief.shop.load import Shop
from relief.workflow import carve
from tests import fields, independent
from tests.program.standard import violations

PITCH = 0.4


def carved(folder: Path, name: str, **settings: object):
    """Carve a small terrain, cut out as an ellipse, on a machine that changes cutters."""
    np.save(folder / "target.npy", fields.terrain(18.0, 3.0, PITCH).heights)
    asked = {
        "output.pitch": PITCH, "finishing.scallop": 0.2, "machine": "full-sheet router", "cutout.tabs": 2,
        "cutout.shape": "ellipse", "cutout.tab_width": 4, "stock.thickness": 8,
    }  # fmt: skip
    job = job_from_source(folder / "target.npy", asked | settings)
    return carve(job, Shop.read(None), folder / name)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory):
    """Return a folder that holds the same job both ways, and their reports."""
    folder = tmp_path_factory.mktemp("one")
    return folder, carved(folder, "many"), carved(folder, "one", **{"output.programs": "one"})


def test_one_file_holds_every_cut_and_an_entry_each(made):
    """Operations, cutters, speeds and what is carved are those of separate programs."""
    folder, many, one = made
    assert one.ready, one.stops

    assert ["0-trace.nc", *["1-carving.nc"] * 3] == [run.file for run in one.programs]
    assert sorted(path.name for path in (folder / "one").glob("*.nc")) == ["0-trace.nc", "1-carving.nc"]
    for ours, theirs in zip(one.programs, many.programs, strict=True):
        assert (ours.operation, ours.cutter, ours.spindle_rpm) == (
            theirs.operation, theirs.cutter, theirs.spindle_rpm
        )  # fmt: skip
        assert ours.cutting_length == pytest.approx(theirs.cutting_length)
        assert ours.seconds == pytest.approx(theirs.seconds, abs=1)  # the way over from the cutter before
    assert sum(run.lines for run in one.programs[1:]) == len(
        (folder / "one" / "1-carving.nc").read_text().splitlines()
    )
    assert one.removed_volume == pytest.approx(many.removed_volume)


def test_the_moves_are_those_of_the_separate_programs(made):
    """Judged by a plain reader: one after the other, position by position."""
    folder, many, _ = made
    cuts = [(folder / "many" / run.file).read_text() for run in many.programs[1:]]
    apart = np.concatenate([independent.positions(text)[0] for text in cuts])
    together = independent.positions((folder / "one" / "1-carving.nc").read_text())[0]

    # at each change only the height is told again
    known = np.isfinite(apart).all(axis=1)
    ways = [np.unique(np.round(places, 3), axis=0) for places in (apart[known], together[1:])]
    assert np.isin(ways[0], ways[1]).all()
    assert len(together) == len(apart)


def test_every_change_is_safe(made):
    """Before M6 the cutter is lifted and the spindle stands; after it the new one is lifted before all else.

    Whoever put it in may have touched off with it. Then the speed is told and waited for.
    """
    folder, _, one = made
    text = (folder / "one" / "1-carving.nc").read_text()
    code = [line for line in text.splitlines() if not line.startswith("(")]

    assert violations(text) == []
    changes = [k for k, line in enumerate(code) if "M6" in line]
    assert [run.cutter.number for run in one.programs[1:]] == [int(code[k][1:-3]) for k in changes]
    for k in changes[1:]:
        assert code[k - 2 : k] == ["M5", "G0 Z10.0"]
        assert re.match(r"Z10.0|G0 Z10.0", code[k - 3])
    for k in changes:
        assert code[k + 1] == "G0 Z10.0"
        assert re.fullmatch(r"S\d+ M3", code[k + 2])
        assert code[k + 3].startswith("G4 P")
    for number, run in enumerate(one.programs[1:], start=1):
        told = rf"\(Cutter {number}: T{run.cutter.number} {run.cutter.name}, {run.operation}, \d+ rev/min\)"
        assert len(re.findall(told, text)) == 2


def test_a_part_begins_with_the_change_before_its_cuts():
    """A call followed by another before any cut starts nothing; lines and pauses go with their part."""
    text = "G21\nG90 G0 Z5\nT1 M6\nT2 M6\nX0 Y0 S9 M3\nG1 Z-1 F9\nG0 Z5\nM5\nT3 M6\nM0\nS8 M3\nG1 X4\nM2"
    first, second = read_program(text).by_cutter()

    assert ([c.number for c in first.changes], [c.number for c in second.changes]) == ([1, 2], [3])
    assert (first.tool, second.tool, first.pauses, second.pauses) == (2, 3, (), (10,))
    assert (len(first), len(second), first.blocks + second.blocks) == (4, 1, 13)
    assert (first.lines, second.lines) == (8, 5)
    assert (first.rpm.tolist(), second.rpm.tolist()) == ([0, 9, 9, 9], [8])
    assert second.points.tolist() == [[0, 0, 5], [4, 0, 5]]


def test_check_reads_it_again(made):
    """`relief check` knows which cutter is in force; wrong numbers and missing changes are caught."""
    folder, _, _ = made
    paths = [folder / "one" / name for name in ("0-trace.nc", "1-carving.nc")]
    good = recheck(paths, folder / "one")
    assert good.ready
    assert [p.operation for p in good.programs] == ["trace", "roughing", "finishing", "cutout"]
    assert "chip load in range" not in [check.name for check in good.checks if not check.holds]

    text, edited = paths[1].read_text(), folder / "1-carving.nc"
    edited.write_text(text.replace("T12 M6", "T13 M6"))
    stops = [
        c for c in recheck([paths[0], edited], folder / "one").checks if c.severity == "stop" and not c.holds
    ]
    assert any("calls cutter 13" in check.message for check in stops)
    edited.write_text(text.replace("M5\n(Cutter 2", "(Cutter 2").replace("T12 M6\n", ""))
    with pytest.raises(ProgramError, match="2 cutters cut in it, where its job has 3"):
        recheck([paths[0], edited], folder / "one")


def test_check_without_a_job_takes_cutters_from_the_rack(made):
    """Each part has the cutter of its number."""
    folder, _, one = made
    found = recheck_without_job([folder / "one" / "1-carving.nc"], 8.0, None, "full-sheet router")

    assert [run.cutter for run in one.programs[1:]] == [program.cutter for program in found.programs]


def test_what_cannot_be_done_is_refused(tmp_path):
    """A machine that does not change cutters, and cutters without numbers."""
    with pytest.raises(
        JobError, match='changes cutters by M6, and benchtop router does not; leave it at "one per'
    ):
        carved(tmp_path, "job", **{"output.programs": "one", "machine": "benchtop router"})
    shop = tmp_path / "shop.toml"
    shop.write_text('[[cutter]]\nname = "stub"\nkind = "flat"\ndiameter = 6\n', encoding="utf-8")
    job = job_from_source(
        tmp_path / "target.npy",
        {
            "output.programs": "one",
            "machine": "full-sheet router",
            "roughing.cutter": "stub",
            "output.pitch": PITCH,
        },
    )
    with pytest.raises(JobError, match='"stub" has none in the shop'):
        carve(job, Shop.read(shop), tmp_path / "job")


def test_two_cutters_of_one_number_are_refused():
    """One of them would be called for both: it names the two and the number."""
    shop = Shop.read(None)
    cutters = dict(shop.cutters)
    cutters["ball 1/8 in"] = replace(cutters["ball 1/8 in"], number=cutters["flat 1/4 in"].number)
    twins = replace(shop, cutters=cutters)
    job = Job("none", machine="full-sheet router", output=Output(programs="one", pitch=0.5))
    setup = lay_out(job, twins, Heightfield(np.linspace(-2, 0, 600).reshape(20, 30), 0.5))

    with pytest.raises(JobError, match='"ball 1/8 in" and "flat 1/4 in" both have number 2'):
        check_one_program(setup)
