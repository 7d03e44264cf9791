"""What moves leave of the stock, and what they meet on the way."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.heightfield import Heightfield
from relief.kernels.sweep import sweep
from relief.moves import Moves
from relief.progress import Progress, Silent
from relief.shop.records import Cutter

BATCH = 1 << 19  # moves swept at once: bounds the memory and paces the progress


def carve_stock(
    stock: Heightfield, moves: Moves, cutter: Cutter, progress: Progress | None = None
) -> Heightfield:
    """Return what all moves, rapids too, leave of the stock.

    Parameters
    ----------
    stock : Heightfield
        The surface before the first move.
    moves : Moves
        In the coordinates of the stock. A move with an end not told yet (NaN) removes nothing.
    cutter : Cutter
    progress : Progress

    Returns
    -------
    Heightfield, the stock's grid; exact swept envelopes at the nodes, no sampling along the moves
    """
    told = progress or Silent()
    carved = stock.heights.copy()
    starts, ends = move_ends(stock, moves)
    shape = np.array(profile(cutter), dtype=np.float64)
    for first in range(0, len(starts), BATCH):
        batch = slice(first, first + BATCH)
        sweep(carved, stock.pitch, shape, starts[batch], ends[batch])
        told.fraction(min(first + BATCH, len(starts)) / len(starts))
    carved.flags.writeable = False
    return stock.with_heights(carved)


def move_ends(stock: Heightfield, moves: Moves) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return (n, 3) starts and ends of the moves, mm, measured from node (0, 0) of the stock."""
    points = moves.points - (*stock.origin, 0.0)
    return points[:-1], points[1:]
