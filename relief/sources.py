"""What a job is carved from: a picture, a height file or a mesh, brought to the relief's own grid."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from relief.cutters import profile
from relief.errors import JobError
from relief.gradients import grain_of
from relief.heightfield import Heightfield
from relief.heightfile import ground_depth, is_terrain, read_ground, read_heights
from relief.job import Job
from relief.picture import Brightness, Picture, read_picture
from relief.shaping import Grid, cropped, fit_heights, grid_for, masked, shape_heights
from relief.shop.records import Cutter
from relief.solids import KINDS, read_solid, solid_picture
from relief.units import MM_PER_INCH, format_length

# What a picture becomes where nobody says, mm: common practice, no source.
DEFAULT_WIDTH = 120.0
DEFAULT_DEPTH = 6.0
# A grid that is chosen for the user stays below this, so that an old laptop answers in minutes.
MOST_NODES_BY_DEFAULT = 4_000_000
# Grain is measured on so many rows and columns at most.
LARGEST_SAMPLE = 2000


class Source(NamedTuple):
    """What the picture or height file gives: the target, and the job with its sizes filled in."""

    relief: Heightfield
    job: Job
    levels: int | None = None
    notes: tuple[str, ...] = ()
    opacity: Brightness | None = None


def read_source(job: Job, finish: Cutter) -> Source:
    """Read what a job is carved from.

    Raises
    ------
    JobError, PictureError
        It cannot be read, or not be carved in this stock.
    """
    path = Path(job.picture)
    if path.suffix.lower() in KINDS:
        if is_terrain(job):
            message = f"{path}: the keys of [terrain] are for height files and pictures; leave them out"
            raise JobError(message)
        return _from_solid(job, path, finish)
    if path.suffix.lower() == ".npy" and not is_terrain(job):
        return _from_heights(job, path)
    return _from_picture(job, finish)


def _from_picture(job: Job, finish: Cutter) -> Source:
    """Use a picture, or a landscape as one."""
    width = job.relief.width or DEFAULT_WIDTH
    check_depth(job.relief.depth or 0.0, job)  # before a large picture is read
    job, picture = job_picture(job)
    depth = job.relief.depth or DEFAULT_DEPTH
    check_depth(depth, job)
    length = job.relief.length or picture.length_for(width)
    pitch = job.output.pitch or default_pitch(job.finishing.scallop, finish, width, length)
    grid = grid_for(width, length, pitch, (picture.rows, picture.columns), job.output.units)
    job = replace(job, relief=replace(job.relief, depth=depth))
    notes = (
        *picture.notes,
        *_own_size_note(job, picture),
        *_coarse_grid_note(job, pitch),
        *_coarse_picture_note(job, finish, picture, width),
        *_grain_note(job, picture, grid),
    )
    relief = shape_heights(picture, job.relief, job.shaping, grid, job.stock.thickness, job.output.units)
    levels = None if job.shaping.unstep else picture.levels
    return Source(relief, job, levels, notes, picture.opacity)


def job_picture(job: Job) -> tuple[Job, Picture]:
    """Return the part of a job's picture that is to be carved, with its mask, and the job.

    The depth of a landscape to scale is filled in, in place of its exaggeration.

    Raises
    ------
    JobError, PictureError
        The picture or its mask cannot be read, or nothing is left of it.
    """
    shaping, path = job.shaping, Path(job.picture)
    if is_terrain(job):
        picture, span = read_ground(path, job.terrain, shaping.allow_large)
        job, notes = _as_deep_as_the_ground(job, span, picture)
        picture = replace(picture, notes=picture.notes + notes)
    else:
        picture = read_picture(path, allow_large=shaping.allow_large)
    if shaping.mask is not None:
        picture = masked(picture, read_picture(Path(shaping.mask), allow_large=shaping.allow_large))
    return job, cropped(picture, shaping.crop)


def _as_deep_as_the_ground(job: Job, span: float, picture: Picture) -> tuple[Job, tuple[str, ...]]:
    """Return the job with the depth of its landscape; what is cropped off is not part of the width."""
    left, right = job.shaping.crop[:2]
    columns = max(round((picture.columns - 1) * (100 - left - right) / 100) + 1, 2)
    depth, notes = ground_depth(job, span, job.relief.width or DEFAULT_WIDTH, columns)
    terrain = replace(job.terrain, exaggeration=None)
    return replace(job, relief=replace(job.relief, depth=depth), terrain=terrain), notes


def _from_heights(job: Job, path: Path) -> Source:
    """Use a height file: its own nodes where the job does not ask for others."""
    heights, notes = read_heights(path)
    rows, columns = heights.shape
    pitch = job.output.pitch
    width = job.relief.width or (DEFAULT_WIDTH if pitch is None else (columns - 1) * pitch)
    pitch = pitch or width / (columns - 1)
    grid: Grid = grid_for(width, job.relief.length, pitch, (rows, columns), job.output.units)
    try:
        field = fit_heights(heights, job.stock.thickness, grid, job.output.units)
    except JobError as error:
        message = f"{path}: {error}"
        raise JobError(message) from None
    depth = -float(field.heights.min())
    if job.relief.depth is not None and depth > job.relief.depth * (1 + 1e-6):
        message = (
            f"{path}: the heights reach {job.told(depth)} deep, but relief.depth is"
            f" {job.told(job.relief.depth)}; leave the depth out or scale the heights"
        )
        raise JobError(message)
    return Source(field, job, None, notes)


def _from_solid(job: Job, path: Path, finish: Cutter) -> Source:
    """Use a mesh seen from above; without a depth its heights keep their proportion to its width."""
    if job.shaping.crop != (0, 0, 0, 0):
        message = "shaping.crop is for pictures; cut the mesh itself, or leave the crop out"
        raise JobError(message)
    solid = read_solid(path)
    width = job.relief.width or DEFAULT_WIDTH
    length = job.relief.length or width * solid.size[1] / solid.size[0]
    pitch = job.output.pitch or default_pitch(job.finishing.scallop, finish, width, length)
    grid = grid_for(width, length, pitch, (2, 2), job.output.units)
    picture, span = solid_picture(solid, grid.rows, grid.columns)
    depth = job.relief.depth or span * width / solid.size[0]
    if depth <= 0:
        message = f"{path}: seen from above the mesh is flat; there is nothing to carve"
        raise JobError(message)
    check_depth(depth, job)
    if job.shaping.mask is not None:
        picture = masked(picture, read_picture(Path(job.shaping.mask)))
    job = replace(job, relief=replace(job.relief, depth=depth))
    relief = shape_heights(picture, job.relief, job.shaping, grid, job.stock.thickness, job.output.units)
    return Source(relief, job, None, picture.notes + _coarse_grid_note(job, pitch), picture.opacity)


def check_depth(depth: float, job: Job) -> None:
    """Refuse a relief as deep as its board.

    Raises
    ------
    JobError
    """
    if depth >= job.stock.thickness:
        message = (
            f"relief.depth = {job.told(depth)} is not below stock.thickness ="
            f" {job.told(job.stock.thickness)}; carve less deep or use thicker stock"
        )
        raise JobError(message)


def default_pitch(scallop: float, finish: Cutter, width: float, length: float) -> float:
    """Return the distance of nodes that can prove the scallop: at most twice its height.

    It is at most a sixteenth of the ball, too, of a taper's tip or a bull's corner. The pitch divides the
    width exactly. It is never finer than a grid of four million nodes.
    """
    wanted = min(2 * scallop, profile(finish).corner_radius / 8)
    affordable = math.sqrt(width * length / MOST_NODES_BY_DEFAULT)
    return width / math.ceil(width / max(wanted, affordable) - 1e-9)


def _own_size_note(job: Job, picture: Picture) -> tuple[str, ...]:
    """Tell the size that the file gives itself where the job gives none.

    Not where it is 72 or 96 dots an inch, which programs write without meaning a size.
    """
    if job.relief.width is not None or job.relief.length is not None or picture.pixel is None:
        return ()
    if any(abs(MM_PER_INCH / picture.pixel[0] - dots) < 0.5 for dots in (72, 96)):
        return ()
    size = format_length(round((picture.columns - 1) * picture.pixel[0], 1), job.output.units)
    return (
        f"the file says that the picture is {size} wide; set relief.width for that"
        f" instead of {format_length(DEFAULT_WIDTH, job.output.units)}",
    )


def _coarse_picture_note(job: Job, finish: Cutter, picture: Picture, width: float) -> tuple[str, ...]:
    """Tell when the picture's pixels are larger than what the finishing cutter could show.

    A ball of radius R that leaves ridges of height h shows forms down to 2√(2Rh − h²), the width of its mark.
    """
    ball, h = profile(finish).corner_radius, job.finishing.scallop
    mark, pixel = 2 * math.sqrt(2 * ball * h - h * h), width / (picture.columns - 1)
    if pixel <= mark:
        return ()
    wide, shown = (format_length(round(size, 2), job.output.units) for size in (pixel, mark))
    return (
        f"the picture has fewer pixels than the cutter could show: each is {wide} wide, a pass {shown};"
        f" a picture of {math.ceil(width / mark) + 1} columns or more would use it",
    )


def _grain_note(job: Job, picture: Picture, grid: Grid) -> tuple[str, ...]:
    """Tell of grain that would be carved as splinters: three deviations of it above the passes' ridges."""
    if job.shaping.smooth > 0 or job.relief.depth is None:
        return ()
    grain = grain_of(picture.brightness[:LARGEST_SAMPLE, :LARGEST_SAMPLE]) * job.relief.depth
    if 3 * grain < job.finishing.scallop:
        return ()
    tall = format_length(round(3 * grain, 2), job.output.units)
    smooth = float(f"{max(grid.pitch, min(grid.width, grid.length) / 100):.2g}")
    return (
        f"the picture is grainy: specks up to about {tall} high would be carved;"
        f" shaping.smooth = {smooth:g} takes them off and keeps the edges",
    )


def _coarse_grid_note(job: Job, pitch: float) -> tuple[str, ...]:
    scallop = job.finishing.scallop
    if pitch <= 2 * scallop * (1 + 1e-9):
        return ()
    return (
        f"a scallop of {job.told(scallop)} cannot be resolved at a pitch of {job.told(pitch)}:"
        f" set output.pitch to {job.told(2 * scallop)} or less, or ask for a higher scallop",
    )
