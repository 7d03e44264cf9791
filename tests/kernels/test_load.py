"""How hard moves cut, against closed forms and a plain twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.cutters import profile
from relief.kernels.load import loads_in_turn
from relief.shop.records import Cutter
from tests.oracles import loads_by_steps

pytestmark = pytest.mark.jitless
# no node of a grid in tenths lies just on the rim of the first two
FLAT, BALL, FOUR = Cutter("flat", 4.03), Cutter("ball", 4.03), Cutter("flat", 4.0)
PLACE = st.tuples(
    st.integers(-20, 120).map(lambda n: n / 10),
    st.integers(-20, 120).map(lambda n: n / 10),
    st.integers(-30, 5).map(lambda n: n / 10),
)


def loads(
    stock: np.ndarray, pitch: float, cutter: Cutter, points: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return what each move takes and how near its line."""
    volumes, nearest = np.zeros(len(points) - 1), np.zeros(len(points) - 1)
    shape = np.array(profile(cutter), dtype=np.float64)
    loads_in_turn(stock, pitch, shape, points[:-1].copy(), points[1:].copy(), 0.05, volumes, nearest)
    return volumes, nearest


@settings(deadline=None, max_examples=15)
@given(st.lists(PLACE, min_size=2, max_size=4), st.sampled_from([FLAT, BALL]))
def test_like_the_plain_twin(points, cutter):
    """Volumes, distances and the stock that is left are those of the cutter moved in tiny steps."""
    ours, theirs = (np.zeros((11, 11), dtype=np.float32) for _ in range(2))
    way = np.array(points, dtype=np.float64)
    volumes, _ = loads(ours, 1.0, cutter, way)
    expected, _ = loads_by_steps(theirs, 1.0, profile(cutter), way, 0.05)

    # the twin's heights are off by no more than its steps of 0.01 mm
    assert volumes.sum() == pytest.approx(float(-ours.sum(dtype=np.float64)), abs=1e-4)
    assert ours == pytest.approx(theirs, abs=0.011)
    assert volumes == pytest.approx(expected, abs=0.011 * (theirs < 0).sum() + 1e-9)


@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)])
def test_a_pass_beside_another_takes_stepover_times_stepdown(way):
    """Q / v = a_p a_e (textbook); the nearest node is cut R − a_e beside the line (geometry)."""
    stock = np.zeros((161, 161), dtype=np.float32)
    along, across = np.array([*way, 0.0]), np.array([-way[1], way[0], 0.0])
    middle = np.array([8.05, 8.05, -1.5])  # of the stock, and no row of nodes just on the rim
    points = middle + np.array([-11 * along, 11 * along, 11 * along + across, -11 * along + across])
    volumes, nearest = loads(stock, 0.1, FOUR, points)

    # each pass runs over all of the stock, 161 squares of 0.1 mm
    assert volumes == pytest.approx([1.5 * 4.0 * 16.1, 0.0, 1.5 * 1.0 * 16.1])
    assert nearest[0] == pytest.approx(0.05)
    assert nearest[2] == pytest.approx(2.0 - 1.0 + 0.05)
