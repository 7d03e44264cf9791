"""The job file: one set of keys, defaults stated once."""

import re
from pathlib import Path

import pytest

from relief.errors import JobError
from relief.job import Job, job_from_source, job_keys, set_key


def test_a_job_file_is_read_and_its_paths_count_from_its_folder(tmp_path):
    """`Job.read` reads sections and lengths with units."""
    (tmp_path / "job.toml").write_text(
        'picture = "sign.png"\nshop = "my-shop.toml"\n[relief]\nwidth = "8 in"\n[finishing]\nangle = 45\n'
    )
    job = Job.read(tmp_path / "job.toml")

    assert str(tmp_path / "sign.png") == job.picture
    assert str(tmp_path / "my-shop.toml") == job.shop
    assert pytest.approx(203.2) == job.relief.width
    assert (45, 0.05, "softwood") == (job.finishing.angle, job.finishing.scallop, job.material)


def test_what_is_written_is_read_back(tmp_path):
    """The job in the job folder is the job that was run."""
    (tmp_path / "pictures").mkdir()
    job = job_from_source(
        Path(tmp_path / "pictures/a b.png"), {"relief.width": 99.5, "relief.edge": "walled"}
    )
    folder = tmp_path / "a b job"
    folder.mkdir()
    (folder / "job.toml").write_text(job.seen_from(folder).to_toml())

    again = Job.read(folder / "job.toml")
    assert Path(again.picture).resolve() == Path(job.picture)
    assert (job.relief, job.finishing, job.output) == (again.relief, again.finishing, again.output)


def test_the_command_line_wins_over_the_job_file(tmp_path):
    """A setting replaces the file's own; other keys stay."""
    path = tmp_path / "job.toml"
    path.write_text('picture = "a.png"\nmaterial = "hardwood"\n[relief]\nwidth = 100\ndepth = 4\n')
    job = job_from_source(path, {"relief.width": "90 mm"})

    assert (90, 4, "hardwood") == (job.relief.width, job.relief.depth, job.material)


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("finishing.scalop", 1, 'did you mean "finishing.scallop"'),
        ("relief.width", -3, "relief.width = -3: should be greater than 0"),
        ("relief.width", "wide", "no length"),
        ("relief.edge", "round", "relief.edge"),
        ("cutout.shape", "heart", "rectangle"),
        ("shaping.tone", "lightnes", "shaping.tone"),
        ("shaping.levels", [0, 2], r"shaping\.levels"),
        ("shaping.levels", ["1 %", "120 %"], r"shaping\.levels"),
        ("shaping.crop", [0, 0, 0, 100], r"shaping\.crop"),
        ("output.programs", "two", "output.programs"),
        ("relief.mirror", "yes", "relief.mirror"),
        ("relief", 3, "relief"),
    ],
)
def test_wrong_settings_are_refused_in_one_line(name, value, said):
    """The line names the key, what came and how to mend it."""
    with pytest.raises(JobError, match=said) as refused:
        job_from_source(Path("a.png"), {name: value})

    assert "\n" not in str(refused.value)


def test_every_key_has_a_meaning():
    """Help, reference and commented job files are made from these."""
    for key in job_keys():
        assert key.meaning, key.name


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("style", 'unknown key "style"; did you mean "relief.style"?'),
        ("xy", 'unknown key "xy"; did you mean "zero.xy"?'),
        ("cut", 'did you mean "roughing.cut" or "finishing.cut"?'),
        ("zero", '"zero" is a section; name one of its keys: zero.xy, zero.z'),
        ("relief.stile", 'unknown key "relief.stile"; did you mean "relief.style"?'),
    ],
)
def test_a_key_without_its_section_is_found(name: str, words: str) -> None:
    """Whoever forgets the section, or names it alone, is told the whole name."""
    with pytest.raises(JobError, match=re.escape(words)):
        set_key({}, name, "x", "command line")


@pytest.mark.parametrize(
    ("written", "asked", "expected"),
    [
        ('cutter = "ball 1/8 in"', ("passes", ["ball 1/4 in", "taper 1/16 in"]), "taper 1/16 in"),
        ('passes = ["ball 1/4 in", "taper 1/16 in"]', ("cutter", "ball 1/8 in"), "ball 1/8 in"),
    ],
)
def test_cutters_asked_for_take_the_place_of_those_in_the_file(tmp_path, written, asked, expected):
    """One or several on the command line: what the file says of the other key gives way."""
    (tmp_path / "job.toml").write_text(f'picture = "sign.png"\n[finishing]\n{written}\n')
    job = job_from_source(tmp_path / "job.toml", {f"finishing.{asked[0]}": asked[1]})

    assert job.finishing.cutter == expected
    assert job.finishing.passes == (tuple(asked[1]) if asked[0] == "passes" else ())
