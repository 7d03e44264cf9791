"""What a program says: moves read back from its text. Only `relief.program.read` makes them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from relief.units import Units


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
    modes : plane, unit, distance, feed mode and system that the text says before it moves: G words, in tenths
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

    def __len__(self) -> int:
        return len(self.rapid)

    def shifted(self, dx: float, dy: float, dz: float) -> Moves:
        """Return the same moves in coordinates moved by (dx, dy, dz) mm."""
        return replace(self, points=self.points + np.array([dx, dy, dz]))

    def lengths(self) -> npt.NDArray[np.float64]:
        """(n,) 3-D length of each move, mm; an axis not told yet counts as standing still."""
        steps = np.nan_to_num(np.diff(self.points, axis=0))
        return np.asarray(np.sqrt((steps**2).sum(axis=1)), dtype=np.float64)

    def cutting_length(self) -> float:
        """3-D length of all feed moves, mm."""
        return float(self.lengths()[~self.rapid].sum())

    def rapid_length(self) -> float:
        """3-D length of all rapids, mm."""
        return float(self.lengths()[self.rapid].sum())
