"""From plans to program text: files and their names, and what the head of each tells."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from relief.entries import EntryRule
from relief.feeds import Feeds
from relief.hints import bed_note, touching_off
from relief.operations import file_name
from relief.plans import Plan
from relief.program.read import read_program
from relief.program.write import ProgramHead, Work, write_works
from relief.progress import Progress
from relief.setup import Setup
from relief.shop.records import Cutter
from relief.timing import program_seconds
from relief.units import format_length

# What is done by a program that holds every cut.
ALL_OF_IT = "carving"


@dataclass(frozen=True)
class Program:
    """A program as text, or what one cutter does in it: from a plan or from a file.

    Parameters
    ----------
    file, operation : its name and what it is for
    text : the bytes that the machine will run
    cutter : None for the trace, which turns no cutter
    feeds : the speeds it was planned with; None where they are not known
    zero : (x, y, z) mm, what the text's coordinates are ahead of the relief's; None: the job's zero
    shaped_by : what its feeds go by, where they go by what is cut
    entry : how it may go down into the stock, where that is known
    """

    file: str
    operation: str
    text: bytes
    cutter: Cutter | None
    feeds: Feeds | None = None
    zero: tuple[float, float, float] | None = None
    shaped_by: Feeds | None = None
    entry: EntryRule | None = None


def write_programs(plans: Sequence[Plan], setup: Setup, progress: Progress) -> tuple[Program, ...]:
    """Return every program, its file numbered in running order, the trace first with a 0.

    Each is written twice: the time in its head is taken from the draft's own text.
    """
    works = []
    for done, plan in enumerate(plans, start=1):
        seconds = program_seconds(read_program(program_text(plan, setup)), setup.machine)
        works.append(_work(plan, setup, seconds))
        progress.fraction(done / len(plans))
    files = list(_names(plans, setup.job.output.programs == "one"))
    held: dict[str, list[Work]] = {}
    for file, work in zip(files, works, strict=True):
        held.setdefault(file, []).append(work)
    tiles = dict(zip(files, (plan.tile for plan in plans), strict=True))
    texts = {file: _written(held[file], tiles[file], setup) for file in held}
    return tuple(
        Program(
            file,
            plan.operation,
            texts[file],
            plan.cutter,
            plan.feeds,
            setup.zero_of(plan.tile),
            plan.load,
            entry_rule(setup, plan.operation, plan.cutter, plan.feeds.plunge if plan.feeds else 0.0),
        )
        for file, plan in zip(files, plans, strict=True)
    )


def entry_rule(setup: Setup, name: str, cutter: Cutter | None, plunge: float) -> EntryRule | None:
    """Return how the program of an operation may go down into the stock; None for what does not turn."""
    if cutter is None or not cutter.turns:
        return None
    asked = setup.job.cutout if name == "cutout" else setup.job.roughing
    angle = asked.entry_angle or setup.material.entry_angle
    return EntryRule(angle, plunge, follows=name.endswith("finishing"))


def _written(works: Sequence[Work], tile: int, setup: Setup) -> bytes:
    return write_works(works, setup.machine, setup.zero_of(tile), setup.job.output.units)


def _names(plans: Sequence[Plan], together: bool) -> Iterator[str]:
    """Yield the name of each plan's file: numbered in running order, in tiles each from its trace on.

    All that cuts may be together in one file, or in one for each tile.
    """
    for tile, group in groupby(plans, key=lambda plan: plan.tile):
        for number, plan in enumerate(group):
            yield (
                file_name(1, ALL_OF_IT, tile)
                if number and together
                else file_name(number, plan.operation, tile)
            )


def program_text(plan: Plan, setup: Setup) -> bytes:
    """Return a plan as the text of a program of its own, without its time."""
    return _written([_work(plan, setup, None)], plan.tile, setup)


def _work(plan: Plan, setup: Setup, seconds: float | None) -> Work:
    rpm = plan.feeds.rpm if plan.feeds else 0.0
    head = program_head(setup, plan.operation, plan.cutter, rpm, seconds)
    if setup.tiling and plan.tile:
        head = replace(head, operation=f"{plan.operation}, tile {plan.tile} of {len(setup.tiling.tiles)}")
        if plan.tile > 1:
            head = replace(head, zero=_moved_on(setup))
    return Work(plan.toolpath, plan.feed, head, plan.stops)


def program_head(
    setup: Setup, operation: str, cutter: Cutter | None, rpm: float, seconds: float | None
) -> ProgramHead:
    """Return what the head of a program of this job tells.

    Parameters
    ----------
    setup : the job
    operation : what the program does
    cutter : None where none turns
    rpm : rev/min; 0 = the spindle stays off
    seconds : time at the machine; None leaves it out
    """
    job, units = setup.job, setup.job.output.units
    stock = " x ".join(
        format_length(size, units)
        for size in (job.stock.width or 0.0, job.stock.length or 0.0, job.stock.thickness)
    )
    corner = "near left corner of the relief" if job.zero.xy == "corner" else "middle of the relief"
    return ProgramHead(
        job=job.picture.replace("\\", "/").rsplit("/", 1)[-1],
        operation=operation,
        cutter=cutter.name if cutter else "none",
        stock=f"{stock}, {setup.material.name}",
        zero=f"X0 Y0 {corner}, Z0 {job.zero.z}",
        rpm=rpm,
        seconds=seconds,
        cautions=(*_below(setup, operation), *_touching_off(setup, cutter), *setup.material.cautions),
        number=cutter.number if cutter else 0,
    )


def _moved_on(setup: Setup) -> str:
    """Return what a tile's program tells of the zero, once the board has been moved on."""
    return f"X0 Y0 stay as set for tile 1; the board is moved on, over its pins; Z0 {setup.job.zero.z}"


def _touching_off(setup: Setup, cutter: Cutter | None) -> tuple[str, ...]:
    """Return where Z0 is set for a cutter."""
    return (f"set Z0 for each cutter {touching_off(setup)}",) if cutter else ()


def _below(setup: Setup, operation: str) -> tuple[str, ...]:
    """Return what is told of an operation, resumed or not, that goes below the board."""
    note = bed_note(setup, operation.partition(",")[0])
    return (note,) if note else ()
