"""What feed each move may run: no axis asked for too much, no controller for too many blocks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.feeds import Feeds
from relief.limits import eased_feeds, limit_feeds
from relief.shop.load import Shop
from relief.shop.records import Machine
from relief.toolpath import CUT, PLUNGE, RAPID
from tests.test_feeds import machines

ROUTER = Shop.read(None).machine("benchtop router")
FEEDS = Feeds(18000, 3000.0, 900.0, 0.08, 0.05, 0.13, 359.0, 10.0, ())


def hasty_path(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a path whose moves are long, then very short, then long, with a few rapids among them."""
    rng = np.random.default_rng(seed)
    lengths = np.concatenate([rng.uniform(2, 5, 80), rng.uniform(0.02, 0.1, 200), rng.uniform(2, 5, 80)])
    turns = np.cumsum(rng.normal(0, 0.2, len(lengths)))
    steps = np.column_stack([lengths * np.cos(turns), lengths * np.sin(turns), np.zeros(len(lengths))])
    points = np.vstack([[0, 0, 0], np.cumsum(steps, axis=0)])
    kinds = np.where(rng.random(len(points)) < 0.03, RAPID, CUT).astype(np.uint8)
    return points, kinds


class TestEasedFeeds:
    @pytest.mark.parametrize("seed", range(5))
    def test_no_run_of_blocks_is_too_fast(self, seed: int) -> None:
        """Any 50 moves on end, rapids taken as no time, last at least 50 / rate seconds."""
        points, kinds = hasty_path(seed)
        feed = limit_feeds(points, kinds, FEEDS, ROUTER)
        eased = eased_feeds(points, kinds, feed, 200.0)
        lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
        cut = kinds[1:] != RAPID
        spent = np.where(cut, lengths / np.where(cut, eased[1:], 1.0) * 60.0, 0.0)
        runs = np.convolve(spent, np.ones(50), "valid")
        assert (50 / runs).max() <= 200.0 * (1 + 1e-9)
        assert (eased <= feed).all()

    def test_what_is_slow_enough_stays_as_it_is(self) -> None:
        """Far from the short moves nothing is slowed, nor for a fast controller, nor in a short program."""
        points, kinds = hasty_path(1)
        feed = limit_feeds(points, kinds, FEEDS, ROUTER)
        eased = eased_feeds(points, kinds, feed, 200.0)
        assert (eased[:30] == feed[:30]).all()
        assert (eased[100:200] < feed[100:200]).any()
        assert (eased_feeds(points, kinds, feed, 1e6) == feed).all()
        assert (eased_feeds(points[:40], kinds[:40], feed[:40], 1.0) == feed[:40]).all()


class TestLimitFeeds:
    def test_kinds(self) -> None:
        """Rapids have no feed, level cuts the full feed, plunges the plunge feed."""
        points = np.array([[0, 0, 5], [9, 0, 5], [9, 0, -1], [20, 5, -1], [20, 5, 5]], dtype=float)
        kinds = np.array([RAPID, RAPID, PLUNGE, CUT, RAPID], np.uint8)
        assert limit_feeds(points, kinds, FEEDS, ROUTER).tolist() == [0, 0, 900, 3000, 0]

    def test_steep_cuts(self) -> None:
        """Up 60° a Z axis of 900 mm/min allows 900/sin 60° = 1039 mm/min along the slope: the rung below."""
        machine = replace(ROUTER, max_feed=(5000.0, 5000.0, 900.0))
        points = np.array([[0, 0, 0], [1, 0, math.tan(math.radians(60))]])
        fed = limit_feeds(points, np.array([RAPID, CUT], np.uint8), FEEDS, machine)[1]
        assert 0.9 * 1039.0 - 10 <= fed <= 1039.3

    @pytest.mark.parametrize(("fall_deg", "plunges"), [(74.0, False), (76.0, True), (80.0, True)])
    def test_steeper_than_75_degrees_down_is_a_plunge(self, fall_deg: float, plunges: bool) -> None:
        """From 75° down on a cut has the plunge feed (common practice, no source); up it never has."""
        points = np.array(
            [[0, 0, 0], [math.cos(math.radians(fall_deg)), 0, -math.sin(math.radians(fall_deg))]]
        )
        kinds = np.array([RAPID, CUT], np.uint8)
        assert (limit_feeds(points, kinds, FEEDS, ROUTER)[1] == 900) == plunges
        assert limit_feeds(points * (1, 1, -1), kinds, FEEDS, ROUTER)[1] > 900

    def test_straight_down_is_a_plunge(self) -> None:
        """A cut that goes straight down is fed as a plunge; straight up as a cut."""
        points = np.array([[0, 0, 0], [0.1, 0, -2], [0.2, 0, 0]])
        fed = limit_feeds(points, np.array([RAPID, CUT, CUT], np.uint8), FEEDS, ROUTER)
        assert fed[1] == 900
        assert 900 < fed[2] <= 2000 / 0.998

    @given(
        seed=st.integers(0, 2**32 - 1),
        scale=st.sampled_from([0.004, 0.05, 1.0, 30.0]),
        machine=machines(),
        shift=st.floats(0, 1),
    )
    @settings(deadline=None, max_examples=150)
    def test_no_axis_is_asked_too_much(self, seed: int, scale: float, machine: Machine, shift: float) -> None:
        """However zero is set and the text is rounded, no axis is asked for more than it can do."""
        rng = np.random.default_rng(seed)
        points = np.cumsum(rng.normal(0, scale, (40, 3)) * rng.choice([0, 0.01, 1], (40, 3)), axis=0)
        kinds = rng.choice(np.array([RAPID, CUT, PLUNGE], np.uint8), 40)
        feeds = replace(FEEDS, cut=min(3000.0, *machine.max_feed[:2]), plunge=min(900.0, machine.max_feed[2]))
        fed = limit_feeds(points, kinds, feeds, machine)
        for unit in (10.0**-machine.decimals, 2.54 * 10.0**-machine.decimals):
            steps = np.diff(np.round((points + shift) / unit) * unit, axis=0)
            length = np.linalg.norm(steps, axis=1)
            moved = length > 0
            asked = fed[1:][moved, None] * np.abs(steps[moved]) / length[moved, None]
            assert np.all(asked <= np.array(machine.max_feed) * (1 + 1e-9))
        assert np.all((fed > 0) == (np.concatenate([[RAPID], kinds[1:]]) != RAPID))
        steps = np.diff(points, axis=0)
        falling = np.maximum(-steps[:, 2], 0) / np.maximum(np.linalg.norm(steps, axis=1), 1e-12)
        assert np.all((fed[1:] * falling)[kinds[1:] == PLUNGE] <= feeds.plunge * (1 + 1e-9))
        assert np.all(fed[kinds == CUT] <= max(feeds.cut, feeds.plunge))

    def test_few_different_feeds(self) -> None:
        """A hilly path has few different feeds, and gives away little more than a rung."""
        rng = np.random.default_rng(3)
        points = np.column_stack([np.arange(5000) * 0.2, np.zeros(5000), np.cumsum(rng.normal(0, 0.2, 5000))])
        machine = replace(ROUTER, max_feed=(5000.0, 5000.0, 1000.0))
        fed = limit_feeds(points, np.full(5000, CUT, np.uint8), FEEDS, machine)[1:]
        steps = np.abs(np.diff(points, axis=0))
        most = np.minimum(1000 * np.linalg.norm(steps, axis=1) / np.maximum(steps[:, 2], 1e-9), 3000)
        gentle = -np.diff(points[:, 2]) < 3 * steps[:, 0]
        assert len(np.unique(fed)) < 15
        assert np.all(fed[gentle] >= 0.85 * most[gentle] - 10)

    def test_no_points(self) -> None:
        """Nothing to do, nothing to feed."""
        assert len(limit_feeds(np.zeros((0, 3)), np.zeros(0, np.uint8), FEEDS, ROUTER)) == 0
