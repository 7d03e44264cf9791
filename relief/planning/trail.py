"""The way that a cutter has gone so far, while a plan is made."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.toolpath import Kinds, Points, Toolpath

ROOM = 1024  # positions that there is room for at first
RUN = 32  # moves in a row that are near a place, or not, together


class Trail:
    """Positions in the order they are run, and the kind of the move that comes to each."""

    def __init__(self) -> None:
        self._points: Points = np.empty((ROOM, 3))
        self._kinds: Kinds = np.empty(ROOM, dtype=np.uint8)
        self._count = 0
        self._low: Points = np.empty((0, 2))  # corners of the box of each whole run
        self._high: Points = np.empty((0, 2))

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
        """Return the last positions, (count, 3) mm, as they are kept here; fewer where there are no more."""
        return self._points[max(self._count - count, 0) : self._count]

    def toolpath(self) -> Toolpath:
        """Return the whole way."""
        return Toolpath(self._points[: self._count].copy(), self._kinds[: self._count].copy())

    def near(self, low: Points, high: Points) -> tuple[Points, Points]:
        """Return both ends of all moves that come into a box seen from above.

        Parameters
        ----------
        low, high : (2,) mm, the box's corners

        Returns
        -------
        starts, ends : (n, 3) mm each, in the order they are run
        """
        self._box()
        runs = np.flatnonzero(((self._low <= high) & (self._high >= low)).all(axis=1))
        last = np.arange(len(self._low) * RUN, self._count - 1)  # moves of no whole run yet
        moves = np.append((runs[:, None] * RUN + np.arange(RUN)).ravel(), last)
        starts, ends = self._points[moves], self._points[moves + 1]
        here = np.ones(len(moves), dtype=np.bool_)
        for k in (0, 1):
            here &= np.minimum(starts[:, k], ends[:, k]) <= high[k]
            here &= np.maximum(starts[:, k], ends[:, k]) >= low[k]
        return starts[here], ends[here]

    def _box(self) -> None:
        """Bring the boxes of whole runs up to date."""
        done, whole = len(self._low), max(self._count - 1, 0) // RUN
        if whole > done:
            places = self._points[done * RUN : whole * RUN + 1, :2]
            firsts, beyond = np.arange(whole - done) * RUN, places[RUN::RUN]
            low = np.minimum(np.minimum.reduceat(places[:-1], firsts), beyond)
            high = np.maximum(np.maximum.reduceat(places[:-1], firsts), beyond)
            self._low, self._high = np.vstack([self._low, low]), np.vstack([self._high, high])
