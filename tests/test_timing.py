"""Times of programs: what counts as a stop, as a move, as a block."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from relief.moves import Moves
from relief.shop.records import Machine
from relief.timing import fastest_block_rate, feed_that_eases, move_seconds, program_seconds

NAN = math.nan


def machine(**keys: Any) -> Machine:
    """Return a machine of 500 mm/s² and 50 mm/s on every axis, unless told otherwise."""
    standard = {"max_feed": (3000.0,) * 3, "acceleration": (500.0,) * 3, "corner_tolerance": 0.01}
    return Machine("test", **{**standard, **keys})  # type: ignore[arg-type]


def moves(points: npt.ArrayLike, feed: float = 3000.0, **keys: Any) -> Moves:
    """Return feed moves through the points, one a line, the spindle turning."""
    at = np.array(points, dtype=np.float64)
    n = len(at) - 1
    standard = {
        "rapid": np.zeros(n, bool),
        "feed": np.full(n, feed),
        "rpm": np.full(n, 18000.0),
        "block": np.arange(1, n + 1),
        "blocks": n,
        "dwell": 0.0,
        "pauses": (),
        "units": "mm",
        "tool": None,
    }
    return Moves(at, **{**standard, **keys})  # type: ignore[arg-type]


def test_closed_forms() -> None:
    """100 mm at 50 mm/s and 500 mm/s² from rest to rest takes d/v + v/a = 2.1 s; 1 mm 2 √(d/a) (textbook)."""
    assert math.isclose(program_seconds(moves([[0, 0, 0], [100, 0, 0]]), machine()), 2.1)
    assert math.isclose(program_seconds(moves([[0, 0, 0], [0, 0, 1]]), machine()), 0.0894427191, rel_tol=1e-9)


def test_standards_own_example() -> None:
    """NISTIR 6556 s5.3: 2000 moves of 0.1 mm at 1000 mm/min "should run in 12 seconds" (no acceleration)."""
    points = np.zeros((2001, 3))
    points[:, 0] = np.linspace(0, 200, 2001)
    endless = machine(acceleration=(1e15,) * 3)
    assert math.isclose(program_seconds(moves(points, 1000), endless), 12.0, rel_tol=1e-9)


def test_raster() -> None:
    """A raster of n = ⌈W/s⌉ + 1 passes of H is n H + (n − 1) s long (textbook), and takes ≥ that ÷ F.

    Where corners are taken at rest, passes take H/v + v/a and the steps between them 2 √(s/a).
    """
    wide, high, apart = 9.6, 100.0, 1.0
    passes = math.ceil(wide / apart) + 1
    corners = [(s * apart, high * ((s + end) % 2), 0.0) for s in range(passes) for end in (0, 1)]
    length = passes * high + (passes - 1) * apart
    endless = machine(acceleration=(1e15,) * 3)
    assert passes == 11
    assert length == 1110.0
    assert math.isclose(program_seconds(moves(corners), endless), length / 50.0, rel_tol=1e-9)
    real = program_seconds(moves(corners), machine(corner_tolerance=1e-9))
    rest_to_rest = passes * (high / 50 + 50 / 500) + (passes - 1) * 2 * math.sqrt(apart / 500)
    assert math.isclose(real, rest_to_rest, rel_tol=1e-3)
    assert real > length / 50.0


def test_rapids_run_at_the_axes_feeds() -> None:
    """A rapid goes as fast as the axes allow along its direction, whatever F says."""
    fast = machine(max_feed=(6000.0, 3000.0, 600.0), acceleration=(1e15,) * 3)
    there = moves([[0, 0, 0], [100, 0, 0], [100, 100, 0], [100, 100, 10], [0, 0, 10]])
    there = Moves(**{**vars(there), "rapid": np.ones(4, bool), "feed": np.zeros(4)})
    assert np.allclose(move_seconds(there, fast), [1.0, 2.0, 1.0, 2.0], rtol=1e-9)


def test_slow_axis_rules_steep_moves() -> None:
    """F is along the path (NISTIR 6556 s2.1.2.5): 40 mm up take Z, at 10 mm/s, 4 s, whatever X does."""
    slow = machine(max_feed=(3000.0, 3000.0, 600.0), acceleration=(1e15,) * 3)
    assert math.isclose(program_seconds(moves([[0, 0, 0], [30, 0, 40]]), slow), 4.0, rel_tol=1e-9)


def test_never_below_length_over_feed() -> None:
    """On a random walk no move takes less than its length ÷ feed."""
    rng = np.random.default_rng(5)
    walk = moves(np.cumsum(rng.normal(0, 1, (500, 3)), axis=0), 1500.0)
    assert np.all(move_seconds(walk, machine()) >= walk.lengths() / (1500 / 60) * (1 - 1e-12))


def test_unknown_axes_stand_still() -> None:
    """Before an axis is told where to go it counts as standing still."""
    points = [[NAN, NAN, NAN], [NAN, NAN, 5.0], [0.0, 0.0, 5.0], [0.0, 0.0, 4.0]]
    assert np.allclose(move_seconds(moves(points), machine()), [0, 0, 0.0894427191])


def test_moves_of_nothing() -> None:
    """Moves to where the cutter stands take no time and break no flow."""
    whole = program_seconds(moves([[0, 0, 0], [50, 0, 0], [100, 0, 0]]), machine())
    with_nothing = moves([[0, 0, 0], [0, 0, 0], [50, 0, 0], [50, 0, 0], [50, 0, 0], [100, 0, 0]])
    seconds = move_seconds(with_nothing, machine())
    assert math.isclose(seconds.sum(), whole, rel_tol=1e-12)
    assert seconds[0] == seconds[2] == seconds[3] == 0


@pytest.mark.parametrize(
    "keys",
    [
        {"pauses": (2,), "block": np.array([1, 3])},
        {"rpm": np.array([18000.0, 0.0])},
    ],
)
def test_stops(keys: dict[str, Any]) -> None:
    """At a pause, and where the spindle's speed changes, the machine stands still: v/a = 0.1 s more."""
    line = [[0, 0, 0], [100, 0, 0], [200, 0, 0]]
    through = program_seconds(moves(line), machine())
    assert math.isclose(program_seconds(moves(line, **keys), machine()) - through, 0.1, rel_tol=1e-9)


def test_stop_survives_a_move_of_nothing() -> None:
    """A pause before a move that goes nowhere still stops the next one."""
    points = [[0, 0, 0], [100, 0, 0], [100, 0, 0], [200, 0, 0]]
    through = program_seconds(moves(points), machine())
    paused = moves(points, pauses=(2,), block=np.array([1, 3, 4]))
    assert math.isclose(program_seconds(paused, machine()) - through, 0.1, rel_tol=1e-9)


def test_dwell_counts() -> None:
    """Dwells are added to the program, not to a move."""
    line = moves([[0, 0, 0], [100, 0, 0]], dwell=3.0)
    assert math.isclose(program_seconds(line, machine()), 5.1)
    assert math.isclose(move_seconds(line, machine()).sum(), 2.1)


def test_empty_program() -> None:
    """A program without moves takes its dwells."""
    assert program_seconds(moves(np.zeros((1, 3)), dwell=2.0), machine()) == 2.0


def test_sharper_corners_take_longer() -> None:
    """A raster takes longer with a tighter corner tolerance, and never less than its length ÷ feed."""
    n, width, over = 20, 40.0, 0.5
    points = [[width * ((j + i) % 2), over * j, 0.0] for j in range(n) for i in range(2)]
    raster = moves(points)
    length = n * width + (n - 1) * over
    times = [program_seconds(raster, machine(corner_tolerance=e)) for e in (0.2, 0.05, 0.01, 0.001)]
    assert times == sorted(times)
    assert math.isclose(raster.cutting_length(), length)
    assert times[0] > length / 50.0


def test_the_feed_that_eases() -> None:
    """Moves of 0.1 mm at 3000 mm/min are 500 blocks a second, at 0.1 · 200 · 60 = 1200 mm/min 200."""
    points = np.zeros((201, 3))
    points[:, 0] = np.linspace(0, 20, 201)
    endless = machine(acceleration=(1e15,) * 3)
    hasty = moves(points)
    feed = feed_that_eases(hasty, move_seconds(hasty, endless), 200.0)
    assert feed is not None
    assert math.isclose(feed, 1200.0, rel_tol=1e-9)
    slow = moves(points, feed)
    assert math.isclose(fastest_block_rate(slow, move_seconds(slow, endless)), 200.0, rel_tol=1e-9)
    assert feed_that_eases(slow, move_seconds(slow, endless) * 1.001, 200.0) is None


def test_fastest_block_rate() -> None:
    """The busiest stretch counts; moves of one line are one block."""
    steps = np.concatenate([np.full(100, 1.0), np.full(100, 0.1)])
    points = np.zeros((201, 3))
    points[1:, 0] = np.cumsum(steps)
    line = moves(points)
    seconds = steps / 50.0
    assert math.isclose(fastest_block_rate(line, seconds), 500.0, rel_tol=1e-9)
    arcs = moves(points, block=np.repeat(np.arange(100), 2))
    assert math.isclose(fastest_block_rate(arcs, seconds), 250.0, rel_tol=1e-9)
    assert fastest_block_rate(moves(points[:3]), seconds[:2]) == 0.0
    assert fastest_block_rate(moves(points[:1]), seconds[:0]) == 0.0
