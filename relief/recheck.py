"""Judging program files again, our own or edited by hand: read, carve, and run every check on their text."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import takewhile, zip_longest
from pathlib import Path

import numpy as np

from relief.checks import CHECKS, WITHOUT_TARGET, Check, not_made, run_checks, run_checks_without_target
from relief.errors import JobError, ProgramError
from relief.evidence import ReadProgram, RunEvidence
from relief.feeds import Speeds
from relief.heightfield import Heightfield
from relief.job import Job
from relief.moves import Moves
from relief.operations import Operation, job_operations
from relief.plans import asked_speeds, feeds_for, load_of
from relief.progress import Progress, Silent
from relief.proof import prove, read_file, run_program
from relief.sequence import fault_of_order, steps_of_job, steps_of_report, tile_of
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine
from relief.stopped import TakenUp, done_until, part_of, taken_up
from relief.texts import Program, entry_rule
from relief.times import format_time
from relief.told import Told, program_bytes, told_by_report
from relief.units import format_length

# A grid that is laid under programs of which no job is known.
MOST_NODES = 1_000_000
# A straight way down is told by its run along x and y, as a share of its fall.
UPRIGHT = 0.02

_CHANGE = re.compile(rb"M0?6(?!\d)", re.IGNORECASE)
_OPERATION = re.compile(
    r"(?:^|[^a-z])(trace|(?:rest[^a-z]+)?(?:roughing|finishing)|outline|cutout)(?:[^a-z]|$)"
)


@dataclass(frozen=True, eq=False)
class Verdict:
    """What programs do, and every check on them.

    Parameters
    ----------
    programs : as read back
    checks : held or not, those that stop first
    notes : what the user must know to weigh them
    unmade : the checks that could not be made, each with the reason
    """

    programs: tuple[ReadProgram, ...]
    checks: tuple[Check, ...]
    notes: tuple[str, ...] = ()
    unmade: tuple[str, ...] = ()

    @property
    def ready(self) -> bool:
        """Whether no check that stops fell short."""
        return not any(check.severity == "stop" and not check.holds for check in self.checks)

    def lines(self) -> tuple[str, ...]:
        """Return the verdict in plain lines: programs, notes, what holds, and each check that fell short."""
        held = ", ".join(check.name for check in self.checks if check.holds)
        short = sorted((c for c in self.checks if not c.holds), key=lambda check: check.severity == "stop")
        words = {"stop": "STOP", "warn": "Warning"}
        return (
            *(_introduced(program) for program in self.programs),
            *(f"Note: {note}." for note in self.notes),
            f"Held: {held or 'nothing'}.",
            *([f"Not checked: {'; '.join(self.unmade)}."] if self.unmade else []),
            *(f"{words[check.severity]}: {check.name}: {check.message}." for check in short),
            "Every check that guards you and the board holds."
            if self.ready
            else "NOT to be run: a check that guards you or the board fell short.",
        )


def _introduced(program: ReadProgram) -> str:
    cutter = f'with "{program.cutter.name}"' if program.cutter else "with the spindle off"
    depth = max(0.0, -float(np.nanmin(program.moves.points[:, 2])))
    return (
        f"{program.file}: {program.operation} {cutter}, {program.moves.lines} lines,"
        f" {format_length(depth, program.moves.units)} deep, about {format_time(program.seconds)}."
    )


def recheck(
    paths: Sequence[Path],
    against: Path,
    *,
    cutter: str | None = None,
    machine: str | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Judge program files against the job that they are for.

    Parameters
    ----------
    paths : the programs, in running order; the stock goes from one to the next
    against : a job folder or a job file
    cutter : what turns in programs of which neither the folder's report nor the file's name tells the cutter
    machine : another machine of the shop than the job's
    progress : told what is being done

    Raises
    ------
    ReliefError
        A program that breaks the standard, or a job that cannot be set up.
    """
    progress = progress or Silent()
    progress.stage("reading the job")
    folder, job_file = (against, against / "job.toml") if against.is_dir() else (None, against)
    setup, shop = open_job(job_file, machine)
    made_with = told_by_report(folder) if folder else {}
    spare = shop.cutter(cutter) if cutter else None
    programs, notes = _as_run(paths, setup, folder, made_with, spare)
    progress.stage("reading the programs and carving")
    tiles = {tile_of(program.file) for program in programs}
    steps = steps_of_report(made_with) if made_with else steps_of_job(setup, tiles)
    evidence = replace(prove(programs, setup, progress).evidence, order_fault=fault_of_order(programs, steps))
    notes += _unseen(programs, made_with)
    return Verdict(evidence.programs, run_checks(evidence), notes, not_made(evidence, CHECKS))


def _as_run(
    paths: Sequence[Path],
    setup: Setup,
    folder: Path | None,
    made_with: Mapping[str, Told],
    spare: Cutter | None,
) -> tuple[list[Program], tuple[str, ...]]:
    """Return what files hold, and before each that takes up another program what was cut until then."""
    programs: list[Program] = []
    notes: tuple[str, ...] = ()
    for path in paths:
        taken = taken_up(program_bytes(path))
        told = made_with.get(taken.file) if taken else None
        if taken is None or path.name in made_with:
            programs += programs_for_job(path, setup, made_with, spare)
        elif folder is None or told is None:
            notes += (
                f"{path.name} takes up {taken.file} at line {taken.line}, and what was cut before it is not"
                " known here" + ("" if folder else ": give its job folder with --job"),
            )
            programs += programs_for_job(path, setup, made_with, spare)
        else:
            given = {program.file for program in programs}
            cut, left = _cut_before(taken, folder, setup, made_with)
            notes += (
                f"{path.name} takes up {taken.file} at line {taken.line}: what the programs of the job cut"
                " until then counts as cut",
            )
            programs += [program for program in cut if program.file not in given]
            programs += programs_for_job(path, setup, {path.name: left}, spare)
    return programs, notes


def _cut_before(
    taken: TakenUp, folder: Path, setup: Setup, made_with: Mapping[str, Told]
) -> tuple[list[Program], Told]:
    """Return what a folder's programs cut before a line of one of them, and what is told of its rest."""
    told, tile = made_with[taken.file], tile_of(taken.file)
    earlier = takewhile(lambda one: one.file != taken.file, made_with.values())
    found = [one for one in earlier if one.cutter is not None and tile_of(one.file) == tile]
    cut = [part for one in found for part in sound_program(one, folder, setup)]
    whole = sound_program(told, folder, setup)
    moves = read_file(taken.file, whole[0].text)
    stop = min(int(np.searchsorted(moves.block, taken.line)), len(moves) - 1)
    count, text = done_until(whole[0].text, moves, stop)
    first, *more = (replace(told, more=()), *told.more)[part_of(moves, stop)[0] :]
    return [*cut, *(replace(part, text=text) for part in whole[:count])], replace(first, more=tuple(more))


def sound_program(told: Told, folder: Path, setup: Setup) -> tuple[Program, ...]:
    """Return what each cutter does in a program of a folder.

    Raises
    ------
    ProgramError
        The file was edited since the folder was made.
    """
    parts = programs_for_job(folder / told.file, setup, {told.file: told})
    if hashlib.sha256(parts[0].text).hexdigest() != told.sha256:
        message = (
            f"{folder / told.file}: was edited since the folder was made, so what it has cut is not known;"
            " put the file of the job back"
        )
        raise ProgramError(message)
    return parts


def recheck_without_job(
    paths: Sequence[Path],
    thickness: float,
    cutter: str | None,
    machine: str | None,
    *,
    shop: Path | None = None,
    progress: Progress | None = None,
) -> Verdict:
    """Judge program files of which only stock, cutter and machine are known.

    The stock's top is Z0, and it lies under all that the programs sweep; what they should carve is not known.

    Raises
    ------
    ReliefError
        A program that breaks the standard, a missing cutter, or one that the shop does not have.
    """
    progress = progress or Silent()
    progress.stage("reading the programs and carving")
    racks = Shop.read(shop)
    known = racks.machine(machine or Job("none").machine)
    spare = racks.cutter(cutter) if cutter else None
    programs = [found for path in paths for found in _alone(path, spare, racks)]
    touching = spare or Cutter("flat", 1.0)
    stock = _stock_under([moves for _, moves in programs], touching)
    read = []
    for program, found in programs:
        read.append(run_program(program, found, stock, known, touching))
        stock = read[-1].after
    evidence = RunEvidence(machine=known, thickness=thickness, programs=tuple(read))
    note = "with no --job, what is carved is held against nothing but the stock"
    unmade = not_made(evidence, WITHOUT_TARGET)
    return Verdict(evidence.programs, run_checks_without_target(evidence), (note,), unmade)


def programs_for_job(
    path: Path, setup: Setup, made_with: Mapping[str, Told], spare: Cutter | None = None
) -> tuple[Program, ...]:
    """Return what each cutter does in a program file; see `program_for_job`.

    Raises
    ------
    ProgramError, JobError
        As `program_for_job`.
    """
    told = made_with.get(path.name)
    if told is None or not told.more:
        return (program_for_job(path, setup, made_with, spare),)
    told_parts = (replace(told, more=()), *told.more)
    parts = read_file(path.name, program_bytes(path)).by_cutter()
    return tuple(
        program_for_job(path, setup, {path.name: part}, spare, moves)
        for part, moves in zip_longest(told_parts, parts[: len(told_parts)])
    )


def program_for_job(
    path: Path,
    setup: Setup,
    made_with: Mapping[str, Told],
    spare: Cutter | None = None,
    moves: Moves | None = None,
) -> Program:
    """Return a program with the cutter and the speeds that the job, or the text itself, tells.

    Parameters
    ----------
    path : of the program
    setup : the job
    made_with : what the job folder's report says, by file name
    spare : what turns where neither the report nor the file's name tells it
    moves : what of the file is meant; None: all of it

    Raises
    ------
    ProgramError, JobError
        No such program, or it is not known what turns in it, or it is none of this job's.
    """
    text, told = program_bytes(path), made_with.get(path.name)
    name = told.operation if told else _operation(path)
    meant = _meant(path, name, told.cutter if told else None, setup)
    if told is None and meant is None and name not in ("trace", "cutout") and spare is None:
        message = (
            f'{path}: which cutter turns in it? Name the file as relief does ("2-finishing.nc"),'
            " or name the cutter with --cutter"
        )
        raise ProgramError(message)
    if name == "cutout" and setup.part is None:
        message = f"{path}: is a cutout, and the job cuts nothing out; check it against its own job"
        raise JobError(message)
    cutter = told.cutter if told else meant.cutter if meant else None if name == "trace" else spare
    tile = tile_of(told.file if told else path.name)
    program = Program(path.name, name or "other", text, cutter, zero=setup.zero_of(tile))
    if cutter is None or not cutter.turns or meant is None:
        return program
    speeds = _speeds(moves or read_file(path.name, text), setup.machine)
    asked = asked_speeds(meant, setup)
    if speeds.rpm is None:  # set by hand: the text does not tell it
        speeds = speeds._replace(rpm=told.rpm if told and told.rpm else asked.rpm)
    # the fastest block is no measure of the feed that was chosen: where the cut is light it goes faster
    chosen = feeds_for(meant, setup, speeds._replace(feed=told.feed if told and told.feed else asked.feed))
    shaped_by = load_of(meant, setup, chosen)
    if shaped_by and shaped_by.hurry > 1.0:
        speeds = speeds._replace(feed=min(shaped_by.cut, speeds.feed or shaped_by.cut))
    chosen_plunge = told.plunge if told and told.plunge else feeds_for(meant, setup, asked).plunge
    entry = entry_rule(setup, meant.name, cutter, chosen_plunge)
    return replace(program, feeds=feeds_for(meant, setup, speeds), shaped_by=shaped_by, entry=entry)


def _meant(path: Path, name: str, cutter: Cutter | None, setup: Setup) -> Operation | None:
    """Return which of the job's operations a program is for; of several, by cutter or number."""
    operations = job_operations(setup)
    numbered = re.match(r"\d+", path.name)
    place = int(numbered[0]) - 1 if numbered else -1
    likely = [operations[place]] if 0 <= place < len(operations) else []
    found = [operation for operation in (*likely, *operations) if operation.name == name]
    return next((o for o in found if o.cutter == cutter), found[0] if found else None)


def _alone(path: Path, spare: Cutter | None, racks: Shop) -> list[tuple[Program, Moves]]:
    """Return what each cutter does in a program file, its cutter by its number in the shop's rack."""
    operation, text = _operation(path) or "other", program_bytes(path)
    unknown = f"{path}: which cutter turns in it? Name it with --cutter, or give the job with --job"
    if operation != "trace" and spare is None and not _CHANGE.search(text):
        raise ProgramError(unknown)
    moves = read_file(path.name, text)
    if operation == "trace":
        return [(Program(path.name, operation, text, None), moves)]
    rack = {cutter.number: cutter for cutter in racks.cutters.values() if cutter.number}
    parts, found = moves.by_cutter(), []
    for part in parts:
        cutter = rack.get(part.tool, spare) if part.tool is not None and len(parts) > 1 else spare
        if cutter is None:
            raise ProgramError(unknown)
        found.append((Program(path.name, operation, text, cutter), part))
    return found


def _operation(path: Path) -> str:
    found = _OPERATION.search(path.stem.lower())
    return re.sub("[^a-z]+", " ", found[1]) if found else ""


def _speeds(moves: Moves, machine: Machine) -> Speeds:
    """Return spindle speed, highest feed and highest feed straight down, as the text has them."""
    cuts = ~moves.rapid
    if not cuts.any():
        return Speeds()
    steps = np.nan_to_num(np.diff(moves.points, axis=0))
    along = np.hypot(steps[:, 0], steps[:, 1])
    down = cuts & (steps[:, 2] < 0) & (along <= UPRIGHT * -steps[:, 2])
    rpm = float(moves.rpm[cuts].max()) if machine.spindle == "program" else 0.0
    feed = moves.feed_range()[1]
    plunge = float(moves.feed[down].max()) if down.any() else 0.0
    return Speeds(rpm or None, feed or None, plunge or None)


def open_job(path: Path, machine: str | None = None) -> tuple[Setup, Shop]:
    """Read a job file and set it up, on another machine of the shop if that is asked for.

    Raises
    ------
    ReliefError
        A job that cannot be set up.
    """
    job = Job.read(path)
    if machine is not None:
        job = replace(job, machine=machine)
    shop = Shop.read(job.shop)
    return set_up(job, shop), shop


def _unseen(programs: Sequence[Program], made_with: Mapping[str, Told]) -> tuple[str, ...]:
    """Return which programs of the folder that cut were not given."""
    given = {(tile_of(p.file), p.operation, p.cutter) for p in programs}
    missing = [
        told.file
        for told in made_with.values()
        if told.cutter is not None
        and not told.more
        and (tile_of(told.file), told.operation, told.cutter) not in given
    ]
    if not missing:
        return ()
    return (f"{', '.join(missing)} not given: what would be cut there counts as uncut",)


def _stock_under(moves: Sequence[Moves], cutter: Cutter) -> Heightfield:
    """Return flat stock under all that programs sweep."""
    points = np.concatenate([found.points[:, :2] for found in moves])
    low = np.nanmin(points, axis=0) - cutter.diameter
    size = np.nanmax(points, axis=0) + cutter.diameter - low
    pitch = max(cutter.diameter / 16, math.sqrt(float(size[0] * size[1]) / MOST_NODES))
    shape = [math.ceil(float(side) / pitch) + 1 for side in size[::-1]]
    return Heightfield(np.zeros(shape, np.float32), pitch, (float(low[0]), float(low[1])))
