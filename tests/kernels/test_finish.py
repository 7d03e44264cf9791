"""Exact tips, chords and finished nodes against slow searches over every node."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.cutters import Profile, profile_height
from relief.kernels.cover import finished_nodes
from relief.kernels.finish import blocks, chord_cuts, exact_tip, near_tip, traces, untouched
from tests.oracles import swept_by_search, tip_at_by_nodes

pytestmark = pytest.mark.jitless

PITCH, STEP = 0.5, 0.001
SHAPES = {
    "ball": Profile(0.0, 1.6, math.inf, 1.6),
    "bull": Profile(0.9, 0.8, math.inf, 1.7),
    "taper": Profile(0.0, 0.6, 1 / math.tan(math.radians(20)), 1.5),
}
shapes = st.sampled_from(list(SHAPES.values()))
seeds = st.integers(0, 999)


def relief(seed: int) -> np.ndarray:
    """Return a small rough relief with walls."""
    rng = np.random.default_rng(seed)
    z = np.cumsum(rng.normal(0, 0.1, (11, 14)), axis=1)
    return (z + rng.choice([0.0, -2.0], (11, 14), p=[0.8, 0.2])).astype(np.float32)


def grid(z: np.ndarray, shape: Profile) -> tuple:
    """Return an aim whose node (0, 0) is at (1, −2)."""
    return (z, blocks(z), PITCH, 1.0, -2.0, np.array(shape, dtype=float))


def ground(z: np.ndarray, shape: Profile) -> tuple:
    """Return a ground whose node (0, 0) is at (1, −2)."""
    rows, columns = np.mgrid[: z.shape[0], : z.shape[1]]
    touch = np.zeros(z.shape, dtype=np.int32)
    for place in np.ndindex(z.shape):
        r = PITCH * np.hypot(rows - place[0], columns - place[1])
        touch[place] = np.argmax(np.where(r <= shape.radius, z - profile_height(shape, r), -np.inf))
    room = np.full(z.shape, 0.005, dtype=np.float32)
    return (z, blocks(z), touch, room, PITCH, 1.0, -2.0, np.array(shape, dtype=float))


def places(rng: np.random.Generator, count: int) -> np.ndarray:
    """Return places on the lattice over the relief."""
    return np.round(rng.uniform([1, -2], [7.5, 3], (count, 2)) / STEP) * STEP


@settings(deadline=None, max_examples=30)
@given(shapes, seeds)
def test_exact_tip_is_the_highest_of_all_nodes(shape, seed):
    """Whatever node was touched before, the tip is the maximum of z − s over every node in reach."""
    z, rng = relief(seed), np.random.default_rng(seed)
    xy = places(rng, 12)
    seen = untouched()
    where = ground(z, shape)
    ours = [exact_tip(where, x, y, seen) for x, y in xy]
    assert ours == pytest.approx(tip_at_by_nodes(z, PITCH, shape, xy[:, 0] - 1, xy[:, 1] + 2), abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(shapes, seeds)
def test_a_near_tip_is_not_above_the_exact_one(shape, seed):
    """Near tips bound the exact tip from below, and over nodes they are exact."""
    z, rng = relief(seed), np.random.default_rng(seed)
    nodes = np.column_stack([1 + PITCH * rng.integers(0, 14, 6), -2 + PITCH * rng.integers(0, 11, 6)])
    for xy, on_node in ((places(rng, 6), False), (nodes, True)):
        near = [near_tip(ground(z, shape), x, y) for x, y in xy]
        exact = tip_at_by_nodes(z, PITCH, shape, xy[:, 0] - 1, xy[:, 1] + 2)
        assert (near <= exact + 1e-6).all()
        if on_node:
            assert near == pytest.approx(exact, abs=1e-6)


@settings(deadline=None, max_examples=30)
@given(shapes, seeds, st.floats(-0.5, 0.5))
def test_a_chord_cuts_what_its_sweep_cuts(shape, seed, depth):
    """A move cuts deeper than a depth exactly when its swept envelope does, at some node."""
    z, rng = relief(seed), np.random.default_rng(seed)
    ends = np.column_stack([places(rng, 2), rng.uniform(-1, 1, 2)])
    swept = swept_by_search(
        np.full(z.shape, np.inf),
        PITCH,
        shape,
        *[[e - (1, -2, 0)] for e in ends],
    )
    deepest = np.max(z - swept, initial=-np.inf)
    if abs(deepest - depth) > 1e-6:
        assert chord_cuts(ground(z, shape), ends[0], ends[1], depth) == (deepest > depth)


@settings(deadline=None, max_examples=30)
@given(shapes, seeds)
def test_a_move_finishes_what_it_leaves_below_the_limit(shape, seed):
    """The nodes that a move finishes are those where its swept envelope is no higher than the limit."""
    limit, rng = relief(seed), np.random.default_rng(seed)
    ends = np.column_stack([places(rng, 2), rng.uniform(-2, 0, 2)])
    swept = swept_by_search(np.full(limit.shape, np.inf), PITCH, shape, *[[e - (1, -2, 0)] for e in ends])
    nodes, count = finished_nodes(grid(limit, shape), ends[0], ends[1], np.empty(1, np.int32), 0)
    sure = np.flatnonzero(swept < limit - 1e-6)
    maybe = np.flatnonzero(swept < limit + 1e-6)
    assert set(sure) <= set(nodes[:count]) <= set(maybe)
    assert len(set(nodes[:count])) == count


@settings(deadline=None, max_examples=20)
@given(shapes, seeds)
def test_a_trace_follows_the_tip_surface(shape, seed):
    """A trace cuts no node deeper than 0.001 mm and keeps its ends, at the exact tip there."""
    z, rng = relief(seed), np.random.default_rng(seed)
    ends = places(rng, 2)
    how = np.array([STEP, PITCH, 0.0006, 0.01, 8 * shape.corner_radius * 0.0005])
    tube = np.array([0.0008, 0.005, 0.001, 0.0005])
    trace = traces(ground(z, shape), [ends], how, tube)[0]
    points = trace - (1, -2, 0)
    swept = swept_by_search(np.full(z.shape, np.inf), PITCH, shape, points[:-1], points[1:])
    assert np.max(z - swept) <= 0.001 + 1e-6
    assert trace[[0, -1], :2].tolist() == ends.tolist()
    tips = tip_at_by_nodes(z, PITCH, shape, points[[0, -1], 0], points[[0, -1], 1])
    assert np.abs(trace[[0, -1], 2] - tips).max() <= 0.001
