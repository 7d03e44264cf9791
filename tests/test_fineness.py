"""The pitch that is chosen: finer where the creases of a relief are too steep for the scallop."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from relief.fineness import resolved
from relief.finer import Lens, noise_floor
from relief.job import Job, job_from_source
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from tests import fields

SHOP = Shop.read(None)


@pytest.fixture(scope="module")
def valleys(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return V-shaped valleys, 4 mm apart in a picture 12 mm wide, as a 16-bit picture."""
    x, y = fields.grid(12.0, 12.0, 0.04)
    bright = np.abs((x * np.cos(0.3) + y * np.sin(0.3)) % 4 - 2) / 2
    path = tmp_path_factory.mktemp("valleys") / "valleys.png"
    Image.fromarray(np.round(65535 * bright).astype(np.uint16)).save(path)
    return path


def asked(path: Path, **more: object) -> Job:
    """Return a job whose valleys are 60° steep."""
    keys = {"relief.width": 12.0, "relief.depth": 3.46, "finishing.scallop": 0.05} | more
    return job_from_source(path, keys)


def noise(setup: Setup) -> float:
    """Return the noise of all of a relief's grid, mm."""
    lens = Lens.over(setup.target, setup.region, setup.finishing_cutter)
    return noise_floor(lens.look(lens.windows())).p999


def test_steep_creases_get_a_finer_grid(valleys):
    """On the usual grid the densest passes would leave more than the scallop, on the chosen one less."""
    job = asked(valleys)
    usual = set_up(job, SHOP)
    chosen = resolved(usual, job, SHOP)

    assert noise(usual) > 0.05 >= noise(chosen)
    assert usual.relief.pitch == pytest.approx(0.1)
    assert 12 / chosen.relief.pitch == pytest.approx(round(12 / chosen.relief.pitch))
    assert "points are taken closer" in chosen.notes[-1]


def test_gentle_valleys_keep_the_usual_grid(valleys):
    """Where the noise is below the scallop nothing is changed."""
    job = asked(valleys, **{"relief.depth": 0.5})
    usual = set_up(job, SHOP)

    assert resolved(usual, job, SHOP) is usual


def test_a_pitch_that_is_asked_for_stays(valleys, tmp_path):
    """The user's own pitch is kept, and so are the nodes of a height file."""
    job = asked(valleys, **{"output.pitch": 0.1})
    heights = tmp_path / "heights.npy"
    np.save(heights, fields.terrain(12.0, 5.0, 0.1).heights)
    file = job_from_source(heights, {"relief.width": 12.0, "finishing.scallop": 0.05})
    for each in (job, file):
        usual = set_up(each, SHOP)
        assert resolved(usual, each, SHOP) is usual
