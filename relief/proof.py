"""From plans to program text, and from the text back to what it does: the verdict is about the text.

Nothing in here looks at a toolpath again once its text is written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from relief.carving import DeepestCut, carve_stock, deepest_cut, rapid_contact
from relief.checks import Evidence, ReadProgram
from relief.heightfield import Heightfield
from relief.holding import Holding, holding
from relief.measures import gouge, lost_detail, scallop_figures, scallop_heights, wall_nodes
from relief.part import cut_width
from relief.plans import Plan
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.progress import Progress
from relief.setup import Setup
from relief.surfaces import reachable_surface
from relief.timing import program_seconds
from relief.units import format_length


@dataclass(frozen=True, eq=False)
class Proof:
    """What the programs do, and the surfaces that show it (all on the relief's own grid).

    Parameters
    ----------
    evidence : all that the checks look at
    carved : the whole stock after the last program
    finished : the same, but for what the cutout took: there as it stood before
    reachable : the best surface that the finishing cutter can leave
    scallops : (rows, columns) mm, ridge height over the reachable surface
    walls : (rows, columns) where no scallop is judged: the surface is too steep, or waste of the cutout
    """

    evidence: Evidence
    carved: Heightfield
    finished: Heightfield
    reachable: Heightfield
    scallops: npt.NDArray[np.float32]
    walls: npt.NDArray[np.bool_]


def file_names(plans: Sequence[Plan]) -> tuple[str, ...]:
    """Return the programs' file names: numbered in running order, the trace first with a 0."""
    return tuple(f"{number}-{plan.operation}.nc" for number, plan in enumerate(plans))


def write_programs(plans: Sequence[Plan], setup: Setup, progress: Progress) -> tuple[bytes, ...]:
    """Return the text of every program.

    Each is written twice: the time in its head is taken from the draft's own text.
    """
    texts = []
    for done, plan in enumerate(plans):
        draft = _text(plan, setup, seconds=None)
        seconds = program_seconds(read_program(draft), setup.machine)
        texts.append(_text(plan, setup, seconds))
        progress.fraction((done + 1) / len(plans))
    return tuple(texts)


def _text(plan: Plan, setup: Setup, seconds: float | None) -> bytes:
    return write_program(
        plan.toolpath,
        plan.feed,
        _head(plan, setup, seconds),
        setup.machine,
        setup.zero,
        setup.job.output.units,
    )


def _head(plan: Plan, setup: Setup, seconds: float | None) -> ProgramHead:
    job, units = setup.job, setup.job.output.units
    stock = " x ".join(
        format_length(size, units)
        for size in (job.stock.width or 0.0, job.stock.length or 0.0, job.stock.thickness)
    )
    corner = "near left corner of the relief" if job.zero.xy == "corner" else "middle of the relief"
    return ProgramHead(
        job=job.picture.replace("\\", "/").rsplit("/", 1)[-1],
        operation=plan.operation,
        cutter=plan.cutter.name if plan.cutter else "none",
        stock=f"{stock}, {setup.material.name}",
        zero=f"X0 Y0 {corner}, Z0 {job.zero.z}",
        rpm=plan.feeds.rpm if plan.feeds else 0.0,
        seconds=seconds,
        cautions=setup.material.cautions,
        number=plan.cutter.number if plan.cutter else 0,
    )


def prove(plans: Sequence[Plan], texts: Sequence[bytes], setup: Setup, progress: Progress) -> Proof:
    """Read every text back, carve from it and measure the result.

    Raises
    ------
    ProgramError
        A text that does not conform to the standard (a fault of ours: nothing is left behind).
    """
    programs = tuple(_read_all(plans, texts, setup, progress))
    carved, finished = programs[-1].after, _finished(programs, setup)
    relief, part = setup.relief, setup.part
    reachable = relief.with_heights(reachable_surface(relief, setup.finishing_cutter))
    inside = finished.cropped(setup.region)
    scallops, walls = scallop_heights(inside, reachable), wall_nodes(reachable)
    own = part.nodes[finished.window(setup.region)] if part else np.ones_like(walls)
    tolerance = setup.job.finishing.scallop
    evidence = Evidence(
        machine=setup.machine,
        material=setup.material,
        thickness=setup.job.stock.thickness,
        programs=programs,
        gouge=_deepest_gouge(setup, finished),
        scallop=scallop_figures(scallops[own], walls[own], tolerance),
        lost_detail=lost_detail(relief.heights[own], reachable.heights[own], tolerance),
        levels=setup.levels,
        depth=setup.depth,
        pitch=relief.pitch,
        cutout=part.section if part else None,
        holding=_holding(carved, setup),
    )
    return Proof(evidence, carved, finished, reachable, scallops, walls | ~own)


def _finished(programs: Sequence[ReadProgram], setup: Setup) -> Heightfield:
    """Return the part as it is left by all programs, in a board as it stood before the cutout."""
    last = programs[-1]
    if setup.part is None:
        return last.after
    before = next((p.before for p in programs if p.operation == "cutout"), last.after)
    return last.after.with_heights(np.where(setup.part.nodes, last.after.heights, before.heights))


def _holding(carved: Heightfield, setup: Setup) -> Holding | None:
    part = setup.part
    if part is None:
        return None
    return holding(carved, part.nodes, setup.job.stock.thickness, cut_width(setup.job, part.cutter))


def _deepest_gouge(setup: Setup, finished: Heightfield) -> float:
    """Return the deepest cut below the target; a walled surround must stay whole too."""
    if setup.job.relief.edge == "walled":
        return gouge(setup.target.heights, finished.heights)
    return gouge(setup.relief.heights, finished.cropped(setup.region).heights)


def _stock_for_layers(stock: Heightfield, plan: Plan, setup: Setup) -> Heightfield:
    """Return the stock in which the depth of a program's layers is measured.

    The cutout's last pass takes the allowance off the wall at full depth: thin, so it is no layer. For all
    other cuts that rim counts as gone.
    """
    part = setup.part
    if plan.operation != "cutout" or part is None or not part.section.allowance:
        return stock
    away = np.asarray(ndimage.distance_transform_edt(~part.nodes)) * stock.pitch
    rim = ~part.nodes & (away <= part.section.allowance + stock.pitch)
    below = np.float32(-2 * setup.job.stock.thickness)
    return stock.with_heights(np.where(rim, below, stock.heights))


def _read_all(
    plans: Sequence[Plan], texts: Sequence[bytes], setup: Setup, progress: Progress
) -> Iterator[ReadProgram]:
    """Yield each program as read back, the stock going from one to the next."""
    stock = setup.stock
    x, y, z = setup.zero
    for done, (file, plan, text) in enumerate(zip(file_names(plans), plans, texts, strict=True)):
        moves = read_program(text).shifted(-x, -y, -z)
        cutter = plan.cutter
        # The trace turns no cutter, but whatever sits in the spindle must not touch the stock either.
        touching = cutter or setup.roughing_cutter
        contact = rapid_contact(stock, moves, touching)
        after = stock if cutter is None else carve_stock(stock, moves, cutter)
        layers = _stock_for_layers(stock, plan, setup)
        deepest = deepest_cut(layers, moves, cutter) if cutter else DeepestCut(0.0, 0)
        program = ReadProgram(
            file=file,
            operation=plan.operation,
            text=text,
            moves=moves,
            cutter=cutter,
            feeds=plan.feeds,
            before=stock,
            after=after,
            contact_depth=contact.depth,
            contact_block=contact.block,
            deepest_cut=deepest.depth,
            deepest_block=deepest.block,
            seconds=program_seconds(moves, setup.machine),
        )
        yield program
        stock = after
        progress.fraction((done + 1) / len(plans))
