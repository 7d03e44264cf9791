"""A job file to edit."""

import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from relief.cli import relief
from relief.errors import JobError
from relief.job import Job, job_from_source, job_keys
from relief.newjob import job_text


def test_the_file_is_the_default_job(tmp_path: Path):
    """Read as it is, the new file gives the job that the picture alone gives."""
    path = tmp_path / "job.toml"
    path.write_text(job_text('a "quoted" sign.png'))

    assert job_from_source(tmp_path / 'a "quoted" sign.png', {}) == Job.read(path)


def test_every_key_is_there_with_its_meaning():
    """Nothing that can be set is left out."""
    text = job_text("sign.png")
    for key in job_keys():
        assert f"{key.name.rpartition('.')[2]} =" in text
        assert key.meaning in text


def test_an_earlier_job_can_be_taken_over(tmp_path: Path):
    """`--like` keeps the earlier values, but not the picture."""
    folder = tmp_path / "old job"
    folder.mkdir()
    values = {"relief.depth": 3, "finishing.angle": 45, "relief.mirror": True}
    old = job_from_source(tmp_path / "old.png", values)
    (folder / "job.toml").write_text(old.seen_from(folder).to_toml())
    table = tomllib.loads(job_text("new.png", like=folder))

    assert "new.png" == table["picture"]
    assert (3, 45, True) == (table["relief"]["depth"], table["finishing"]["angle"], table["relief"]["mirror"])


def test_no_job_to_take_after(tmp_path: Path):
    """A folder without a job file is refused by name."""
    with pytest.raises(JobError, match=r"job\.toml"):
        job_text("new.png", like=tmp_path)


def test_the_command_writes_beside_nothing_else(tmp_path: Path):
    """`relief new` names the picture from the job file's own folder and never writes over a file."""
    (tmp_path / "jobs").mkdir()
    (tmp_path / "sign.png").touch()
    arguments = ["new", str(tmp_path / "sign.png"), "-o", str(tmp_path / "jobs" / "sign.toml")]

    assert 0 == CliRunner().invoke(relief, arguments).exit_code
    named = Job.read(tmp_path / "jobs" / "sign.toml").picture
    assert (tmp_path / "sign.png").resolve() == Path(named).resolve()
    again = CliRunner().invoke(relief, arguments)
    assert 1 == again.exit_code
    assert "already there" in again.stderr
