"""From a toolpath to program text: RS274/NGC (NISTIR 6556), the part of it that small controllers share.

What holds for every program: units on a line before any feed, a retract before anything moves sideways, a
retract before the spindle stops, nothing told twice, no date, plain ASCII. A depth is rounded up, never down.
"""

from __future__ import annotations

import re
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from relief.errors import PlanError
from relief.kernels.text_out import ROW_BYTES, UNTOLD, put_moves
from relief.shop.records import Machine
from relief.times import format_time
from relief.toolpath import RAPID, Toolpath
from relief.units import MM_PER_INCH, Units

# Decimals of a length and of a feed, beyond those that the machine asks for in millimetres.
INCH_DECIMALS = 3
FEED_DECIMALS: dict[Units, int] = {"mm": 1, "in": 2}
UNIT_WORDS: dict[Units, str] = {"mm": "G21", "in": "G20"}
# Characters of one comment; small displays and line buffers hold 80 (common practice, no source).
COMMENT_WIDTH = 70
# Share of a step that floating-point arithmetic may leave on a length that lies on the lattice.
LATTICE_DUST = 1e-6
# Rows that become text at once: large enough to be fast, small enough to stay in the cache.
ROWS_AT_ONCE = 1 << 15
LARGEST_STEPS = 10**15

CAUTIONS = (
    "eye and ear protection on, dust extraction running; hands, sleeves and hair clear",
    "guards in place, work and clamps secure, clamps clear of the cutter; never leave it unattended",
    "run it once above the stock with the spindle off before the first cut",
    "the first move goes straight up or down to clearance height: have the cutter over the stock, clear of"
    " all clamps",
    "the machine's manual, local rules and whoever trains you come first",
)

CHANGE_CAUTION = (
    "at each change of cutter make sure that the one named is in, tight, and that Z0 holds for it too"
)

_SPELT = str.maketrans({
    "(": "[", ")": "]", ";": ",", "×": "x", "°": " deg", "–": "-", "—": "-", "−": "-", "⁄": "/",
    "‘": "'", "’": "'", "“": '"', "”": '"', "″": " in", "ß": "ss", "ø": "o", "Ø": "O", "æ": "ae", "Æ": "AE",
})  # fmt: skip
# What a comment may hold. Characters that some controllers act upon wherever they stand (! ? ~ % $ ; and the
# like; common practice, no source) are left out although the standard would allow them.
_COMMAND = re.compile(r" *MSG", re.IGNORECASE)
_LABEL = re.compile(r"[A-Z][A-Za-z ]*: ")
_NOT_PLAIN = re.compile(r"""[^A-Za-z0-9 .,:+\-/='"_*\[\]&]""")


@dataclass(frozen=True)
class ProgramHead:
    """What the head of a program tells the woodworker.

    Parameters
    ----------
    job, operation, cutter, stock, zero : one line of text each
    rpm : spindle speed, rev/min; 0 = the spindle stays off
    seconds : time at the machine; None leaves the line out
    cautions : further cautions, one line each
    number : of the cutter in the rack, for machines that change cutters by M6; 0 = none
    """

    job: str
    operation: str
    cutter: str
    stock: str
    zero: str
    rpm: float = 0.0
    seconds: float | None = None
    cautions: tuple[str, ...] = ()
    number: int = 0


@dataclass(frozen=True, eq=False)
class Work:
    """What one cutter does in a program.

    Parameters
    ----------
    toolpath : starts with a rapid, at clearance height
    feed : (n,) mm/min for the move that arrives at each point; not looked at for rapids
    head : what the comments on top say, and the spindle speed
    stops : rows of the toolpath, rising, at which to wait for the user, and what is said there
    """

    toolpath: Toolpath
    feed: npt.NDArray[np.float64]
    head: ProgramHead
    stops: Sequence[tuple[int, str]] = ()


def write_program(
    toolpath: Toolpath,
    feed: npt.NDArray[np.float64],
    head: ProgramHead,
    machine: Machine,
    zero: tuple[float, float, float] = (0.0, 0.0, 0.0),
    units: Units = "mm",
) -> bytes:
    """Write the program of one cutter; see `write_works`."""
    return write_works((Work(toolpath, feed, head),), machine, zero, units)


def write_works(
    works: Sequence[Work],
    machine: Machine,
    zero: tuple[float, float, float] = (0.0, 0.0, 0.0),
    units: Units = "mm",
) -> bytes:
    """Write one program.

    Parameters
    ----------
    works : what is done, cutter by cutter; more than one needs a machine that changes cutters by M6
    machine : what its controller understands
    zero : (x, y, z) mm, added to every position
    units : unit of the text

    Returns
    -------
    bytes, ASCII; x and y are rounded to the nearest step of the text, z up to the next

    Raises
    ------
    PlanError
        A position or feed that cannot be written: not finite, absurdly far, or a cut without a feed.
    """
    parts = [_lines(_opening([work.head for work in works], machine, units))]
    for number, work in enumerate(works, start=1):
        if len(works) > 1:
            parts.append(_lines(_comment(_cutter_text(work.head, number, machine), machine)))
        moves, state = _begun(work, machine, zero, units)
        height = _number(state.retract, _decimals(machine, units), 1) if state.z < state.retract else None
        parts += [moves, _lines(_closing(work.head, machine, height, state.rapid))]
    parts.append(_lines(_end(machine)))
    return b"".join(parts)


def write_beginning(
    toolpath: Toolpath,
    feed: npt.NDArray[np.float64],
    head: ProgramHead,
    machine: Machine,
    units: Units,
    feed_next: float,
) -> bytes:
    """Write the beginning of a program whose further lines are there already: they follow as they are.

    Parameters
    ----------
    toolpath, feed, head, machine, units : as in `write_program`; positions are those of the text
    feed_next : mm/min, in force when it ends

    Raises
    ------
    PlanError
        As in `write_program`.
    """
    opening = _lines(_opening([head], machine, units))
    moves, _ = _begun(Work(toolpath, feed, head), machine, (0.0, 0.0, 0.0), units)
    steps = _feed_steps(np.array([feed_next]), np.array([False]), units)
    return opening + moves + f"F{_number(int(steps[0]), FEED_DECIMALS[units], 0)}\n".encode("ascii")


class _State(NamedTuple):
    """Where the moves of a program end: heights in steps of the text, and whether by a rapid."""

    z: int
    retract: int
    rapid: bool


def _begun(
    work: Work, machine: Machine, zero: tuple[float, float, float], units: Units
) -> tuple[bytes, _State]:
    """Return what one cutter does from its being put in to its last move, and how that leaves the machine."""
    decimals, toolpath = _decimals(machine, units), work.toolpath
    points = _steps(toolpath.points + np.asarray(zero, dtype=np.float64), decimals, units)
    rapid = toolpath.kinds == RAPID
    feeds = _feed_steps(np.asarray(work.feed, dtype=np.float64), rapid, units)
    if len(points) and not rapid[0]:
        message = "the path starts with a cut; the first move must be a rapid at clearance height"
        raise PlanError(message)
    clearance = np.array([[0.0, 0.0, machine.clearance + zero[2]]])
    retract = int(points[0, 2] if len(points) else _steps(clearance, decimals, units)[0, 2])
    state = np.array([UNTOLD, UNTOLD, retract, 0, -1])
    parts = [_lines(_start(work.head, machine, _number(retract, decimals, 1)))]
    done = 0
    for row, said in (*work.stops, (len(points), "")):
        rows = slice(done, row + 1)
        parts += _moves_text(points[rows], rapid[rows], feeds[rows], decimals, FEED_DECIMALS[units], state)
        parts.append(_lines(_pause(said, machine)) if said else b"")
        done = row + 1
    return b"".join(parts), _State(int(state[2]), retract, bool(state[3] == 0))


def _decimals(machine: Machine, units: Units) -> int:
    """Return the decimals of a coordinate."""
    return machine.decimals + (INCH_DECIMALS if units == "in" else 0)


def _steps(lengths: npt.NDArray[np.float64], decimals: int, units: Units) -> npt.NDArray[np.int64]:
    """Return (n, 3) positions in steps of the text: x and y to the nearest, z never lower."""
    scaled = lengths * 10.0**decimals if units == "mm" else lengths / MM_PER_INCH * 10.0**decimals
    if not np.all(np.abs(scaled) < LARGEST_STEPS):  # also catches NaN
        message = "the path holds a position that is not finite or absurdly far away"
        raise PlanError(message)
    steps = np.rint(scaled)
    steps[:, 2] = np.ceil(scaled[:, 2] - LATTICE_DUST)
    return np.ascontiguousarray(steps.astype(np.int64))


def _feed_steps(
    feed: npt.NDArray[np.float64], rapid: npt.NDArray[np.bool_], units: Units
) -> npt.NDArray[np.int64]:
    """Return feeds in steps of the text, rounded down so that no limit is passed, but never to nothing."""
    if len(feed) != len(rapid):
        message = f"{len(rapid)} moves but {len(feed)} feeds"
        raise PlanError(message)
    scaled = np.where(rapid, 1.0, feed) * 10.0 ** FEED_DECIMALS[units]
    if units == "in":
        scaled /= MM_PER_INCH
    if not np.all((scaled > 0) & (scaled < LARGEST_STEPS)):
        row = int(np.argmin((scaled > 0) & (scaled < LARGEST_STEPS)))
        message = f"move {row} is a cut at feed {feed[row]:g} mm/min; a cut needs a feed above 0"
        raise PlanError(message)
    return np.maximum(np.floor(scaled + LATTICE_DUST), 1.0).astype(np.int64)


def _moves_text(
    points: npt.NDArray[np.int64],
    rapid: npt.NDArray[np.bool_],
    feed: npt.NDArray[np.int64],
    decimals: int,
    feed_decimals: int,
    state: npt.NDArray[np.int64],
) -> list[bytes]:
    """Return the text of all moves in pieces; `state` is left as the last of them leaves it."""
    out = np.zeros(ROW_BYTES * min(len(points), ROWS_AT_ONCE), dtype=np.uint8)
    digits = np.zeros(20, dtype=np.uint8)
    pieces = []
    for first in range(0, len(points), ROWS_AT_ONCE):
        rows = slice(first, first + ROWS_AT_ONCE)
        size = put_moves(points[rows], rapid[rows], feed[rows], decimals, feed_decimals, state, digits, out)
        pieces.append(out[:size].tobytes())
    return pieces


def _opening(heads: Sequence[ProgramHead], machine: Machine, units: Units) -> Iterator[str]:
    """Yield the lines before the first move."""
    if machine.percent_lines:
        yield "%"
    if machine.comments:
        yield from _head_comments(heads, machine, units)
    yield f"G17 {UNIT_WORDS[units]} G90 G94 G54"


def _start(head: ProgramHead, machine: Machine, height: str) -> Iterator[str]:
    """Yield the lines before a cutter's first move sideways.

    After a change it is lifted again: whoever puts it in may have touched off with it.
    """
    if not head.rpm > 0 and machine.spindle == "program":
        yield "M5"
    yield f"G0 Z{height}"
    if machine.tool_change == "M6" and head.number:
        yield f"T{head.number} M6"
        yield f"G0 Z{height}"
    if head.rpm > 0:
        yield from _spindle_start(head, machine)


def _spindle_start(head: ProgramHead, machine: Machine) -> Iterator[str]:
    """Yield the lines that start the spindle, or have it started by hand."""
    if machine.spindle == "by hand":
        text = f"Set the spindle to {head.rpm:.0f} rev/min by hand, start it, hands clear, then resume"
        yield from _comment(text, machine)
        yield "M0"
        return
    yield f"S{head.rpm:.0f} M3"
    if machine.dwell > 0:
        yield f"G4 P{_number(round(machine.dwell * 1000), 3, 1)}"


def _pause(said: str, machine: Machine) -> Iterator[str]:
    """Yield the lines that wait for the user."""
    yield from _comment(said, machine)
    yield "M0"


def _closing(head: ProgramHead, machine: Machine, height: str | None, rapid: bool) -> Iterator[str]:
    """Yield the lines after the last move: retract first, then the spindle stops."""
    if height is not None:
        yield f"Z{height}" if rapid else f"G0 Z{height}"
    if head.rpm > 0:
        if machine.spindle == "by hand":
            yield from _comment("Stop the spindle by hand", machine)
        else:
            yield "M5"


def _end(machine: Machine) -> Iterator[str]:
    """Yield the lines that end a program."""
    yield "M2"
    if machine.percent_lines:
        yield "%"


def _head_comments(heads: Sequence[ProgramHead], machine: Machine, units: Units) -> Iterator[str]:
    head, several = heads[0], len(heads) > 1
    times = [one.seconds for one in heads if one.seconds is not None]
    told = {
        "Job": head.job,
        "Operation": ", ".join(one.operation for one in heads),
        "Cutter": None if several else head.cutter,
        "Stock": head.stock,
        "Zero": head.zero,
        "Spindle": None if several else _spindle_text(head, machine),
        "Time": f"about {format_time(sum(times))}" if times else None,
        "Units": "millimetres, feeds in mm/min" if units == "mm" else "inches, feeds in in/min",
    }
    for name, text in told.items():
        if text is not None:
            yield from _comment(f"{name}: {text}", machine)
    for number, one in enumerate(heads, start=1):
        if several:
            yield from _comment(_cutter_text(one, number, machine), machine)
    further = dict.fromkeys(text for one in heads for text in one.cautions)
    for text in (*CAUTIONS, *((CHANGE_CAUTION,) if several else ()), *further):
        yield from _comment(f"Caution: {text}", machine)


def _cutter_text(head: ProgramHead, number: int, machine: Machine) -> str:
    """Return what is told of one of several cutters."""
    spindle = _spindle_text(head, machine) if head.rpm > 0 else "the spindle STAYS OFF"
    return f"Cutter {number}: T{head.number} {head.cutter}, {head.operation}, {spindle}"


def _spindle_text(head: ProgramHead, machine: Machine) -> str:
    if not head.rpm > 0:
        return "STAYS OFF in this program; make sure that it stands still"
    by_hand = ", set by hand at the pause" if machine.spindle == "by hand" else ""
    return f"{head.rpm:.0f} rev/min{by_hand}"


def _comment(text: str, machine: Machine) -> Iterator[str]:
    """Yield a text as comment lines; whatever it holds, nothing of it can become a block.

    Further lines stand below what follows the first one's label. One that would begin with a word that a
    controller takes for a command (the standard's "MSG,") gets a sign before it.
    """
    if not machine.comments:
        return
    spelt = unicodedata.normalize("NFKD", text.translate(_SPELT)).translate(_SPELT)
    plain = "".join(c for c in spelt if not unicodedata.combining(c))
    plain = _NOT_PLAIN.sub("_", re.sub(r"\s+", " ", plain).strip())
    label = _LABEL.match(plain)
    indent = " " * (label.end() if label else 2)
    for line in textwrap.wrap(plain, COMMENT_WIDTH, subsequent_indent=indent):
        yield f"(+ {line.lstrip()})" if line.startswith(" ") and _COMMAND.match(line) else f"({line})"


def _number(steps: int, decimals: int, least: int) -> str:
    """Return steps · 10^-decimals as the moves' numbers are written."""
    sign, digits = "-" if steps < 0 else "", str(abs(steps)).rjust(decimals + 1, "0")
    whole, part = digits[: len(digits) - decimals], digits[len(digits) - decimals :]
    part = part[:least] + part[least:].rstrip("0")
    return f"{sign}{whole}.{part}" if part else f"{sign}{whole}"


def _lines(lines: Iterator[str]) -> bytes:
    return "".join(f"{line}\n" for line in lines).encode("ascii")
