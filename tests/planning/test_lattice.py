"""Finishing on a lattice of text on which the grid's nodes do not lie, as in programs in inches."""

from __future__ import annotations

import numpy as np
import pytest

from relief.cutters import profile
from relief.heightfield import Heightfield, Region
from relief.kernels.tip import tip_at
from relief.planning.finishing import plan_finishing
from relief.shop.records import Cutter


@pytest.mark.parametrize("cutter", [Cutter("ball", 3.0), Cutter("bull", 3.0, tip_radius=1.0)])
@pytest.mark.parametrize("step", [0.001, 0.00254, 0.0254])
def test_no_vertex_lies_below_the_exact_tip(cutter: Cutter, step: float) -> None:
    """Beside walls, half a step of the lattice decides over tenths of a millimetre of height."""
    heights = np.zeros((27, 29), dtype=np.float32)
    heights[4:-4, 4:-4] = -2.5
    heights[12:14, 12:14] = -0.5
    target = Heightfield(heights, 0.5, (-2.0, -2.0))
    region = Region(0.0, 0.0, 10.0, 9.0)
    points = plan_finishing(target, region, cutter, 0.1, step=step).toolpath.points
    shape = np.array(profile(cutter), dtype=np.float64)
    tip = tip_at(target.heights, target.pitch, shape, points[:, 0] + 2.0, points[:, 1] + 2.0)

    assert (tip - points[:, 2]).max() <= 0.005
