"""What the checks look at: programs as re-read from their text, and what they do to the stock."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from relief.engagement import Hardest
from relief.feeds import Feeds
from relief.heightfield import Heightfield
from relief.holding import Holding
from relief.measures import FineFigures, LostDetail, ScallopFigures
from relief.moves import Moves
from relief.sections import Clamp, Cutout
from relief.shop.records import Cutter, Machine, Material
from relief.units import MM_PER_INCH, Units, Wording


@dataclass(frozen=True, eq=False)
class ReadProgram:
    """A program as read back from its text, and what it does to the stock.

    Parameters
    ----------
    file, operation : its name and what it is for
    text : the bytes that the machine will run
    moves : its moves in the relief's coordinates (near left corner, stock top = 0)
    cutter : None for the trace
    feeds : the speeds it was planned with, or those that its text tells; None where neither is known
    before, after : stock before and after it
    contact_depth : mm, deepest contact of a rapid with the stock as it stood at that moment
    contact_block : line of that rapid, 0 if there is none
    deepest_cut : mm, the most that one feed move takes off below the stock as it stands at that moment
    deepest_block : line of that move, 0 if there is none
    seconds : time at the machine
    hardest : the feed that asks most of what the cut there allows, where feeds go by what is cut
    entry_depth : mm, the deepest cut of a way down that breaks the rule; None where no rule is known
    entry_block : line of that move, 0 if there is none
    contacts : how many rapids touch the stock
    zero : (x, y, z) mm, what the text's own coordinates are ahead of the relief's
    """

    file: str
    operation: str
    text: bytes
    moves: Moves
    cutter: Cutter | None
    feeds: Feeds | None
    before: Heightfield
    after: Heightfield
    contact_depth: float
    contact_block: int
    deepest_cut: float
    deepest_block: int
    seconds: float
    hardest: Hardest | None = None
    entry_depth: float | None = None
    entry_block: int = 0
    contacts: int = 0
    zero: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def place(self, move: int) -> str:
        """Return file, line and end of a move, in the coordinates and unit of the text."""
        scale, places = (MM_PER_INCH, 4) if self.moves.units == "in" else (1.0, 3)
        end = (self.moves.points[move + 1] + self.zero) / scale + 0.0
        told = " ".join(
            f"{axis}{value:.{places}f}" for axis, value in zip("XYZ", end, strict=True) if np.isfinite(value)
        )
        return f"{self.file} line {int(self.moves.block[move])}, at {told}"

    def place_of_line(self, line: int) -> str:
        """Return file, line and end of the first move of a line."""
        return self.place(min(int(np.searchsorted(self.moves.block, line)), len(self.moves) - 1))


@dataclass(frozen=True, eq=False, kw_only=True)
class RunEvidence:
    """What can be known of programs whatever they were meant to carve.

    Parameters
    ----------
    machine : what runs them
    thickness : mm, of the stock
    programs : in running order
    cutout : what the job cuts out; None where nothing is cut out
    units : the unit that the job's programs are written in; None where no job tells
    clamps : what stands in the way, in the relief's coordinates
    """

    machine: Machine
    thickness: float
    programs: tuple[ReadProgram, ...]
    cutout: Cutout | None = None
    units: Units | None = None
    clamps: tuple[Clamp, ...] = ()

    @property
    def words(self) -> Wording:
        """How sizes and places are told: in the user's unit, as the first program counts."""
        return Wording(self.units or "mm", self.programs[0].zero[:2])

    def told(self, length: float) -> str:
        """Return a length in the user's unit."""
        return self.words.length(length)

    @property
    def cuts(self) -> tuple[ReadProgram, ...]:
        """The programs that turn a cutter."""
        return tuple(p for p in self.programs if p.cutter is not None)


@dataclass(frozen=True, eq=False, kw_only=True)
class Evidence(RunEvidence):
    """All that the checks look at; `holding` only where a part is cut out.

    `order_fault` says what is wrong with the order of programs from files; empty where nothing is, None where
    that was not looked at or is not known.
    """

    material: Material
    gouge: float
    scallop: ScallopFigures
    scallop_fine: FineFigures
    lost_detail: LostDetail
    levels: int | None
    depth: float
    pitch: float
    holding: Holding | None = None
    gouge_place: str = ""
    order_fault: str | None = None


def floor_left(programs: Iterable[ReadProgram], thickness: float) -> float:
    """Return the least thickness of stock that programs leave where they cut, mm."""
    lowest = 0.0
    for program in programs:
        after = program.after.heights
        cut = after < program.before.heights
        lowest = min(lowest, float(after.min(where=cut, initial=0.0)))
    return thickness + lowest
