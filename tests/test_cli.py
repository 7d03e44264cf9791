"""The command line: arguments become one call, errors become one line and an exit code."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner, Result

from relief import commands, workflow
from relief.cli import SUMMARIES, relief
from relief.commands.carve import usual_folder
from tests.broken import CASES, Case, good_picture


def run(*arguments: str) -> Result:
    """Run the command line inside this process."""
    return CliRunner().invoke(relief, list(arguments), prog_name="relief")


def small(folder: Path, *options: str) -> list[str]:
    """Return arguments that carve a small picture quickly."""
    size = ("--width", "12", "--depth", "2", "--pitch", "0.5", "--scallop", "0.25")
    return ["carve", str(good_picture(folder)), "-o", str(folder / "job"), *size, *options]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_bad_input_is_refused_in_one_line(tmp_path: Path, case: Case):
    """Exit 1, one line that says what, where and how to mend it, and nothing left behind."""
    arguments = case.build(tmp_path)
    before = sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))
    result = run(*arguments, "--quiet")

    assert 1 == result.exit_code, result.output
    assert 1 == len(result.stderr.splitlines()), result.stderr
    for word in case.words:
        assert word in result.stderr
    assert "Traceback" not in result.output
    assert before == sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*"))


# 1 in = 25.4 mm: international yard and pound agreement, 1959.
IN_INCHES = {
    "heights above the stock": "reach 0.0591 in above the stock top; subtract 1.5 mm from all",
    "heights through the stock": "reach 3.8976 in deep, but the stock is 0.7087 in thick",
    "a frame that leaves nothing": "= 2.3622 in leaves nothing inside a relief of 4.7244 in × 3.0827 in",
    "letters that leave the relief": "leaves the relief of 4.7244 in × 3.0827 in",
    "a depth not below the thickness": "= 0.7087 in is not below stock.thickness = 0.7087 in",
    "a relief larger than the machine's travel": "along X, but benchtop router travels 23.622 in",
    "a scallop not below the ball's radius": "(0.0625 in); ask for a lower scallop, 0.002 in is usual",
    "a grid too fine to hold": "at a pitch of 0.0002 in makes",
    "a pitch wider than the relief": "pitch 19.685 in is wider than the relief (4.7244 in",
}


@pytest.mark.parametrize(
    "case", [case for case in CASES if case.name in IN_INCHES], ids=lambda case: case.name
)
def test_a_refusal_in_an_inch_job_tells_inches(tmp_path: Path, case: Case):
    """As the sheet does; a height file's own numbers are millimetres all the same."""
    result = run(*case.build(tmp_path), "--set", "output.units=in", "--quiet")

    assert 1 == result.exit_code
    assert IN_INCHES[case.name] in result.stderr
    assert " mm" not in result.stderr.replace("subtract 1.5 mm", "")


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (["cutout.shape=rectangle", "relief.margin=2"], "the stock is 0.0787 in wider than the relief"),
        (["cutout.shape=rectangle", "stock.thickness=60"], 'edges of "flat 1/4 in" are 1 in long'),
        (["cutout.shape=rectangle", "cutout.tab_height=15"], "= 0.5906 in is more than the 0.4724 in"),
        (["stock.width=30"], "stock.width = 1.1811 in is less than the relief's 1.5748 in"),
        (["clamps=[{x=42, y=5, width=9, length=9, height=9}]"], "needs 0.1413 in there; move it 0.0626 in"),
        (["tiles=true", "relief.margin=2", "relief.width=900", "output.pitch=2"], "there are 0.0787 in;"),
        (["outline.cutter=drag point", "outline.depth=3", "stock.thickness=8"], "thickness is 0.315 in;"),
    ],
)
def test_a_set_up_that_is_refused_tells_inches(tmp_path: Path, settings: list[str], said: str):
    """What is found when job, shop and picture come together."""
    keys = ["output.units=in", "output.pitch=0.5", "finishing.scallop=0.3", "relief.width=40", *settings]
    last = {key.partition("=")[0]: key for key in keys}
    options = [option for key in last.values() for option in ("--set", key)]
    result = run("carve", str(good_picture(tmp_path)), "-o", str(tmp_path / "job"), *options, "--quiet")

    assert 1 == result.exit_code, result.output
    assert said in result.stderr
    assert " mm" not in result.stderr


@pytest.mark.parametrize(
    "arguments",
    [["carve"], ["carve", "a.png", "--wdth", "3"], ["crave"], ["carve", "a.png", "--set", "nothing"]],
)
def test_wrong_use_of_the_command_line_is_exit_2(arguments):
    """What cannot be parsed is told with the usage, and exit code 2."""
    result = run(*arguments)

    assert 2 == result.exit_code
    assert "Usage" in result.stderr or "Error" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "meant"),
    [
        (["crave", "a.png"], "carve"),
        (["carve", "a.png", "--wdth", "3"], "--width"),
        (["carve", "a.png", "--thicknes", "3"], "--thickness"),
        (["looks", "a.png", "--materail", "mdf"], "--material"),
        (["shop", "--wirte", "my-shop.toml"], "--write"),
    ],
)
def test_a_misspelt_word_is_answered_with_the_nearest(arguments: list[str], meant: str):
    """Commands and options alike are named in the error."""
    assert f'did you mean "{meant}"?' in run(*arguments).stderr


@pytest.mark.parametrize("earlier", [False, True])
@pytest.mark.parametrize("when", ["before", "after"])
def test_a_stop_says_what_is_true(tmp_path: Path, monkeypatch, when: str, earlier: bool):
    """Ctrl-C in the last instant: after the folder took its place it is there, before it nothing is."""
    if earlier:
        assert run(*small(tmp_path), "--quiet").exit_code == 0
    write = workflow.write_folder

    def stopped(folder: Path, files, replace: bool) -> None:
        if when == "after":
            write(folder, files, replace)
        raise KeyboardInterrupt

    monkeypatch.setattr(workflow, "write_folder", stopped)
    result = run(*small(tmp_path, "--replace"))
    assert result.exit_code == 130
    said = f"{tmp_path / 'job'} had been finished and is whole" if when == "after" else "nothing was written"
    assert result.stderr.splitlines()[-1] == f"relief: stopped; {said}"


@pytest.mark.parametrize("kind", ["ply", "glb"])
def test_mesh_in_deviation_colours(tmp_path: Path, kind: str):
    """--mesh adds the mesh in colours: closed and as large as the STL (glTF: metres), read by trimesh."""
    result = run(*small(tmp_path, "--mesh", kind, "--quiet"))

    assert 0 == result.exit_code, result.output
    plain = trimesh.load(tmp_path / "job" / "carved.stl")
    scene = trimesh.load(tmp_path / "job" / f"carved.{kind}", force="scene")
    (coloured,) = scene.geometry.values()
    assert coloured.is_watertight
    assert np.sort(coloured.extents) * (1000 if kind == "glb" else 1) == pytest.approx(
        np.sort(plain.extents), rel=1e-5
    )


def test_every_command_has_a_summary_and_help_with_an_example():
    """Help is there before anything heavy is imported, and it shows how."""
    assert {f"{name}.py" for name in SUMMARIES} == {
        path.name for path in Path(commands.__path__[0]).glob("[!_]*.py") if path.stem != "options"
    }
    for name in SUMMARIES:
        shown = run(name, "--help").output
        assert f"Example: relief {name}" in " ".join(shown.split())


def test_a_picture_becomes_a_job_folder(tmp_path):
    """Exit 0, the folder is there, and the summary names it all in a few lines."""
    result = run(*small(tmp_path))

    assert 0 == result.exit_code, result.output
    assert (tmp_path / "job" / "2-finishing.nc").exists()
    assert "Ready" in result.stdout
    assert 5 <= len(result.stdout.splitlines()) <= 9


def test_quiet_says_nothing_when_all_is_well(tmp_path):
    """`--quiet` leaves standard output and standard error empty."""
    result = run(*small(tmp_path, "--quiet"))

    assert (0, "", "") == (result.exit_code, result.stdout, result.stderr)


def test_heights_are_saved_and_can_be_carved_again(tmp_path):
    """`--heights` leaves the target as float32 mm; carving that file gives the same programs."""
    assert 0 == run(*small(tmp_path, "--heights", str(tmp_path / "target.npy"), "--quiet")).exit_code
    target = np.load(tmp_path / "target.npy")
    again = [
        "carve", str(tmp_path / "target.npy"), "-o", str(tmp_path / "again"), "--quiet",
        "--pitch", "0.5", "--scallop", "0.25",
    ]  # fmt: skip

    assert np.float32 == target.dtype
    assert (-2.0, 0.0) == (target.min(), target.max())
    assert 0 == run(*again).exit_code
    first, second = (tmp_path / name / "2-finishing.nc" for name in ("job", "again"))
    assert _moves(first) == _moves(second)


def _moves(path: Path) -> list[str]:
    """Return the lines of a program that are no comments."""
    return [line for line in path.read_text().splitlines() if not line.startswith("(")]


def test_a_check_that_stops_leaves_no_program(tmp_path):
    """Exit 3: the report and the sheet say why, and not one .nc is there."""
    (tmp_path / "shop.toml").write_text('[[cutter]]\nname = "flat 1/4 in"\ncutting_length = 1\nreach = 40\n')
    result = run(*small(tmp_path, "--shop", str(tmp_path / "shop.toml"), "--quiet"))
    report = json.loads((tmp_path / "job" / "report.json").read_bytes())

    assert 3 == result.exit_code, result.output
    assert [] == list((tmp_path / "job").glob("*.nc"))
    assert (tmp_path / "job" / "sheet.html").exists()
    assert [c["name"] for c in report["checks"] if c["severity"] == "stop" and not c["holds"]]
    assert "cutting length" in result.stderr


def test_replace_puts_a_new_job_folder_in_place_of_an_earlier_one(tmp_path):
    """Without it the earlier folder is kept and the run refused."""
    assert 0 == run(*small(tmp_path, "--quiet")).exit_code
    assert 1 == run(*small(tmp_path, "--quiet")).exit_code
    assert 0 == run(*small(tmp_path, "--quiet", "--replace")).exit_code


def test_a_refused_replacement_keeps_the_earlier_job_and_a_checked_one_never_mixes(tmp_path):
    """What is refused leaves every byte; where a check falls short no earlier program stands beside why."""
    (tmp_path / "shop.toml").write_text('[[cutter]]\nname = "flat 1/4 in"\ncutting_length = 1\nreach = 40\n')
    assert 0 == run(*small(tmp_path, "--quiet")).exit_code
    earlier = {path.name: path.read_bytes() for path in (tmp_path / "job").iterdir()}
    again = ("--quiet", "--replace")

    assert 1 == run(*small(tmp_path, *again, "--thickness", "1.5")).exit_code
    assert earlier == {path.name: path.read_bytes() for path in (tmp_path / "job").iterdir()}
    assert 3 == run(*small(tmp_path, *again, "--shop", str(tmp_path / "shop.toml"))).exit_code
    left = {path.name: path.read_bytes() for path in (tmp_path / "job").iterdir()}
    assert [] == [name for name in left if name.endswith(".nc")]
    assert earlier["report.json"] != left["report.json"]


def test_a_job_folder_can_be_carved_again_from_its_job_file(tmp_path):
    """job.toml holds the job as run: carving it gives the same programs."""
    assert 0 == run(*small(tmp_path, "--quiet")).exit_code
    result = run("carve", str(tmp_path / "job" / "job.toml"), "-o", str(tmp_path / "again"), "--quiet")

    assert 0 == result.exit_code, result.output
    for name in ("1-roughing.nc", "2-finishing.nc"):
        assert (tmp_path / "job" / name).read_bytes() == (tmp_path / "again" / name).read_bytes()


def test_a_folder_without_a_name_is_called_after_what_is_carved(tmp_path, monkeypatch):
    """By the picture or the job file; an earlier job, by folder or by its job.toml, is carved again."""
    finished, plain = tmp_path / "sign job", tmp_path / "n1"
    for folder in (finished, plain):
        folder.mkdir()
        (folder / "job.toml").touch()
    (finished / "report.json").touch()
    (tmp_path / "gate.toml").touch()

    def named(source: str) -> str:
        return usual_folder(Path(source), str(tmp_path / "sign.png"))

    assert named(str(tmp_path / "sign.png")) == "sign job"
    assert named(str(tmp_path / "gate.toml")) == "gate job"
    assert named(str(finished)) == named(str(finished / "job.toml")) == "sign job again"
    assert named(str(plain / "job.toml")) == "sign job"
    monkeypatch.chdir(finished)
    assert named(".") == named("job.toml") == "sign job again"


def test_an_edited_width_keeps_the_picture_in_shape(tmp_path):
    """The saved job leaves open what follows from the picture: carved at another width it is not squashed."""
    assert 0 == run(*small(tmp_path, "--quiet")).exit_code
    saved = ["carve", str(tmp_path / "job" / "job.toml"), "-o", str(tmp_path / "wide"), "--width", "18"]
    assert 0 == run(*saved, "--quiet").exit_code
    reports = [json.loads((tmp_path / name / "report.json").read_bytes()) for name in ("job", "wide")]
    sizes = [report["job"]["relief"] for report in reports]

    assert sizes[1]["length"] / sizes[0]["length"] == pytest.approx(18 / 12, rel=0.05)


def test_files_of_the_user_are_never_written_over(tmp_path):
    """`--heights`, `shop --write` and `new` refuse a file that is there."""
    kept = tmp_path / "kept.npy"
    kept.write_text("mine")
    for arguments in (
        small(tmp_path, "--heights", str(kept)),
        ["shop", "--write", str(kept)],
        ["new", str(good_picture(tmp_path)), "-o", str(kept)],
    ):
        result = run(*arguments)
        assert 1 == result.exit_code
        assert "already there" in result.stderr
    assert "mine" == kept.read_text()


def test_a_blank_picture_is_refused(tmp_path):
    """One brightness is no picture to carve."""
    from PIL import Image

    Image.new("L", (30, 20), 255).save(tmp_path / "blank.png")
    result = run("carve", str(tmp_path / "blank.png"), "-o", str(tmp_path / "job"), "--quiet")

    assert 1 == result.exit_code
    assert "one brightness" in result.stderr


def test_the_shop_can_be_written_edited_and_used(tmp_path):
    """`relief shop --write` gives a file that `carve --shop` takes."""
    assert 0 == run("shop", "--write", str(tmp_path / "shop.toml")).exit_code
    assert "ball 1/8 in" in run("shop").stdout
    assert 0 == run(*small(tmp_path, "--quiet", "--shop", str(tmp_path / "shop.toml"))).exit_code


def test_the_module_runs_as_the_command_does():
    """`python -m relief --version` answers."""
    done = subprocess.run(
        [sys.executable, "-m", "relief", "--version"], capture_output=True, text=True, check=True
    )

    assert done.stdout.startswith("relief ")


def test_help_imports_nothing_heavy():
    """`relief --help` needs neither numpy nor numba nor pydantic."""
    code = (
        "import sys; from relief.cli import relief\n"
        "try: relief(['--help'])\nexcept SystemExit: pass\n"
        "print([m for m in ('numpy', 'numba', 'pydantic', 'scipy', 'PIL', 'rich') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert "[]" == done.stdout.splitlines()[-1]


def test_what_compare_tells_to_run_asks_for_the_same_job():
    """Every key of its own command line is in the words that it prints, but for cutters, which it chooses."""
    from relief.commands import carve, options

    settings = ('relief.edge="walled"', "finishing.passes=['a', 'b']", "tiles=true", "picture=b c.png")
    short = dict.fromkeys(name[2:] for name in options.SHORT_NAMES) | {
        "width": "8 in", "thickness": "18", "rough": "flat 6 mm", "finish": ("ball 1/8 in",)
    }  # fmt: skip
    words = options.asked_words(Path("a job.toml"), settings, short)
    found = carve.command("").make_context("carve", [*words, "--rough", "c", "--finish", "d"]).params
    again = {name: found[name] for name in short}

    assert found["source"] == Path("a job.toml")
    assert options.asked_keys(found["settings"], again) == {
        "relief.width": "8 in", "stock.thickness": "18", "relief.edge": "walled", "tiles": True,
        "picture": "b c.png", "roughing.cutter": "c", "finishing.cutter": "d",
    }  # fmt: skip


def test_an_option_that_is_meant_once_is_refused_twice(tmp_path):
    """The first of two would be passed over in silence."""
    result = CliRunner().invoke(
        relief, ["carve", "any.png", "--rough", "flat 1/4 in", "--rough", "flat 1/8 in"], prog_name="relief"
    )
    assert result.exit_code == 2
    assert "--rough is given 2 times, and one is meant" in result.stderr
