"""How long a program takes on a machine, acceleration included."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.kernels.motion import motion
from relief.limits import LOOK_AHEAD
from relief.moves import Moves
from relief.shop.records import Machine


def move_seconds(moves: Moves, machine: Machine) -> npt.NDArray[np.float64]:
    """Return how long each move takes.

    Parameters
    ----------
    moves : Moves
        An axis not told yet (NaN) counts as standing still, as in `Moves.lengths`.
    machine : Machine
        Its feeds, accelerations and corner tolerance hold; a feed above what an axis can do is slowed to it,
        as controllers do.

    Returns
    -------
    (n,) float64, s; dwells are not in it

    Notes
    -----
    Constant acceleration, look-ahead over all blocks. Corners are rounded within the corner tolerance (an
    inscribed arc, see `relief.kernels.motion`); the machine stands still at both ends, at pauses and where
    the spindle's speed changes. How long a person takes at a pause is not counted.
    """
    steps = np.nan_to_num(np.diff(moves.points, axis=0))
    kept = np.flatnonzero(np.any(steps != 0.0, axis=1))
    seconds = np.zeros(len(moves))
    count = len(kept)
    if count == 0:
        return seconds
    feed = np.where(moves.rapid[kept], np.inf, moves.feed[kept] / 60.0)
    stops = np.cumsum(_stops(moves))[kept]
    stop = np.diff(stops, prepend=stops[0]) > 0
    taken = np.zeros(count)
    motion(
        np.ascontiguousarray(steps[kept]),
        feed,
        stop,
        np.asarray(machine.max_feed, dtype=np.float64) / 60.0,
        np.asarray(machine.acceleration, dtype=np.float64),
        machine.corner_tolerance,
        np.zeros(count),
        np.zeros(count),
        np.zeros(count + 1),
        taken,
    )
    seconds[kept] = taken
    return seconds


def _stops(moves: Moves) -> npt.NDArray[np.bool_]:
    """Return whether the machine stands still before each move: a pause or a change of spindle speed."""
    stops = np.zeros(len(moves), dtype=bool)
    stops[1:] = np.diff(moves.rpm) != 0.0
    pauses = np.asarray(moves.pauses, dtype=np.int64)
    passed = np.searchsorted(np.sort(pauses), moves.block)  # pauses on lines before each move
    stops[1:] |= np.diff(passed) > 0
    return stops


def program_seconds(moves: Moves, machine: Machine) -> float:
    """Return how long the program takes, s: all moves and dwells (see `move_seconds`)."""
    return float(move_seconds(moves, machine).sum()) + moves.dwell


def fastest_block_rate(moves: Moves, seconds: npt.NDArray[np.float64], run: int = LOOK_AHEAD) -> float:
    """Return the most blocks per second that the controller has to take over any `run` blocks on end.

    Parameters
    ----------
    moves : Moves
    seconds : (n,) s, from `move_seconds`
    run : blocks that the controller looks ahead

    Returns
    -------
    float, blocks/s; moves of one line (an arc's chords) are one block. 0 for a program shorter than `run`.
    """
    spent = _over_runs(moves, seconds, run)
    return float(run / max(spent.min(), 1e-9)) if spent.size else 0.0


def feed_that_eases(
    moves: Moves, seconds: npt.NDArray[np.float64], rate: float, run: int = LOOK_AHEAD
) -> float | None:
    """Return the feed, mm/min, at which no `run` blocks on end come faster than `rate` a second.

    Parameters
    ----------
    moves, seconds, run : as in `fastest_block_rate`
    rate : blocks that the controller takes in a second

    Returns
    -------
    float, or None where no run is too fast now
        A run of length L takes at least L / feed, so L · rate / run is slow enough for it; rapids count as no
        length, for the feed does not slow them.
    """
    hasty = _over_runs(moves, seconds, run) * rate < run
    if not hasty.any():
        return None
    lengths = _over_runs(moves, np.where(moves.rapid, 0.0, moves.lengths()), run)
    return float(lengths[hasty].min() * rate * 60.0 / run)


def _over_runs(moves: Moves, values: npt.NDArray[np.float64], run: int) -> npt.NDArray[np.float64]:
    """Return the sum of a value of each move over every `run` blocks on end."""
    if len(moves) == 0:
        return np.zeros(0)
    first = np.flatnonzero(np.diff(moves.block, prepend=moves.block[0] - 1))
    ends = np.concatenate([[0.0], np.cumsum(np.add.reduceat(values, first))])
    return np.asarray(ends[run:] - ends[:-run]) if len(ends) > run else np.zeros(0)
