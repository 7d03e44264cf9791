"""One picture shaped several ways: a sheet to look at, and a job file that makes each look."""

from __future__ import annotations

import io
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from relief.errors import JobError
from relief.job import Job, job_from_source
from relief.looks import draw_looks, job_file
from relief.progress import Silent
from relief.sections import Shaping
from relief.shop.load import Shop
from relief.sources import job_picture

SHOP = Shop.read(None)


@pytest.fixture(scope="module")
def picture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a small 8-bit picture: waves on a slope."""
    j, i = np.mgrid[0:60, 0:90]
    codes = 120 + 60 * np.sin(i / 7) * np.cos(j / 9) + 0.6 * i
    path = tmp_path_factory.mktemp("looks") / "waves.png"
    Image.fromarray(codes.astype(np.uint8)).save(path)
    return path


@pytest.fixture(scope="module")
def files(picture: Path) -> dict[str, bytes]:
    """Return the files of its looks, to lie in a folder beside it."""
    job = job_from_source(picture, {"relief.width": 60, "relief.depth": 4, "material": "acrylic"})
    return draw_looks(job, SHOP, picture.parent / "waves looks", Silent())


def test_at_least_nine_looks_stand_on_one_sheet(files: dict[str, bytes]) -> None:
    """A job file for each look, and one picture that can be opened and is wide enough for four."""
    assert sum(name.endswith(".toml") for name in files) >= 9
    with Image.open(io.BytesIO(files["looks.png"])) as sheet:
        assert sheet.width > 2000
        assert sheet.convert("RGB").getpixel((1, 1)) == (255, 255, 255)


def test_each_job_file_is_a_job_of_that_picture(
    files: dict[str, bytes], picture: Path, tmp_path: Path
) -> None:
    """Each is read by the job reader, names the picture from its own folder, and keeps what was asked."""
    folder = picture.parent / "waves looks"
    folder.mkdir()
    for name, content in files.items():
        if not name.endswith(".toml"):
            continue
        (folder / name).write_bytes(content)
        job = Job.read(folder / name)
        assert job_picture(job)[1].columns == 90
        assert (job.relief.width, job.relief.depth, job.material) == (60, 4, "acrylic")


def test_the_looks_differ(files: dict[str, bytes]) -> None:
    """No two job files are the same."""
    texts = [content for name, content in files.items() if name.endswith(".toml")]
    assert len(set(texts)) == len(texts)


def test_a_sheet_that_light_shines_through_is_offered_back_lit(files: dict[str, bytes]) -> None:
    """With acrylic stock one look is back-lit, with an attenuation that gives 20 : 1 over the depth."""
    table = next(
        tomllib.loads(content.decode()) for name, content in files.items() if name.endswith("back-lit.toml")
    )
    assert table["shaping"]["back_lit"] == "clear"
    assert np.exp(table["shaping"]["attenuation"] * 4) == pytest.approx(20, rel=0.01)


def test_grain_is_smoothed_and_a_clean_picture_is_not(tmp_path: Path) -> None:
    """Every look but the first takes the grain off a grainy picture: it would be carved as splinters."""
    j, i = np.mgrid[0:400, 0:600]
    waves = 120 + 60 * np.sin(i / 47) * np.cos(j / 60)
    smoothed = []
    for grain in (0.0, 8.0):
        codes = waves + np.random.default_rng(1).normal(0, grain, waves.shape)
        Image.fromarray(codes.astype(np.uint8)).save(tmp_path / "waves.png")
        job = job_from_source(tmp_path / "waves.png", {"relief.width": 60, "relief.depth": 4})
        found = draw_looks(job, SHOP, tmp_path / "looks", Silent())
        smoothed.append("smooth" in tomllib.loads(found["02-by-the-eye.toml"].decode())["shaping"])
    assert smoothed == [False, True]


def test_a_job_file_holds_only_what_differs() -> None:
    """Defaults are left out; sections without keys as well."""
    job = replace(Job("a.png"), shaping=Shaping(detail=0.5))
    assert tomllib.loads(job_file(job)) == {"picture": "a.png", "shaping": {"detail": 0.5}}


def test_the_same_picture_gives_the_same_bytes(files: dict[str, bytes], picture: Path) -> None:
    """Nothing on the sheet or in the files depends on time or chance."""
    job = job_from_source(picture, {"relief.width": 60, "relief.depth": 4, "material": "acrylic"})
    assert draw_looks(job, SHOP, picture.parent / "waves looks", Silent()) == files


@pytest.mark.parametrize(
    ("source", "settings", "words"),
    [
        ("heights.npy", {}, "one look only"),
        ("dragon.STL", {}, "one look only"),
        ("waves.png", {"relief.depth": 30}, "not below stock.thickness"),
    ],
)
def test_what_has_no_looks_is_refused(source: str, settings: dict[str, float], words: str) -> None:
    """A height file is no picture, and a depth has to leave stock."""
    with pytest.raises(JobError, match=words):
        draw_looks(job_from_source(Path(source), settings), SHOP, Path("x looks"), Silent())
