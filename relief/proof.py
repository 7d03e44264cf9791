"""From program text back to what it does: the verdict is about the text.

Nothing in here knows a toolpath.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.carving import DeepestCut, carve_stock, deepest_cut, deepest_move, rapid_contact
from relief.closeup import look_closely
from relief.engagement import hardest_feed
from relief.entries import deepest_entry
from relief.errors import ProgramError
from relief.evidence import Evidence, ReadProgram
from relief.heightfield import Heightfield, Heights
from relief.holding import Holding, holding
from relief.measures import (
    lost_detail,
    scallop_figures,
    scallop_heights,
    wall_nodes,
)
from relief.moves import Moves
from relief.part import cut_width
from relief.program.read import read_program
from relief.progress import Progress
from relief.setup import Setup
from relief.shop.records import Cutter, Machine
from relief.surfaces import reachable_inside
from relief.texts import Program
from relief.timing import program_seconds


def read_file(file: str, text: bytes) -> Moves:
    """Read a program; what is wrong with it is told with the name of its file.

    Raises
    ------
    ProgramError
        The text breaks the standard, or makes no move.
    """
    try:
        moves = read_program(text)
    except ProgramError as error:
        message = f"{file} {error}"
        raise ProgramError(message) from None
    if not np.isfinite(moves.points).any(axis=0).all():
        message = f"{file}: no move tells X, Y and Z; this is no program that cuts"
        raise ProgramError(message)
    return moves


@dataclass(frozen=True, eq=False)
class Proof:
    """What the programs do, and the surfaces that show it (all on the relief's own grid).

    Parameters
    ----------
    evidence : all that the checks look at
    carved : the whole stock after the last program
    finished : the same, but for what the cutout and holes beside the relief took: there as it stood before
    reachable : the best surface that the finishing cutter can leave
    scallops : (rows, columns) mm, ridge height over the reachable surface; where that was looked at from
        closer up, the highest about a node
    walls : (rows, columns) where no scallop is judged: the surface is too steep, or waste of the cutout
    """

    evidence: Evidence
    carved: Heightfield
    finished: Heightfield
    reachable: Heightfield
    scallops: npt.NDArray[np.float32]
    walls: npt.NDArray[np.bool_]


def prove(texts: Sequence[Program], setup: Setup, progress: Progress) -> Proof:
    """Read every text back, carve from it and measure the result.

    Parameters
    ----------
    texts : in running order, from `write_programs` or from files
    setup : what they were made for
    progress : told how far the reading is

    Raises
    ------
    ProgramError
        A text that does not conform to the standard (in `relief carve` a fault of ours: nothing is left).
    """
    programs = tuple(_read_all(texts, setup, progress))
    carved, finished = _drilled(programs), _finished(programs, setup)
    relief, part = setup.relief, setup.part
    reachable = reachable_inside(setup.target, setup.region, setup.finishing_cutter)
    inside = finished.cropped(setup.region)
    scallops, walls = scallop_heights(inside, reachable), wall_nodes(reachable)
    own = part.nodes[finished.window(setup.region)] if part else np.ones_like(walls)
    tolerance = setup.job.finishing.scallop
    below = setup.target.heights - finished.heights - _scored(programs, setup)
    deepest, where = _gouge(below, programs, finished)
    surface = [program for program in programs if program.operation not in ("outline", "cutout")]
    closer = look_closely(
        surface, setup.target, setup.region, setup.finishing_cutter, scallops, own, tolerance
    )
    evidence = Evidence(
        machine=setup.machine,
        material=setup.material,
        thickness=setup.job.stock.thickness,
        programs=programs,
        units=setup.job.output.units,
        clamps=setup.clamps,
        gouge=deepest,
        gouge_place=where,
        scallop=scallop_figures(scallops[own], walls[own], tolerance),
        scallop_fine=closer.figures,
        lost_detail=lost_detail(relief.heights[own], reachable.heights[own], tolerance),
        levels=setup.levels,
        depth=setup.depth,
        pitch=relief.pitch,
        cutout=part.section if part else None,
        holding=_holding(carved, setup),
    )
    return Proof(evidence, carved, finished, reachable, np.fmax(scallops, closer.ridges), walls | ~own)


def _drilled(programs: Sequence[ReadProgram]) -> Heightfield:
    """Return the board as all programs leave it, the holes for its pins included."""
    board = programs[-1].after
    for program in programs:
        if program.operation == "holes" and program.cutter:
            board = carve_stock(board, program.moves, program.cutter)
    return board


def _finished(programs: Sequence[ReadProgram], setup: Setup) -> Heightfield:
    """Return the part as it is left by all programs, in a board as it stood before the cutout."""
    last = programs[-1]
    if setup.part is None:
        return last.after
    cutouts = [number for number, program in enumerate(programs) if program.operation == "cutout"]
    board = programs[cutouts[0]].before if cutouts else last.after
    for program in programs[cutouts[0] :] if cutouts else ():
        # in tiles, others come after the first cutout
        if program.cutter and program.operation not in ("cutout", "holes"):
            board = carve_stock(board, program.moves, program.cutter)
    return last.after.with_heights(np.where(setup.part.nodes, last.after.heights, board.heights))


def _scored(programs: Sequence[ReadProgram], setup: Setup) -> Heights:
    """Return how far below the target each node may lie, mm: where the scoring cut, as deep as was asked."""
    allowed = np.zeros_like(setup.target.heights)
    for program in programs:
        if program.operation == "outline":
            cut = program.after.heights < program.before.heights
            allowed[cut] = np.float32(setup.job.outline.depth)
    return allowed


def _holding(carved: Heightfield, setup: Setup) -> Holding | None:
    part = setup.part
    if part is None:
        return None
    return holding(carved, part.nodes, setup.job.stock.thickness, cut_width(setup.job, part.cutter))


def _gouge(below: Heights, programs: Sequence[ReadProgram], finished: Heightfield) -> tuple[float, str]:
    """Return the deepest cut below the target, mm, and which line makes it.

    The surround is judged too: walled, it must stay whole; open, nothing goes deeper there than the relief.
    """
    j, i = divmod(int(np.argmax(below)), below.shape[1])
    deepest = max(0.0, float(below[j, i]))
    if not deepest:
        return 0.0, ""
    cut = next((p for p in programs if p.cutter and p.after.heights[j, i] <= finished.heights[j, i]), None)
    move = deepest_move(cut.moves, cut.cutter, finished.x[i], finished.y[j]) if cut and cut.cutter else -1
    return deepest, cut.place(move) if cut and move >= 0 else ""


def _stock_for_layers(stock: Heightfield, operation: str, setup: Setup) -> Heightfield:
    """Return the stock in which the depth of a program's layers is measured.

    The cutout's last pass takes the allowance off the wall at full depth: thin, so it is no layer. For all
    other cuts that rim counts as gone: what they, an allowance further out, cannot clear (in a corner more
    than the allowance, but nowhere much more), and the part's own nodes on the wall.
    """
    part = setup.part
    if operation != "cutout" or part is None or not part.section.allowance:
        return stock
    radius, allowance = part.cutter.diameter / 2, part.section.allowance
    away = np.asarray(ndimage.distance_transform_edt(~part.nodes)) * stock.pitch
    cleared = np.asarray(ndimage.distance_transform_edt(away < radius + allowance)) * stock.pitch - radius
    thin = (away <= allowance + stock.pitch) | (np.abs(cleared - allowance) <= allowance + stock.pitch)
    rim = thin & ~ndimage.binary_erosion(part.nodes)
    below = np.float32(-2 * setup.job.stock.thickness)
    return stock.with_heights(np.where(rim, below, stock.heights))


def _read_all(texts: Sequence[Program], setup: Setup, progress: Progress) -> Iterator[ReadProgram]:
    """Yield each program as read back, the stock going from one to the next."""
    stock = setup.stock
    for done, (text, told) in enumerate(_by_cutter(texts)):
        zero = text.zero or setup.zero
        moves = told.shifted(*(-along for along in zero))
        layers = _stock_for_layers(stock, text.operation, setup)
        # The trace turns no cutter, but whatever sits in the spindle must not touch the stock either.
        touching = text.cutter or setup.roughing_cutter
        program = run_program(text, moves, stock, setup.machine, touching, layers)
        if text.operation == "holes" and _beside(stock, program.after, setup):
            program = replace(program, after=stock)
        yield replace(program, zero=zero)
        stock = program.after
        progress.fraction((done + 1) / len(texts))


def _beside(before: Heightfield, after: Heightfield, setup: Setup) -> bool:
    """Return whether a program leaves the relief alone: then its holes are no part of what is carved."""
    rows, columns = after.window(setup.region)
    return bool((after.heights[rows, columns] == before.heights[rows, columns]).all())


def _by_cutter(texts: Sequence[Program]) -> Iterator[tuple[Program, Moves]]:
    """Yield each program with its moves; several of one text share it, cutter by cutter.

    Raises
    ------
    ProgramError
        A text that breaks the standard, or changes cutters more or less often than it should.
    """
    for (file, text), group in groupby(texts, key=lambda program: (program.file, program.text)):
        programs, moves = list(group), read_file(file, text)
        parts = moves.by_cutter() if len(programs) > 1 else (moves,)
        if len(parts) != len(programs):
            message = f"{file}: {len(parts)} cutters cut in it, where its job has {len(programs)}"
            raise ProgramError(message)
        yield from zip(programs, parts, strict=True)


def run_program(
    program: Program,
    moves: Moves,
    stock: Heightfield,
    machine: Machine,
    touching: Cutter,
    layers: Heightfield | None = None,
) -> ReadProgram:
    """Carve one program from the stock, and look at what it does on the way.

    Parameters
    ----------
    program : the text
    moves : what the text says, in the coordinates of the stock
    stock : as it stands before
    machine : what runs it
    touching : the cutter in the spindle, whether it turns or not
    layers : the stock in which the depth of single cuts is measured, where that is another
    """
    cutter = program.cutter
    contact = rapid_contact(stock, moves, touching)
    after = carve_stock(stock, moves, cutter) if cutter else stock
    deepest = DeepestCut(0.0, 0)
    if cutter:
        known = after if layers in (None, stock) else None
        deepest = deepest_cut(layers or stock, moves, cutter, left=known)
    entry = deepest_entry(stock, moves, cutter, program.entry) if cutter and program.entry else None
    return ReadProgram(
        file=program.file,
        operation=program.operation,
        text=program.text,
        moves=moves,
        cutter=cutter,
        feeds=program.feeds,
        before=stock,
        after=after,
        contact_depth=contact.depth,
        contact_block=contact.block,
        hardest=hardest_feed(stock, after, moves, cutter, program.shaped_by)
        if cutter and program.shaped_by
        else None,
        entry_depth=entry.depth if entry else None,
        entry_block=entry.block if entry else 0,
        contacts=len(contact.moves),
        deepest_cut=deepest.depth,
        deepest_block=deepest.block,
        seconds=program_seconds(moves, machine),
    )
