"""What moves leave of the stock, the rapids that meet it, the deepest cut: against a simulation in turn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief import carving
from relief.carving import carve_stock, deepest_cut, rapid_contact
from relief.cutters import profile
from relief.heightfield import Heightfield
from relief.moves import Moves
from relief.shop.records import Cutter
from tests.oracles import carved_in_turn

FLAT = Cutter(kind="flat", diameter=2.1)
BALL = Cutter(kind="ball", diameter=2.1)
BULL = Cutter(kind="bull", diameter=2.1, tip_radius=0.4)
VEE = Cutter(kind="vee", diameter=2.1, angle=60.0)
ORIGIN = (-3.0, -2.0)
EXACT = 1e-5


def stock(columns: int = 40, rows: int = 30, pitch: float = 0.25) -> Heightfield:
    """Return level stock, its top at 0, its near left node at `ORIGIN`."""
    return Heightfield(np.zeros((rows, columns)), pitch, ORIGIN)


def moves(points: list[tuple[float, float, float]], rapids: str) -> Moves:
    """Return the moves from point to point, rapid (r) or not (c), in lines 10, 20 and so on."""
    n = len(rapids)
    assert n == len(points) - 1
    return Moves(
        points=np.array(points, dtype=np.float64).reshape(-1, 3),
        rapid=np.array([letter == "r" for letter in rapids], dtype=np.bool_),
        feed=np.zeros(n),
        rpm=np.zeros(n),
        block=10 * np.arange(1, n + 1),
        blocks=n,
        dwell=0.0,
        pauses=(),
        units="mm",
        tool=None,
    )


def in_turn(before: Heightfield, program: Moves, cutter: Cutter) -> tuple[np.ndarray, np.ndarray]:
    """Return what is left and each move's depth, by the plain twin."""
    points = program.points - (*before.origin, 0.0)
    return carved_in_turn(before.heights, before.pitch, profile(cutter), points)


@st.composite
def programs(draw: st.DrawFn) -> Moves:
    """Draw programs as planners make them (lift, travel, plunge, cut), with some rapids that are wrong."""
    points, kinds = [(math.nan, math.nan, 3.0), (0.0, 0.0, 3.0)], "r"
    for _ in range(draw(st.integers(1, 8))):
        x, y = draw(st.integers(-20, 40)) * 0.173, draw(st.integers(-12, 24)) * 0.173
        depth = -draw(st.sampled_from([0.5, 1.0, 1.5]))
        points += [(x, y, 3.0), (x, y, depth + draw(st.sampled_from([0.0, 0.2, 4.0]))), (x, y, depth)]
        kinds += "r" + draw(st.sampled_from("rrc")) + "c"
        for _ in range(draw(st.integers(0, 3))):
            x, y = x + draw(st.integers(-9, 9)) * 0.31, y + draw(st.integers(-9, 9)) * 0.31
            points.append((x, y, depth + draw(st.sampled_from([0.0, 0.0, 0.3]))))
            kinds += draw(st.sampled_from("cccr"))
        points.append((x, y, 3.0))
        kinds += "r"
    return moves(points, kinds)


@given(program=programs(), cutter=st.sampled_from([FLAT, BALL, BULL, VEE]))
@settings(max_examples=40, deadline=None)
def test_carved_stock_is_what_the_moves_leave(program: Moves, cutter: Cutter) -> None:
    """All moves, rapids too, carve; a move from a place not told yet does not."""
    before = stock()
    expected, _ = in_turn(before, program, cutter)
    after = carve_stock(before, program, cutter)
    np.testing.assert_allclose(after.heights, expected, atol=EXACT)
    assert after.origin == before.origin
    assert not before.heights.any()


@given(
    program=programs(),
    cutter=st.sampled_from([FLAT, BALL, BULL, VEE]),
    chunk=st.sampled_from([1, 3, 8, 4096]),
)
@settings(max_examples=60, deadline=None)
def test_rapids_that_meet_the_stock_are_those_of_a_simulation(
    program: Moves, cutter: Cutter, chunk: int
) -> None:
    """A rapid is in contact where it cuts into the stock left by all moves before it, no more and no less."""
    before = stock()
    _, depths = in_turn(before, program, cutter)
    expected = np.flatnonzero(program.rapid & (depths > 1e-3))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(carving, "CHUNK", chunk)
        contact = rapid_contact(before, program, cutter)
    np.testing.assert_array_equal(contact.moves, expected)
    np.testing.assert_allclose(contact.depths, depths[expected], atol=2 * EXACT)
    assert contact.depth == pytest.approx(depths[expected].max(initial=0.0), abs=2 * EXACT)
    deepest = program.block[expected[depths[expected] >= contact.depth - 3 * EXACT]]
    assert contact.block in deepest if len(expected) else contact.block == 0


@given(
    program=programs(),
    cutter=st.sampled_from([FLAT, BALL, BULL, VEE]),
    within=st.sampled_from([0.0, 0.05, 0.3]),
    sizes=st.sampled_from([(4096, 256), (8, 1), (4, 2), (1, 1)]),
)
@settings(max_examples=60, deadline=None)
def test_deepest_cut_is_that_of_a_simulation(
    program: Moves, cutter: Cutter, within: float, sizes: tuple[int, int]
) -> None:
    """The depth of the deepest feed move is never understated, and overstated by `within` at most."""
    before = stock()
    _, depths = in_turn(before, program, cutter)
    cuts = np.where(program.rapid, 0.0, depths)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(carving, "WINDOW", sizes[0])
        patch.setattr(carving, "FEW", sizes[1])
        deepest = deepest_cut(before, program, cutter, within)
    assert cuts.max() - 2 * EXACT <= deepest.depth <= cuts.max() + within + 2 * EXACT
    if deepest.block:
        assert cuts[deepest.block // 10 - 1] >= deepest.depth - within - 2 * EXACT


def test_order_counts_for_rapids() -> None:
    """A rapid along a slot is safe after the cut that makes it, and a crash before."""
    up, low, far = (0.0, 1.0, 5.0), (0.0, 1.0, -1.0), (4.0, 1.0, -1.0)
    after = moves([up, low, far, low], "ccr")
    ahead = moves([up, low, far, low], "crc")
    assert rapid_contact(stock(), after, FLAT).depth == 0.0
    found = rapid_contact(stock(), ahead, FLAT)
    assert (found.block, found.moves.tolist()) == (20, [1])
    assert found.depth == pytest.approx(1.0)


def test_rapid_shallower_than_the_tolerance_is_no_contact() -> None:
    """Text is rounded: a rapid may brush the stock by less than the tolerance."""
    brush = moves([(0.0, 1.0, -0.0005), (4.0, 1.0, -0.0005)], "r")
    assert rapid_contact(stock(), brush, FLAT).depth == 0.0
    assert rapid_contact(stock(), brush, FLAT, tolerance=1e-4).depth == pytest.approx(0.0005)


def test_first_move_up_out_of_the_stock_is_a_contact() -> None:
    """Only where another move came before does a lift go through air."""
    lift = moves([(0.0, 1.0, -1.0), (0.0, 1.0, 5.0)], "r")
    assert rapid_contact(stock(), lift, FLAT).depth == pytest.approx(1.0)
    untold = moves([(math.nan, math.nan, 5.0), (0.0, 1.0, -1.0), (0.0, 1.0, 5.0)], "rr")
    assert rapid_contact(stock(), untold, FLAT).moves.tolist() == [1]


def test_deepest_cut_counts_layers_one_by_one() -> None:
    """Three layers of 1 mm are cuts of 1 mm, though they take off 3 mm together."""
    points = [(0.0, 1.0, 0.0)]
    for depth in (-1.0, -2.0, -3.0):
        points += [(points[-1][0], 1.0, depth), (4.0 - points[-1][0], 1.0, depth)]
    assert deepest_cut(stock(), moves(points, "c" * 6), FLAT).depth == pytest.approx(1.0, abs=0.02 + EXACT)


def test_no_moves() -> None:
    """A program without moves leaves the stock and meets nothing."""
    nothing = moves([(math.nan, math.nan, math.nan)], "")
    assert not carve_stock(stock(), nothing, BALL).heights.any()
    assert rapid_contact(stock(), nothing, BALL).block == 0
    assert deepest_cut(stock(), nothing, BALL).depth == 0.0


def test_batches_leave_what_one_sweep_leaves(monkeypatch: pytest.MonkeyPatch) -> None:
    """However many moves are swept at once, no move is left out and none is made twice."""
    places = [(float(x), float(y), -1.0 - 0.1 * x) for x in range(4) for y in (0, 3)]
    path = moves(places, "c" * (len(places) - 1))
    whole = carve_stock(stock(), path, BALL).heights
    monkeypatch.setattr(carving, "BATCH", 2)
    assert whole.min() < -1.0
    assert (carve_stock(stock(), path, BALL).heights == whole).all()
