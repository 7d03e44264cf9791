"""Swept carving against a search along each move, sampling, the capsule of a ball, and scipy's morphology."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import grey_erosion

from relief.cutters import Profile, profile_height, profile_table
from relief.kernels.sweep import depths_below, depths_in_turn, profile_at, reach_below, sweep, swept_height
from tests.oracles import carved_in_turn, least_over_move, swept_by_samples, swept_by_search, under_capsule

INF = math.inf
SHAPES = {
    "flat": Profile(1.0, 0.0, INF, 1.0),
    "ball": Profile(0.0, 1.0, INF, 1.0),
    "bull": Profile(0.7, 0.3, INF, 1.0),
    "round bull": Profile(0.1, 0.9, INF, 1.0),
    "vee": Profile(0.0, 0.0, 1 / math.tan(math.radians(45)), 1.0),
    "rounded vee": Profile(0.0, 0.2, 1 / math.tan(math.radians(30)), 1.0),
    "taper": Profile(0.0, 0.4, 1 / math.tan(math.radians(7)), 1.0),
    "flat-tipped vee": Profile(0.2, 0.0, 1.2, 1.0),
    "rounded flat-tipped vee": Profile(0.2, 0.3, 1.2, 1.0),
}
PITCH = 0.2
HEIGHT = 1e-5  # mm, what float32 may round
kinds = st.sampled_from(sorted(SHAPES))


def shape4(name: str) -> np.ndarray:
    """Return a profile as the kernels take it."""
    return np.array(SHAPES[name], dtype=np.float64)


def lengths(low: float, high: float) -> st.SearchStrategy[float]:
    """Return lengths as a program states them: whole microns."""
    return st.integers(round(low * 1000), round(high * 1000)).map(lambda n: n / 1000)


@st.composite
def move_ends(draw: st.DrawFn, most: int = 6, spread: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Draw moves about a grid of 3 × 2 mm: level, sloped, plunging, tiny, along an axis, far out."""
    starts, ends = [], []
    for _ in range(draw(st.integers(1, most))):
        start = [draw(lengths(-spread, spread + 3)), draw(lengths(-spread, spread + 2)), draw(lengths(-3, 1))]
        size = draw(st.sampled_from([0.0, 0.05, 1.0, 8.0]))
        step = [draw(st.floats(-1, 1).map(lambda u, size=size: round(u * size, 3))) for _ in range(2)]
        if draw(st.booleans()):
            step[draw(st.integers(0, 1))] = 0.0
        rise = draw(st.sampled_from([0.0, 0.01, 0.5, 3.0])) * draw(st.sampled_from([-1, 1]))
        starts.append(start)
        ends.append([start[0] + step[0], start[1] + step[1], start[2] + rise])
    return np.array(starts), np.array(ends)


def carved(name: str, size: tuple[int, int], starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return what the moves leave of a level grid at 0."""
    c = np.zeros(size, dtype=np.float32)
    sweep(c, PITCH, shape4(name), starts, ends)
    return c


def crowd(count: int, seed: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """Return so many moves over a grid of 12 × 10 mm that most of them must be passed over."""
    rng = np.random.default_rng(seed)
    starts = np.column_stack(
        [rng.uniform(-2, 14, count), rng.uniform(-2, 12, count), rng.uniform(-3, 0, count)]
    )
    ends = starts + rng.normal(size=(count, 3)) * rng.choice([0.05, 0.5, 6.0], (count, 1))
    return np.round(starts, 3), np.round(ends, 3)


@pytest.mark.jitless
@given(kind=kinds, r=st.floats(0, 1.2), slack=st.floats(-0.1, 3))
@settings(max_examples=60, deadline=None)
def test_profile_is_the_cutters_and_its_inverse_bounds_it(kind: str, r: float, slack: float) -> None:
    """s(r) is that of `cutters`, and nowhere beyond `reach_below(slack)` is it less than slack."""
    if abs(r - 1.0) > 1e-8:  # the rim itself is wider by a hair, on purpose
        expected = float(profile_height(SHAPES[kind], r))
        assert profile_at(r, shape4(kind)) == pytest.approx(expected, abs=1e-12)
    if profile_at(r, shape4(kind)) < slack:
        assert r <= reach_below(slack, shape4(kind)) + 1e-8


@pytest.mark.jitless
@given(
    kind=kinds,
    along=st.floats(-1, 9),
    beside=st.one_of(st.floats(-1, 1), st.floats(1e-6, 1e-2).map(lambda e: 1 - e)),
    length=st.sampled_from([0.01, 0.1, 1.0, 8.0]),
    slope=st.one_of(st.just(0.0), st.floats(-30, 30), st.floats(-0.1, 0.1)),
)
@settings(max_examples=150, deadline=None)
def test_closed_form_is_the_least_over_the_move(
    kind: str, along: float, beside: float, length: float, slope: float
) -> None:
    """The closed form of every kind is the minimum that a golden-section search along the move finds."""
    height = swept_height(along, beside, length, 0.0, slope, shape4(kind))
    end = (length, 0.0, slope * length)
    expected = float(least_over_move(SHAPES[kind], (0.0, 0.0, 0.0), end, along, beside))
    if math.isinf(expected) or math.isinf(height):
        # Only a node on the rim to within rounding may be reached by one and missed by the other.
        out = math.hypot(beside, max(-along, along - length, 0.0)) - 1.0
        assert math.isinf(expected) == math.isinf(height) or abs(out) < 1e-8
    else:
        assert height == pytest.approx(expected, abs=1e-7 * (1 + abs(slope)))


@pytest.mark.jitless
@given(
    end=st.tuples(st.floats(-5, 5), st.floats(-5, 5), st.floats(-3, 3)),
    x=st.floats(-6, 6),
    y=st.floats(-6, 6),
    radius=st.sampled_from([0.5, 1.5875, 6.35]),
)
@settings(max_examples=150, deadline=None)
def test_ball_leaves_its_capsule(end: tuple[float, float, float], x: float, y: float, radius: float) -> None:
    """A ball's straight move leaves the underside of a capsule, a ray meeting cylinder and spheres."""
    length = math.hypot(end[0], end[1])
    if length < 1e-3:
        return
    ex, ey = end[0] / length, end[1] / length
    ball = np.array([0.0, radius, INF, radius])
    height = swept_height(x * ex + y * ey, y * ex - x * ey, length, 0.0, end[2] / length, ball)
    expected = float(under_capsule(radius, (0, 0, radius), (end[0], end[1], end[2] + radius), x, y))
    if math.isinf(expected) or math.isinf(height):
        nearest = min(max((x * end[0] + y * end[1]) / length**2, 0.0), 1.0)
        out = math.hypot(x - nearest * end[0], y - nearest * end[1]) - radius
        assert math.isinf(expected) == math.isinf(height) or abs(out) < 1e-8
    else:
        # At the rim the sphere is upright: a rounding of x moves z by its square root.
        depth_in = max(radius - math.hypot(*np.subtract((x, y), _nearest(end, x, y))), 1e-16)
        assert height == pytest.approx(expected, abs=max(1e-9, 1e-15 * radius / math.sqrt(depth_in)))


def _nearest(end: tuple[float, float, float], x: float, y: float) -> tuple[float, float]:
    part = min(max((x * end[0] + y * end[1]) / (end[0] ** 2 + end[1] ** 2), 0.0), 1.0)
    return part * end[0], part * end[1]


@pytest.mark.parametrize("slope", [0.0, 0.3, 2.0])
def test_ball_on_a_grid_leaves_its_capsule(slope: float) -> None:
    """So does the kernel on a grid, rounding to float32 apart."""
    c = np.full((60, 70), 50.0, dtype=np.float32)
    start, end = np.array([[3.0, 2.5, 0.0]]), np.array([[9.0, 7.0, 7.5 * slope]])
    sweep(c, PITCH, np.array([0.0, 1.5875, INF, 1.5875]), start, end)
    x, y = np.arange(70) * PITCH, np.arange(60)[:, None] * PITCH
    lift = np.array([0.0, 0.0, 1.5875])
    expected = np.minimum(under_capsule(1.5875, start[0] + lift, end[0] + lift, x, y), 50.0)
    np.testing.assert_allclose(c, expected, atol=HEIGHT)


@pytest.mark.jitless
@given(kind=kinds, moves=move_ends(most=2), size=st.sampled_from([(4, 5), (1, 9), (9, 1), (17, 3)]))
@settings(max_examples=25, deadline=None)
def test_few_moves_on_small_grids(
    kind: str, moves: tuple[np.ndarray, np.ndarray], size: tuple[int, int]
) -> None:
    """On any grid, 1 × N too, the result is that of a search along each move, to 1e-5 mm."""
    _assert_as_searched(kind, size, *moves)


@given(kind=kinds, moves=move_ends(), size=st.sampled_from([(11, 16), (1, 40), (40, 1), (33, 47)]))
@settings(max_examples=80, deadline=None)
def test_moves_of_every_sort(kind: str, moves: tuple[np.ndarray, np.ndarray], size: tuple[int, int]) -> None:
    """Level, sloped, plunging, tiny and far moves of every kind: as searched, to 1e-5 mm."""
    _assert_as_searched(kind, size, *moves)


def _assert_as_searched(kind: str, size: tuple[int, int], starts: np.ndarray, ends: np.ndarray) -> None:
    result = carved(kind, size, starts, ends)
    shape = SHAPES[kind]
    expected = swept_by_search(np.zeros(size), PITCH, shape, starts, ends)
    # A node on the rim to within rounding may count as reached or not.
    wider = shape._replace(radius=shape.radius + 2e-9)
    if shape.cone_slope == INF:  # the flat and the corner grow with it
        wider = shape._replace(radius=shape.radius + 2e-9, flat_radius=shape.flat_radius + 2e-9)
    lower = np.minimum(expected, swept_by_search(np.zeros(size), PITCH, wider, starts, ends))
    assert (result <= expected + HEIGHT).all()
    assert (result >= lower - HEIGHT).all()


@pytest.mark.parametrize("kind", sorted(SHAPES))
def test_a_crowd_of_moves(kind: str) -> None:
    """Passing over what cannot lower a tile loses nothing: 250 overlapping moves are as searched."""
    starts, ends = crowd(250)
    result = carved(kind, (50, 60), starts, ends)
    expected = swept_by_search(np.zeros((50, 60)), PITCH, SHAPES[kind], starts, ends)
    np.testing.assert_allclose(result, expected, atol=HEIGHT)


@pytest.mark.parametrize("kind", sorted(SHAPES))
def test_sampling_converges_from_above(kind: str) -> None:
    """Samples along the moves never leave less than the sweep, and come nearer as they grow denser."""
    starts, ends = crowd(6, seed=8)
    result = carved(kind, (50, 60), starts, ends).astype(float)
    above = [
        swept_by_samples(np.zeros((50, 60)), PITCH, SHAPES[kind], starts, ends, samples) - result
        for samples in (10, 100, 1000)
    ]
    assert min(a.min() for a in above) > -HEIGHT
    assert above[0].mean() > above[1].mean() > above[2].mean() > -1e-6
    assert above[2].mean() < 2e-3


@given(kind=kinds, moves=move_ends())
@settings(max_examples=40, deadline=None)
def test_never_below_the_tip(kind: str, moves: tuple[np.ndarray, np.ndarray]) -> None:
    """No node is cut below the lowest tip, and none further than the radius from all moves is cut."""
    starts, ends = moves
    result = carved(kind, (11, 16), starts, ends)
    assert result.min() >= np.float32(min(0.0, starts[:, 2].min(), ends[:, 2].min()))
    x, y = np.arange(16) * PITCH, np.arange(11)[:, None] * PITCH
    disc = Profile(1.0 + 1e-8, 0.0, INF, 1.0 + 1e-8)
    near = np.min([least_over_move(disc, s, e, x, y) for s, e in zip(starts, ends, strict=True)], axis=0)
    assert (result[np.isinf(near)] == 0.0).all()


@given(kind=kinds, moves=move_ends(), seed=st.integers(0, 99))
@settings(max_examples=40, deadline=None)
def test_order_direction_and_sharing_change_nothing(
    kind: str, moves: tuple[np.ndarray, np.ndarray], seed: int
) -> None:
    """The same moves in any order, either way round, in one call or several: the same to the last bit."""
    starts, ends = moves
    whole = carved(kind, (11, 16), starts, ends)
    order = np.random.default_rng(seed).permutation(len(starts))
    parts = np.zeros((11, 16), dtype=np.float32)
    for k in order:
        sweep(parts, PITCH, shape4(kind), ends[k : k + 1], starts[k : k + 1])
    np.testing.assert_array_equal(whole, parts)


def test_more_moves_on_a_carved_grid() -> None:
    """A few more moves later leave what all at once would have left."""
    starts, ends = crowd(300)
    whole = carved("ball", (50, 60), starts, ends)
    later = carved("ball", (50, 60), starts[:290], ends[:290])
    sweep(later, PITCH, shape4("ball"), starts[290:], ends[290:])
    np.testing.assert_array_equal(whole, later)


def test_few_moves_leave_the_rest_of_a_big_grid_alone() -> None:
    """One more move on a big grid makes work of the size of what it touches, not of the grid."""
    c = np.zeros((2000, 2000), dtype=np.float32)
    start, end = np.array([[150.0, 220.0, -1.0]]), np.array([[151.0, 220.0, -1.0]])
    sweep(c, PITCH, shape4("ball"), start, end)
    tracemalloc.start()
    sweep(c, PITCH, shape4("ball"), start, end)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < c.nbytes / 8
    rows, columns = np.nonzero(c)
    assert rows.min() >= (220 - 1) / PITCH - 1
    assert columns.max() <= (151 + 1) / PITCH + 1


def test_long_move_is_its_parts() -> None:
    """A move of 2 m across the grid leaves what its 1000 parts leave."""
    ends = np.linspace([-900.0, 4.0, -0.7], [1100.0, 5.0, -0.3], 1001)
    whole = carved("bull", (50, 60), ends[:1], ends[-1:])
    parts = carved("bull", (50, 60), ends[:-1], ends[1:])
    np.testing.assert_allclose(whole, parts, atol=HEIGHT)
    assert whole.min() < -0.4


def test_moves_far_outside_and_untold_moves_cut_nothing() -> None:
    """Moves beyond the cutter's radius, or with an end that is not finite, leave the surface as it was."""
    starts = np.array([[1e6, 1e6, -5.0], [-1.01, 3.0, -5.0], [np.nan, 1.0, -5.0], [3.0, 3.0, 1.0]])
    ends = np.array([[1e6, -1e6, -5.0], [-1.01, 3.0, -9.0], [3.0, 3.0, -5.0], [3.0, np.inf, -5.0]])
    assert not carved("flat", (50, 60), starts, ends).any()


def test_grid_smaller_than_the_cutter() -> None:
    """A single node under the cutter is lowered to the tip plus s(distance)."""
    c = np.full((1, 1), 9.0, dtype=np.float32)
    sweep(
        c, 0.1, np.array([0.0, 6.35, INF, 6.35]), np.array([[3.0, 4.0, -2.0]]), np.array([[3.0, 4.0, -2.0]])
    )
    assert c[0, 0] == pytest.approx(-2.0 + 6.35 - math.sqrt(6.35**2 - 25.0), abs=1e-6)


@pytest.mark.parametrize("kind", ["ball", "bull", "vee", "taper"])
def test_a_plunge_at_every_node_is_greys_erosion(kind: str) -> None:
    """Plunges at the nodes leave min t(p + d) + s(|d|): `scipy.ndimage.grey_erosion` with −s as structure."""
    shape = SHAPES[kind]._replace(radius=1.05)  # no node on the rim
    if kind == "ball":
        shape = Profile(0.0, 1.05, INF, 1.05)
    if kind == "bull":
        shape = Profile(0.75, 0.3, INF, 1.05)
    tips = np.random.default_rng(2).uniform(-3, -1, (24, 31)).astype(np.float32)
    table = profile_table(shape, PITCH)
    expected = grey_erosion(
        tips,
        footprint=np.isfinite(table),
        structure=-np.where(np.isfinite(table), table, 0),
        mode="constant",
        cval=9,
    )
    j, i = np.mgrid[:24, :31]
    places = np.column_stack([i.ravel() * PITCH, j.ravel() * PITCH, tips.ravel().astype(float)])
    c = np.full((24, 31), 9.0, dtype=np.float32)
    sweep(c, PITCH, np.array(shape), places, places)
    np.testing.assert_allclose(c, expected, atol=HEIGHT)


def test_flat_plunge_reaches_its_rim() -> None:
    """Nodes exactly R from the axis are cut: 1 mm about a node, 0.2 mm apart, holds 81 nodes."""
    place = np.array([[2.0, 2.0, -1.0]])
    assert (
        carved("flat", (21, 21), place, place) == -1.0
    ).sum() == 81  # Gauss's circle problem, N(5) = 81 (OEIS A000328)


@given(kind=kinds, moves=move_ends())
@settings(max_examples=30, deadline=None)
def test_depths_of_moves(kind: str, moves: tuple[np.ndarray, np.ndarray]) -> None:
    """Each move's depth, alone or in turn, is the largest difference before and after it."""
    starts, ends = moves
    c = np.zeros((11, 16), dtype=np.float32)
    alone = depths_below(c, PITCH, shape4(kind), starts, ends)
    assert not c.any()
    for k in range(len(starts)):
        assert alone[k] == pytest.approx(
            -carved(kind, (11, 16), starts[k:][:1], ends[k:][:1]).min(), abs=HEIGHT
        )
    points = np.concatenate([starts[:1], ends])
    in_turn = depths_in_turn(c, PITCH, shape4(kind), points[:-1], points[1:])
    left, depths = carved_in_turn(np.zeros((11, 16)), PITCH, SHAPES[kind], points)
    rim = np.abs(c - left) > HEIGHT
    assert rim.sum() <= 4  # nodes on the rim to within rounding
    if not rim.any():
        np.testing.assert_allclose(in_turn, depths, atol=2 * HEIGHT)
