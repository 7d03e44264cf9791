"""Grids of heights and the boxes on them."""

import numpy as np
import pytest

from relief.errors import ReliefError
from relief.heightfield import Heightfield, Region


def test_nodes_lie_on_both_edges():
    """A relief of width W has W / pitch + 1 columns, the first at the origin."""
    field = Heightfield(np.zeros((3, 11)), 0.5, (-1.0, 2.0))

    assert (5.0, 1.0) == (field.width, field.length)
    assert -1.0 == field.x[0]
    assert 4.0 == field.x[-1]
    assert [2.0, 2.5, 3.0] == field.y.tolist()
    assert Region(-1.0, 2.0, 4.0, 3.0) == field.region


def test_heights_cannot_be_changed_from_outside():
    """The field keeps its own heights, and no one can write to them."""
    given = np.zeros((2, 2), np.float32)
    field = Heightfield(given, 1.0)
    given[0, 0] = 9

    assert 0 == field.heights[0, 0]
    with pytest.raises(ValueError, match="read-only"):
        field.heights[0, 0] = 1


def test_read_only_heights_are_not_copied():
    """A panel of millions of nodes is not held twice."""
    given = np.zeros((2, 2), np.float32)
    given.flags.writeable = False

    assert Heightfield(given, 1.0).heights is given


@pytest.mark.parametrize(
    ("heights", "pitch", "said"),
    [
        (np.zeros(3), 1.0, "shape"),
        (np.zeros((0, 3)), 1.0, "non-empty"),
        (np.full((2, 2), np.nan), 1.0, "finite"),
        (np.zeros((2, 2)), 0.0, "pitch"),
        (np.zeros((2, 2)), np.nan, "pitch"),
    ],
)
def test_impossible_fields_are_refused(heights, pitch, said):
    """What is no grid of finite heights is refused in one line."""
    with pytest.raises(ReliefError, match=said):
        Heightfield(heights, pitch)


def test_cropping_keeps_the_nodes_of_a_region():
    """The crop of a padded field is the field itself, at its own place."""
    whole = Heightfield(np.arange(35.0).reshape(5, 7), 0.1, (-0.2, -0.1))
    part = whole.cropped(Region(0.0, 0.0, 0.3, 0.2))

    assert (3, 4) == part.heights.shape
    assert whole.heights[1, 2] == part.heights[0, 0]
    assert part.origin == pytest.approx((0.0, 0.0))


def test_slope_of_a_plane():
    """The slope of z = 0.3 x + 0.4 y is 0.5 everywhere."""
    x, y = np.meshgrid(np.arange(6) * 0.2, np.arange(5) * 0.2)
    field = Heightfield(0.3 * x + 0.4 * y, 0.2)

    assert field.slope() == pytest.approx(np.full((5, 6), 0.5), abs=1e-5)
    assert Heightfield(np.array([[0.0, 0.2, 0.4]]), 0.2).slope() == pytest.approx(np.ones((1, 3)), abs=1e-5)
