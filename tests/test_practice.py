"""Random jobs held to the habits of the trade; `python -m tests.soak practice` tries fifty."""

from __future__ import annotations

import numpy as np
import pytest

from relief.job import job_from_source
from relief.shop.load import Shop
from relief.workflow import carve
from tests import fields, independent
from tests.judge import underside
from tests.practice import clamp_room
from tests.soak.practice import one_job


# The last has rows of passes that end at walls, and cusps between them finer than its plan's points.
@pytest.mark.parametrize(("seed", "number"), [(1, 2), (1, 5), (1, 7), (91, 32)])
def test_entries_engagement_clamps_tabs_and_outline(seed, number):
    """Judged from the text by code that shares nothing with the planner or the checks."""
    found = one_job(seed, number)

    assert not isinstance(found, str), found
    assert found.faults == []


def test_the_judge_of_clamps_knows_the_holder():
    """The holder reaches further than the cutter, and only where it is lower than the clamp's top."""

    class Stub:
        diameter, shank, holder_diameter, cutting_length, reach = 6.0, 6.0, 20.0, 10.0, 14.0

    clamp = {"x": 10, "y": -5, "width": 6, "length": 10, "height": 8}
    assert clamp_room(np.array([(0.0, 0.0, -2.0)]), Stub, clamp, 1.0) == 7
    assert clamp_room(np.array([(0.0, 0.0, -6.0)]), Stub, clamp, 1.0) == 0


@pytest.mark.parametrize("settings", [{"output.units": "in"}, {"zero.xy": "centre", "zero.z": "bed"}])
def test_units_and_zero_carve_the_same_surface_beside_a_clamp(tmp_path, settings):
    """To 0.002 mm at every node, carved from the texts by scipy."""
    pitch, thickness = 0.3, 18.0
    target = fields.terrain(15.0, 3.0, pitch).heights
    np.save(tmp_path / "target.npy", target)
    clamp = {"x": -14, "y": 4, "width": 5, "length": 6, "height": 10}
    asked = {"output.pitch": pitch, "finishing.scallop": 0.15, "relief.margin": 16, "clamps": [clamp]}
    surfaces = []
    for name, more in (("plain", {}), ("other", settings)):
        job = job_from_source(tmp_path / "target.npy", asked | more)
        report = carve(job, Shop.read(None), tmp_path / name)
        assert report.ready, report.stops
        sides = [(n - 1) * pitch / 2 for n in target.shape[::-1]]
        corner = np.array([*sides, -thickness]) if "zero.xy" in more else np.zeros(3)
        left = []
        for run in report.programs[1:]:
            points = independent.positions((tmp_path / name / run.file).read_text())[0] + corner
            shape = (underside(run.cutter), run.cutter.diameter / 2)
            left.append(independent.carved(target.shape, pitch, points, *shape, 0.05))
        surfaces.append(np.min(left, axis=0))
    assert np.abs(surfaces[0] - surfaces[1]).max() <= 0.002
