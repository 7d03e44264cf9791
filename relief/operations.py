"""The operations of a job in running order: one cutter at one kind of work, and later one program, each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from relief.errors import JobError
from relief.setup import Setup
from relief.shop.records import Cutter

Kind = Literal["roughing", "finishing", "outline", "cutout"]


@dataclass(frozen=True)
class Operation:
    """What one program is for.

    Parameters
    ----------
    name : what file, report and sheet call it; a second cutter's is "rest …"
    kind : whose keys of the job it follows, and who plans it
    cutter : what turns
    """

    name: str
    kind: Kind
    cutter: Cutter


def job_operations(setup: Setup) -> tuple[Operation, ...]:
    """Return all that a job cuts, in running order; the trace, which cuts nothing, is none of it.

    A kind of work that is done by several cutters, coarse to fine, is as many operations.
    """
    return tuple(_operations(setup))


def _operations(setup: Setup) -> Iterator[Operation]:
    yield Operation("roughing", "roughing", setup.roughing_cutter)
    if setup.rest_cutter:
        yield Operation("rest roughing", "roughing", setup.rest_cutter)
    for number, cutter in enumerate(setup.finishing_cutters):
        yield Operation("rest finishing" if number else "finishing", "finishing", cutter)
    if setup.outline_cutter:
        yield Operation("outline", "outline", setup.outline_cutter)
    if setup.part:
        yield Operation("cutout", "cutout", setup.part.cutter)


def check_one_program(setup: Setup) -> None:
    """Refuse a single program where the machine or the cutters have no way to say which is to be put in.

    Raises
    ------
    JobError
        One line: the machine, or the cutter.
    """
    if setup.job.output.programs != "one":
        return
    if setup.machine.tool_change != "M6":
        message = (
            f'output.programs = "one" needs a machine that changes cutters by M6, and {setup.machine.name}'
            ' does not; leave it at "one per cutter"'
        )
        raise JobError(message)
    known: dict[int, Cutter] = {}
    for operation in job_operations(setup):
        cutter = operation.cutter
        if not cutter.number:
            message = (
                f'output.programs = "one" calls cutters by number, and "{cutter.name}" has none in the shop'
            )
            raise JobError(message)
        if known.setdefault(cutter.number, cutter) != cutter:
            message = (
                f'"{cutter.name}" and "{known[cutter.number].name}" both have number {cutter.number} in the'
                ' shop; output.programs = "one" needs a number for each'
            )
            raise JobError(message)


def file_name(number: int, name: str, tile: int = 0) -> str:
    """Return what the program of an operation is called.

    Examples
    --------
    >>> file_name(3, "rest finishing"), file_name(1, "holes", tile=2)
    ('3-rest-finishing.nc', 'tile-2-1-holes.nc')
    """
    return f"{f'tile-{tile}-' if tile else ''}{number}-{name.replace(' ', '-')}.nc"
