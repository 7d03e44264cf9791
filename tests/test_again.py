"""A finished job's folder carved again in another material: the foam trial of the same job."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from relief.cli import relief


def run(*arguments: str) -> Result:
    """Run the command line inside this process."""
    return CliRunner().invoke(relief, list(arguments), prog_name="relief")


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Return the folder of a job in hardwood, and of its trial in foam made from that folder alone."""
    place = tmp_path_factory.mktemp("again")
    j, i = np.mgrid[0:25, 0:33] * 0.5
    np.save(place / "waves.npy", (-1.5 + np.sin(i / 2) * np.cos(j / 3)).astype(np.float32))
    first, trial = place / "waves job", place / "foam trial"
    options = [
        "--width",
        "16",
        "--material",
        "hardwood",
        "--scallop",
        "0.2",
        "--quiet",
        "--heights",
        str(place / "a.npy"),
    ]
    made = run("carve", str(place / "waves.npy"), "-o", str(first), *options)
    assert made.exit_code == 0, made.output
    foam = ["--material", "foam XPS", "--quiet", "--heights", str(place / "b.npy")]
    made = run("carve", str(first), "-o", str(trial), *foam)
    assert made.exit_code == 0, made.output
    return first, trial


def test_the_surface_is_the_same(folders: tuple[Path, Path]) -> None:
    """Every node of the target, and every key of the job but the material."""
    place = folders[0].parent
    np.testing.assert_array_equal(np.load(place / "a.npy"), np.load(place / "b.npy"))
    jobs = [json.loads((folder / "report.json").read_bytes())["job"] for folder in folders]
    assert [job.pop("material") for job in jobs] == ["hardwood", "foam XPS"]
    assert jobs[0] == jobs[1]


def test_the_feeds_are_those_of_foam(folders: tuple[Path, Path]) -> None:
    """Thicker chips and deeper layers than in hardwood, and the head and the cautions speak of foam."""
    feeds = [
        {p["operation"]: p["feed"] for p in json.loads((folder / "report.json").read_bytes())["programs"]}
        for folder in folders
    ]
    assert feeds[1]["roughing"] > feeds[0]["roughing"]
    text = (folders[1] / "1-roughing.nc").read_text("ascii")
    assert "foam XPS" in text
    assert "styrene" in text


def test_a_folder_that_is_no_job_is_refused(tmp_path: Path) -> None:
    """One line that says what to name instead."""
    result = run("carve", str(tmp_path), "-o", str(tmp_path / "x"), "--quiet")
    assert result.exit_code == 1
    assert "no job folder" in result.stderr
    assert not (tmp_path / "x").exists()
