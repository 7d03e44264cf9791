"""Facts of the trade that a woodworker would hold the whole job to: common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve

PITCH = 0.8
BALL = 12.7 / 2


@pytest.fixture(scope="module")
def large_artwork():
    """Return broad forms 25 mm deep, with fine ones, 5 mm from ridge to ridge, in one corner."""
    y, x = np.mgrid[0:91, 0:131] * PITCH
    broad = -12.0 + 9.0 * np.sin(x / 22) * np.cos(y / 18)
    fine = np.where((x > 75) & (y > 45), 1.5 * np.sin(2 * np.pi * x / 5), 0.0)
    return np.minimum(broad + fine, 0.0)


def test_half_inch_cutters_are_a_sound_pair_for_a_large_relief_in_foam(tmp_path, large_artwork):
    """50 mm of foam, a 1/2 in end mill, a 1/2 in ball: nothing stops it, and nothing is overloaded.

    What the ball is too thick for is told, and the share of it is that of a closing by scipy.
    """
    np.save(tmp_path / "target.npy", large_artwork.astype(np.float32))
    settings = {
        "stock.thickness": 50, "material": "foam XPS", "roughing.cutter": "flat 1/2 in",
        "finishing.cutter": "ball 1/2 in", "finishing.scallop": 0.4, "output.pitch": PITCH,
    }  # fmt: skip
    report = carve(job_from_source(tmp_path / "target.npy", settings), Shop.read(None), tmp_path / "job")
    held = {check.name: check for check in report.checks}

    assert report.ready, report.stops
    for name in (
        "chip load in range",
        "power enough",
        "floor thick enough",
        "cutting length covers the depth",
    ):
        assert held[name].holds, held[name].message
    assert [run.cutter.name for run in report.programs[1:]] == ["flat 1/2 in", "ball 1/2 in"]

    steps = np.arange(-8, 9) * PITCH
    away = np.hypot(*np.meshgrid(steps, steps))
    dent = np.where(away <= BALL, np.sqrt(np.maximum(BALL**2 - away**2, 0)) - BALL, -np.inf)
    around = np.pad(large_artwork, 8, constant_values=large_artwork.min())
    tip = ndimage.grey_dilation(around, structure=dent)[8:-8, 8:-8]
    edge = np.pad(tip, 8, constant_values=np.inf)
    reach = ndimage.grey_erosion(edge, structure=dent[::-1, ::-1])[8:-8, 8:-8]
    lost = reach - large_artwork > 0.4
    assert report.lost_detail.share == pytest.approx(lost.mean(), abs=0.003)
    assert lost[60:, 95:].mean() > 0.3
    assert lost[:50, :90].mean() < 0.01
    assert not held["detail kept"].holds or report.lost_detail.share <= 0.1
    assert "a smaller ball would show more" in held["detail kept"].message
