"""What feed each move may run: no axis asked for more than it can do, no controller for more blocks."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.feeds import Feeds, round_down
from relief.shop.records import Machine
from relief.toolpath import PLUNGE, RAPID
from relief.units import MM_PER_INCH

# Cuts that go down more steeply than this (|dz| / length) are fed as plunges. Common practice, no source.
_STEEP = math.sin(math.radians(75.0))
# Each rung of the ladder of feeds is this share of the one above: at most a tenth of the feed is given away
# and the F word changes rarely.
_RUNG = 0.9

# No feed is eased below this, mm/min: slower the edge rubs more than it cuts. Common practice, no source.
SLOWEST = 30.0
# Blocks that a small controller looks ahead (common practice, no source): it starves where so many on end
# come faster than it takes them.
LOOK_AHEAD = 50


def limit_feeds(
    points: npt.NDArray[np.float64],
    kinds: npt.NDArray[np.uint8],
    feeds: Feeds,
    machine: Machine,
    wanted: npt.NDArray[np.float64] | None = None,
) -> npt.NDArray[np.float64]:
    """Return the feed of each move, held so that no axis is asked for more than it can do.

    Parameters
    ----------
    points : (n, 3) float64, mm
    kinds : (n,) uint8, kind of the move that arrives at each point
    feeds : Feeds
    machine : Machine
    wanted : (n,) mm/min, for the move that arrives at each point; None: the feed that was chosen, everywhere

    Returns
    -------
    (n,) float64, mm/min, for the move that arrives at each point; 0 for rapids and the first point
        F is the speed along the path (NISTIR 6556 s2.1.2.5), so on a slope an axis has F |d| / length.
        What goes down more steeply than 75° has the plunge feed; a plunge that slants goes faster along its
        path, but no faster downward. Feeds that are held sink to the next rung of a ladder, so that they
        change rarely.
    """
    held = np.zeros(len(points))
    if len(points) < 2:
        return held
    steps = np.diff(points, axis=0)
    most = _most_feed(np.abs(steps), machine)
    fall = np.maximum(-steps[:, 2], 0.0) / np.maximum(np.linalg.norm(steps, axis=1), 1e-12)
    with np.errstate(divide="ignore"):
        most = np.where(kinds[1:] == PLUNGE, np.minimum(most, feeds.plunge / fall), most)
    moving, steep = kinds[1:] != RAPID, fall > _STEEP
    asked = np.full(len(steps), feeds.cut) if wanted is None else wanted[1:]
    down, along = moving & steep, moving & ~steep
    bound = most if wanted is None else np.minimum(most, asked)
    held[1:][down] = _on_ladder(bound[down], feeds.plunge)
    held[1:][along] = np.where(
        asked <= most * (1 + 1e-12), asked, _on_ladder(most, max(float(asked.max()), feeds.cut))
    )[along]
    return held


def _most_feed(steps: npt.NDArray[np.float64], machine: Machine) -> npt.NDArray[np.float64]:
    """Return the most feed, mm/min, of moves by `steps` ≥ 0 mm, however the text rounds their ends.

    Rounding can make the step of an axis one unit of the last decimal longer and the others shorter; a step
    of nothing stays nothing. The unit is that of programs in inches, the coarser one (one more decimal).
    """
    unit = MM_PER_INCH / 10.0 * 10.0**-machine.decimals
    most = np.full(len(steps), np.inf)
    for axis in range(3):
        longer = steps[:, axis] + unit
        across = np.hypot(steps[:, axis - 1], steps[:, axis - 2])
        shorter = np.maximum(across - math.sqrt(2.0) * unit, 0.0)
        feed = machine.max_feed[axis] * np.hypot(longer, shorter) / longer
        most = np.where(steps[:, axis] > 0.0, np.minimum(most, feed), most)
    return most


def _on_ladder(most: npt.NDArray[np.float64], top: float) -> npt.NDArray[np.float64]:
    """Return the highest rung at or below `most`, mm/min; the top rung is `top` itself."""
    ladder = top * _RUNG ** np.arange(0, 60)
    rungs = np.unique([top, *(round_down(rung) for rung in ladder[1:])])
    at = np.searchsorted(rungs, most * (1 + 1e-12), side="right") - 1
    return np.where(at < 0, np.minimum(most, top), rungs[np.maximum(at, 0)])


def eased_feeds(
    points: npt.NDArray[np.float64], kinds: npt.NDArray[np.uint8], feed: npt.NDArray[np.float64], rate: float
) -> npt.NDArray[np.float64]:
    """Return feeds at which no `LOOK_AHEAD` blocks on end come faster than a controller takes them.

    Parameters
    ----------
    points, kinds : (n, 3) mm and (n,), the moves
    feed : (n,) mm/min, for the move that arrives at each point
    rate : blocks that the controller takes in a second

    Returns
    -------
    (n,) mm/min, nowhere above `feed`; those that are slowed lie on the ladder

    Notes
    -----
    A run of k blocks and length L takes at least L / F, so with F ≤ L · rate / k no block of it starves the
    controller; each move keeps to the slowest of the runs that it is in. Rapids count as no length, for they
    are faster.
    """
    count = len(points) - 1
    if count < LOOK_AHEAD:
        return feed
    lengths = np.where(kinds[1:] == RAPID, 0.0, np.linalg.norm(np.diff(points, axis=0), axis=1))
    ends = np.concatenate([[0.0], np.cumsum(lengths)])
    most = (ends[LOOK_AHEAD:] - ends[:-LOOK_AHEAD]) * rate * 60.0 / LOOK_AHEAD
    # a move is in the runs that begin up to LOOK_AHEAD - 1 moves before it
    padded = np.concatenate([most, np.full(LOOK_AHEAD - 1, np.inf)])
    slowest = ndimage.minimum_filter1d(padded, LOOK_AHEAD, origin=(LOOK_AHEAD - 1) // 2, mode="nearest")
    held = feed.copy()
    tight = (kinds[1:] != RAPID) & (slowest < feed[1:])
    held[1:][tight] = np.maximum(_on_ladder(np.maximum(slowest[tight], SLOWEST), float(feed.max())), SLOWEST)
    return held
