"""Interrupted programs taken up again, by line and by position; and what is refused."""

from __future__ import annotations

import dataclasses
import json
import random
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from relief import resume as resuming
from relief.checks import Check
from relief.cli import relief
from relief.errors import ProgramError
from relief.program.read import read_program
from relief.recheck import recheck
from relief.resume import resume
from relief.shop.records import Cutter
from relief.texts import Program
from tests import independent
from tests.judge import Made
from tests.mutants import good
from tests.program.standard import violations
from tests.resumed import moving_lines, taken_up

JOBS = ("dome in inches", "cut out", "one program")
# The number of the drag point among the cutters of "one program".
DRAG = 3


@pytest.fixture(scope="module", params=JOBS)
def job(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a sound job."""
    return good(request.param, tmp_path_factory.mktemp("resume"))


@pytest.fixture(scope="module")
def terrain(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a sound job in millimetres, its zero at the corner of the stock top."""
    return good("terrain", tmp_path_factory.mktemp("resume"))


def run(*arguments: str) -> Result:
    """Run the command line inside this process."""
    return CliRunner().invoke(relief, ["resume", *arguments], prog_name="relief")


def middle(job: Made, file: str = "2-finishing.nc") -> int:
    """Return a line of a cut in the middle of a program."""
    rapid = independent.positions(job.texts[file])[1]
    cuts = [line for line, quick in zip(moving_lines(job.texts[file]), rapid, strict=True) if not quick]
    return cuts[len(cuts) // 2]


@pytest.mark.parametrize("by_position", [False, True])
def test_what_is_left_is_what_the_whole_program_would_have_left(job: Made, by_position: bool) -> None:
    """By a judge of its own: same surface to 0.01 mm, no rapid through stock, a way in that cuts nothing."""
    rng = random.Random(f"{job.name} {by_position}")
    for _ in range(2):
        fault, _, what = taken_up(rng, job, by_position=by_position)
        assert not fault, what


def test_the_new_program_reads_as_a_machinist_expects(terrain: Made, tmp_path: Path) -> None:
    """Modes, retract, spindle, then sideways at clearance height, down at a feed; the old lines follow."""
    out, old = tmp_path / "rest.nc", terrain.texts["2-finishing.nc"].splitlines()
    result = run(str(terrain.folder / "2-finishing.nc"), "--at", str(middle(terrain)), "-o", str(out))

    assert result.exit_code == 0, result.output
    text = out.read_text("ascii")
    lines = [line for line in text.splitlines() if not line.startswith("(")]
    assert [line.split()[0] for line in lines[:6]] == ["G17", "G0", "S24000", "G4", lines[4].split()[0], "G1"]
    assert lines[1] == "G0 Z5.0"
    assert lines[4].startswith("X")
    assert "Z" not in lines[4]
    assert violations(text) == []
    begins = int(result.output.split("from line ")[1].split()[0])
    assert text.splitlines()[-len(old[begins - 1 :]) :] == old[begins - 1 :]
    assert f"takes up 2-finishing.nc at line {middle(terrain)}" in text.replace(")\n(+ ", " ")


@pytest.mark.parametrize("words", ["home the machine", "Z zero", "stock has not moved", "earlier line"])
def test_head_and_terminal_say_what_to_mind(terrain: Made, words: str) -> None:
    """A new cutter has a new length, and a machine without power does not know where it is."""
    made = resume(terrain.folder / "2-finishing.nc", terrain.folder, "rest.nc", line=middle(terrain))

    assert words in made.text.decode().replace(")\n(+ ", " ")
    assert words in "\n".join(made.lines())


def test_some_millimetres_are_cut_again(terrain: Made) -> None:
    """At least a centimetre of path before the interruption, unless its entry comes first."""
    made = resume(terrain.folder / "2-finishing.nc", terrain.folder, "rest.nc", line=middle(terrain))

    assert 10.0 <= made.again <= 25.0
    assert made.begins < made.line


def test_the_way_in_comes_onto_the_path_from_a_millimetre_above(terrain: Made) -> None:
    """Straight down to a millimetre over the old path, then along it, falling onto it bit by bit."""
    made = resume(terrain.folder / "2-finishing.nc", terrain.folder, "rest.nc", line=middle(terrain))
    new, rapid, _ = independent.positions(made.text.decode())
    old, _, _ = independent.positions(terrain.texts["2-finishing.nc"])
    ramp = new[int(np.argmin(rapid)) :]
    starts = np.flatnonzero((old[:, :2] == ramp[0, :2]).all(axis=1))
    above = next(
        gaps
        for gaps in (ramp[:, 2] - old[start : start + len(ramp), 2] for start in starts)
        if gaps[-1] == 0  # from there on the two are one
    )

    assert above[0] == pytest.approx(1.0)
    assert 0 < (above > 0).sum() < len(above)
    assert (np.diff(above) <= 1e-9).all()


def test_shortly_after_an_entry_the_program_enters_anew(terrain: Made) -> None:
    """The first cut is taken up from the program's own way in, which is a rapid's end."""
    text = terrain.texts["2-finishing.nc"]
    points, rapid, _ = independent.positions(text)
    first = int(np.argmin(rapid))
    made = resume(
        terrain.folder / "2-finishing.nc", terrain.folder, "rest.nc", line=moving_lines(text)[first + 1]
    )

    assert made.begins == moving_lines(text)[first]
    begun = read_program(made.text).points
    assert (
        begun[2:4].tolist() == [points[first - 1].tolist()] * 2 or begun[3].tolist() == points[first].tolist()
    )


def test_a_copy_under_another_name_is_known_by_its_bytes(terrain: Made, tmp_path: Path) -> None:
    """On the stick that goes to the machine a program may be called anything."""
    shutil.copy(terrain.folder / "1-roughing.nc", tmp_path / "A.NC")
    line = str(middle(terrain, "1-roughing.nc"))
    result = run(
        str(tmp_path / "A.NC"),
        "--at",
        line,
        "--job",
        str(terrain.folder),
        "-o",
        str(tmp_path / "b.nc"),
        "--quiet",
    )

    assert result.exit_code == 0, result.output
    assert result.output == ""


def test_a_place_that_is_passed_twice_is_taken_the_first_time(terrain: Made) -> None:
    """Both lines are named, so that the user can choose the later one."""
    text = terrain.texts["1-roughing.nc"]
    points, rapid, _ = independent.positions(text)
    places = [tuple(p) for p, quick in zip(points, rapid, strict=True) if not quick]
    twice = next(p for p in places if places.count(p) > 1)
    made = resume(terrain.folder / "1-roughing.nc", terrain.folder, "rest.nc", position=twice)

    assert made.line <= moving_lines(text)[next(k for k in range(len(points)) if tuple(points[k]) == twice)]
    assert "times, at lines" in made.notes[0]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--at", "99999"], "line 99999: the cuts of this program end at line"),
        (["--at", "0"], "which line was running"),
        (["--at", "3"], "line 3: is no cut; if it stopped there, resume at the next cut, line"),
        (["--at-position", "500", "0", "-1"], "no cut comes within 1 mm of that position"),
        (["--at-position", "x", "0", "-1"], '"x" is no length'),
        (["--at-position", "0", "0", "12 in"], "no cut comes within"),
    ],
)
def test_a_place_that_is_no_cut_is_refused(
    terrain: Made, tmp_path: Path, arguments: list[str], said: str
) -> None:
    """One line that says what to tell instead, exit 1, and no file."""
    out = tmp_path / "rest.nc"
    result = run(str(terrain.folder / "2-finishing.nc"), *arguments, "-o", str(out), "--quiet")

    assert result.exit_code == 1, result.output
    assert len(result.stderr.splitlines()) == 1
    assert said in result.stderr
    assert not out.exists()


@pytest.mark.parametrize("job", ["dome in inches"], indirect=True)
def test_a_program_in_inches_is_spoken_of_in_inches(job: Made) -> None:
    """What is refused, and what is cut again, which is a centimetre at least."""
    program = job.folder / "2-finishing.nc"
    with pytest.raises(ProgramError, match=r"within 0\.0394 in of that position; .* \d+\.\d+ in away"):
        resume(program, job.folder, "rest.nc", position=(500.0, 0.0, -1.0))
    told = resume(program, job.folder, "rest.nc", line=middle(job)).lines()[0]

    assert float(told.split(" in before the interruption")[0].split()[-1]) >= 0.39
    assert " mm" not in told


def _edited(folder: Path) -> None:
    path = folder / "2-finishing.nc"
    path.write_bytes(path.read_bytes().replace(b"G54", b"G54 "))


def _earlier_edited(folder: Path) -> None:
    path = folder / "1-roughing.nc"
    path.write_bytes(path.read_bytes() + b"(mine)\n")


def _earlier_gone(folder: Path) -> None:
    (folder / "1-roughing.nc").unlink()


def _no_report(folder: Path) -> None:
    (folder / "report.json").unlink()


def _strange_report(folder: Path) -> None:
    (folder / "report.json").write_text('{"programs": [[]], "sha256": 7}')


def _no_programs(folder: Path) -> None:
    report = json.loads((folder / "report.json").read_text())
    report["sha256"] = {}
    (folder / "report.json").write_text(json.dumps(report))


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (_edited, "2-finishing.nc: was edited since the folder was made"),
        (_earlier_edited, "1-roughing.nc: was edited since the folder was made"),
        (_earlier_gone, "1-roughing.nc: no such file"),
        (_no_report, "report.json: no such file"),
        (_strange_report, "report.json: is no report of relief"),
        (_no_programs, "holds no programs"),
    ],
)
def test_a_folder_that_is_not_as_it_was_made_is_refused(terrain, tmp_path, harm, said):
    """What was cut before is known from untouched programs alone."""
    folder = tmp_path / "job"
    shutil.copytree(terrain.folder, folder)
    shutil.copy(terrain.folder.parent / "target.npy", tmp_path)
    harm(folder)
    out = tmp_path / "rest.nc"
    result = run(str(folder / "2-finishing.nc"), "--at", str(middle(terrain)), "-o", str(out), "--quiet")

    assert result.exit_code == 1, result.output
    assert said in result.stderr
    assert not out.exists()


def test_a_program_of_another_job_is_refused(terrain: Made, tmp_path: Path) -> None:
    """Its bytes are none of the folder's."""
    (tmp_path / "2-finishing.nc").write_text("G21\nG0 Z5\nG0 X0 Y0\nG1 Z-1 F300\nM2\n")
    with pytest.raises(ProgramError, match="is none of the programs of"):
        resume(tmp_path / "2-finishing.nc", terrain.folder, "rest.nc", line=4)


def test_the_trace_is_run_again_from_its_beginning(terrain: Made) -> None:
    """It turns no cutter, so nothing is gained by taking it up."""
    with pytest.raises(ProgramError, match=r"0-trace.nc: turns no cutter"):
        resume(terrain.folder / "0-trace.nc", terrain.folder, "rest.nc", line=20)


@pytest.mark.parametrize(
    ("kind", "operation", "said"),
    [("drag", "outline", "a drag point is swivelled"), ("flat", "holes", "it meets only air")],
)
def test_what_is_better_begun_anew_is_refused(terrain: Made, kind: str, operation: str, said: str) -> None:
    """A point that is dragged needs the way it came by; a hole is drilled a second time in air."""
    cutter = Cutter(kind, 3.0, angle=60.0 if kind == "drag" else 0.0)
    text = terrain.texts["1-roughing.nc"].encode()
    with pytest.raises(ProgramError, match=said):
        resuming._refuse_what_cannot_be_taken_up(Program("4.nc", operation, text, cutter), read_program(text))


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return a job of which one program holds the cuts of five cutters, a drag point among them."""
    return good("one program", tmp_path_factory.mktemp("resume"))


def code_of(text: str) -> list[str]:
    """Return the lines that are no comments."""
    return [line for line in text.splitlines() if not line.startswith("(")]


@pytest.mark.parametrize(("part", "numbers"), [(0, [2, 13, 12, 41, 2]), (2, [12, 41, 2]), (4, [2])])
def test_cutters_that_follow_are_called_as_before(shared: Made, part: int, numbers: list[int]) -> None:
    """The head calls the one that was interrupted; all lines after it are the old ones."""
    text = (shared.folder / "1-carving.nc").read_text("ascii")
    cuts = read_program(text.encode()).by_cutter()[part]
    line = int(cuts.block[~cuts.rapid][-3])
    made = resume(shared.folder / "1-carving.nc", shared.folder, "rest.nc", line=line)
    new = made.text.decode("ascii")

    assert made.stops == ()
    assert made.line == line
    assert [change.number for change in read_program(made.text).changes] == numbers
    assert new.endswith("".join(text.splitlines(keepends=True)[made.begins - 1 :]))
    assert violations(new) == []
    assert ("at each change of cutter" in new) == (len(numbers) > 1)


def test_a_drag_point_among_other_cutters_begins_at_its_first_cut(shared: Made) -> None:
    """Further on it would not know which way it points; at its first cut nothing starts the spindle."""
    program = shared.folder / "1-carving.nc"
    cuts = read_program(program.read_bytes()).by_cutter()[DRAG]
    lines = cuts.block[~cuts.rapid]
    with pytest.raises(ProgramError, match=f"take it up at its first cut, line {lines[0]}, lines that"):
        resume(program, shared.folder, "rest.nc", line=int(lines[9]))
    made = resume(program, shared.folder, "rest.nc", line=int(lines[0]))

    first, cutout = made.text.decode("ascii").split("T2 M6")
    assert made.stops == ()
    assert "M5\nG0 Z10.0\nT41 M6\nG0 Z10.0\n" in first
    assert not [line for line in code_of(first) if "M3" in line or "S" in line]
    assert [line for line in code_of(cutout) if "M3" in line]


@pytest.mark.parametrize("part", range(5))
def test_check_knows_the_cutters_of_a_program_taken_up(shared: Made, tmp_path: Path, part: int) -> None:
    """The folder's report tells them; what was cut until then counts as cut, so nothing falls short."""
    whole, rest = shared.folder / "1-carving.nc", tmp_path / "rest.nc"
    cuts = read_program(whole.read_bytes()).by_cutter()[part]
    lines = cuts.block[~cuts.rapid]
    line = lines[0] if part == DRAG else lines[len(lines) // 2]
    made = resume(whole, shared.folder, rest.name, line=int(line))
    rest.write_bytes(made.text)
    verdict = recheck([rest], shared.folder)

    cutters = [shared.cutters[f"1-carving.nc {number}"] for number in range(5)]
    taken = [program.cutter for program in verdict.programs if program.file == rest.name]
    done = [program.cutter for program in verdict.programs if program.file != rest.name]
    assert taken == cutters[part:]
    assert done == cutters[: part + (part != DRAG)]
    assert verdict.ready, [check for check in verdict.checks if not check.holds]


def test_an_existing_file_is_kept(terrain: Made, tmp_path: Path) -> None:
    """Nothing is replaced without a word."""
    out = tmp_path / "rest.nc"
    out.write_text("mine")
    result = run(str(terrain.folder / "2-finishing.nc"), "--at", str(middle(terrain)), "-o", str(out))

    assert result.exit_code == 1
    assert "already there" in result.stderr
    assert out.read_text() == "mine"


@pytest.mark.parametrize("arguments", [["a.nc"], ["a.nc", "--at", "3", "--at-position", "1", "2", "3"]])
def test_wrong_use_is_exit_2(arguments: list[str]) -> None:
    """Line or position, one of them."""
    assert run(*arguments).exit_code == 2


def test_a_way_in_through_stock_is_refused(terrain: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the way in went another way than the cutter came, the carving would tell."""
    way = resuming._way_in

    def aside(moves, place):
        path = way(moves, place)
        lower = np.zeros_like(path.points)
        lower[1:-1, 2] = -2.0
        return dataclasses.replace(path, points=path.points + lower)

    monkeypatch.setattr(resuming, "_way_in", aside)
    with pytest.raises(ProgramError, match=r"the way in would cut \d\.\d+ mm deep into stock"):
        resume(terrain.folder / "2-finishing.nc", terrain.folder, "rest.nc", line=middle(terrain))


def test_a_check_that_falls_short_is_exit_3_and_no_file(terrain, tmp_path, monkeypatch):
    """The check that fell short is named on standard error."""
    short = Check("no gouge", False, 1.0, 0.005, "mm", "1 mm too deep", "stop")
    monkeypatch.setattr(resuming, "run_checks", lambda _: (short,))
    out = tmp_path / "rest.nc"
    result = run(str(terrain.folder / "2-finishing.nc"), "--at", str(middle(terrain)), "-o", str(out))

    assert result.exit_code == 3
    assert "no gouge: 1 mm too deep" in result.stderr
    assert not out.exists()
