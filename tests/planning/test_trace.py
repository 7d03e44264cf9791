"""The trace walks round what will be cut, and nothing else."""

from __future__ import annotations

import numpy as np

from relief.heightfield import Region
from relief.planning.trace import plan_trace
from relief.toolpath import RAPID


def test_the_trace_walks_the_box_and_comes_back() -> None:
    """Every side is walked once at clearance height; the length is the box's girth."""
    path = plan_trace(Region(-4.0, -3.0, 124.0, 93.0), 5.0)
    assert (path.kinds == RAPID).all()
    assert (path.points[:, 2] == 5.0).all()
    assert np.array_equal(path.points[0], path.points[-1])
    assert path.points[:, :2].min(axis=0).tolist() == [-4.0, -3.0]
    assert path.points[:, :2].max(axis=0).tolist() == [124.0, 93.0]
    assert path.rapid_length() == 2 * (128.0 + 96.0)
    assert path.cutting_length() == 0.0
