"""Tip and reachable surfaces through the public names; the kernels have tests of their own."""

import numpy as np
import pytest
from scipy import ndimage

from relief import Cutter, Heightfield, reachable_surface, tip_surface
from relief.cutters import profile, profile_table
from relief.heightfield import Region
from relief.surfaces import reachable_inside, surround
from tests import fields

CUTTERS = [
    Cutter("flat", 3.0),
    Cutter("ball", 3.0),
    Cutter("bull", 3.0, tip_radius=0.5),
    Cutter("vee", 3.0, angle=90.0),
    Cutter("taper", 3.0, tip_radius=0.4, angle=20.0),
]


@pytest.mark.parametrize("cutter", CUTTERS, ids=lambda cutter: cutter.kind)
def test_both_surfaces_equal_scipys(cutter):
    """Grey dilation by the inverted cutter, and the closing, by scipy.ndimage to 1e-5 mm."""
    field = fields.band_limited(4, 12.0, 10.0, 0.2)
    table = profile_table(profile(cutter), field.pitch).astype(np.float64)
    disc, structure = np.isfinite(table), -np.where(np.isfinite(table), table, 0.0)
    z = field.heights.astype(np.float64)
    tip = ndimage.grey_dilation(z, footprint=disc, structure=structure, mode="constant", cval=-1e9)
    reach = ndimage.grey_erosion(tip, footprint=disc, structure=structure, mode="constant", cval=1e9)

    assert tip_surface(field, cutter) == pytest.approx(tip, abs=1e-5)
    assert reachable_surface(field, cutter) == pytest.approx(reach, abs=1e-5)


def test_planes_in_closed_form():
    """On z = px + qy a ball rides R (√(1 + p² + q²) − 1) high, a flat R √(p² + q²) (plane geometry)."""
    plane = fields.plane(20.0, 20.0, 0.1, p=0.3, q=0.4)
    middle = (100, 100)
    ball = tip_surface(plane, Cutter("ball", 3.0))[middle] - plane.heights[middle]
    flat = tip_surface(plane, Cutter("flat", 3.0))[middle] - plane.heights[middle]

    assert ball == pytest.approx(0.1770510, abs=0.1**2 * 1.25**1.5 / 6 + 1e-5)
    assert 0.75 - 1e-5 <= flat <= 0.75 + 0.1


def test_a_wall_round_the_relief_keeps_the_cutter_away():
    """A flat floor with a wall round it cannot be reached in its corner; with an open edge it can."""
    floor = Heightfield(np.full((31, 31), -3.0), 0.2)
    ball = Cutter("ball", 3.0)
    walled = reachable_inside(surround(floor, (4.0, 4.0), "walled"), floor.region, ball)
    opened = reachable_inside(surround(floor, (4.0, 4.0), "open"), floor.region, ball)

    assert opened.heights == pytest.approx(reachable_surface(floor, ball))
    assert walled.heights[0, 0] > -2
    assert walled.heights[15, 15] == pytest.approx(-3.0)


def test_surround_pads_in_whole_nodes():
    """The margin is rounded outward, and the relief keeps its place."""
    field = Heightfield(np.full((3, 4), -2.0), 1.0)
    whole = surround(field, (1.5, 2.0), "walled")

    assert (-2.0, -2.0) == whole.origin
    assert whole.cropped(Region(0, 0, 3, 2)).heights == pytest.approx(field.heights)
    assert 0.0 == whole.heights[0, 0]
