"""Whether programs come as the job runs them, and what was cut before a program that takes up another."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import NamedTuple

from relief.cutting import deepest_layer
from relief.operations import file_name, job_operations
from relief.setup import Setup
from relief.shop.records import Cutter
from relief.texts import Program
from relief.told import Told

_TILE = re.compile(r"tile-(\d{1,3})-")


class Step(NamedTuple):
    """One program of a job, or what one cutter does in it.

    Parameters
    ----------
    file, operation, cutter : as `Program` has them
    needed : whether what comes later may rest on its cuts
    """

    file: str
    operation: str
    cutter: Cutter | None
    needed: bool


def tile_of(file: str) -> int:
    """Return the number of the tile that a program is for, by the name of its file; 0: none."""
    found = _TILE.match(file)
    return int(found[1]) if found else 0


def steps_of_report(made_with: Mapping[str, Told]) -> tuple[Step, ...]:
    """Return the programs of a job folder in running order."""
    parts = [part for told in made_with.values() for part in (told, *told.more)]
    return tuple(Step(p.file, p.operation, p.cutter, _clears(p.operation, p.cutter)) for p in parts)


def steps_of_job(setup: Setup, tiles: Collection[int]) -> tuple[Step, ...]:
    """Return the programs that a job has at least, in running order.

    Where no folder tells what was planned: roughing has nothing to do in a relief so shallow that the
    finishing cutter takes it at once, and a finer cutter where the coarser left nothing.
    """
    shallow = setup.depth <= deepest_layer(setup.finishing_cutters[0], setup.material)
    return tuple(_steps_of_job(setup, tiles, shallow))


def _steps_of_job(setup: Setup, tiles: Collection[int], shallow: bool) -> Iterator[Step]:
    for tile in sorted(tiles):
        for number, operation in enumerate(job_operations(setup), start=1):
            spare = operation.name.startswith("rest") or (operation.kind == "roughing" and shallow)
            needed = not spare and _clears(operation.name, operation.cutter)
            yield Step(file_name(number, operation.name, tile), operation.name, operation.cutter, needed)


def _clears(operation: str, cutter: Cutter | None) -> bool:
    """Return whether a program clears stock that a later one would meet; scored lines and holes are none."""
    return cutter is not None and cutter.turns and operation not in ("trace", "holes")


def fault_of_order(programs: Sequence[Program], steps: Sequence[Step]) -> str | None:
    """Return what is wrong with the order of programs; empty where nothing is, None where it is not known.

    Each tile has an order of its own. A program may come twice: one that takes up another is that again.

    Parameters
    ----------
    programs : as they are to be run
    steps : of the job, in running order
    """
    cuts = [program for program in programs if program.cutter is not None]
    places = [_place(program, steps) for program in cuts]
    known = [place for place in places if place is not None]
    for number, (program, place) in enumerate(zip(cuts, places, strict=True)):
        earlier = steps[:place] if place is not None else ()
        for before, step in enumerate(earlier):
            if tile_of(step.file) != tile_of(program.file) or before in places[:number]:
                continue
            if before in places[number:]:
                file = cuts[places.index(before)].file
                return f"{file} comes before {program.file} by the job; give the programs in running order"
            if step.needed:
                return (
                    f"{step.file} comes before {program.file} by the job and was not given: what it would"
                    " have cut stands uncut; give all programs in running order"
                )
    return "" if len(known) == len(cuts) else None


def _place(program: Program, steps: Sequence[Step]) -> int | None:
    """Return the number of the step that a program is; its cutter may have been changed since."""
    tile = tile_of(program.file)
    same = [
        number
        for number, step in enumerate(steps)
        if step.operation == program.operation and tile_of(step.file) == tile and step.operation != "trace"
    ]
    return next((n for n in same if steps[n].cutter == program.cutter), same[0] if same else None)
