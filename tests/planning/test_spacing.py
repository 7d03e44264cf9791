"""Distances of passes against published formulas, and where whole passes lie on planes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.errors import PlanError
from relief.heightfield import Heightfield
from relief.planning.spacing import Lines, ball_area, scallop_height, stepover, whole_passes
from tests import fields

# R, s, h in mm. The exact formula h = R − √(R² − s²/4) is textbook geometry; 6 mm ball, 0.5 → 0.0104,
# 10 mm ball, 0.5 → "about 0.0063" and 6 mm ball, 0.005 → 0.346 are worked examples published with it.
FLAT = [
    (3.0, 0.5, 0.0104348), (3.0, 1.0, 0.0419601), (1.5, 0.3, 0.0075188), (5.0, 0.5, 0.0062539),
    (3.0, 0.3462658, 0.005), (3.0, 0.4894895, 0.01), (1.0, 0.6244998, 0.05), (3.175, 0.5673930, 0.0127),
]  # fmt: skip


@pytest.mark.parametrize(("radius", "spacing", "scallop"), FLAT)
def test_ridges_on_a_plane(radius, spacing, scallop):
    """Stepover and scallop agree with published values to 1e-6 mm, each way."""
    assert stepover(radius, scallop) == pytest.approx(spacing, abs=2e-5)
    assert scallop_height(radius, spacing) == pytest.approx(scallop, abs=1e-6)


def test_passes_as_far_apart_as_the_ball_is_wide():
    """The limit s = 2R leaves h = R (geometry)."""
    assert scallop_height(3.0, 6.0) == 3.0


@pytest.mark.parametrize("spacing", [6.0001, -0.1, math.nan])
def test_no_ridge_beyond_the_ball(spacing):
    """Passes further apart than 2R are refused."""
    with pytest.raises(PlanError, match="set them closer"):
        scallop_height(3.0, spacing)


@pytest.mark.parametrize("scallop", [0.0, -0.01, 3.0, 4.0, math.nan])
def test_no_stepover_for_an_impossible_scallop(scallop):
    """A scallop must lie between 0 and the radius; a cutter without a round end has radius 0."""
    with pytest.raises(PlanError, match="lower scallop"):
        stepover(3.0, scallop)
    with pytest.raises(PlanError, match="round end"):
        stepover(0.0, 0.05)


@given(st.floats(0.2, 20), st.floats(0.001, 0.5))
def test_half_the_stepover_is_a_quarter_of_the_ridge(radius, share):
    """Halving s quarters h, to within h / R (series of the formula)."""
    spacing = share * radius
    ratio = scallop_height(radius, spacing) / scallop_height(radius, spacing / 2)
    assert ratio == pytest.approx(4, rel=2 * scallop_height(radius, spacing) / radius + 1e-9)


@pytest.mark.parametrize(("angle", "across"), [(0, 0.489490), (30, 0.423910), (45, 0.346121), (60, 0.244745)])
def test_passes_across_a_slope(angle, across):
    """Across a slope the spacing seen from above is the flat one × cos a; R = 3, h = 0.01 (derived)."""
    spacing = stepover(3.0, 0.01)
    tip = fields.ramp(angle, 12.0, 12.0, 0.1, turn_deg=90)

    gaps = np.diff(whole_passes(tip, 3.0, spacing, 0.0).starts[:, 1])[:-2]

    assert gaps.max() <= across * 1.0006
    assert gaps.mean() == pytest.approx(across, rel=0.03)


def test_slope_along_the_passes_changes_nothing():
    """A slope along the feed leaves the spacing as on the flat (derived, exact)."""
    spacing = stepover(3.0, 0.01)
    tip = fields.ramp(60, 12.0, 12.0, 0.1)

    gaps = np.diff(whole_passes(tip, 3.0, spacing, 0.0).starts[:, 1])[:-2]

    assert gaps == pytest.approx(spacing, rel=1e-4)


@pytest.mark.parametrize("angle", [0.0, 90.0, 30.0, 135.0, "auto"])
def test_passes_go_from_edge_to_edge(angle):
    """Passes start and end on the box, no further apart or from its corners than the stepover."""
    tip = fields.plane(9.0, 7.0, 0.1)
    lines = whole_passes(tip, 3.0, 0.5, angle)
    ends = np.concatenate([lines.starts, lines.ends])
    turn = math.radians(lines.angle_deg)
    across = ends @ [-math.sin(turn), math.cos(turn)]
    corners = np.array([(0, 0), (9, 0), (0, 7), (9, 7)]) @ [-math.sin(turn), math.cos(turn)]

    rim = np.minimum(np.abs(ends - [0, 0]), np.abs(ends - [9, 7])).min(axis=1)
    assert rim.max() < 1e-9
    assert (ends >= -1e-9).all()
    assert (ends <= np.array([9, 7]) + 1e-9).all()
    assert np.diff(np.sort(across)).max() <= 0.5 + 1e-9
    assert across.min() - corners.min() <= 0.5
    assert corners.max() - across.max() <= 0.5


def test_area_of_a_slope():
    """The area of a plane at 45° is √2 times its shadow."""
    tip = Heightfield(np.add.outer(np.zeros(21), np.arange(31) * 0.1), 0.1)
    assert ball_area(tip) == pytest.approx(2 * 3 * math.sqrt(2), rel=1e-6)


@pytest.mark.parametrize(("count", "kept"), [(1, [0]), (4, [2]), (8, [4]), (20, [4, 12])])
def test_every_eighth_pass_of_few_is_the_middle_one(count: int, kept: list[int]) -> None:
    """However few passes there are, one of them is looked at."""
    places = np.column_stack([np.arange(count), np.zeros(count)]).astype(float)
    assert Lines(0.0, places, places + 1.0).every(8).starts[:, 0].tolist() == kept
