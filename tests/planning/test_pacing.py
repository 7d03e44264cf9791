"""Feeds that go by what is cut: the same way, few levels, never more load than was chosen."""

from __future__ import annotations

import numpy as np
import pytest

from relief.engagement import COARSEST, engagement
from relief.heightfield import Heightfield
from relief.job import Job
from relief.operations import job_operations
from relief.planning.pacing import EVEN, RUNG, _divisions, paced
from relief.plans import Plan, finishing_plan, roughing_plan
from relief.progress import Silent
from relief.setup import Setup, lay_out
from relief.shop.load import Shop
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from tests import fields

STEP = 0.001


def plain_and_paced(**roughing: float) -> tuple[Setup, Toolpath, Toolpath, np.ndarray]:
    """Return a roughing as it is with one feed, and as it is divided."""
    job = Job.from_table({"picture": "terrain", "roughing": {"shape_feed": False} | roughing}, "test")
    setup = lay_out(job, Shop.read(None), fields.terrain(30.0, 6.0, 0.25))
    plan = roughing_plan(job_operations(setup)[0], setup, (), Silent())
    assert plan.feeds
    assert plan.load is None
    path, wanted = paced(plan.toolpath, plan.feeds, setup.stock, setup.roughing_cutter, STEP)
    return setup, plan.toolpath, path, wanted


def test_the_way_stays_the_same():
    """Old points stay in order; new ones lie on the lattice, on the old moves or a step above."""
    _, before, after, wanted = plain_and_paced()
    old = {tuple(point) for point in before.points}
    fresh = np.array([tuple(point) not in old for point in after.points])

    assert (after.points[~fresh] == before.points).all()
    assert 0 < fresh.sum() < len(before.points)
    assert after.cutting_length() == pytest.approx(before.cutting_length(), rel=1e-6)
    k = np.flatnonzero(fresh)
    assert after.points[k] / STEP == pytest.approx(np.rint(after.points[k] / STEP), abs=1e-6)
    start, end = after.points[k - 1], after.points[k + 1]
    lone = ~fresh[k - 1] & ~fresh[k + 1]
    share = np.linalg.norm(after.points[k] - start, axis=1) / np.linalg.norm(end - start, axis=1)
    line = start + share[:, None] * (end - start)
    off = (after.points[k] - line)[lone]
    assert np.abs(off[:, :2]).max() <= STEP
    assert off[:, 2].min() >= -1e-6 - STEP * 0.05
    assert off[:, 2].max() <= 1.1 * STEP
    assert (wanted[after.kinds == RAPID] == 0).all()
    assert (wanted[after.kinds != RAPID] > 0).all()


def test_no_stretch_takes_more_than_was_chosen():
    """Section × feed stays at stepdown × stepover × feed, by what the nodes tell; no entry is hurried.

    A way down beside the stock is none.
    """
    setup, _, path, wanted = plain_and_paced()
    feeds = roughing_plan(job_operations(setup)[0], setup, (), Silent()).feeds
    assert feeds
    taken = engagement(setup.stock, path.points, path.kinds[1:] == RAPID, setup.roughing_cutter)
    rate = taken.section * wanted[taken.move + 1]
    fall = -np.diff(path.points, axis=0)[:, 2] / np.maximum(path_lengths(path), 1e-9)
    nearest = np.full(
        len(fall), np.inf
    )  # that stock stands beside the cutter's line, as a share of the radius
    np.minimum.at(nearest, taken.move, np.sqrt(1 - taken.chip**2))
    entry = (fall > 0.06) & (nearest < 0.04) | (path.kinds[1:] == PLUNGE)
    beside = (fall > 0.06) & (nearest > 0.1) & (path.kinds[1:] == CUT)

    rule = setup.material.stepdown * setup.material.stepover * setup.roughing_cutter.diameter**2
    assert rate.max() <= 1.12 * rule * feeds.cut
    assert rate.max() >= 0.9 * rule * feeds.cut
    assert wanted.max() > 1.2 * feeds.cut
    assert wanted[1:][entry].max() <= feeds.cut
    assert wanted[1:][beside].max() > 1.2 * feeds.cut
    assert wanted.max() <= 2 * feeds.cut


def test_a_slot_is_fed_as_slowly_as_it_needs():
    """Where passes are chosen to take a 25th of the cutter's width, a slot takes 25 times as much."""
    setup, _, path, wanted = plain_and_paced(stepdown=3.0, stepover=0.25)
    feeds = roughing_plan(job_operations(setup)[0], setup, (), Silent()).feeds
    assert feeds
    taken = engagement(setup.stock, path.points, path.kinds[1:] == RAPID, setup.roughing_cutter)

    assert (taken.section * wanted[taken.move + 1]).max() <= 1.12 * 3.0 * 0.25 * feeds.cut
    assert wanted[wanted > 0].min() < 0.08 * feeds.cut


def test_levels_are_few():
    """The F word takes each level of a ladder, whose rungs lie some three hundredths apart."""
    _, _, _, wanted = plain_and_paced()
    levels = np.unique(wanted[wanted > 0])

    assert RUNG * EVEN < 1.03  # on the mean no more is asked for than was chosen, as well as nodes tell it
    assert len(levels) <= 50
    assert (levels[1:] / levels[:-1]).min() > 1.02


@pytest.mark.parametrize("step", [0.01, 0.001])
def test_moves_are_divided_beside_themselves_by_far_less_than_half_a_step(step):
    """Half a step on a steep wall would be a gouge; the divisions keep their order and are never lower."""
    rng = np.random.default_rng(8)
    starts = np.round(rng.uniform(-9, 9, (400, 3)) / step) * step
    steps = np.round(rng.uniform(-1.5, 1.5, (400, 3)) / step) * step
    moves = np.repeat(np.arange(400), 2)
    shares = np.sort(rng.uniform(0.1, 0.9, (400, 2)), axis=1).ravel()
    fresh, near = _divisions(moves, starts[moves], steps[moves], shares, step)

    assert fresh / step == pytest.approx(np.rint(fresh / step), abs=1e-6)
    assert near.mean() > 0.8
    way = steps[moves]
    flat = np.linalg.norm(way[:, :2], axis=1)
    along = ((fresh - starts[moves])[:, :2] * way[:, :2]).sum(axis=1) / flat**2
    off = (fresh - starts[moves] - along[:, None] * way)[near]
    assert np.linalg.norm(off[:, :2], axis=1).max() <= 0.1 * step + 1e-9
    assert off[:, 2].min() >= -0.1 * step * np.abs(way[:, 2] / flat)[near].max()
    assert (np.abs(along - shares) * flat <= 16 * step).all()
    assert (np.diff(along.reshape(-1, 2), axis=1)[near[1::2]] > 0).all()

    down = np.array([[0.0, 0.0, -2.0]])
    fresh, near = _divisions(np.zeros(1, np.int64), np.zeros((1, 3)), down, np.array([0.25]), step)
    assert near.all()
    assert fresh == pytest.approx(0.25 * down)


def path_lengths(path: Toolpath) -> np.ndarray:
    """Return the length of each move, mm."""
    return np.asarray(np.linalg.norm(np.diff(path.points, axis=0), axis=1))


def finished(depth: float) -> tuple[Setup, Plan]:
    """Return the finishing of a board with a groove that the roughing cutter cannot enter."""
    heights = np.zeros((101, 161), dtype=np.float32)
    heights[:, 70:90] = -depth
    setup = lay_out(Job("groove"), Shop.read(None), Heightfield(heights, 0.25))
    rough, finish = job_operations(setup)
    done = roughing_plan(rough, setup, (), Silent())
    return setup, finishing_plan(finish, setup, (done,), Silent())


def test_finishing_goes_slowly_where_roughing_could_not_enter():
    """A groove 5 mm wide holds more than a slot by the rule: fed by its load there, as chosen elsewhere.

    A slot takes the rule's depth × the cutter's width (geometry).
    """
    setup, plan = finished(6.0)
    feeds, slot = plan.feeds, setup.material.stepdown * setup.finishing_cutter.diameter**2
    assert feeds
    assert plan.load
    assert plan.load.section == pytest.approx(slot)
    path = plan.toolpath
    taken = engagement(
        setup.stock, path.points, path.kinds[1:] == RAPID, setup.finishing_cutter, nodes=COARSEST
    )
    fed = plan.feed[taken.move + 1]
    deep = taken.section > 1.3 * slot

    assert deep.sum() > 10
    assert (taken.section * fed)[deep].max() <= 1.12 * slot * feeds.cut
    assert fed.max() == feeds.cut
    assert np.isclose(plan.feed, feeds.cut).mean() > 0.4


def test_finishing_is_not_divided_where_little_is_left():
    """A groove shallower than the rule's layer asks for nothing."""
    _, plan = finished(1.0)
    assert plan.feeds
    levels = set(plan.feed[plan.toolpath.kinds == CUT].tolist())
    assert plan.feeds.cut in levels
    assert min(levels) >= 0.5 * plan.feeds.cut
