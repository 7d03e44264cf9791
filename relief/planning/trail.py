"""The way that a cutter has gone so far, while a plan is made."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.toolpath import Kinds, Points, Toolpath

ROOM = 1024  # positions that there is room for at first


class Trail:
    """Positions in the order they are run, and the kind of the move that comes to each."""

    def __init__(self) -> None:
        self._points: Points = np.empty((ROOM, 3))
        self._kinds: Kinds = np.empty(ROOM, dtype=np.uint8)
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def go(self, points: Points, kinds: npt.ArrayLike) -> None:
        """Go on to further positions.

        Parameters
        ----------
        points : (n, 3) mm
        kinds : (n,) uint8, or one for all
        """
        count = self._count + len(points)
        if count > len(self._kinds):
            room = max(2 * len(self._kinds), count)
            self._points = np.resize(self._points, (room, 3))
            self._kinds = np.resize(self._kinds, room)
        self._points[self._count : count] = points
        self._kinds[self._count : count] = kinds
        self._count = count

    def last(self, count: int) -> Points:
        """Return the last positions, (count, 3) mm; fewer where there are no more."""
        return self._points[max(self._count - count, 0) : self._count]

    def toolpath(self) -> Toolpath:
        """Return the whole way."""
        return Toolpath(self._points[: self._count].copy(), self._kinds[: self._count].copy())

    def near(self, low: Points, high: Points) -> tuple[Points, Points]:
        """Return both ends, (n, 3) mm each, of all moves that come into a box seen from above."""
        points = self._points[: self._count]
        here = np.ones(max(self._count - 1, 0), dtype=np.bool_)
        for along, first, last in zip(points.T, low, high, strict=False):
            here &= (np.minimum(along[:-1], along[1:]) <= last) & (np.maximum(along[:-1], along[1:]) >= first)
        return points[:-1][here], points[1:][here]
