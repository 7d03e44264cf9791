"""Taking up an interrupted program: a new program that begins safely a little earlier and goes on as before.

Where the cutter has been, the stock is gone as far as its outline reaches; so the way down onto the path that
was cut already, and along it, is through air. That is not taken for granted: the earlier programs and the
interrupted one, up to where it stopped, are carved, and the new program is run in what they leave.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple, NoReturn

import numpy as np

from relief.carving import rapid_contact
from relief.checks import Check, run_checks
from relief.errors import FolderError, ProgramError
from relief.evidence import ReadProgram
from relief.moves import Moves
from relief.program.read import read_program
from relief.program.write import CHANGE_CAUTION, write_beginning
from relief.progress import Progress, Silent
from relief.proof import prove, read_file
from relief.recheck import open_job, sound_program
from relief.setup import Setup
from relief.stopped import Place, done_until, has_cut, part_of, place_of, stopped_at, taken_up, takes_up
from relief.texts import Program, program_head
from relief.times import format_time
from relief.timing import program_seconds
from relief.told import Told, program_bytes, told_by_report
from relief.toolpath import PLUNGE, RAPID, Toolpath
from relief.units import Units, format_length

# mm, from how high above it the cutter comes down onto the path.
ABOVE = 1.0
# mm, how deep the way in may touch the stock: roundings of heights kept as float32.
TOUCH = 1e-3

CAUTIONS = (
    "this program takes up an interrupted one: home the machine, then check X, Y and Z zero on the stock",
    "a new cutter, or one taken out and put back, has its Z zero set again on the same surface as before",
    "the cutter is out of the stock and the stock has not moved; if it has, do not run this",
    "if the cutter stopped before the line named above, resume from that earlier line instead",
)


@dataclass(frozen=True, eq=False)
class Resumed:
    """A program that takes up an interrupted one.

    Parameters
    ----------
    text : the bytes that the machine will run
    of : name of the interrupted program
    line : of the interrupted program, not run yet or not to its end
    begins : the line from which on everything is cut again
    again : mm of the path that are cut again before `line`
    seconds : time at the machine
    units : of the program's text
    notes : what the user must know
    checks : as for every program, in the stock as it was left
    """

    text: bytes
    of: str
    line: int
    begins: int
    again: float
    seconds: float
    units: Units
    notes: tuple[str, ...]
    checks: tuple[Check, ...]

    @property
    def stops(self) -> tuple[Check, ...]:
        """The checks that forbid the program."""
        return tuple(c for c in self.checks if not c.holds and c.severity == "stop")

    def lines(self) -> tuple[str, ...]:
        """Return what was made, in plain lines."""
        return (
            f"It takes up {self.of} at line {self.line}: everything from line {self.begins} on is run again,"
            f" the {format_length(round(self.again, 1), self.units)} before the interruption included."
            f" About {format_time(self.seconds)}.",
            *(f"Note: {note}." for note in self.notes),
            *(f"Caution: {caution}." for caution in CAUTIONS),
        )


def resume(
    path: Path,
    folder: Path,
    name: str,
    *,
    line: int | None = None,
    position: tuple[float, float, float] | None = None,
    progress: Progress | None = None,
) -> Resumed:
    """Return the program that takes up an interrupted program of a job folder.

    Parameters
    ----------
    path : the interrupted program, as it stands in the folder, or a copy of it under any name
    folder : the job folder that it belongs to
    name : of the new program
    line : the line that was being run, counted from 1; or, instead,
    position : (x, y, z) mm in program coordinates, where the cutter stopped
    progress : told what is being done

    Raises
    ------
    ReliefError
        Whatever keeps the program from being taken up safely.
    """
    progress = progress or Silent()
    progress.stage("reading the job")
    program_bytes(path)  # a misspelt name is told before its folder is looked into
    setup, _ = open_job(folder / "job.toml")
    told, programs = _sound_programs(folder, setup)
    cut, notes = _interrupted(path, folder, programs, line, position)
    moves, own, number = cut.moves, cut.own, cut.first + cut.part
    place = place_of(own, cut.stop - cut.before)
    text = _text(cut.program, told[number], own, place, setup, cut.parts - cut.part > 1)
    _refuse_another_way(cut.program.file, text, moves, cut.before + place.begin)
    progress.stage("carving what was cut, and what is still to be")
    done, left = _done_and_left(cut, name, text)
    whole = [*programs[: cut.first], *done, *left, *programs[cut.first + cut.parts :]]
    evidence = prove(whole, setup, progress).evidence
    runs = evidence.programs[cut.first + len(done) :][: len(left)]
    _refuse_a_touch(runs[0], len(runs[0].moves) - (len(own) - place.begin))
    return Resumed(
        text=text,
        of=path.name,
        line=int(moves.block[cut.stop]),
        begins=int(own.block[place.begin]),
        again=float(own.lengths()[place.begin : place.stop].sum()),
        seconds=sum(run.seconds for run in runs),
        units=moves.units,
        notes=notes,
        checks=run_checks(evidence),
    )


class _Cut(NamedTuple):
    """What was interrupted.

    Parameters
    ----------
    programs : what each cutter does in its file, in running order
    first : number of the first of them among all of the folder
    moves : all of the file
    part : which of them was interrupted, counted from 0
    before : how many moves come before its own
    stop : the first of the file's moves that was not made to its end
    """

    programs: tuple[Program, ...]
    first: int
    moves: Moves
    part: int
    before: int
    stop: int

    @property
    def parts(self) -> int:
        """How many cutters cut in the file."""
        return len(self.programs)

    @property
    def program(self) -> Program:
        """What the interrupted cutter does."""
        return self.programs[self.part]

    @property
    def own(self) -> Moves:
        """Its moves."""
        return self.moves.by_cutter()[self.part] if self.parts > 1 else self.moves

    @property
    def begun(self) -> bool:
        """Whether it has cut."""
        return has_cut(self.own, self.stop - self.before)


def _interrupted(
    path: Path,
    folder: Path,
    programs: Sequence[Program],
    line: int | None,
    position: tuple[float, float, float] | None,
) -> tuple[_Cut, tuple[str, ...]]:
    """Return what was interrupted, and what is to be said of it; refuse what cannot be taken up there."""
    first, parts = _parts_of(program_bytes(path), path, folder, programs)
    moves = read_file(programs[first].file, programs[first].text)
    if parts == 1:
        _refuse_what_cannot_be_taken_up(programs[first], moves)
    stop, notes = stopped_at(programs[first].file, moves, line, position)
    cut = _Cut(tuple(programs[first : first + parts]), first, moves, *part_of(moves, stop), stop)
    cutter = cut.program.cutter
    if cutter and not cutter.turns and cut.begun:
        entered = int(cut.own.block[np.argmin(cut.own.rapid)])
        _refuse_to_drag_on(cut.program.file, f"take it up at its first cut, line {entered}")
    return cut, notes


def _done_and_left(cut: _Cut, name: str, text: bytes) -> tuple[list[Program], list[Program]]:
    """Return what was done of a file when it was interrupted, and what the new program does."""
    count, earlier = done_until(cut.program.text, cut.moves, cut.stop)
    done = [replace(program, text=earlier) for program in cut.programs[:count]]
    return done, [replace(program, file=name, text=text) for program in cut.programs[cut.part :]]


def _sound_programs(folder: Path, setup: Setup) -> tuple[list[Told], list[Program]]:
    """Return what each cutter does in the programs of a folder; a file that was edited since is refused."""
    told: list[Told] = []
    programs: list[Program] = []
    for found in told_by_report(folder).values():
        if not found.sha256:
            message = f"{folder}: holds no programs, as a check fell short; there is nothing to take up"
            raise FolderError(message)
        told += (found, *found.more)
        programs += sound_program(found, folder, setup)
    return told, programs


def _parts_of(text: bytes, path: Path, folder: Path, programs: Sequence[Program]) -> tuple[int, int]:
    """Return the first of the programs that a file holds, and how many; each of its bytes counts."""
    same = [number for number, program in enumerate(programs) if program.text == text]
    taken = taken_up(text)
    whole = next((program.text for program in programs if taken and program.file == taken.file), None)
    if not same and taken and whole is not None:
        later = len(whole.splitlines()) - len(text.splitlines())
        message = (
            f"{path}: takes up {taken.file} itself; give that one, {folder / taken.file}, and its line"
            f" (line N of this file is line N {'+' if later >= 0 else '-'} {abs(later)} of it), or the"
            " position with --at-position"
        )
        raise ProgramError(message)
    if not same:
        message = (
            f"{path}: is none of the programs of {folder}, or was edited since; give the program as it was"
            " made, with the job folder that it came in"
        )
        raise ProgramError(message)
    return same[0], sum(programs[number].file == programs[same[0]].file for number in same)


def _refuse_what_cannot_be_taken_up(program: Program, moves: Moves) -> None:
    """Refuse a file that is better run again as a whole."""
    file = program.file
    if program.cutter is None:
        message = f"{file}: turns no cutter and cuts nothing; run it again from its beginning"
        raise ProgramError(message)
    if not program.cutter.turns:
        _refuse_to_drag_on(file, "run it again from its beginning")
    if program.operation == "holes":
        message = (
            f"{file}: run it again from its beginning; where a hole is drilled already it meets only air"
        )
        raise ProgramError(message)
    if moves.rapid.all():
        message = f"{file}: cuts nothing; there is nothing to take up"
        raise ProgramError(message)


def _refuse_to_drag_on(file: str, again: str) -> NoReturn:
    message = (
        f"{file}: a drag point is swivelled by the way it has come, which a new beginning does not have;"
        f" {again}, lines that are scored already stay as they are"
    )
    raise ProgramError(message)


def _text(program: Program, told: Told, moves: Moves, place: Place, setup: Setup, changes: bool) -> bytes:
    """Return the new program; the time in its head is taken from a draft's own text."""
    draft = _draft(program, told, moves, place, setup, changes, None)
    seconds = program_seconds(read_program(draft), setup.machine)
    return _draft(program, told, moves, place, setup, changes, seconds)


def _draft(
    program: Program,
    told: Told,
    moves: Moves,
    place: Place,
    setup: Setup,
    changes: bool,
    seconds: float | None,
) -> bytes:
    line = int(moves.block[place.begin])
    doing = takes_up(program.operation, program.file, int(moves.block[place.stop]), line)
    head = program_head(setup, doing, program.cutter, told.rpm, seconds)
    way, feed_next = _way_in(moves, place), float(moves.feed[place.begin])
    feed = np.full(len(way.points), min(told.plunge or feed_next, feed_next))
    cautions = (*((CHANGE_CAUTION,) if changes else ()), *CAUTIONS, *head.cautions)
    beginning = write_beginning(
        way, feed, replace(head, cautions=cautions), setup.machine, moves.units, feed_next
    )
    return beginning + b"".join(program.text.splitlines(keepends=True)[line - 1 :])


def _way_in(moves: Moves, place: Place) -> Toolpath:
    """Return the way from clearance height down onto the path, in the coordinates of the text.

    Above a place where the cutter has been it goes straight down at a feed, then along the path, from above
    onto it: never lower than the cutter was there before.
    """
    path = moves.points[place.ramp : place.begin + 1]
    gone = np.concatenate([[0.0], np.cumsum(moves.lengths()[place.ramp : place.begin])])
    above = ABOVE * (1 - gone / gone[-1]) if gone[-1] > 0 else np.zeros(1)
    clearance = float(np.nanmax(moves.points[:, 2]))
    over = [path[0, 0], path[0, 1], clearance]
    down = path + np.column_stack([np.zeros((len(path), 2)), above])
    down[:, 2] = np.minimum(down[:, 2], clearance)
    kinds = np.array([RAPID, *[PLUNGE] * len(down)], dtype=np.uint8)
    return Toolpath(np.concatenate([[over], down]), kinds)


def _refuse_another_way(file: str, text: bytes, moves: Moves, begin: int) -> None:
    """Make sure that the old lines say, after the new beginning, just what they said before."""
    found = read_program(text)
    rest, old = len(moves) - begin, slice(begin, None)
    new = slice(len(found) - rest, None)
    same = rest <= len(found) and all(
        np.array_equal(getattr(found, name)[new], getattr(moves, name)[old])
        for name in ("points", "rapid", "feed", "rpm")
    )
    if not same:
        message = (
            f"{file} line {int(moves.block[begin])}: its meaning hangs on lines before it; resume from"
            " an earlier line"
        )
        raise ProgramError(message)


def _refuse_a_touch(run: ReadProgram, count: int) -> None:
    """Run the way in, the first moves of a program, as if they were rapids: they meet nothing."""
    if run.cutter is None:
        return
    moves = run.moves
    way = replace(
        moves,
        points=moves.points[: count + 1],
        rapid=np.ones(count, dtype=np.bool_),
        **{name: getattr(moves, name)[:count] for name in ("feed", "rpm", "block")},
    )
    contact = rapid_contact(run.before, way, run.cutter, TOUCH)
    if contact.depth > TOUCH:
        deep = format_length(contact.depth, moves.units)
        message = (
            f"{run.file} line {contact.block}: the way in would cut {deep} deep into stock"
            " that is still there; resume from an earlier line"
        )
        raise ProgramError(message)
