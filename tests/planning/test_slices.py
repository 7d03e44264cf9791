"""Layers: never deeper nor wider than the rule, to the bottom, at floors where there are any."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.planning.slices import WIDEST, Slice, slices

PITCH, RADIUS = 0.1, 3.0


def layers(
    heights: np.ndarray, stepdown: float = 3.0, stepover: float = 2.4, steep: bool = False
) -> list[Slice]:
    """Return the layers of some heights of the tip."""
    tip = np.asarray(heights, dtype=np.float32)
    return slices(tip, np.full(tip.shape, steep), PITCH, RADIUS, stepdown, stepover, thin=0.3)


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 999),
    depth=st.floats(0.05, 30.0),
    stepdown=st.floats(0.2, 6.0),
    stepover=st.floats(0.2, 3.0),
    steep=st.booleans(),
)
def test_no_layer_takes_more_than_the_rule(
    seed: int, depth: float, stepdown: float, stepover: float, steep: bool
) -> None:
    """Depth ≤ stepdown, depth × width ≤ stepdown × stepover; layers follow on each other to the bottom."""
    heights = -np.random.default_rng(seed).uniform(0, depth, 400)
    found = layers(heights, stepdown, stepover, steep)
    assert found[0].above == 0.0
    assert found[-1].floor == np.float32(heights.min())
    for layer in found:
        deep, wide = layer.above - layer.floor, layer.lines * PITCH
        assert 0 < deep <= stepdown + 1e-9
        assert wide <= max(WIDEST * 2 * RADIUS, PITCH) + 1e-9
        assert deep * wide <= stepdown * stepover + 1e-6 or layer.lines == 1
        assert wide <= RADIUS or not steep or len(found) > 6  # of many layers each has few slopes
    assert all(a.floor == b.above for a, b in itertools.pairwise(found))


def test_floors_lie_where_the_ground_is_level() -> None:
    """Steps of 1.6, 2 and 2 mm are three layers, each as wide as its depth lets it be."""
    heights = np.repeat([0.0, -1.6, -3.6, -5.6], 250_000)
    found = layers(heights)
    np.testing.assert_allclose([layer.floor for layer in found], [-1.6, -3.6, -5.6], atol=1e-6)
    assert [layer.lines for layer in found] == [45, 36, 36]


def test_one_deep_floor_is_cut_in_equal_shares_of_the_rule() -> None:
    """5.6 mm by a stepdown of 3 are two layers, not one of 3 and a thin one."""
    found = layers(np.full(250_000, -5.6))
    assert len(found) == 2
    assert min(layer.above - layer.floor for layer in found) > 2.4


@pytest.mark.parametrize("heights", [[], [0.0, 0.0], [0.5]])
def test_nothing_below_the_top_has_no_layer(heights: list[float]) -> None:
    """Nothing to cut, no layer."""
    assert layers(np.array(heights)) == []


def test_very_many_layers_are_even() -> None:
    """Where the rule makes hundreds of layers they are equal."""
    found = layers(np.linspace(-20, 0, 500), stepdown=0.05)
    assert len(found) in (400, 401)
    depths = [layer.above - layer.floor for layer in found]
    assert max(depths) - min(depths) < 1e-6
