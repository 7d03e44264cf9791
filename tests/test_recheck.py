"""Programs judged again from their files, sound and edited."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from relief.cli import relief
from relief.errors import ProgramError
from relief.job import job_from_source
from relief.recheck import recheck, recheck_without_job
from relief.report import Report
from relief.shop.load import Shop
from relief.told import program_bytes
from relief.workflow import carve
from tests import fields

NAMES = ("0-trace.nc", "1-roughing.nc", "2-finishing.nc")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Report]:
    """Return a job folder, its zero at the middle of the bed, and its report."""
    folder = tmp_path_factory.mktemp("recheck")
    np.save(folder / "target.npy", fields.terrain(16.0, 5.0, 0.4).heights)
    settings = {"output.pitch": 0.4, "finishing.scallop": 0.2, "zero.xy": "centre", "zero.z": "bed"}
    report = carve(job_from_source(folder / "target.npy", settings), Shop.read(None), folder / "job")
    assert report.ready
    return folder / "job", report


def run(*arguments: str) -> Result:
    """Run the command line inside this process."""
    return CliRunner().invoke(relief, list(arguments), prog_name="relief")


def edited(folder: Path, name: str, edit: Callable[[str], str], into: Path) -> list[str]:
    """Copy a job's programs, one of them edited, and return the arguments that check them."""
    for path in NAMES:
        shutil.copy(folder / path, into / path)
    before = (folder / name).read_text("ascii")
    after = edit(before)
    assert after != before
    (into / name).write_text(after, "ascii")
    return ["check", *(str(into / path) for path in NAMES), "--job", str(folder)]


def test_our_own_programs_pass_with_the_same_figures(made):
    """What `carve` said of its programs is said of their files: same checks and numbers, and their order."""
    folder, report = made
    verdict = recheck([folder / name for name in NAMES], folder)

    assert verdict.ready
    assert not verdict.unmade
    assert ["in running order", *(c.name for c in report.checks)] == [c.name for c in verdict.checks]
    for ours, theirs in zip(report.checks, verdict.checks[1:], strict=True):
        assert (ours.holds, ours.limit) == (theirs.holds, pytest.approx(theirs.limit, abs=1e-9)), ours.name
        if ours.name not in ("chip load in range", "power enough"):  # there the feed is the text's
            assert ours.measured == pytest.approx(theirs.measured, abs=1e-9), ours.name


def test_exit_0_names_every_check(made):
    """On the terminal: each program, each check, and the verdict."""
    folder, report = made
    result = run("check", *(str(folder / name) for name in NAMES), "--job", str(folder / "job.toml"))

    assert 0 == result.exit_code, result.output
    for word in (*NAMES, *(check.name for check in report.checks)):
        assert word in result.output


def _deeper(text: str) -> str:
    """Make the last cut of a finishing program 2 mm deeper, whatever its line says."""
    return text.replace("G0 Z23.0\nM5", "G1 Z10.0\nG0 Z23.0\nM5")


def _hurried(text: str) -> str:
    """Raise every feed of a program by a third."""
    return re.sub(r"F([\d.]+)", lambda f: f"F{float(f[1]) * 4 / 3:.0f}", text)


@pytest.mark.parametrize(
    ("name", "edit", "said"),
    [
        ("2-finishing.nc", _deeper, "no gouge"),
        ("1-roughing.nc", lambda t: t.replace("\nG0 Z23.0", "\nG0 Z-3.0", 1), "no rapid through stock"),
        ("2-finishing.nc", lambda t: t.replace("G54", "G55"), "G55"),
        ("2-finishing.nc", lambda t: t.replace("M3", "M5"), "spindle"),
        ("1-roughing.nc", lambda t: t.replace("\nM5", "\nG0 X900.0\nM5"), "within travel"),
        ("1-roughing.nc", lambda t: t.replace("\nM5", "\nG0 X30.0\nM5"), "inside the trace"),
        ("0-trace.nc", lambda t: t.replace("Z23.0", "Z15.0"), "no rapid through stock"),
        ("1-roughing.nc", _hurried, "load bounded"),
    ],
)
def test_an_edit_that_may_hurt_is_exit_3(made, tmp_path, name, edit, said):
    """The check that fell short is named on standard error."""
    result = run(*edited(made[0], name, edit, tmp_path))

    assert 3 == result.exit_code, result.output
    assert said in result.stderr


def test_one_feed_that_is_raised_is_told_with_its_line(made, tmp_path):
    """The hardest cut of the roughing, fed half as fast again."""
    folder, _ = made
    paths = [folder / name for name in NAMES]
    hardest = recheck(paths, folder).programs[1].hardest
    assert hardest
    lines = (folder / "1-roughing.nc").read_text("ascii").splitlines()
    feeds = [re.search(r"F([\d.]+)", line) for line in lines[: hardest.block]]
    now = next(found[1] for found in reversed(feeds) if found)
    line = re.sub(r" F[\d.]+", "", lines[hardest.block - 1])
    lines[hardest.block - 1] = f"{line} F{float(now) * 1.5:g}"
    paths[1] = tmp_path / "1-roughing.nc"
    paths[1].write_text("\n".join(lines) + "\n", "ascii")
    verdict = recheck(paths, folder)
    found = {check.name: check for check in verdict.checks}["load bounded"]

    assert not verdict.ready
    assert not found.holds
    assert "1-roughing.nc line" in found.message


def test_the_feed_that_was_chosen_is_judged_and_not_the_fastest(made, tmp_path):
    """Feeds that go by what is cut are faster than the chosen one in places; a slower text is slower."""
    folder, report = made
    chosen = report.programs[1].feed
    low, high = report.programs[1].feed_range
    whole = recheck([folder / name for name in NAMES], folder)
    alone = recheck([folder / name for name in NAMES], folder / "job.toml")

    assert low < chosen < high
    for verdict in (whole, alone):
        assert verdict.programs[1].feeds.cut == chosen
    text = (folder / "1-roughing.nc").read_text("ascii")
    slow = re.sub(r"F([\d.]+)", lambda f: f"F{float(f[1]) / 3:.1f}", text)
    (tmp_path / "1-roughing.nc").write_text(slow, "ascii")
    short = {c.name: c for c in recheck([tmp_path / "1-roughing.nc"], folder).checks}["chip load in range"]
    assert not short.holds
    assert "rub" in short.message


def test_a_gouge_is_told_with_its_line(made, tmp_path):
    """Line and place are those of the move that cuts deepest there."""
    result = run(*edited(made[0], "2-finishing.nc", _deeper, tmp_path))
    lines = (tmp_path / "2-finishing.nc").read_text("ascii").splitlines()

    assert f"2-finishing.nc line {lines.index('G1 Z10.0') + 1}, at " in result.stderr
    assert "Z10.000" in result.stderr


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda t: t.replace("G21 ", ""), "line"),
        (lambda t: t.replace("M2", ""), "M2"),
        (lambda t: t.replace("G54\n", "G54\nG28 Z0\n"), "G28"),
        (lambda t: "G21\nM2\n", "no move"),
    ],
)
def test_a_text_that_cannot_be_followed_is_exit_1(made, tmp_path, edit, said):
    """One line with file, line and reason."""
    result = run(*edited(made[0], "1-roughing.nc", edit, tmp_path))

    assert 1 == result.exit_code, result.output
    assert 1 == len(result.stderr.splitlines()) - result.stderr.count("reading the"), result.stderr
    assert "1-roughing.nc" in result.stderr
    assert said in result.stderr


@pytest.mark.parametrize("job", ["", "job.toml"])
@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((2, 1), "1-roughing.nc comes before 2-finishing.nc by the job; give the programs in running order"),
        ((0, 2), "1-roughing.nc comes before 2-finishing.nc by the job and was not given"),
        ((2,), "1-roughing.nc comes before 2-finishing.nc by the job and was not given"),
    ],
)
def test_a_cut_into_what_an_earlier_program_would_have_cleared_is_stopped(made, given, said, job):
    """Out of order or left out: the finishing cutter would go at full feed into what stands."""
    result = run("check", *(str(made[0] / NAMES[n]) for n in given), "--job", str(made[0] / job))

    assert 3 == result.exit_code, result.output
    assert f"STOP: in running order: {said}" in result.stderr


@pytest.mark.parametrize("given", [(1, 2), (1, 2, 0), (0, 1, 2)])
def test_a_trace_left_out_is_no_fault_but_is_not_held_either(made, given):
    """It carves nothing; what it was to go round is not checked without it."""
    verdict = recheck([made[0] / NAMES[n] for n in given], made[0])
    held = {check.name for check in verdict.checks}

    assert verdict.ready
    assert "in running order" in held
    assert ("inside the trace" in held) == (0 in given)
    assert [name for name in verdict.unmade if name.startswith("inside the trace")] == (
        [] if 0 in given else ["inside the trace (no trace was given)"]
    )
    assert not verdict.notes


def test_a_program_that_takes_up_another_is_checked_in_what_was_cut(made, tmp_path):
    """Without its job's earlier cuts, or the file that it takes up as it was, it would meet other stock."""
    folder, rest = made[0], tmp_path / "rest.nc"
    lines = (folder / NAMES[2]).read_text("ascii").splitlines()
    line = next(n for n, text in enumerate(lines, start=1) if n > len(lines) // 2 and text.startswith("X"))
    assert run("resume", str(folder / NAMES[2]), "--at", str(line), "-o", str(rest)).exit_code == 0

    result = run("check", str(rest), "--job", str(folder))
    assert result.exit_code == 0, result.output
    assert (
        f"rest.nc takes up 2-finishing.nc at line {line}: what the programs of the job cut" in result.output
    )

    again = run("resume", str(rest), "--job", str(folder), "--at", "30", "-o", str(tmp_path / "more.nc"))
    assert again.exit_code == 1
    assert "takes up 2-finishing.nc itself; give that one" in again.stderr

    copy = tmp_path / "edited"
    shutil.copytree(folder, copy)
    shutil.copy(folder.parent / "target.npy", tmp_path)
    (copy / NAMES[1]).write_bytes((copy / NAMES[1]).read_bytes().replace(b"M3\n", b"M3 (edited)\n"))
    refused = run("check", str(rest), "--job", str(copy))
    assert refused.exit_code == 1
    assert "1-roughing.nc: was edited since the folder was made" in refused.stderr


def test_a_cutout_alone_is_stopped_and_not_a_fault(tmp_path):
    """Nothing carves the relief then: plain lines, no crash."""
    np.save(tmp_path / "target.npy", fields.terrain(20.0, 4.0, 0.5).heights)
    settings = {
        "output.pitch": 0.5, "finishing.scallop": 0.3,
        "cutout.shape": "rectangle", "cutout.tabs": 2, "cutout.tab_width": 3.0,
    }  # fmt: skip
    job = job_from_source(tmp_path / "target.npy", settings)
    assert carve(job, Shop.read(None), tmp_path / "job").ready

    result = run("check", str(tmp_path / "job" / "3-cutout.nc"), "--job", str(tmp_path / "job"))
    assert result.exit_code == 3, result.output
    assert "STOP: in running order: 1-roughing.nc" in result.stderr
    assert "fault inside" not in result.stderr


def test_a_program_that_is_still_to_come_is_noted(made):
    """Roughing alone is in order; that finishing was not given is told."""
    verdict = recheck([made[0] / "1-roughing.nc"], made[0])

    assert next(check.holds for check in verdict.checks if check.name == "in running order")
    assert ("2-finishing.nc not given: what would be cut there counts as uncut",) == verdict.notes


def test_a_check_that_was_not_made_is_told(made):
    """Without the trace nothing tells how far the cutters may come."""
    result = run("check", str(made[0] / "2-finishing.nc"), "--job", str(made[0]))

    assert "Not checked: inside the trace (no trace was given)" in result.output


def test_a_name_that_tells_no_cutter_asks_for_it(made, tmp_path):
    """`--cutter` answers, or the refusal says what to do."""
    shutil.copy(made[0] / "2-finishing.nc", tmp_path / "mine.nc")
    asked = ["check", str(tmp_path / "mine.nc"), "--job", str(made[0]), "--quiet"]

    assert "--cutter" in run(*asked).stderr
    assert run(*asked, "--cutter", "ball 1/8 in").exit_code in (0, 3)


def test_with_no_job_stock_cutter_and_machine_are_judged(tmp_path):
    """A hand-written program: what holds is exit 0; too thin a stock, or a rapid into it, is exit 3."""
    good = "G21 G90 G94 G54\nG0 Z5\nG0 X0 Y0\nS12000 M3\nG1 Z-2 F300\nG1 X30 F900\nG0 Z5\nM5\nM2\n"
    path = tmp_path / "slot.nc"
    path.write_text(good)
    asked = ["check", str(path), "--cutter", "flat 1/4 in", "--quiet", "--thickness"]

    assert 0 == run(*asked, "18").exit_code
    assert 3 == run(*asked, "1.5").exit_code
    assert 3 == run(*asked, "1/16 in").exit_code
    path.write_text(good.replace("G1 X30 F900", "G1 X30 F900\nG0 X30 Y9"))
    result = run(*asked, "18")
    assert 3 == result.exit_code
    assert "line 7, at X30.000 Y9.000 Z-2.000" in result.stderr


def test_the_library_call_needs_a_cutter(tmp_path):
    """The refusal names the option."""
    (tmp_path / "slot.nc").write_text("G21\nG0 Z5\nM2\n")
    with pytest.raises(Exception, match="--cutter"):
        recheck_without_job([tmp_path / "slot.nc"], 18.0, None, None)


@pytest.mark.parametrize(
    "arguments",
    [["check"], ["check", "a.nc"], ["check", "a.nc", "--job", "j", "--thickness", "3"]],
)
def test_wrong_use_is_exit_2(arguments):
    """What is asked cannot be judged."""
    assert 2 == run(*arguments).exit_code


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere.nc", "--thickness", "18", "--cutter", "1"], "nowhere.nc"),
        (["nowhere.nc", "--thickness", "thick", "--cutter", "1"], "length"),
        (["nowhere.nc", "--job", "nowhere"], "nowhere"),
    ],
)
def test_what_is_not_there_is_exit_1(arguments, said, tmp_path, monkeypatch):
    """One line that says what and where."""
    monkeypatch.chdir(tmp_path)
    result = run("check", *arguments, "--quiet")

    assert 1 == result.exit_code
    assert 1 == len(result.stderr.splitlines())
    assert said in result.stderr


@pytest.mark.parametrize("name", ["sheet.html", "carved.png", "program.nc"])
def test_what_is_no_program_is_not_read_as_one(name: str, tmp_path: Path) -> None:
    """A page, a picture, or what holds bytes of no text: it is told what to give instead."""
    (tmp_path / name).write_bytes(b"G21\n\0" if name.endswith(".nc") else b"<p>")
    with pytest.raises(ProgramError, match=rf"{name}: is no program; give the \.nc files"):
        program_bytes(tmp_path / name)
