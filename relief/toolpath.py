"""What we intend: the moves of one cutter, before they become program text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# The kind of the move that ARRIVES at a point.
RAPID, CUT, PLUNGE = 0, 1, 2

Points = npt.NDArray[np.float64]
Kinds = npt.NDArray[np.uint8]

# Share of a step by which a height on the lattice may seem to lie above it, by floating-point arithmetic.
DUST = 1e-6


def on_lattice(points: Points, step: float) -> Points:
    """Return positions that program text can express: x and y the nearest, z never lower.

    Parameters
    ----------
    points : (n, 3) float64, mm
    step : mm, of the lattice

    Examples
    --------
    >>> on_lattice(np.array([[1.26, 1.24, -0.76]]), 0.5).tolist()
    [[1.5, 1.0, -0.5]]
    """
    rounded = np.rint(points / step)
    rounded[:, 2] = np.ceil(points[:, 2] / step - DUST)
    return np.asarray(rounded * step, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Toolpath:
    """Positions of the cutter's tip, and how it gets to each.

    Parameters
    ----------
    points : (n, 3) float64, mm
        Row 0 is where the program takes the cutter first: above its first cut, at clearance height.
    kinds : (n,) uint8
        RAPID, CUT or PLUNGE: the kind of the move that arrives at each point; `kinds[0]` is RAPID.
    """

    points: Points
    kinds: Kinds

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", np.ascontiguousarray(self.points, dtype=np.float64).reshape(-1, 3))
        object.__setattr__(self, "kinds", np.ascontiguousarray(self.kinds, dtype=np.uint8))
        if len(self.points) != len(self.kinds):
            message = f"{len(self.points)} points but {len(self.kinds)} kinds of move"
            raise ValueError(message)

    @classmethod
    def join(cls, paths: Sequence[Toolpath]) -> Toolpath:
        """Return the paths one after the other (each starts and ends at clearance height)."""
        if not paths:
            return cls(np.zeros((0, 3)), np.zeros(0, np.uint8))
        return cls(np.concatenate([p.points for p in paths]), np.concatenate([p.kinds for p in paths]))

    def cutting_length(self) -> float:
        """3-D length of all cuts and plunges, mm."""
        return float(self._lengths()[self.kinds[1:] != RAPID].sum())

    def rapid_length(self) -> float:
        """3-D length of all rapids, mm."""
        return float(self._lengths()[self.kinds[1:] == RAPID].sum())

    def _lengths(self) -> npt.NDArray[np.float64]:
        return np.asarray(np.sqrt((np.diff(self.points, axis=0) ** 2).sum(axis=1)), dtype=np.float64)
