"""Times of single blocks and corners against closed forms, whole programs against a slow integrator."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.kernels.motion import axis_limit, block_time, corner_speed, motion

Array = npt.NDArray[np.float64]
FREE = np.array([np.inf, np.inf, np.inf])


def run(
    steps: npt.ArrayLike,
    feed: npt.ArrayLike,
    acceleration: npt.ArrayLike,
    max_feed: npt.ArrayLike = (np.inf, np.inf, np.inf),
    e: float = 0.01,
    stop: npt.ArrayLike = False,
) -> tuple[Array, Array]:
    """Return seconds (n,) and entry speeds (n + 1,), mm/s, of blocks given by their steps, mm."""
    moved = np.ascontiguousarray(steps, dtype=np.float64).reshape(-1, 3)
    n = len(moved)
    seconds, entry = np.zeros(n), np.zeros(n + 1)
    motion(
        moved,
        np.broadcast_to(np.asarray(feed, dtype=np.float64), n).copy(),
        np.broadcast_to(np.asarray(stop, dtype=bool), n).copy(),
        np.asarray(max_feed, dtype=np.float64),
        np.asarray(acceleration, dtype=np.float64),
        e,
        np.zeros(n),
        np.zeros(n),
        entry,
        seconds,
    )
    return seconds, entry


# Textbook kinematics, d ≥ v²/a: t = d/v + v/a; else t = 2 √(d/a). Columns: d mm, v mm/s, a mm/s², t s.
REST_TO_REST = [
    (100.0, 50.0, 500.0, 2.1),
    (1.0, 50.0, 500.0, 0.0894427191),
    (5.0, 50.0, 500.0, 0.2),
    (10.0, 100.0, 1000.0, 0.2),
    (300.0, 41.6667, 250.0, 7.3666667),
]


@pytest.mark.jitless
@pytest.mark.parametrize(("d", "v", "a", "t"), REST_TO_REST)
def test_rest_to_rest(d: float, v: float, a: float, t: float) -> None:
    """A single block takes what textbook kinematics say, as a block and as a whole program."""
    assert math.isclose(block_time(d, v, a, 0.0, 0.0), t, rel_tol=1e-6)
    assert math.isclose(run([[d, 0, 0]], v, (a, a, a))[0].sum(), t, rel_tol=1e-6)


@pytest.mark.jitless
def test_entry_and_exit_speeds() -> None:
    """v_peak² = a d + (vi² + vf²)/2 (textbook): 10 mm from 10 to 20 mm/s takes 0.25 s, 1 mm 0.0495445 s."""
    assert math.isclose(block_time(10.0, 50.0, 500.0, 10.0, 20.0), 0.25, rel_tol=1e-9)
    assert math.isclose(block_time(1.0, 50.0, 500.0, 10.0, 20.0), 0.0495445, rel_tol=1e-6)


@pytest.mark.jitless
def test_distance_to_reach_speed_and_stop() -> None:
    """At 0.3 m/s² up and down 0.5 m/s needs v²(a+d)/(2ad) = 0.83333 m (published worked example)."""
    full = 0.5**2 * 0.6 / (2 * 0.3 * 0.3)
    assert math.isclose(full, 0.8333333, rel_tol=1e-6)
    assert math.isclose(block_time(full, 0.5, 0.3, 0.0, 0.0), 2 * 0.5 / 0.3, rel_tol=1e-9)
    assert math.isclose(block_time(full, 9.9, 0.3, 0.0, 0.0), 2 * 0.5 / 0.3, rel_tol=1e-9)


# Inscribed arc r = e cos(th/2)/(1 − cos(th/2)), v = √(a r), a = 500 mm/s², e = 0.01 mm (derived geometry).
CORNERS = [
    (10.0, 36.1795),
    (30.0, 11.9054),
    (45.0, 7.79008),
    (90.0, 3.474344),
    (120.0, 2.236068),
    (170.0, 0.690931),
    (180.0, 0.0),
]


@pytest.mark.jitless
@pytest.mark.parametrize(("turn_deg", "speed"), CORNERS)
def test_corner_speed(turn_deg: float, speed: float) -> None:
    """Corners between long blocks are taken at the speed of the inscribed arc."""
    th = math.radians(turn_deg)
    u, w = np.array([1.0, 0.0, 0.0]), np.array([math.cos(th), math.sin(th), 0.0])
    found = corner_speed(u, w, 1e9, 0.01, np.full(3, 500.0))
    assert math.isclose(found, speed, rel_tol=2e-6, abs_tol=1e-5)


@pytest.mark.jitless
def test_no_corner_no_limit() -> None:
    """Straight on there is no limit; with axes of endless acceleration there is none anywhere."""
    x, y = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    assert math.isinf(corner_speed(x, x, 1.0, 0.01, np.full(3, 500.0)))
    assert math.isinf(corner_speed(x, y, 1.0, 0.01, FREE))
    assert math.isinf(corner_speed(x, -x, 1.0, 0.01, FREE))


@pytest.mark.jitless
def test_axis_limit() -> None:
    """A steep direction is limited by the slow Z axis: 2000 mm/min at 30° up gives 4000 along the path."""
    assert math.isclose(axis_limit(math.sqrt(0.75), 0.0, 0.5, np.array([5000.0, 5000.0, 2000.0])), 4000.0)
    assert math.isclose(axis_limit(0.0, -1.0, 0.0, np.array([1.0, 7.0, 2.0])), 7.0)


@pytest.mark.jitless
def test_standards_own_example() -> None:
    """NISTIR 6556 s5.3: 2000 moves of 0.1 mm at 1000 mm/min "should run in 12 seconds" (no acceleration)."""
    turns = np.cumsum(np.linspace(0, 3, 2000))
    steps = 0.1 * np.column_stack([np.cos(turns), np.sin(turns), np.zeros(2000)])
    assert math.isclose(run(steps, 1000 / 60, FREE)[0].sum(), 12.0, rel_tol=1e-12)


def test_chords_of_a_circle() -> None:
    """A circle of radius R cut into chords is run at √(a R), however fine the chords (circular motion)."""
    radius, a = 5.0, 400.0
    for chords in (100, 1000):
        angle = np.linspace(0, 20 * np.pi, 10 * chords + 1)
        points = radius * np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
        _, entry = run(np.diff(points, axis=0), 1000.0, (a, a, a), e=10.0)
        assert math.isclose(entry[5 * chords], math.sqrt(a * radius), rel_tol=2e-3)


def test_stop() -> None:
    """Standing still in the middle of a straight line costs v/a: one more braking and start."""
    steps = [[100.0, 0, 0], [100.0, 0, 0]]
    through, _ = run(steps, 50.0, (500.0,) * 3)
    halting, entry = run(steps, 50.0, (500.0,) * 3, stop=[False, True])
    assert entry[1] == 0
    assert math.isclose(halting.sum() - through.sum(), 50.0 / 500.0, rel_tol=1e-9)


coordinate = st.floats(-20, 20).map(lambda x: round(x, 3))
blocks = st.lists(
    st.tuples(coordinate, coordinate, coordinate).filter(lambda s: math.hypot(*s) > 1e-3),
    min_size=1,
    max_size=12,
)
accelerations = st.tuples(*[st.floats(50, 2000)] * 3)
speeds = st.floats(1, 200)
tolerances = st.sampled_from([1e-4, 0.01, 0.1, 1.0])


@given(steps=blocks, v=speeds, a=accelerations, e=tolerances)
@example(steps=[(10.0, 0.0, 0.0), (-10.0, 0.0, 0.0)], v=50.0, a=(500.0, 500.0, 500.0), e=0.01)
@settings(deadline=None, max_examples=100)
def test_laws(
    steps: list[tuple[float, float, float]], v: float, a: tuple[float, float, float], e: float
) -> None:
    """Never below length ÷ feed; no block changes speed faster than its axes can; backwards takes as long."""
    max_feed = (100.0, 120.0, 30.0)
    seconds, entry = run(steps, v, a, max_feed, e)
    moved = np.array(steps)
    length = np.linalg.norm(moved, axis=1)
    share = np.abs(moved) / length[:, None]
    with np.errstate(divide="ignore"):
        grip = np.min(np.array(a) / share, axis=1)
        top = np.minimum(v, np.min(np.array(max_feed) / share, axis=1))
    assert np.all(seconds >= length / top * (1 - 1e-12))
    assert np.all(entry[:-1] <= top * (1 + 1e-12))
    assert np.all(np.abs(np.diff(entry**2)) <= 2 * grip * length * (1 + 1e-9) + 1e-9)
    backwards, _ = run(-moved[::-1], v, a, max_feed, e)
    assert math.isclose(backwards.sum(), seconds.sum(), rel_tol=1e-9)


@given(steps=blocks, v=speeds, a=accelerations, parts=st.integers(2, 9))
@settings(deadline=None, max_examples=50)
def test_splitting_straight_blocks(
    steps: list[tuple[float, float, float]], v: float, a: tuple[float, float, float], parts: int
) -> None:
    """Straight blocks, from stop to stop, take as long when they are cut into equal parts."""
    whole, _ = run(steps, v, a, stop=True)
    stops = np.zeros(len(steps) * parts, dtype=bool)
    stops[::parts] = True
    split, _ = run(np.repeat(np.array(steps) / parts, parts, axis=0), v, a, stop=stops)
    assert math.isclose(split.sum(), whole.sum(), rel_tol=1e-6)


def integrate(steps: Array, v: float, a: Array, max_feed: Array, e: float, dt: float) -> float:
    """Return the time, s, of a program by stepping through it: the slow plain twin of `motion`.

    At each instant the machine speeds up unless, braking at once, it could no longer meet every slower block
    and corner ahead; corners by the angle between the blocks.
    """
    length = np.linalg.norm(steps, axis=1)
    unit = steps / length[:, None]
    with np.errstate(divide="ignore"):
        grip = np.min(a / np.abs(unit), axis=1)
        top = np.minimum(v, np.min(max_feed / np.abs(unit), axis=1))
    gate = np.append(top, 0.0)  # the most speed at the start of each block, and at the end
    for k in range(1, len(steps)):
        gate[k] = min(top[k - 1], top[k], _arc_speed(steps[k - 1], steps[k], a, e))
    start = np.concatenate([[0.0], np.cumsum(length)])
    braking = np.concatenate([[0.0], np.cumsum(2 * grip * length)])  # v² that braking takes off, from 0
    ahead = np.array([np.min(gate[k:] ** 2 + braking[k:]) for k in range(1, len(gate))])
    s = speed = t = 0.0
    for k in range(len(steps)):
        while s < start[k + 1] - 1e-9:
            room = ahead[k] - braking[k] - 2 * grip[k] * (s + speed * dt - start[k])
            wanted = min(speed + grip[k] * dt, top[k], math.sqrt(max(room, 0.0)))
            mean = max((speed + wanted) / 2, 1e-3)
            taken = min(dt, (start[k + 1] - s) / mean)
            s, t = s + mean * taken, t + taken
            speed += (wanted - speed) * taken / dt
    return t


def _arc_speed(step: Array, following: Array, a: Array, e: float) -> float:
    u, w = step / np.linalg.norm(step), following / np.linalg.norm(following)
    th = math.atan2(float(np.linalg.norm(np.cross(u, w))), float(u @ w))
    if th < 1e-9:
        return math.inf
    half = min(np.linalg.norm(step), np.linalg.norm(following)) / 2
    radius = min(e * math.cos(th / 2) / (1 - math.cos(th / 2)), half / math.tan(th / 2))
    turning = np.linspace(0, th, 2001)
    side = w - (u @ w) * u
    side /= max(np.linalg.norm(side), 1e-12)
    normals = np.abs(np.outer(np.cos(turning), side) - np.outer(np.sin(turning), u))
    return math.sqrt(float(np.min(a / np.maximum(normals.max(axis=0), 1e-12))) * radius)


def _program(seed: int) -> Array:
    """Return the steps, mm, of one of twenty small programs: wiggles, zigzags, steps and arcs."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(5, 60))
    if seed % 4 == 0:
        angle = np.cumsum(rng.normal(0, 0.2, count))
        return rng.uniform(0.2, 2.0) * np.column_stack(
            [np.cos(angle), np.sin(angle), rng.normal(0, 0.2, count)]
        )
    if seed % 4 == 1:
        return np.column_stack(
            [rng.choice([-8.0, 8.0], count), rng.choice([0.0, 0.5], count), 0.1 * rng.random(count)]
        )
    if seed % 4 == 2:
        return np.eye(3)[rng.integers(0, 3, count)] * rng.uniform(-5, 5, (count, 1))
    return rng.normal(0, 2.0, (count, 3))


@pytest.mark.parametrize("seed", range(20))
def test_against_slow_integrator(seed: int) -> None:
    """On twenty programs the time is within 1 % of a fine-step integration."""
    rng = np.random.default_rng(100 + seed)
    a, max_feed = rng.uniform(100, 1000, 3), rng.uniform(10, 90, 3)
    v, e = float(rng.uniform(10, 80)), float(rng.choice([0.005, 0.02, 0.2]))
    steps = _program(seed)
    expected = integrate(steps, v, a, max_feed, e, 2e-4)
    assert math.isclose(run(steps, v, a, max_feed, e)[0].sum(), expected, rel_tol=0.01)
