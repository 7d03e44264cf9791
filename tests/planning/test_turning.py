"""Bows from pass to pass: along both, above the tip's surface, no deeper than the rule, and quicker."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relief.clamps import KeepOut
from relief.moves import Moves
from relief.planning.ground import Ground, Rules
from relief.planning.turning import turn_round
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.timing import move_seconds
from relief.toolpath import CUT, PLUNGE

PITCH, STEP, RADIUS = 0.25, 0.001, 3.0
END, ACROSS = (10.0, 10.0), 2.5
CUTTER = Cutter("flat", 2 * RADIUS)
RULES = Rules(
    radius=RADIUS, sure_radius=RADIUS - STEP, stepdown=3.0, lines=10, widest=20, stepover=ACROSS,
    steepest=0.0875, slack=0.01, bite=0.75, core=0.0, ridge=0.75, thin=0.5,
    clearance=5.0, step=STEP, cut="both ways", keep_out=KeepOut((), CUTTER),
)  # fmt: skip


def ground(rise: float = 0.0, beyond: float = -2.0, turned: bool = False) -> Ground:
    """Return ground cut to -2 mm up to x = 14 mm, `beyond` from there on, rising by `rise` from x = 10 on."""
    x = np.arange(97) * PITCH
    tip = np.broadcast_to(np.where(x < 14, -2.0 + rise * np.maximum(x - END[0], 0), beyond), (97, 97))
    tip = np.ascontiguousarray(tip.astype(np.float32))
    everywhere = np.ones(tip.shape, dtype=bool)
    inner = (slice(12, 85), slice(12, 85))
    stock = tip.copy()
    made = Ground(tip, stock, tip, stock, PITCH, everywhere, ~everywhere, inner, inner, (0.0, 0.0), turned)
    made.go([[2.0, END[1], -2.0], [*END, -2.0]], CUT)
    return made


def bow(made: Ground) -> np.ndarray:
    """Return the way from the end of one pass to the next."""
    return made.lately(len(made.trail) - 1)


@pytest.mark.parametrize("turned", [False, True])
def test_a_bow_is_half_a_circle(turned: bool) -> None:
    """Side by side it bulges by half the distance (to 2 %), leaves and comes in along the passes, level."""
    made = ground(turned=turned)
    assert turn_round(made, RULES, (END[0], END[1] + ACROSS), -2.0, -1)
    way = bow(made)
    assert tuple(way[-1]) == (END[0], END[1] + ACROSS, -2.0)
    assert way[:, 0].max() - END[0] == pytest.approx(ACROSS / 2, rel=0.02)
    middle = np.add(END, (0, ACROSS / 2))
    assert np.linalg.norm(way[:, :2] - middle, axis=1) == pytest.approx(ACROSS / 2, rel=0.02)
    first, last = way[1] - way[0], way[-1] - way[-2]
    assert math.atan2(first[1], first[0]) == pytest.approx(0.0, abs=math.radians(8))
    assert math.atan2(last[1], -last[0]) == pytest.approx(0.0, abs=math.radians(8))
    assert (way[:, 2] == -2.0).all()


def test_a_bow_is_quicker_than_square_corners() -> None:
    """By the judge's clock, on the default machine."""
    made = ground()
    assert turn_round(made, RULES, (END[0], END[1] + ACROSS), -2.0, -1)
    ends = [[-40.0, END[1], -2.0]], [[-40.0, END[1] + ACROSS, -2.0]]
    square = np.array([[*END, -2.0], [END[0], END[1] + ACROSS, -2.0]])
    machine = Shop.read(None).machine("benchtop router")

    def seconds(points: np.ndarray) -> float:
        n = len(points) - 1
        moves = Moves(
            points=points, rapid=np.zeros(n, dtype=bool), feed=np.full(n, 4000.0), rpm=np.ones(n),
            block=np.arange(1, n + 1), blocks=n, dwell=0.0, pauses=(), units="mm", tool=None,
        )  # fmt: skip
        return float(move_seconds(moves, machine).sum())

    saved = seconds(np.concatenate([ends[0], square, ends[1]])) - seconds(
        np.concatenate([ends[0], bow(made), ends[1]])
    )
    assert saved > 0.03


@pytest.mark.parametrize("rise", [0.1, 0.3])
def test_a_bow_climbs_over_rising_ground(rise: float) -> None:
    """It is nowhere below the tip's surface, and falls more steeply than a ramp only where that is told."""
    made = ground(rise)
    assert turn_round(made, RULES, (END[0], END[1] + ACROSS), -2.0, -1)
    way = bow(made)
    share = np.linspace(0, len(way) - 1, 2000)
    x, z = (np.interp(share, np.arange(len(way)), way[:, k]) for k in (0, 2))
    # a node's height is good for a pitch around it
    assert (z - (-2.0 + rise * np.maximum(x - PITCH - END[0], 0))).min() >= -1e-6
    assert -2.0 < way[:, 2].max() <= -2.0 + rise * (ACROSS / 2 + PITCH) * 1.3
    fall = -np.diff(way[:, 2]) > RULES.steepest * np.linalg.norm(np.diff(way[:, :2], axis=0), axis=1)
    assert (made.trail.toolpath().kinds[2:][fall] == PLUNGE).all()


def test_no_bow_where_it_must_not_be() -> None:
    """Not into a wall, nor deeper than the stepdown, further out than passes go, or in the same direction."""
    entry = (END[0], END[1] + ACROSS)
    wall = ground()
    wall.tip[:, 41:] = 0.0
    deep = ground()
    deep.stock[:, 52:] = -2.0 + RULES.stepdown + 0.1
    outside = ground()
    outside.inner = (slice(12, 85), slice(12, 29))
    for made, heading in ((wall, -1), (deep, -1), (outside, -1), (ground(), 1)):
        assert not turn_round(made, RULES, entry, -2.0, heading)
        assert len(bow(made)) == 1
    assert not turn_round(ground(), RULES, (END[0] + 20.0, entry[1]), -2.0, -1)
    assert turn_round(ground(), RULES, entry, -2.0, -1)


def test_a_bow_is_flatter_where_a_wall_leaves_no_room() -> None:
    """It bulges by ¾ of its pull (a cubic curve): here a third of the way across."""
    made = ground()
    made.stock[:, 55:] = 5.0  # the cutter's rim stays short of x = 13.75 mm
    assert turn_round(made, RULES, (END[0], END[1] + ACROSS), -2.0, -1)
    assert bow(made)[:, 0].max() - END[0] == pytest.approx(0.75 * ACROSS / 3, rel=0.01)


def test_a_bow_cuts_the_stock() -> None:
    """What it goes through is known to be cut afterwards, and no more than that."""
    made = ground()
    made.stock[:] = -1.0
    assert turn_round(made, RULES, (END[0], END[1] + ACROSS), -2.0, -1)
    y, x = np.mgrid[:97, :97] * PITCH
    way = bow(made)
    away = np.min([np.hypot(x - px, y - py) for px, py in way[:, :2]], axis=0)
    assert (made.stock[away <= RADIUS - 0.05] == -2.0).all()
    assert (made.stock[away > RADIUS] == -1.0).all()
