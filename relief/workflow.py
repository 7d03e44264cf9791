"""The main job: from a picture to a job folder, in the trade's own steps."""

from __future__ import annotations

import dataclasses
import hashlib
import io
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from relief import __version__
from relief.checks import run_checks
from relief.evidence import ReadProgram
from relief.fineness import resolved
from relief.firstrun import compile_kernels
from relief.heightfield import Heightfield
from relief.hints import hints
from relief.job import Job
from relief.jobfolder import check_file, check_folder, write_file, write_folder
from relief.measures import volume_below
from relief.mesh import Mesh, deviation_colours, glb_bytes, ply_bytes, reduced_solid, stl_bytes
from relief.pictures import deviation_limit, deviation_png, lost_png, scallop_png, shaded_png
from relief.plans import Plan, plan_operations
from relief.progress import Progress, Silent
from relief.proof import Proof, prove
from relief.report import Grid, ProgramRun, Report
from relief.sections import Output
from relief.setup import Setup, set_up
from relief.sheet import Stage, render_sheet
from relief.shop.load import Shop
from relief.texts import write_programs
from relief.tiled import plan_tiles

# Thickness of what the mesh keeps where the board is cut through, mm.
FILM = 0.05
# Bytes of carved.stl, at most, unless a job asks for a tolerance of its own.
LARGEST = 60_000_000


def carve(
    job: Job,
    shop: Shop,
    folder: Path | str,
    *,
    replace: bool = False,
    heights: Path | None = None,
    progress: Progress | None = None,
) -> Report:
    """Do the whole job: plan, write, read back, carve, check, and leave a job folder.

    Parameters
    ----------
    job, shop : what to carve and with what
    folder : the job folder to make; it appears whole or not at all
    replace : whether an earlier job folder there may be replaced
    heights : also save the target there, as .npy float32 in mm
    progress : told what is being done

    Returns
    -------
    Report
        When a check that stops fell short (`report.ready` is false), the folder holds no program.

    Raises
    ------
    ReliefError
        Whatever is refused; nothing is written then.
    """
    folder, progress = Path(folder), progress or Silent()
    check_folder(folder, replace)
    if heights is not None:
        check_file(heights, replace)
    progress.stage("reading the picture and the shop")
    setup = set_up(job, shop)
    _tell((*setup.notes, *hints(setup)), progress)
    compile_kernels(progress)
    fine = resolved(setup, job, shop)
    if fine is not setup:
        _tell(fine.notes[-1:], progress)
        setup = fine
    report, files = make(setup, folder, progress)
    if heights is not None:
        write_file(heights, _npy(setup.relief))
    write_folder(folder, files, replace)
    return report


def make(setup: Setup, folder: Path, progress: Progress) -> tuple[Report, dict[str, bytes]]:
    """Return the report of a job and every file of its folder; nothing is written to disk."""
    tiling = setup.tiling
    plans = plan_tiles(setup, tiling, progress) if tiling else plan_operations(setup, progress)
    _tell(_plan_notes(plans), progress)
    progress.stage("writing the programs")
    texts = write_programs(plans, setup, progress)
    progress.stage("reading them back and carving")
    proof = prove(texts, setup, progress)
    progress.stage("drawing, mesh and job sheet")
    job = setup.job.seen_from(folder)
    asked = setup.asked.seen_from(folder)
    report = _report(setup, job, plans, proof)
    programs = {program.file: program.text for program in texts} if report.ready else {}
    files = programs | _shown(setup, report, proof, progress)
    files["job.toml"] = asked.to_toml().encode()
    return _sealed(report, files)


def _report(setup: Setup, job: Job, plans: Sequence[Plan], proof: Proof) -> Report:
    """Put every number together."""
    evidence, relief = proof.evidence, setup.relief
    return Report(
        relief_version=__version__,
        job=job.to_table(),
        grid=Grid(relief.pitch, relief.columns, relief.rows),
        programs=tuple(_run(program) for program in evidence.programs),
        seconds=sum(program.seconds for program in evidence.programs),
        scallop=evidence.scallop,
        scallop_fine=evidence.scallop_fine,
        gouge=evidence.gouge,
        lost_detail=evidence.lost_detail,
        removed_volume=volume_below(0.0, _no_lower(proof.carved, -setup.job.stock.thickness)),
        path_ratio=_path_ratio(plans, evidence.programs),
        checks=run_checks(evidence),
        sha256={},
        notes=_notes(setup, plans),
        deepest=setup.depth,
    )


def _notes(setup: Setup, plans: Sequence[Plan]) -> tuple[str, ...]:
    """Return what was decided on the user's behalf, what to mind, and what held a speed or feed back."""
    return (*setup.notes, *hints(setup), *_plan_notes(plans))


def _plan_notes(plans: Sequence[Plan]) -> tuple[str, ...]:
    """Return what planning decided, and what held a speed or feed back; tiles alike tell it once."""
    held = (f"{plan.operation}: {text}" for plan in plans if plan.feeds for text in plan.feeds.sentences[1:])
    told = (note for plan in plans for note in plan.notes)
    return tuple(dict.fromkeys((*told, *held)))


def _tell(notes: Sequence[str], progress: Progress) -> None:
    for note in notes:
        progress.note(note if note.startswith("warning:") else f"note: {note}")


def _run(program: ReadProgram) -> ProgramRun:
    feeds, moves = program.feeds, program.moves
    return ProgramRun(
        file=program.file,
        operation=program.operation,
        cutter=program.cutter,
        spindle_rpm=feeds.rpm if feeds else 0.0,
        feed=feeds.cut if feeds else 0.0,
        plunge=feeds.plunge if feeds else 0.0,
        feed_range=moves.feed_range(),
        blocks=moves.blocks,
        lines=moves.lines,
        cutting_length=moves.cutting_length(),
        rapid_length=moves.rapid_length(),
        seconds=program.seconds,
    )


def _path_ratio(plans: Sequence[Plan], programs: Sequence[ReadProgram]) -> float | None:
    """Return the finishing length, as read back, over its yardstick."""
    pairs = [(p, r) for p, r in zip(plans, programs, strict=True) if p.yardstick > 0]
    yardstick = sum(plan.yardstick for plan, _ in pairs)
    return sum(program.moves.cutting_length() for _, program in pairs) / yardstick if pairs else None


def _shown(setup: Setup, report: Report, proof: Proof, progress: Progress) -> dict[str, bytes]:
    """Return the mesh, the pictures and the sheet; the mesh is made beside the rest, on its own core."""
    with ThreadPoolExecutor(1) as pool:
        # where the board is cut through, the mesh keeps a film, so that it stays one closed solid
        bottom = -setup.job.stock.thickness
        through = setup.part or setup.tiling
        board = _no_lower(proof.carved, bottom + FILM) if through else proof.carved
        meshes = pool.submit(_meshes, board, setup, proof.finished)
        images = _images(board, setup, proof)
        progress.fraction(0.6)
        sheet = _sheet(images | _maps(setup, proof), setup, report, proof)
        progress.fraction(0.9)
        return {**meshes.result(), **images, "sheet.html": sheet}


def _meshes(board: Heightfield, setup: Setup, finished: Heightfield) -> dict[str, bytes]:
    """Return the expected board as a closed solid, in the formats asked for."""
    output = setup.job.output
    tolerance, by_default = output.mesh_tolerance, output.mesh_tolerance == Output().mesh_tolerance
    mesh = reduced_solid(
        board, -setup.job.stock.thickness, tolerance or None, LARGEST if by_default else None
    )
    return {"carved.stl": stl_bytes(mesh)} | _coloured(mesh, setup, finished)


def _images(board: Heightfield, setup: Setup, proof: Proof) -> dict[str, bytes]:
    """Return the pictures that are files of the job folder."""
    units = setup.job.output.units
    inside = proof.finished.cropped(setup.region)
    return {
        "carved.png": shaded_png(board, units, inside) if setup.part else shaded_png(inside, units),
        "deviation.png": deviation_png(inside, setup.relief, units),
    }


def _maps(setup: Setup, proof: Proof) -> dict[str, bytes]:
    """Return the pictures that only the sheet shows: scallops, and what the finishing cutter loses."""
    job, relief = setup.job, setup.relief
    judged = np.where(proof.walls, np.nan, proof.scallops)
    lost = proof.reachable.heights - relief.heights
    if setup.part is not None:
        lost = np.where(setup.part.nodes[setup.target.window(setup.region)], lost, np.nan)
    look = (job.finishing.scallop, relief.pitch, job.output.units)
    places = [(short.x, short.y) for short in proof.evidence.scallop_fine.short]
    return {"scallop.png": scallop_png(judged, *look, places), "lost.png": lost_png(lost, *look)}


def _sheet(images: Mapping[str, bytes], setup: Setup, report: Report, proof: Proof) -> bytes:
    programs, holding = proof.evidence.programs, proof.evidence.holding
    single = setup.job.output.programs == "one"
    stages = [
        Stage(f"after {f'the {p.operation}' if single else p.file}", p.after)
        for p in programs
        if p.cutter is not None
    ]
    trace = programs[0].moves.points[:, :2]
    tabs = [(bridge.x, bridge.y) for bridge in holding.bridges] if holding else []
    return render_sheet(report, images, setup, trace, stages, proof.finished, tabs)


def _coloured(mesh: Mesh, setup: Setup, finished: Heightfield) -> dict[str, bytes]:
    """Return the mesh in the colours of the deviation, where the job asks for it."""
    output, relief = setup.job.output, setup.relief
    if output.mesh == "stl":
        return {}
    deviation = finished.cropped(setup.region).heights.astype(np.float64) - relief.heights
    colours = deviation_colours(mesh, finished, relief, deviation_limit(deviation, output.units))
    write = ply_bytes if output.mesh == "ply" else glb_bytes
    return {f"carved.{output.mesh}": write(mesh, colours)}


def _no_lower(surface: Heightfield, bottom: float) -> Heightfield:
    """Return a surface that ends at the bottom of the stock."""
    return surface.with_heights(np.maximum(surface.heights, np.float32(bottom)))


def _sealed(report: Report, files: Mapping[str, bytes]) -> tuple[Report, dict[str, bytes]]:
    """Return the report with the digest of every file, and all files with report.json among them."""
    digests = {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
    sealed = dataclasses.replace(report, sha256=digests)
    return sealed, {**files, "report.json": sealed.to_json()}


def _npy(field: Heightfield) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, field.heights, allow_pickle=False)
    return buffer.getvalue()
