"""Where an interrupted program stopped, and from how far back it is taken up."""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.errors import ProgramError
from relief.moves import Moves
from relief.units import MM_PER_INCH, format_length

# mm of the path, at least, that are cut once more before the interrupted place: controllers read ahead of the
# cutter, so the block that was told may not have been reached yet.
AGAIN = 10.0
# mm of the path, at least, before that, on which the cutter comes down onto it.
RAMP = 10.0
# mm, how far from a cut a place may be that is said to lie on it; places this much farther than the nearest
# are as good, since displays and stops are not exact.
FAR, NEARLY = 1.0, 0.05


# A head tells it within so many bytes, its comments in lines of their own.
HEAD = 4096
_TAKES_UP = re.compile(r"resumed: takes up (\S.*?) at line (\d+),")
_NEXT_LINE = re.compile(r"\)\s*\(\s*")


class TakenUp(NamedTuple):
    """What a program takes up: another one's file, and the line of it that was not run to its end."""

    file: str
    line: int


def takes_up(operation: str, file: str, line: int, begin: int) -> str:
    """Return what the head of a program that takes up another tells of that."""
    return f"{operation}, resumed: takes up {file} at line {line}, from line {begin} on as it stands there"


def taken_up(text: bytes) -> TakenUp | None:
    """Return what a program says in its head to take up; None: it takes up none."""
    head = _NEXT_LINE.sub(" ", text[:HEAD].decode("ascii", "replace"))
    found = _TAKES_UP.search(head)
    return TakenUp(found[1], int(found[2])) if found else None


def text_before(text: bytes, moves: Moves, line: int) -> bytes:
    """Return a program up to a line, as one that ends there; its cutter was lifted by hand."""
    high = float(np.nanmax(moves.points[:, 2])) / (MM_PER_INCH if moves.units == "in" else 1.0)
    lines = text.splitlines(keepends=True)
    marked = any(each.strip() == b"%" for each in lines[:line])
    lift = b"G0 Z%.3f\nM2\n" % high
    return b"".join(lines[: line - 1]) + lift + (b"%\n" if marked else b"")


def has_cut(moves: Moves, stop: int) -> bool:
    """Return whether a cutter cuts anything before one of its moves."""
    return stop > int(np.argmin(moves.rapid))


def done_until(text: bytes, moves: Moves, stop: int) -> tuple[int, bytes]:
    """Return how many cutters of a text have cut before one of its moves, and the text that they ran."""
    part, before = part_of(moves, stop)
    own, line = moves.by_cutter()[part], int(moves.block[stop])
    begun = has_cut(own, stop - before)
    if part and not begun:  # the call of the cutter that was to follow is none of theirs
        line = own.changes[0].line
    return part + begun, text_before(text, moves, line)


class Place(NamedTuple):
    """Where a program is taken up, as numbers of its moves.

    Parameters
    ----------
    ramp : from its start on the cutter comes down onto the path
    begin : from its start on the lines are the old ones
    stop : the first move that was not made, or not to its end
    """

    ramp: int
    begin: int
    stop: int


def stopped_at(
    file: str, moves: Moves, line: int | None, position: tuple[float, float, float] | None
) -> tuple[int, tuple[str, ...]]:
    """Return the first move that was not made to its end, and what is to be said of it."""
    if position is not None:
        return _nearest(file, moves, np.asarray(position))
    if line is None:
        message = f"{file}: where did it stop? Tell the line, or the position"
        raise ProgramError(message)
    last = int(moves.block[~moves.rapid][-1])
    if not 1 <= line <= last:
        message = f"{file} line {line}: the cuts of this program end at line {last}; which line was running?"
        raise ProgramError(message)
    stop = int(np.searchsorted(moves.block, line))
    if moves.block[stop] != line or moves.rapid[stop]:
        cut = int(moves.block[stop + int(np.argmin(moves.rapid[stop:]))])
        message = f"{file} line {line}: is no cut; if it stopped there, resume at the next cut, line {cut}"
        raise ProgramError(message)
    return stop, ()


def _nearest(file: str, moves: Moves, place: npt.NDArray[np.float64]) -> tuple[int, tuple[str, ...]]:
    """Return the first cut that comes by a place, and what else does."""
    starts, steps = moves.points[:-1], np.diff(moves.points, axis=0)
    squares = np.maximum((steps**2).sum(axis=1), 1e-30)
    along = np.clip(((place - starts) * steps).sum(axis=1) / squares, 0.0, 1.0)
    away = np.sqrt(((starts + along[:, None] * steps - place) ** 2).sum(axis=1))
    away = np.where(moves.rapid | np.isnan(away), np.inf, away)
    nearest = int(np.argmin(away))
    if away[nearest] > FAR:
        within, far = (format_length(round(off, 1), moves.units) for off in (FAR, float(away[nearest])))
        message = (
            f"{file}: no cut comes within {within} of that position; the nearest is line"
            f" {int(moves.block[nearest])}, {far} away; give the position in the zero of the"
            " job (G54), and a unit if it is not in millimetres"
        )
        raise ProgramError(message)
    near = np.flatnonzero(away <= away[nearest] + NEARLY)
    first = near[np.diff(near, prepend=-2) > 1]  # moves on end are one coming by
    lines = [int(moves.block[k]) for k in first]
    if len(lines) == 1:
        return int(near[0]), ()
    told = ", ".join(map(str, lines[:8])) + (" ..." if len(lines) > 8 else "")
    note = (
        f"the program comes by that position {len(lines)} times, at lines {told}; it is taken up at the"
        " first, which may cut air for a while; name a later line with --at if you are sure of it"
    )
    return int(near[0]), (note,)


def part_of(moves: Moves, stop: int) -> tuple[int, int]:
    """Return which cutter of a text makes a move, counted from 0, and how many moves came before its own."""
    before = 0
    for number, part in enumerate(moves.by_cutter()):
        if stop < before + len(part):
            return number, before
        before += len(part)
    raise AssertionError


def place_of(moves: Moves, stop: int) -> Place:
    """Go back from where the program stopped: far enough to cut again, and far enough to ramp in.

    Where the path was entered not far before, everything from that entry on is run again, with the program's
    own way in.
    """
    begin = _back(moves, stop, AGAIN)
    ramp = _back(moves, begin, RAMP)
    if ramp == 0 or moves.rapid[ramp - 1]:
        return Place(ramp, ramp, stop)
    return Place(ramp, begin, stop)


def _back(moves: Moves, move: int, least: float) -> int:
    """Return the start of a line at least so far back along the path, but no further than its entry."""
    lengths, first, gone = moves.lengths(), move, 0.0
    while first > 0 and not moves.rapid[first - 1]:
        if gone >= least and moves.block[first] != moves.block[first - 1]:
            break
        first -= 1
        gone += float(lengths[first])
    return first
