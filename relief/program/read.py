"""From program text to what it does, by a strict reading of RS274/NGC (NISTIR 6556, 17 August 2000).

Nothing here knows how our own programs are written. Plain lines are read in bulk by a kernel; every other
line, and every line that breaks a rule, is read word by word in the standard's order of execution. What
this reader cannot follow with certainty it refuses, with the line and the reason.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from relief.errors import ProgramError
from relief.kernels.text_in import BLOCKS, COUNT, FEED, LINE, MOST_DIGITS, MOTION, read_plain
from relief.moves import Change, Moves
from relief.program.arcs import PLANES, RADIUS_TOLERANCE, arc_chords, centre_by_offsets, centre_by_radius
from relief.program.refused import check_supported, check_unused
from relief.program.words import LONGEST_LINE, Block, read_block
from relief.units import MM_PER_INCH, Units

FARTHEST = 100_000.0  # mm from zero; no machine of the trade is longer
MOST_CHORDS = 20_000_000  # of all arcs of a program together, so that no text can fill the memory

_PERCENT = re.compile(rb"^[ \t]*%[ \t]*\r?$", re.MULTILINE)
_POWERS = np.array([float(10**k) for k in range(MOST_DIGITS + 1)])
_NONE, _STRAIGHT, _ARCS, _CANCELLED = -1, (0, 10), (20, 30), 800  # G words of motion, in tenths
_AXES, _OFFSETS = "XYZ", "IJK"
# What a program should say before its first move, lest the controller be set to something else.
_MODES = frozenset({"plane", "distance mode", "feed mode", "units", "coordinate system"})


def read_program(text: str | bytes) -> Moves:
    r"""Read a program.

    Parameters
    ----------
    text : str or bytes
        "/" lines are read as a controller reads them with its block-delete switch off.

    Returns
    -------
    Moves
        Arcs are chords, no further than 0.001 mm from the arc.

    Raises
    ------
    ProgramError
        One line: the number of the line, what is wrong with it, and why.

    Examples
    --------
    >>> moves = read_program("G21\nG0 Z5\nG0 X0 Y0\nG1 Z-1 F300\nM2")
    >>> moves.points[-1].tolist(), moves.feed.tolist()
    ([0.0, 0.0, -1.0], [0.0, 0.0, 300.0])
    """
    content = text.encode("utf-8", "surrogatepass") if isinstance(text, str) else bytes(text)
    first, end, line, marked = _span(content)
    reader = _Reader(content[:end], line)
    reader.read(first)
    if not (reader.ended or marked):
        message = f"line {reader.line}: the program ends without M2 or M30; lines may be missing"
        raise ProgramError(message)
    last = 0 if content.endswith(b"\n") else 1
    return replace(reader.moves(), lines=content.count(b"\n") + last)


def _span(content: bytes) -> tuple[int, int, int, bool]:
    """Return first and last byte of the program, its first line, and whether "%" marks both ends (s3.1)."""
    begin = len(content) - len(content.lstrip(b" \t\r\n"))
    start = content.rfind(b"\n", 0, begin) + 1
    opening = _PERCENT.match(content, start)
    if opening is None:
        return 0, len(content), 1, False
    line = content.count(b"\n", 0, start) + 1
    closing = _PERCENT.search(content, min(opening.end() + 1, len(content)))
    if closing is None or closing.start() <= opening.end():
        message = f'line {line}: the program opens with "%" and has no second "%" line; lines may be missing'
        raise ProgramError(message)
    return opening.end() + 1, closing.start(), line + 1, True


@dataclass
class _Controller:
    """What a controller remembers from line to line; codes in tenths."""

    motion: int = _NONE
    plane: int = 170
    scale: float = 0.0  # mm in a unit of the text; 0 = not told yet
    absolute: bool = True
    system: int = 540
    rpm: float = math.nan
    turning: bool = False
    chosen: int | None = None
    tool: int | None = None
    dwell: float = 0.0
    pauses: list[int] = field(default_factory=list)
    changes: list[Change] = field(default_factory=list)
    modes: set[int] = field(default_factory=set)
    first_arc: int = 0  # its line


class _Reader:
    """Reads one program; what it has read so far is in arrays that the kernel fills."""

    def __init__(self, content: bytes, line: int) -> None:
        self.content = content
        self.state = _Controller()
        self.ended = False
        self.held = np.array([np.nan, np.nan, np.nan, 0.0])
        self.tally = np.array([line, 0, 0, _NONE])
        self.chords = self.spare = 0
        # a line makes one move at most, unless it is an arc, and the shortest ("X1") has three bytes
        room = min(content.count(b"\n"), len(content) // 3) + 1
        self.points = np.full((room + 1, 3), np.nan)
        self.rapid = np.zeros(room, dtype=np.bool_)
        self.feed = np.zeros(room)
        self.block = np.zeros(room, dtype=np.int64)
        self.speeds: list[tuple[int, float]] = [(0, 0.0)]  # from which move on, rev/min

    @property
    def line(self) -> int:
        """Number of the line that is being read."""
        return int(self.tally[LINE])

    def read(self, at: int) -> None:
        """Read lines from byte `at` to the end of the program."""
        size = len(self.content)
        text = np.frombuffer(self.content, dtype=np.uint8)
        while at < size and not self.ended:
            at = self._read_plain(text, at)
            if at >= size:
                break
            stop = self.content.find(b"\n", at)
            stop = size if stop < 0 else stop
            try:
                self._execute(read_block(self.content[at:stop].removesuffix(b"\r")))
            except ProgramError as fault:
                message = f"line {self.line}: {fault}"
                raise ProgramError(message) from None
            self.tally[LINE] += 1
            at = stop + 1

    def _read_plain(self, text: npt.NDArray[np.uint8], at: int) -> int:
        state = self.state
        if not state.scale:
            return at
        self.tally[MOTION] = state.motion // 10 if state.motion in _STRAIGHT else _NONE
        before = self.tally[COUNT]
        at = read_plain(
            text, at, len(text), state.scale, state.absolute, LONGEST_LINE, FARTHEST, _POWERS,
            self.held, self.tally, self.points, self.rapid, self.feed, self.block,
        )  # fmt: skip
        if self.tally[COUNT] > before:
            state.motion = 10 * int(self.tally[MOTION])
        return at

    def _execute(self, block: Block) -> None:
        """Do one line in the standard's order (s3.8 Table 8)."""
        check_supported(block)
        state, values = self.state, block.values
        if block:
            self.tally[BLOCKS] += 1
        if not self.tally[COUNT]:
            state.modes.update(block.g[group] for group in _MODES & block.g.keys())
        if "F" in values:
            self._set_feed(values["F"])
        self._set_spindle_and_tool(block)
        if block.g.get("non-modal") == 40:
            state.dwell += _dwell(values)
        state.plane = block.g.get("plane", state.plane)
        self._set_units(block)
        self._set_system(block)
        state.absolute = block.g.get("distance mode", 900 if state.absolute else 910) == 900
        state.motion = block.g.get("motion", state.motion)
        self._move(block)
        self._stop(block)

    def _set_feed(self, value: float) -> None:
        if not self.state.scale:
            message = "F before G20 or G21 has told the unit (on one line, F is read before them)"
            raise ProgramError(message)
        if value < 0:
            message = f"F{value:g} is below 0"
            raise ProgramError(message)
        self.held[FEED] = value * self.state.scale

    def _set_spindle_and_tool(self, block: Block) -> None:
        state, values = self.state, block.values
        if values.get("S", 0.0) < 0:
            message = f"S{values['S']:g} is below 0"
            raise ProgramError(message)
        state.rpm = values.get("S", state.rpm)
        if "T" in values:
            state.chosen = _tool(values["T"])
        if 6 in block.m:
            self._change_tool()
        if 3 in block.m:
            if math.isnan(state.rpm):
                message = "M3 starts the spindle, but no S word has told its speed"
                raise ProgramError(message)
            state.turning = True
        if 5 in block.m:
            state.turning = False
        rpm = state.rpm if state.turning else 0.0
        if rpm != self.speeds[-1][1]:
            self.speeds.append((int(self.tally[COUNT]), rpm))

    def _change_tool(self) -> None:
        """M6: the spindle is stopped, the axes stay where they are (s3.6.3)."""
        state = self.state
        if state.chosen is None:
            message = "M6 changes the cutter, but no T word has chosen one"
            raise ProgramError(message)
        count, blocks = int(self.tally[COUNT]), int(self.tally[BLOCKS]) - 1
        state.changes.append(Change(count, self.line, state.chosen, blocks, state.dwell))
        state.tool, state.turning = state.chosen, False

    def _set_units(self, block: Block) -> None:
        if "units" not in block.g:
            return
        scale = MM_PER_INCH if block.g["units"] == 200 else 1.0
        if self.state.scale not in (0.0, scale):
            message = "the unit changes inside the program; tell it once, before any length"
            raise ProgramError(message)
        self.state.scale = scale

    def _set_system(self, block: Block) -> None:
        system = block.g.get("coordinate system", self.state.system)
        if system != self.state.system and self.tally[COUNT]:
            message = (
                "the coordinate system changes after a move; how far apart the two are is not in the program"
            )
            raise ProgramError(message)
        self.state.system = system

    def _move(self, block: Block) -> None:
        state, values = self.state, block.values
        moving = any(axis in values for axis in _AXES)
        if not moving:
            if block.g.get("motion", _CANCELLED) != _CANCELLED or block.g.get("non-modal") == 530:
                message = "a motion word without X, Y or Z"
                raise ProgramError(message)
            check_unused(values, arcs=False)
            return
        if not state.scale:
            message = "a length before G20 or G21 has told the unit"
            raise ProgramError(message)
        if state.motion not in (*_STRAIGHT, *_ARCS):
            message = "X, Y or Z without a motion word: none of G0, G1, G2, G3 is in force"
            raise ProgramError(message)
        check_unused(values, arcs=state.motion in _ARCS)
        start, end = self.held[:3].copy(), self._end(block)
        if state.motion != 0:
            self._check_cut(start, end)
        if state.motion in _ARCS:
            state.first_arc = state.first_arc or self.line
            self._record(self._arc(start, end, values))
        else:
            self._record(end[None])

    def _end(self, block: Block) -> npt.NDArray[np.float64]:
        """Return where the line goes, mm; NaN on the axes that it moves in machine coordinates (G53)."""
        machine = block.g.get("non-modal") == 530
        if machine and self.state.motion != 0:
            message = "G53 is read with G0 alone: where machine coordinates lie is not in the program"
            raise ProgramError(message)
        end = self.held[:3].copy()
        for axis, letter in enumerate(_AXES):
            if letter in block.values:
                value = block.values[letter] * self.state.scale + 0.0
                end[axis] = value if self.state.absolute else end[axis] + value
                if abs(end[axis]) > FARTHEST:
                    message = f"{letter} goes to {end[axis]:g} mm, further than any machine"
                    raise ProgramError(message)
                if machine:
                    end[axis] = math.nan
        return end

    def _check_cut(self, start: npt.NDArray[np.float64], end: npt.NDArray[np.float64]) -> None:
        if self.held[FEED] == 0:
            message = "a cut without a feed: no F above 0 is in force"
            raise ProgramError(message)
        for axis, letter in enumerate(_AXES):
            if not (math.isfinite(start[axis]) and math.isfinite(end[axis])):
                message = f"a cut from an unknown place: the program has not told {letter} yet"
                raise ProgramError(message)

    def _arc(
        self, start: npt.NDArray[np.float64], end: npt.NDArray[np.float64], values: dict[str, float]
    ) -> npt.NDArray[np.float64]:
        """Return the chords of G2 or G3."""
        state = self.state
        axes, left, tolerance = PLANES[state.plane], state.motion == 30, RADIUS_TOLERANCE[state.scale]
        flat = [_AXES[axis] for axis in axes[:2]]
        if not any(letter in values for letter in flat):
            message = f"an arc needs {flat[0]} or {flat[1]}, in its plane"
            raise ProgramError(message)
        inside = [_OFFSETS[axis] for axis in axes[:2]]
        offsets = [letter for letter in _OFFSETS if letter in values]
        if "R" in values:
            if offsets:
                message = f"an arc has R or {offsets[0]}, not both"
                raise ProgramError(message)
            radius = values["R"] * state.scale
            centre = centre_by_radius(start, end, axes, radius, left, tolerance)
        else:
            if not offsets or not set(offsets) <= set(inside):
                message = f"an arc in this plane needs R, or {inside[0]} and {inside[1]} alone"
                raise ProgramError(message)
            steps = [values.get(letter, 0.0) * state.scale for letter in inside]
            centre = centre_by_offsets(start, end, axes, steps, tolerance)
        return arc_chords(start, end, axes, centre, left)

    def _record(self, ends: npt.NDArray[np.float64]) -> None:
        """Add moves to these ends, one after the other."""
        first, count = int(self.tally[COUNT]), len(ends)
        self._make_room(count - 1)
        rows, rapid = slice(first, first + count), self.state.motion == 0
        self.points[first + 1 : first + count + 1] = ends
        self.rapid[rows] = rapid
        self.feed[rows] = 0.0 if rapid else self.held[FEED]
        self.block[rows] = self.line
        self.held[:3] = ends[-1]
        self.tally[COUNT] += count

    def _make_room(self, more: int) -> None:
        """Make room for the chords of an arc; each other line has its row already."""
        self.chords += more
        if self.chords > MOST_CHORDS:
            message = f"the arcs of the program need more than {MOST_CHORDS} chords"
            raise ProgramError(message)
        self.spare -= more
        if self.spare >= 0:
            return
        extra = max(len(self.rapid) // 2, more)
        self.spare += extra
        self.points = np.concatenate([self.points, np.full((extra, 3), np.nan)])
        self.rapid = np.concatenate([self.rapid, np.zeros(extra, np.bool_)])
        self.feed = np.concatenate([self.feed, np.zeros(extra)])
        self.block = np.concatenate([self.block, np.zeros(extra, np.int64)])

    def _stop(self, block: Block) -> None:
        if 0 in block.m:
            self.state.pauses.append(self.line)
        self.ended = bool(block.m & {2, 30})

    def moves(self) -> Moves:
        """Return all that was read."""
        count = int(self.tally[COUNT])
        firsts = np.array([first for first, _ in self.speeds] + [count])
        rpm = np.repeat([rpm for _, rpm in self.speeds], np.diff(firsts))
        units: Units = "in" if self.state.scale == MM_PER_INCH else "mm"
        return Moves(
            points=self.points[: count + 1].copy(),
            rapid=self.rapid[:count].copy(),
            feed=self.feed[:count].copy(),
            rpm=rpm,
            block=self.block[:count].copy(),
            blocks=int(self.tally[BLOCKS]),
            dwell=self.state.dwell,
            pauses=tuple(self.state.pauses),
            units=units,
            tool=self.state.tool,
            modes=frozenset(self.state.modes),
            changes=tuple(self.state.changes),
            first_arc=self.state.first_arc,
        )


def _dwell(values: dict[str, float]) -> float:
    """Return the seconds of a G4."""
    if "P" not in values:
        message = "G4 needs P, the seconds to wait"
        raise ProgramError(message)
    if values["P"] < 0:
        message = f"G4 cannot wait P{values['P']:g} seconds"
        raise ProgramError(message)
    return values["P"]


def _tool(value: float) -> int:
    if value < 0 or abs(value - round(value)) > 1e-4 or value > 1e6:
        message = f"T{value:g} is no number of a cutter; it is a whole number from 0"
        raise ProgramError(message)
    return round(value)
