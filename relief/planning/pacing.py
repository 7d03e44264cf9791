"""Feed by what is cut: slower where that is more than the feed was chosen for, faster where it is less."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.engagement import SLIVER, Engagement, engagement, may_exceed, nodes_for
from relief.feeds import MOST_FASTER, Feeds, round_down
from relief.heightfield import Heightfield
from relief.shop.records import Cutter
from relief.toolpath import PLUNGE, RAPID, Toolpath, on_lattice

Doubles = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

# Each level of feed is this share of the one above: what is given away by levels is little, and few of the
# finest steps change the F word.
RUNG = 0.97
# No level is lower than this share of the chosen feed: the heaviest cut that a path makes asks for more.
LEAST = 0.002
# What nodes tell of a cut is no more exact than this: so much more than the chosen cut counts as it.
EVEN = 1.05
# Feeds are smoothed along the way in cells of this share of the radius: so many cells before and behind a
# heavier one are fed like it, and so many in a row must be light before the cutter is hurried: speeding up
# for less gains nothing.
CELL, BESIDE, HURRY = 1 / 6, 1, 10
# mm: what is thicker counts as a chip here, a little sooner than where the finished text is judged.
CHIP = 0.9 * SLIVER
# What falls more steeply than this, dz over length, with the axis over stock is a way into it: it is never
# hurried. The axis stands beside the stock where the nearest of it lies a twentieth of the radius away: the
# chip is thinner there than this share of the feed per edge.
ENTRY = 0.05
ASIDE = math.sqrt(1.0 - 0.05**2)
# A move is divided within so many rows of the lattice of where its feed changes, and where a point of it lies
# no further from it than this share of a step.
ABOUT, NEAR = 10, 0.1


def paced(
    toolpath: Toolpath,
    feeds: Feeds,
    stock: Heightfield,
    cutter: Cutter,
    step: float,
    fastest: float = np.inf,
    after: Heightfield | None = None,
) -> tuple[Toolpath, Doubles]:
    """Return a toolpath divided where its feed changes, and the feed that each of its moves should have.

    Parameters
    ----------
    toolpath : in the coordinates of the stock
    feeds : what was chosen, and for which cut
    stock : the surface before the first move
    cutter : what turns
    step : mm, the lattice that program text can express
    fastest : mm/min, that the machine can do
    after : what no move cuts below; None: not known

    Returns
    -------
    Toolpath; it goes nowhere else, and nowhere lower
    (n,) mm/min for the move that arrives at each point, on few levels; 0 for rapids and the first point
    """
    rapid = toolpath.kinds[1:] == RAPID
    wanted = np.where(toolpath.kinds == RAPID, 0.0, feeds.cut)
    if rapid.all() or not (after is None or may_exceed(stock, after, cutter, feeds)):
        return toolpath, wanted
    taken = engagement(stock, toolpath.points, rapid, cutter, CHIP, nodes_for(feeds))
    steps = np.diff(toolpath.points, axis=0)
    lengths = np.linalg.norm(steps, axis=1)
    entry = -steps[:, 2] > ENTRY * lengths
    level = _levels(
        _smooth(feeds.most(taken.section, taken.chip), taken, cutter.diameter / 2), feeds, fastest
    )
    plunge = toolpath.kinds[1:] == PLUNGE
    slow = entry | plunge
    into = plunge[taken.move] | (entry[taken.move] & ~(taken.chip < ASIDE))
    level = np.where(into, np.minimum(level, feeds.cut), level)
    level = _whole(level, taken, slow)
    cuts = np.flatnonzero((np.diff(taken.move) == 0) & (np.diff(level) != 0))
    at = taken.move[cuts]
    fresh, near = _divisions(at, toolpath.points[at], steps[at], taken.end[cuts], step)
    cuts, at, fresh = cuts[near], at[near], fresh[near]
    level = _least_between(level, np.union1d(cuts, np.flatnonzero(np.diff(taken.move))))
    wanted[taken.move + 1] = level  # the last stretch of each move stands last
    if not cuts.size:
        return toolpath, wanted
    points = np.insert(toolpath.points, at + 1, fresh, axis=0)
    kinds = np.insert(toolpath.kinds, at + 1, toolpath.kinds[at + 1])
    divided = Toolpath(points, kinds)
    return divided, _held(divided, np.insert(wanted, at + 1, level[cuts]), feeds, stock, cutter, fastest)


def _divisions(
    moves: Whole, starts: Doubles, steps: Doubles, shares: Doubles, step: float
) -> tuple[Doubles, npt.NDArray[np.bool_]]:
    """Return about where moves are divided: where the lattice lies nearest to them, and nowhere lower.

    A place that is rounded as it comes lies up to half a step beside the move, which may be in a wall. Of the
    lattice's rows that a move crosses about there, across its longer way, the one is taken that it meets
    nearest to a point. Where none is near enough, which the second array tells, it had better stay whole.
    """
    across = np.rint(np.sort(np.abs(steps[:, :2]) / step, axis=1))
    slant, end = across[:, :1] / np.maximum(across[:, 1:], 1.0), across[:, 1:]
    about = np.arange(-ABOUT, ABOUT + 1)
    rows = np.clip(np.rint(shares[:, None] * end) + about, 0.0, end)
    off = np.abs(rows * slant - np.rint(rows * slant))
    off = np.where((rows == 0) | (rows == end), 1.0, np.round(off, 3))
    # of two alike the one that is nearer to where the feed changes
    best = np.argmin(off + 1e-6 * np.abs(about), axis=1)
    each = np.arange(len(rows))
    row, near = rows[each, best], off[each, best] <= NEAR
    # one move's divisions keep their order, and are not made twice
    before = moves * (end.max(initial=0.0) + 1)
    order = np.maximum.accumulate(before + row)
    near &= np.diff(order, prepend=-1.0) > 0
    # straight down or up there is no beside
    upright = end[:, 0] == 0
    share = np.where(upright, shares, (order - before) / np.maximum(end[:, 0], 1.0))
    return on_lattice(starts + share[:, None] * steps, step), near | upright


def _least_between(level: Doubles, ends: Whole) -> Doubles:
    """Return the levels of stretches with one for all up to each of these, the lowest of them."""
    firsts = np.append(0, ends + 1)
    return np.repeat(np.minimum.reduceat(level, firsts), np.diff(np.append(firsts, len(level))))


def _held(
    toolpath: Toolpath, wanted: Doubles, feeds: Feeds, stock: Heightfield, cutter: Cutter, fastest: float
) -> Doubles:
    """Return the feeds, lowered where the moves as they are divided take more than was seen before."""
    taken = engagement(stock, toolpath.points, toolpath.kinds[1:] == RAPID, cutter, CHIP, nodes_for(feeds))
    most = np.full(len(wanted), np.inf)
    np.minimum.at(most, taken.move + 1, _levels(feeds.most(taken.section, taken.chip), feeds, fastest))
    return np.asarray(np.minimum(wanted, most))


def _smooth(most: Doubles, taken: Engagement, radius: float) -> Doubles:
    """Return feeds nowhere above `most`: slowed early, and hurried only where that lasts."""
    ends = np.cumsum(taken.length) / (CELL * radius)
    first, last = (
        np.floor(at + 1e-9).astype(np.int64) for at in (ends - taken.length / (CELL * radius), ends)
    )
    way = np.full(int(last[-1]) + 1, np.inf)
    # no stretch is longer than two cells
    for cell in (first, np.minimum(first + 1, last), last):
        np.minimum.at(way, cell, most)
    way = ndimage.minimum_filter1d(way, 2 * BESIDE + 1, mode="nearest")
    way = ndimage.grey_opening(way, (HURRY,), mode="nearest")
    return np.asarray(np.minimum.reduce([way[first], way[np.minimum(first + 1, last)], way[last]]))


def _levels(most: Doubles, feeds: Feeds, fastest: float) -> Doubles:
    """Return the highest level that each feed, mm/min, comes up to; the chosen feed is one of them.

    So is the fastest.
    """
    top = min(fastest, feeds.hurry * feeds.cut)
    highest, lowest = (math.log(share) / math.log(RUNG) for share in (MOST_FASTER, LEAST))
    powers = feeds.cut * RUNG ** np.arange(math.floor(highest), math.ceil(lowest) + 1)
    rungs = np.unique([feeds.cut, max(top, feeds.cut), *(round_down(rung) for rung in powers)])
    rungs = rungs[rungs <= max(top, feeds.cut)]
    at = np.searchsorted(rungs, most * EVEN, side="right") - 1
    return np.asarray(rungs[np.maximum(at, 0)])


def _whole(level: Doubles, taken: Engagement, slow: npt.NDArray[np.bool_]) -> Doubles:
    """Return levels of which ways into the stock have one each: dividing them would bend them."""
    least = _least_between(level, np.flatnonzero(np.diff(taken.move)))
    return np.where(slow[taken.move], least, level)
