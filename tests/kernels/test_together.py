"""All kernels of a job at work on a tiny relief, with the compiler on or off, held to a judge of its own."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from tests import fields, independent
from tests.judge import OPEN, underside
from tests.test_laws import done

PITCH = 0.6
TARGETS = {
    "waves": lambda: fields.band_limited(2, 6.0, 4.8, PITCH).heights,
    "walls": lambda: np.where(np.add.outer(np.arange(8) // 3, np.arange(10) // 3) % 2, -2.0, 0.0),
    "slope": lambda: fields.ramp(40, 5.4, 4.2, PITCH, turn_deg=30).heights,
}
ASKED = {
    "usual": {},
    "climb, walled": {"finishing.cut": "climb", "roughing.cut": "climb", "relief.edge": "walled"},
    "two cutters": {"finishing.passes": ["ball 1/4 in", "ball 1/16 in"]},
}


@pytest.mark.parametrize(
    ("target", "asked"),
    [
        # a minute each with the compiler off
        pytest.param(*case, marks=[pytest.mark.jitless] if case == ("waves", "two cutters") else [])
        for case in product(TARGETS, ASKED)
    ],
)
def test_a_job_is_carved_as_promised(target: str, asked: str) -> None:
    """Nothing lies below the target; what stands above what can be reached is a ridge that was allowed."""
    settings = {"output.pitch": PITCH, "finishing.scallop": 0.3} | ASKED[asked]
    job = done(TARGETS[target]().astype(np.float32), **settings)
    field = job.setup.target
    bottom = np.zeros(field.heights.shape)
    for program in job.programs:
        if program.cutter is not None:
            points = independent.positions(program.text.decode())[0] - (*field.origin, 0.0)
            shape, radius = underside(program.cutter), program.cutter.diameter / 2
            bottom = np.minimum(bottom, independent.carved(bottom.shape, PITCH, points, shape, radius, 0.1))
    inside = field.window(job.setup.region)

    assert (field.heights - bottom)[inside].max() <= 0.005 + OPEN
    assert job.proof.evidence.scallop.within >= 0.95
    assert job.proof.evidence.gouge <= 0.005
