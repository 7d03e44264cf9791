"""What a program says: moves read back from its text. Only `relief.program.read` makes them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.units import Units


class Change(NamedTuple):
    """A change of cutter (M6), and what the program has said before it.

    Parameters
    ----------
    move : number of the first move after it
    line : 1-based number of the line that asks for it
    number : of the cutter
    blocks : lines that hold words, before it
    dwell : s, sum of the dwells before it
    """

    move: int
    line: int
    number: int
    blocks: int
    dwell: float


@dataclass(frozen=True, eq=False)
class Moves:
    """The moves of one program, in running order; move k goes from `points[k]` to `points[k + 1]`.

    Parameters
    ----------
    points : (n + 1, 3) float64, mm, program coordinates
        NaN where an axis has not been told yet (before the first X, Y or Z word).
    rapid : (n,) bool
    feed : (n,) float64, mm/min; 0 for rapids
    rpm : (n,) float64, spindle speed while moving, rev/min; 0 = the spindle stands
    block : (n,) int64, 1-based number of the line that asks for the move
    blocks : int, lines that hold words
    dwell : float, s, sum of all dwells
    pauses : line numbers of the pauses (M0)
    units : the length unit of the text
    tool : number of the last tool called, or None
    changes : every change of cutter, in order
    modes : plane, unit, distance, feed mode and system that the text says before it moves: G words, in tenths
    first_arc : 1-based number of the first line that makes an arc; 0: there is none
    lines : int, all lines of the text, as an editor counts them
    """

    points: npt.NDArray[np.float64]
    rapid: npt.NDArray[np.bool_]
    feed: npt.NDArray[np.float64]
    rpm: npt.NDArray[np.float64]
    block: npt.NDArray[np.int64]
    blocks: int
    dwell: float
    pauses: tuple[int, ...]
    units: Units
    tool: int | None
    modes: frozenset[int] = frozenset()
    changes: tuple[Change, ...] = ()
    first_arc: int = 0
    lines: int = 0

    def __len__(self) -> int:
        return len(self.rapid)

    def shifted(self, dx: float, dy: float, dz: float) -> Moves:
        """Return the same moves in coordinates moved by (dx, dy, dz) mm."""
        return replace(self, points=self.points + np.array([dx, dy, dz]))

    def lengths(self) -> npt.NDArray[np.float64]:
        """(n,) 3-D length of each move, mm; an axis not told yet counts as standing still."""
        steps = np.nan_to_num(np.diff(self.points, axis=0))
        return np.asarray(np.sqrt((steps**2).sum(axis=1)), dtype=np.float64)

    def feed_range(self) -> tuple[float, float]:
        """Slowest feed of what cuts along and fastest of what moves sideways at all, mm/min; 0 if none."""
        steps = np.nan_to_num(np.diff(self.points, axis=0))
        along = np.where(self.rapid, 0.0, np.hypot(steps[:, 0], steps[:, 1]))
        cuts, level = self.feed[along > 0.0], self.feed[(along > 0.0) & (along > np.abs(steps[:, 2]))]
        fastest = float(cuts.max(initial=0.0))
        return float(level.min(initial=fastest)), fastest

    def cutting_length(self) -> float:
        """3-D length of all feed moves, mm."""
        return float(self.lengths()[~self.rapid].sum())

    def rapid_length(self) -> float:
        """3-D length of all rapids, mm."""
        return float(self.lengths()[self.rapid].sum())

    def by_cutter(self) -> tuple[Moves, ...]:
        """Return what each cutter does: a part begins at every change of cutter that comes after a cut."""
        firsts = [Change(0, 1, 0, 0, 0.0)]
        for change in self.changes:
            if not self.rapid[firsts[-1].move : change.move].all():
                firsts.append(change)
        end = Change(len(self), self.lines + 1, 0, self.blocks, self.dwell)
        return (
            tuple(self._between(*pair) for pair in pairwise([*firsts, end])) if len(firsts) > 1 else (self,)
        )

    def _between(self, first: Change, last: Change) -> Moves:
        """Return the moves from one change of cutter to another."""
        moves = slice(first.move, last.move)
        changes = tuple(self._since(first, last))
        return replace(
            self,
            points=self.points[first.move : last.move + 1],
            rapid=self.rapid[moves],
            feed=self.feed[moves],
            rpm=self.rpm[moves],
            block=self.block[moves],
            blocks=last.blocks - first.blocks,
            dwell=last.dwell - first.dwell,
            pauses=tuple(line for line in self.pauses if first.line <= line < last.line),
            tool=changes[-1].number if changes else None,
            changes=changes,
            lines=last.line - first.line,
        )

    def _since(self, first: Change, last: Change) -> Iterator[Change]:
        """Yield the changes of a part, counted from its own beginning."""
        for change in self.changes:
            if first.line <= change.line < last.line:
                yield change._replace(
                    move=change.move - first.move,
                    blocks=change.blocks - first.blocks,
                    dwell=change.dwell - first.dwell,
                )
