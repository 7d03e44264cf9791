"""Measures of a carved surface against cases worked by hand."""

import math

import numpy as np
import pytest

from relief.heightfield import Heightfield
from relief.measures import (
    lost_detail,
    scallop_figures,
    scallop_heights,
    volume_below,
    wall_nodes,
)


def test_scallop_is_measured_normal_to_the_surface():
    """On a 60° slope a ridge of 1 mm upward is 0.5 mm along the normal (plane geometry)."""
    x = np.arange(6) * 0.5
    reachable = Heightfield(np.tile(-math.tan(math.radians(60)) * x, (4, 1)), 0.5)
    carved = reachable.with_heights(reachable.heights + 1)

    assert scallop_heights(carved, reachable) == pytest.approx(np.full((4, 6), 0.5), abs=1e-5)
    assert not wall_nodes(reachable).any()


def test_walls_are_counted_apart():
    """Nodes steeper than 75° do not enter the figures of the finished area."""
    heights = np.zeros((4, 8))
    heights[:, 4:] = -10
    reachable = Heightfield(heights, 0.5)
    walls = wall_nodes(reachable)
    ridges = np.where(walls, 9.0, 0.01).astype(np.float32)
    figures = scallop_figures(ridges, walls, 0.05)

    assert 0.25 == figures.walls
    assert (1.0, 9.0) == (figures.within, figures.walls_max)
    assert figures.max == pytest.approx(0.01)


def test_percentiles_and_share_of_a_known_spread():
    """Of 1001 evenly spread ridges up to 1 mm, 5 % are within 0.05 mm."""
    ridges = np.linspace(0, 1, 1001, dtype=np.float32).reshape(7, 143)
    figures = scallop_figures(ridges, np.zeros((7, 143), bool), 0.0501)

    assert (figures.p99, figures.p999, figures.max) == pytest.approx((0.99, 0.999, 1.0))
    assert figures.within == pytest.approx(51 / 1001)


def test_lost_detail_of_a_filled_pit():
    """One node of ten that cannot be reached by 2 mm: largest 2, RMS 2/√10, a tenth of the area."""
    target = np.zeros((1, 10), np.float32)
    target[0, 3] = -2
    lost = lost_detail(target, np.zeros_like(target), 0.05)

    assert (lost.max, lost.share) == pytest.approx((2.0, 0.1))
    assert lost.rms == pytest.approx(2 / math.sqrt(10))


def test_a_loss_within_the_scallop_does_not_count():
    """Of four nodes that stand 0, 0.04, 0.06 and 0.2 mm too high, two are lost to a scallop of 0.05 mm."""
    target = np.zeros((1, 4), np.float32)
    lost = lost_detail(target, np.array([[0.0, 0.04, 0.06, 0.2]], np.float32), 0.05)

    assert lost.share == 0.5


def test_volume_below_a_wedge():
    """A wedge 10 × 4 mm that falls to 2 mm deep holds 40 mm³ (half of the box)."""
    x = np.arange(21) * 0.5
    wedge = Heightfield(np.tile(-0.2 * x, (9, 1)), 0.5)

    assert volume_below(0.0, wedge) == pytest.approx(40.0, rel=1e-6)
