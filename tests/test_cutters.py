"""Profiles of cutters against plane geometry."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.cutters import Profile, narrower, outward_radius, profile, profile_height, profile_table, wider
from relief.errors import TableError
from relief.shop.records import Cutter

CUTTERS = {
    "flat": Cutter("flat", 6.0),
    "ball": Cutter("ball", 6.0),
    "bull": Cutter("bull", 6.0, tip_radius=1.0),
    "vee": Cutter("vee", 6.0, angle=90.0),
    "rounded vee": Cutter("vee", 6.0, angle=60.0, tip_radius=0.5),
    "taper": Cutter("taper", 6.0, tip_radius=0.5, angle=10.0),
    "drag": Cutter("drag", 2.0, angle=90.0),
}


@pytest.mark.parametrize("name", CUTTERS)
def test_profiles_start_at_the_tip_rise_and_end_at_the_rim(name):
    """s(0) = 0, s never falls, and nothing is there beyond the radius."""
    shape = profile(CUTTERS[name])
    heights = profile_height(shape, np.linspace(0, shape.radius, 500))

    assert 0 == heights[0]
    assert (np.diff(heights) >= -1e-12).all()
    assert math.isinf(profile_height(shape, shape.radius * 1.001))


def test_ball_and_vee_in_closed_form():
    """A ball is R − √(R² − r²); a 90° vee rises as fast as it widens (plane geometry)."""
    r = np.linspace(0, 3, 50)

    assert profile_height(profile(CUTTERS["ball"]), r) == pytest.approx(3 - np.sqrt(9 - r**2))
    assert profile_height(profile(CUTTERS["vee"]), r) == pytest.approx(r)
    assert profile_height(profile(CUTTERS["flat"]), r) == pytest.approx(0 * r)


@pytest.mark.parametrize("name", ["rounded vee", "taper"])
def test_the_cone_leaves_the_tip_ball_at_a_tangent(name):
    """Height and slope have no step where ball and cone meet, and the cone has the angle of the cutter."""
    cutter = CUTTERS[name]
    shape = profile(cutter)
    r = np.linspace(0, shape.radius, 20001)
    slope = np.diff(profile_height(shape, r)) / np.diff(r)

    assert np.abs(np.diff(np.arctan(slope))).max() < 0.01
    assert slope[-1] == pytest.approx(1 / math.tan(math.radians(cutter.angle / 2)))


@pytest.mark.parametrize("name", CUTTERS)
def test_tables_sample_the_profile(name):
    """A table holds s at each node offset, infinite beyond the cutter, and is symmetric."""
    shape = profile(CUTTERS[name])
    table = profile_table(shape, 0.25)
    middle = table.shape[0] // 2

    assert 0 == table[middle, middle]
    assert table[middle, middle + 3] == pytest.approx(profile_height(shape, 0.75))
    assert np.array_equal(table, table[::-1])
    assert np.array_equal(table, table.T)
    assert np.isinf(table[0, 0])


@given(st.floats(0.05, 8), st.floats(0.05, 1), st.floats(0, 2 * math.pi))
def test_flat_discs_are_rounded_outward_never_inward(radius, pitch, bearing):
    """In every direction some node lies at least as far out as the true disc, and none a lot further."""
    table = profile_table(Profile(radius, 0.0, math.inf, radius), pitch)
    j, i = np.nonzero(np.isfinite(table))
    middle = table.shape[0] // 2
    i, j = (i - middle) * pitch, (j - middle) * pitch

    assert (i * math.cos(bearing) + j * math.sin(bearing)).max() >= radius * (1 - 1e-9) - 1e-9
    assert np.hypot(i, j).max() <= radius + math.sqrt(2) * pitch + 1e-9


def test_outward_radius_of_a_case_worked_by_hand():
    """15 nodes of radius towards (1, 1) need node (11, 11), 15.556 pitches out."""
    assert outward_radius(1.5, 0.1) == pytest.approx(0.1 * math.hypot(11, 11))


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"kind": "ball", "diameter": -1}, "diameter"),
        ({"kind": "ball", "diameter": math.nan}, "diameter"),
        ({"kind": "ball", "diameter": "wide"}, "no length"),
        ({"kind": "round", "diameter": 3}, "kind"),
        ({"kind": "vee", "diameter": 3}, "angle"),
        ({"kind": "flat", "diameter": 3, "angle": 60}, "angle"),
        ({"kind": "flat", "diameter": 3, "tip_radius": 1}, "tip_radius"),
        ({"kind": "bull", "diameter": 3}, "tip_radius"),
        ({"kind": "bull", "diameter": 3, "tip_radius": 1.5}, "tip_radius"),
        ({"kind": "ball", "diameter": 3, "tip_radius": 1}, "tip_radius"),
        ({"kind": "taper", "diameter": 3, "angle": 10}, "tip_radius"),
        ({"kind": "taper", "diameter": 1, "angle": 10, "tip_radius": 0.6}, "tip_radius"),
        ({"kind": "flat", "diameter": 3, "flutes": 0}, "flutes"),
        ({"kind": "flat", "diameter": 3, "reach": 1}, "reach"),
        ({"kind": "flat", "diameter": 3, "lenght": 1}, "lenght"),
    ],
)
def test_impossible_cutters_are_refused(asked, said):
    """A cutter that cannot exist is refused, and the key named."""
    with pytest.raises(TableError, match=said):
        Cutter(**asked)


def test_names_and_lengths_are_filled_in():
    """A cutter made of kind and diameter alone has a name, edges, a reach and a shank."""
    cutter = Cutter("ball", "1/8 in")

    assert "ball 3.175 mm" == cutter.name
    assert (12.7, 22.7, 3.175) == pytest.approx((cutter.cutting_length, cutter.reach, cutter.shank))
    assert "taper 1 mm" == CUTTERS["taper"].name


@pytest.mark.parametrize("name", ["flat", "ball", "bull", "taper", "vee"])
def test_narrower_and_wider_cutters_hold_the_true_one_between_them(name):
    """A narrower cutter leaves whatever the true one leaves, moved aside by as much as it is narrower."""
    shape, by = profile(CUTTERS[name]), 0.001
    r = np.linspace(0, 3.0 - 2 * by, 400)
    slope = shape.cone_slope if np.isfinite(shape.cone_slope) else 0.0
    narrow = profile_height(narrower(shape, by), r)
    # of a rim no height is lost, but of a slope
    beyond = profile_height(shape, r + by) - by * max(slope, 1.0)
    assert (narrow >= profile_height(shape, r) - 1e-12).all()
    assert (narrow >= beyond - 1e-9).all()
    if name in ("ball", "bull", "taper"):
        assert (profile_height(wider(shape, by), r) <= profile_height(shape, r) + 1e-12).all()
