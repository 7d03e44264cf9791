"""The kernels of roughing against plain loops over every node, and the laws of a descent."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.kernels.roughing import (
    EVEN,
    carve_along_row,
    carve_capsule,
    descend,
    ease_over,
    highest_left,
    met_along_row,
    thin,
)
from tests import oracles

pytestmark = pytest.mark.jitless

HALF = np.array([1, 2, 2, 2, 1])  # half widths of a disc of nodes of radius 2.3, row by row
seeds = st.integers(0, 10_000)


def disc_nodes(row: int, column: int) -> list[tuple[int, int]]:
    """Return every node of the small disc, by the definition of its half widths."""
    k = len(HALF) // 2
    return [
        (row + dj, column + di)
        for dj in range(-k, k + 1)
        for di in range(-int(HALF[dj + k]), int(HALF[dj + k]) + 1)
    ]


@settings(deadline=None, max_examples=30)
@given(seed=seeds, row=st.integers(0, 7), first=st.integers(0, 5), length=st.integers(1, 6))
def test_met_is_the_highest_node_under_the_disc(seed: int, row: int, first: int, length: int) -> None:
    """met[m] equals the highest stock over the disc's nodes, nodes outside the grid left out."""
    stock = np.random.default_rng(seed).uniform(-5, 0, (8, 11)).astype(np.float32)
    met = np.empty(length)
    met_along_row(stock, HALF, row, first, first + length, met)
    for m in range(length):
        under = [stock[j, i] for j, i in disc_nodes(row, first + m) if 0 <= j < 8 and 0 <= i < 11]
        assert met[m] == max(under)


@settings(deadline=None, max_examples=40)
@given(seed=seeds, count=st.integers(0, 5))
def test_highest_left_is_what_moves_leave_at_places(seed: int, count: int) -> None:
    """As of moves followed in small steps, which lower what is within the radius: level, up, down, plunge."""
    rng = np.random.default_rng(seed)
    places, before, radius = rng.uniform(0, 8, (20, 2)), rng.uniform(-1, 0, 20), 1.7
    starts, ends = rng.uniform((0, 0, -3), (8, 8, -1), (2, count, 3))
    ends[: count // 2, 2], ends[:1, :2] = starts[: count // 2, 2], starts[:1, :2]
    expected = before.copy()
    for start, end in zip(starts, ends, strict=True):
        way = start + np.linspace(0, 1, 4001)[:, None] * (end - start)
        away = np.hypot(*(places[:, None] - way[:, :2]).transpose(2, 0, 1))
        expected = np.minimum(expected, np.where(away <= radius, way[:, 2], np.inf).min(axis=1))
    for n in range(20):
        here = slice(n, n + 1)
        left = highest_left(places[here], before[here], starts, ends, radius, np.inf)
        assert left == pytest.approx(expected[n], abs=1e-3)
    assert highest_left(places, before, starts, ends, radius, np.inf) >= expected.max() - 1e-3
    first = highest_left(places, before, starts, ends, radius, -2.0)
    assert (first > -2.0) == (highest_left(places, before, starts, ends, radius, np.inf) > -2.0)


@settings(deadline=None, max_examples=30)
@given(seed=seeds, row=st.integers(0, 7), first=st.integers(0, 5), length=st.integers(1, 6))
def test_carving_lowers_to_the_lowest_tip_over_each_node(
    seed: int, row: int, first: int, length: int
) -> None:
    """Each node ends at the lower of itself and the tips whose disc holds it; no other node changes."""
    rng = np.random.default_rng(seed)
    stock, heights = rng.uniform(-5, 0, (8, 11)).astype(np.float32), rng.uniform(-5, 0, length)
    expected = stock.copy()
    for m, height in enumerate(heights):
        for j, i in disc_nodes(row, first + m):
            if 0 <= j < 8 and 0 <= i < 11:
                expected[j, i] = min(expected[j, i], np.float32(height))
    carve_along_row(stock, HALF, row, first, heights)
    np.testing.assert_array_equal(stock, expected)


@settings(deadline=None, max_examples=30)
@given(
    ends=st.tuples(*[st.integers(-20, 60).map(lambda n: n / 10)] * 4), radius=st.floats(0.2, 2.0), seed=seeds
)
def test_a_capsule_lowers_what_lies_within_its_radius(
    ends: tuple[float, float, float, float], radius: float, seed: int
) -> None:
    """Nodes within the radius of the line end at the height at most, nodes beyond it as they were."""
    stock = np.random.default_rng(seed).uniform(-5, 0, (9, 11)).astype(np.float32)
    carved = stock.copy()
    carve_capsule(carved, 0.5, *ends, radius, -2.0)
    y, x = np.mgrid[:9, :11] * 0.5
    way = np.array([ends[2] - ends[0], ends[3] - ends[1]])
    squared = way @ way
    along = ((x - ends[0]) * way[0] + (y - ends[1]) * way[1]) / squared if squared else np.zeros((9, 11))
    along = np.clip(along, 0, 1)
    away = np.hypot(x - ends[0] - along * way[0], y - ends[1] - along * way[1])
    clear = np.abs(away - radius) > 1e-9
    expected = np.where(away <= radius, np.minimum(stock, np.float32(-2.0)), stock)
    np.testing.assert_array_equal(carved[clear], expected[clear])


def walk(
    floor: np.ndarray, axis: np.ndarray, leave: float = EVEN, least: int = 1, begin: int = 0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the nodes, heights and cuts of a descent by 0.1 a node where the axis is more than 0.2 deep."""
    room = 4000
    nodes, heights, cuts = np.empty(room, np.int64), np.empty(room), np.empty(room, np.bool_)
    count = descend(
        floor.copy(), axis.copy(), axis.copy(), 0.1, 0.2, leave, least, begin, nodes, heights, cuts
    )
    return nodes[:count], heights[:count], cuts[:count]


@settings(deadline=None, max_examples=60)
@given(seed=seeds, length=st.integers(2, 30), further=st.integers(0, 29))
def test_a_descent_reaches_its_floor_without_diving(seed: int, length: int, further: int) -> None:
    """Every node gets to its floor, no node is skipped, solid stock is entered no faster than the ramp."""
    rng = np.random.default_rng(seed)
    floor = -rng.uniform(0, 2, length).round(2)
    axis = np.where(rng.random(length) < 0.7, 0.0, floor)
    begin = min(further, length - 1)
    nodes, heights, _ = walk(floor, axis, begin=begin)
    assert nodes[0] == begin
    assert (np.abs(np.diff(nodes)) == 1).all()
    lowest = np.full(length, np.inf)
    stock = axis.copy()
    for k, (node, height) in enumerate(zip(nodes, heights, strict=True)):
        assert height >= floor[node] - 1e-12
        if k and axis[node] > floor[node] + 0.2 and stock[node] > floor[node] + 0.2:
            assert height >= min(heights[k - 1], stock[node]) - 0.1 - 1e-12
        stock[node], lowest[node] = min(stock[node], height), min(lowest[node], height)
    assert (lowest <= floor + EVEN + 1e-12).all()


def test_a_descent_into_a_slot_goes_back_over_its_ramp() -> None:
    """A level slot 1 deep at 0.1 a node: ten nodes down, ten back, then on to the end, once."""
    nodes, heights, _ = walk(np.full(40, -1.0), np.zeros(40))
    assert nodes.tolist() == [*range(11), *range(9, -1, -1), *range(1, 40)]
    np.testing.assert_allclose(heights[:11], -np.minimum(np.arange(11) * 0.1, 1.0), atol=1e-12)
    assert (heights[11:] == -1.0).all()


def test_a_descent_that_begins_further_in_goes_over_its_ramp_once() -> None:
    """The same slot from its tenth node on: down on the way back to the first one, then along it once."""
    nodes, heights, _ = walk(np.full(40, -1.0), np.zeros(40), begin=10)
    assert nodes.tolist() == [*range(10, -1, -1), *range(1, 40)]
    np.testing.assert_allclose(heights[:11], -np.arange(11) * 0.1, atol=1e-12)
    np.testing.assert_allclose(heights[10:], -1.0, atol=1e-12)


def test_a_descent_leaves_wedges_that_are_low_or_narrow() -> None:
    """Of a ramp 1 deep six nodes stand more than 0.45 over the floor: seven are asked for, or 1.5."""
    floor, axis = np.full(40, -1.0), np.zeros(40)
    once = list(range(40))
    assert walk(floor, axis, leave=0.45, least=6)[0].tolist() != once
    assert walk(floor, axis, leave=0.45, least=7)[0].tolist() == once
    assert walk(floor, axis, leave=1.5)[0].tolist() == once


def test_a_descent_over_cleared_ground_goes_straight_down() -> None:
    """Where the axis is over cleared ground the pass starts on its floor and runs once."""
    nodes, heights, cuts = walk(np.full(20, -1.0), np.full(20, -0.9))
    assert nodes.tolist() == list(range(20))
    assert (heights == -1.0).all()
    assert cuts.all()


@settings(deadline=None, max_examples=60)
@given(seed=seeds, length=st.integers(2, 60), slack=st.floats(0.001, 0.2))
def test_thinning_never_dips_and_never_rises_beyond_its_slack(seed: int, length: int, slack: float) -> None:
    """The line through what is kept (numpy's interp) stays between the heights and those plus the slack."""
    rng = np.random.default_rng(seed)
    heights = np.cumsum(rng.normal(0, 0.05, length))
    turn = int(rng.integers(1, length))
    along = np.concatenate([np.arange(turn) * 0.5, (turn - 2 - np.arange(length - turn)) * 0.5])
    kept, raised = np.empty(length, np.int64), np.empty(length)
    count = thin(along, heights, slack, 0.1, kept, raised)
    assert kept[0] == 0
    assert kept[count - 1] == length - 1
    assert turn - 1 in kept[:count]
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(along)))])
    line = np.interp(path, path[kept[:count]], raised[:count])
    assert (line - heights).min() >= -1e-12
    assert (line - heights).max() <= slack + 1e-12


@settings(deadline=None, max_examples=30)
@given(seed=seeds, length=st.integers(1, 40), lift=st.floats(1e-4, 1e-2))
def test_an_eased_way_bends_least_between_its_bounds(seed: int, length: int, lift: float) -> None:
    """It keeps to both exactly, and its bends and height cost what scipy's bounded search finds, to 1 %."""
    rng = np.random.default_rng(seed)
    low = np.cumsum(rng.normal(0, 0.1, length))
    high = low + rng.choice([0.1, 0.5, 3.0], length)
    eased = np.empty(length)
    ease_over(low, high, lift, 0.05, 400, eased)
    assert (eased >= low).all()
    assert (eased <= high).all()
    least = oracles.least_bent(low, high, lift)
    assert (
        oracles.bends_and_height(eased, low, lift) <= 1.01 * oracles.bends_and_height(least, low, lift) + 1e-6
    )


def test_an_eased_way_is_straight_where_it_may_be() -> None:
    """Level ground stays as it is; over a pit as narrow as that it goes on level."""
    level, eased = np.full(81, -2.0), np.empty(81)
    ease_over(level, np.full(81, np.inf), 1e-9, 0.01, 200, eased)
    np.testing.assert_allclose(eased, -2.0, atol=1e-4)
    low = level.copy()
    low[40] = -3.0
    ease_over(low, low + 1.5, 1e-6, 0.01, 400, eased)
    np.testing.assert_allclose(eased, -2.0, atol=0.05)
