"""Fewest moves through gates against an exact search over all rungs, and against a circle's sagitta."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.kernels.simplify import fewest_moves

pytestmark = pytest.mark.jitless

STEP = 0.001


def moves(gates: np.ndarray, first: float, last: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the gates that get a vertex, and the heights of these."""
    stops, heights = np.zeros(len(gates), dtype=np.int64), np.zeros(len(gates))
    count = fewest_moves(gates, len(gates), first, last, STEP, stops, heights)
    return stops[:count], heights[:count]


def around(along: np.ndarray, height: np.ndarray, below: float, above: float) -> np.ndarray:
    """Return gates round a curve."""
    return np.column_stack([along, height - below, height + above])


def fewest_by_search(gates: np.ndarray, first: float, last: float) -> int:
    """Return the fewest moves between rungs: every pair of rungs of every pair of gates is tried."""
    n = len(gates)
    rungs = [np.arange(math.ceil(low / STEP - 1e-6), high / STEP + 1e-6) * STEP for _, low, high in gates]
    rungs[0], rungs[-1] = np.array([first]), np.array([last])
    best = [np.full(len(r), np.inf) for r in rungs]
    best[0][:] = 0
    for j in range(1, n):
        for k in range(j):
            share = (gates[k + 1 : j, 0] - gates[k, 0]) / (gates[j, 0] - gates[k, 0])
            for a, z in enumerate(rungs[k]):
                way = z + np.multiply.outer(rungs[j] - z, share)
                free = ((way >= gates[k + 1 : j, 1] - 1e-9) & (way <= gates[k + 1 : j, 2] + 1e-9)).all(axis=1)
                best[j][free] = np.minimum(best[j][free], best[k][a] + 1)
    return int(best[-1][0])


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 999))
def test_the_path_passes_every_gate(seed):
    """Vertices and moves stay inside the gates, both ends are where they were asked for."""
    rng = np.random.default_rng(seed)
    along, height = np.cumsum(rng.uniform(0.02, 0.1, 40)), np.cumsum(rng.normal(0, 0.003, 40))
    gates = around(along, height, 0.001, rng.uniform(0.001, 0.03, 40))
    stops, heights = moves(gates, height[0], height[-1])
    way = np.interp(along, along[stops], heights)

    assert (stops[0], stops[-1]) == (0, 39)
    assert (heights[0], heights[-1]) == (height[0], height[-1])
    assert (np.diff(stops) > 0).all()
    assert (way[1:-1] >= gates[1:-1, 1] - 1e-6).all()
    assert (way[1:-1] <= gates[1:-1, 2] + 1e-6).all()
    assert np.abs(heights[1:-1] / STEP - np.round(heights[1:-1] / STEP)).max(initial=0) < 1e-6


def test_hardly_more_moves_than_the_fewest():
    """A quarter more than an exact search over all rungs needs, at most, over a dozen rough paths."""
    ours = best = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        along, height = np.arange(20) * 0.05, np.cumsum(rng.normal(0, 0.002, 20))
        gates = around(along, height, 0.001, 0.005)
        ours += len(moves(gates, height[0], height[-1])[0]) - 1
        best += fewest_by_search(gates, height[0], height[-1])
    assert best <= ours <= 1.25 * best


@pytest.mark.parametrize(
    ("radius", "deep", "chord"), [(16.0, 0.012, 1.239122), (10.0, 0.01, 0.894204), (1.5, 0.005, 0.244745)]
)
def test_a_circle_needs_the_chords_of_its_sagitta(radius, deep, chord):
    """Chords of sagitta e of a circle of radius R are 2 √(2 R e − e²) long (textbook geometry)."""
    assert 2 * math.sqrt(2 * radius * deep - deep**2) == pytest.approx(chord, abs=1e-6)
    half = min(3.0, radius / 2)
    along = np.linspace(-half, half, 121)
    height = np.sqrt(radius**2 - along**2) - radius
    stops, _ = moves(around(along, height, 0.001, deep - 0.001), height[0], height[-1])
    way = 2 * radius * math.asin(half / radius)
    assert len(stops) - 1 <= math.ceil(1.15 * way / chord) + 1
    assert len(stops) - 1 >= math.floor(way / chord) - 1


def test_a_straight_slope_is_one_move():
    """As far as moves go at all."""
    along = np.linspace(0, 15, 300)
    stops, _ = moves(around(along, 0.4 * along, 0.001, 0.001), 0.0, 6.0)
    assert stops.tolist() == [0, 299]


def test_gates_that_hold_no_rung_are_passed_one_by_one():
    """A gate between two rungs does not stop the path: the rung above it is taken."""
    gates = np.array([[0, 0.0, 0.0], [1, 0.0002, 0.0004], [2, 0.0072, 0.0074], [3, 0.0, 0.0]])
    stops, heights = moves(gates, 0.0, 0.0)
    assert stops.tolist() == [0, 1, 2, 3]
    assert heights == pytest.approx([0.0, 0.001, 0.008, 0.0])


def test_a_move_straight_up_has_its_two_ends():
    """Both gates stand at one place."""
    stops, heights = moves(np.array([[0, 0.0, 0.0], [0, 0.3, 0.3]]), 0.0, 0.3)
    assert stops.tolist() == [0, 1]
    assert heights.tolist() == [0.0, 0.3]


@settings(deadline=None, max_examples=50)
@given(st.integers(0, 9999))
def test_no_height_is_made_up(seed):
    """Gates at one place, of no height, off the lattice: every height is an end's or a rung at its gate."""
    rng = np.random.default_rng(seed)
    along = np.repeat(np.cumsum(rng.uniform(1e-4, 0.1, 12)), rng.integers(1, 4, 12))
    height = np.cumsum(rng.normal(0, 0.1, len(along)))
    gates = around(along, height, 0.001 * rng.integers(0, 2), 0.02 * rng.integers(0, 2, len(along)))
    stops, heights = moves(gates, height[0], height[-1])
    assert (stops[0], stops[-1]) == (0, len(along) - 1)
    assert (heights[0], heights[-1]) == (height[0], height[-1])
    assert (heights[1:-1] >= gates[stops[1:-1], 1] - 1e-6).all()
    assert (heights[1:-1] <= gates[stops[1:-1], 2] + STEP + 1e-6).all()
