"""The set-up of a job: picture, stock, cutters and machine brought together, before anything is planned.

Everything that can be refused from sizes alone is refused here, before the long work starts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from relief.cutters import profile
from relief.errors import JobError
from relief.heightfield import Heightfield, Region
from relief.job import Job
from relief.lettering import lettered
from relief.part import FRAME, Part, cut_width, cutout_cutter, lay_out_part
from relief.picture import Brightness, Picture, read_heights, read_picture
from relief.shaping import LARGEST, Grid, cropped, fit_heights, grid_for, masked, shape_heights
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine, Material
from relief.solids import KINDS, read_solid, solid_picture
from relief.surfaces import surround
from relief.units import MM_PER_INCH, format_length

DEFAULT_WIDTH = 120.0
DEFAULT_DEPTH = 6.0
LEAST_MARGIN = 10.0
# A grid that is chosen for the user stays below this, so that an old laptop answers in minutes.
MOST_NODES_BY_DEFAULT = 4_000_000
# Roughing clears this much more than the finishing cutter needs to stand on an open edge.
SPARE = 1.0


@dataclass(frozen=True, eq=False)
class Setup:
    """All that the planner needs to know, in the relief's coordinates (near left corner, stock top = 0).

    Parameters
    ----------
    job : the job with sizes, pitch and margins filled in
    asked : the same, but sizes that follow from others are left open, so that an edited job stays in shape
    material, machine, roughing_cutter : from the shop
    finishing_cutters : from the shop, coarse to fine
    relief : the target's own grid
    target : the target over the whole stock
    stock : the uncut stock on the same grid
    region : the relief's box
    zero : (x, y, z) mm added to every position when the text is written
    step : mm, the lattice that program text can express
    levels : brightness levels of the picture's file, or None for a height file
    notes : what was decided on the user's behalf
    part : what is cut out of the stock; None when it stays in it
    """

    job: Job
    asked: Job
    material: Material
    machine: Machine
    roughing_cutter: Cutter
    finishing_cutters: tuple[Cutter, ...]
    relief: Heightfield
    target: Heightfield
    stock: Heightfield
    region: Region
    zero: tuple[float, float, float]
    step: float
    levels: int | None
    notes: tuple[str, ...]
    part: Part | None = None

    @property
    def depth(self) -> float:
        """Deepest point of the relief below the stock top, mm."""
        return max(0.0, -float(self.relief.heights.min()))

    @property
    def finishing_cutter(self) -> Cutter:
        """The finest finishing cutter: its reach is what becomes of the relief."""
        return self.finishing_cutters[-1]

    @property
    def overrun(self) -> float:
        """How far roughing goes past the relief's edge, mm: a finishing cutter stands half outside it."""
        return _overrun(self.job, self.finishing_cutters)

    @property
    def clearance(self) -> float:
        """Height of rapids above the stock top, mm."""
        return self.machine.clearance


def set_up(job: Job, shop: Shop) -> Setup:
    """Read a job's picture and bring it together with the shop.

    Raises
    ------
    JobError, ShopError, PictureError
        Whatever cannot be carved as asked; one line says what, where and how to mend it.
    """
    finishing = (shop.cutter(job.finishing.cutter),)
    _check_cutters(job, shop.cutter(job.roughing.cutter), finishing)
    finish = finishing[-1]
    source = _read_source(job, finish)
    relief, notes = lettered(source.relief, source.job.lettering, profile(finish).corner_radius)
    _check_floor(relief, source.job)
    notes = source.notes + notes
    floor = float(source.relief.heights.min())
    setup = lay_out(source.job, shop, relief, source.levels, notes, source.opacity, floor)
    if source.levels is not None and relief.heights.min() == relief.heights.max():
        message = f"{job.picture}: the picture has one brightness only; there is nothing to carve in it"
        raise JobError(message)
    return setup


def lay_out(
    job: Job,
    shop: Shop,
    relief: Heightfield,
    levels: int | None = None,
    notes: tuple[str, ...] = (),
    opacity: Brightness | None = None,
    floor: float | None = None,
) -> Setup:
    """Lay a target into its stock and bring it together with the shop.

    Parameters
    ----------
    job : its picture is not read
    shop : where cutters, material and machine are looked up
    relief : the target, its near left node at (0, 0)
    levels : brightness levels of the picture that it came from
    notes : what was decided on the user's behalf
    opacity : of that picture, for a silhouette; None where all of it is opaque
    floor : mm, height of an open surround; None: the relief's lowest

    Raises
    ------
    JobError, ShopError, PlanError
        Whatever cannot be carved as asked.
    """
    material, machine = shop.material(job.material), shop.machine(job.machine)
    rough, finishing = shop.cutter(job.roughing.cutter), (shop.cutter(job.finishing.cutter),)
    _check_cutters(job, rough, finishing)
    freeing = cutout_cutter(job, shop)
    margins = _margins(job, relief, rough, finishing, freeing)
    _check_nodes(relief, margins)
    target = surround(relief, margins, job.relief.edge, floor)
    region = relief.region
    asked, job = job, _with_sizes(job, relief, target)
    _check_travel(job, machine, region, rough, finishing, freeing)
    step = _step(job, machine)
    part = lay_out_part(job, freeing, material, target, region, opacity) if freeing else None
    return Setup(
        job=job,
        asked=_left_open(job, asked),
        material=material,
        machine=machine,
        roughing_cutter=rough,
        finishing_cutters=finishing,
        relief=relief,
        target=target,
        stock=target.with_heights(np.zeros_like(target.heights)),
        region=region,
        zero=_zero(job, region, step),
        step=step,
        levels=levels,
        notes=notes + (part.notes if part else ()),
        part=part,
    )


def _overrun(job: Job, finishing: Sequence[Cutter]) -> float:
    widest = max(cutter.diameter for cutter in finishing)
    return widest / 2 + SPARE if job.relief.edge == "open" else 0.0


def _check_cutters(job: Job, rough: Cutter, finishing: Sequence[Cutter]) -> None:
    if rough.kind != "flat":
        message = f'roughing.cutter = "{rough.name}" is a {rough.kind} cutter; roughing needs a flat end mill'
        raise JobError(message)
    for cutter in finishing:
        _check_finishing_cutter(job, cutter)


def _check_finishing_cutter(job: Job, finish: Cutter) -> None:
    if finish.kind not in ("ball", "taper", "bull"):
        message = (
            f'finishing.cutter = "{finish.name}" is a {finish.kind} cutter; its passes leave no scallop'
            " of a set height: choose a ball, a taper or a bull"
        )
        raise JobError(message)
    ball = profile(finish).corner_radius
    if job.finishing.scallop >= ball:
        message = (
            f"finishing.scallop = {format_length(job.finishing.scallop)} is not below the radius of"
            f' "{finish.name}" ({format_length(ball)}); ask for a lower scallop, 0.05 mm is usual'
        )
        raise JobError(message)


class _Source(NamedTuple):
    """What the picture or height file gives: the target, and the job with its sizes filled in."""

    relief: Heightfield
    job: Job
    levels: int | None = None
    notes: tuple[str, ...] = ()
    opacity: Brightness | None = None


def _read_source(job: Job, finish: Cutter) -> _Source:
    path = Path(job.picture)
    if path.suffix.lower() == ".npy":
        return _from_heights(job, path)
    if path.suffix.lower() in KINDS:
        return _from_solid(job, path, finish)
    depth = job.relief.depth or DEFAULT_DEPTH
    _check_depth(depth, job)
    picture = job_picture(job)
    width = job.relief.width or DEFAULT_WIDTH
    length = job.relief.length or width * (picture.rows - 1) / (picture.columns - 1)
    pitch = job.output.pitch or default_pitch(job.finishing.scallop, finish, width, length)
    grid = grid_for(width, length, pitch, (picture.rows, picture.columns))
    job = replace(job, relief=replace(job.relief, depth=depth))
    notes = picture.notes + _coarse_grid_note(job, pitch) + _coarse_picture_note(job, finish, picture, width)
    relief = shape_heights(picture, job.relief, job.shaping, grid, job.stock.thickness)
    levels = None if job.shaping.unstep else picture.levels
    return _Source(relief, job, levels, notes, picture.opacity)


def job_picture(job: Job) -> Picture:
    """Return the part of a job's picture that is to be carved, with its mask.

    Raises
    ------
    JobError, PictureError
        The picture or its mask cannot be read, or nothing is left of it.
    """
    shaping = job.shaping
    picture = read_picture(Path(job.picture), allow_large=shaping.allow_large)
    if shaping.mask is not None:
        picture = masked(picture, read_picture(Path(shaping.mask), allow_large=shaping.allow_large))
    return cropped(picture, shaping.crop)


def _from_heights(job: Job, path: Path) -> _Source:
    """Use a height file: its own nodes where the job does not ask for others."""
    heights = read_heights(path)
    rows, columns = heights.shape
    pitch = job.output.pitch
    width = job.relief.width or (DEFAULT_WIDTH if pitch is None else (columns - 1) * pitch)
    pitch = pitch or width / (columns - 1)
    grid: Grid = grid_for(width, job.relief.length, pitch, (rows, columns))
    try:
        field = fit_heights(heights, job.stock.thickness, grid)
    except JobError as error:
        message = f"{path}: {error}"
        raise JobError(message) from None
    depth = -float(field.heights.min())
    if job.relief.depth is not None and depth > job.relief.depth * (1 + 1e-6):
        message = (
            f"{path}: the heights reach {format_length(depth)} deep, but relief.depth is"
            f" {format_length(job.relief.depth)}; leave the depth out or scale the heights"
        )
        raise JobError(message)
    return _Source(field, job)


def _from_solid(job: Job, path: Path, finish: Cutter) -> _Source:
    """Use a mesh seen from above; without a depth its heights keep their proportion to its width."""
    if job.shaping.crop != (0, 0, 0, 0):
        message = "shaping.crop is for pictures; cut the mesh itself, or leave the crop out"
        raise JobError(message)
    solid = read_solid(path)
    width = job.relief.width or DEFAULT_WIDTH
    length = job.relief.length or width * solid.size[1] / solid.size[0]
    pitch = job.output.pitch or default_pitch(job.finishing.scallop, finish, width, length)
    grid = grid_for(width, length, pitch, (2, 2))
    picture, span = solid_picture(solid, grid.rows, grid.columns)
    depth = job.relief.depth or span * width / solid.size[0]
    if depth <= 0:
        message = f"{path}: seen from above the mesh is flat; there is nothing to carve"
        raise JobError(message)
    _check_depth(depth, job)
    if job.shaping.mask is not None:
        picture = masked(picture, read_picture(Path(job.shaping.mask)))
    job = replace(job, relief=replace(job.relief, depth=depth))
    relief = shape_heights(picture, job.relief, job.shaping, grid, job.stock.thickness)
    return _Source(relief, job, None, picture.notes + _coarse_grid_note(job, pitch), picture.opacity)


def _check_floor(relief: Heightfield, job: Job) -> None:
    """Refuse letters that go through the board."""
    deepest = -float(relief.heights.min())
    if job.lettering and deepest >= job.stock.thickness:
        message = (
            f"the lettering goes {format_length(deepest)} deep, but stock.thickness is"
            f" {format_length(job.stock.thickness)}; sink it less or use thicker stock"
        )
        raise JobError(message)


def _check_depth(depth: float, job: Job) -> None:
    if depth >= job.stock.thickness:
        message = (
            f"relief.depth = {format_length(depth)} is not below stock.thickness ="
            f" {format_length(job.stock.thickness)}; carve less deep or use thicker stock"
        )
        raise JobError(message)


def default_pitch(scallop: float, finish: Cutter, width: float, length: float) -> float:
    """Return the distance of nodes that can prove the scallop: at most twice its height.

    The pitch divides the width exactly. It is never finer than a grid of four million nodes.
    """
    wanted = min(2 * scallop, finish.diameter / 16)
    affordable = math.sqrt(width * length / MOST_NODES_BY_DEFAULT)
    return width / math.ceil(width / max(wanted, affordable) - 1e-9)


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


def _coarse_grid_note(job: Job, pitch: float) -> tuple[str, ...]:
    scallop = job.finishing.scallop
    if pitch <= 2 * scallop * (1 + 1e-9):
        return ()
    return (
        f"a scallop of {format_length(scallop)} cannot be resolved at a pitch of {format_length(pitch)}:"
        f" set output.pitch to {format_length(2 * scallop)} or less, or ask for a higher scallop",
    )


def _margins(
    job: Job, relief: Heightfield, rough: Cutter, finishing: Sequence[Cutter], freeing: Cutter | None
) -> tuple[float, float]:
    """Return the stock on each side of the relief, along x and along y."""
    margin = job.relief.margin
    if margin is None:
        margin = max(LEAST_MARGIN, rough.diameter / 2 + _overrun(job, finishing) + SPARE)
        if freeing:
            margin = max(margin, cut_width(job, freeing) + FRAME)
    sides = []
    for name, stock, size in (
        ("width", job.stock.width, relief.width),
        ("length", job.stock.length, relief.length),
    ):
        if stock is not None and stock < size - 1e-6:
            message = (
                f"stock.{name} = {format_length(stock)} is less than the relief's {format_length(size)};"
                " use larger stock or a smaller relief"
            )
            raise JobError(message)
        sides.append(margin if stock is None else (stock - size) / 2)
    return sides[0], sides[1]


def _check_nodes(relief: Heightfield, margins: tuple[float, float]) -> None:
    """Refuse a board whose grid no memory holds."""
    width, length = relief.width + 2 * margins[0], relief.length + 2 * margins[1]
    nodes = width * length / relief.pitch**2
    if nodes > LARGEST:
        message = (
            f"the stock of {format_length(width)} x {format_length(length)} makes {nodes / 1e6:.0f} million"
            f" nodes at a pitch of {format_length(relief.pitch)}, more than {LARGEST / 1e6:.0f} million;"
            " use a smaller stock or margin, or a wider output.pitch"
        )
        raise JobError(message)


def _with_sizes(job: Job, relief: Heightfield, target: Heightfield) -> Job:
    """Return the job with every size as it will be cut."""
    margin = min(relief.region.left - target.region.left, relief.region.near - target.region.near)
    sizes = replace(
        job.relief,
        width=_tidy(relief.width),
        length=_tidy(relief.length),
        margin=_tidy(margin),
    )
    stock = replace(job.stock, width=_tidy(target.width), length=_tidy(target.length))
    return replace(job, relief=sizes, stock=stock, output=replace(job.output, pitch=relief.pitch))


def _left_open(job: Job, asked: Job) -> Job:
    """Return the job without the sizes that follow from the picture, the width and the margin."""
    relief = replace(job.relief, length=asked.relief.length)
    return replace(
        job, relief=relief, stock=replace(job.stock, width=asked.stock.width, length=asked.stock.length)
    )


def _tidy(length: float) -> float:
    """Return a length without the dust of floating-point arithmetic."""
    return round(length, 9)


def _check_travel(
    job: Job,
    machine: Machine,
    region: Region,
    rough: Cutter,
    finishing: Sequence[Cutter],
    freeing: Cutter | None,
) -> None:
    """Refuse what cannot fit before planning it; the programs themselves are checked again later."""
    beyond = rough.diameter / 2 + _overrun(job, finishing) if job.relief.edge == "open" else 0.0
    depth = job.relief.depth or 0.0
    if freeing:
        # a program's span is that of its axis, which runs a radius outside the part
        beyond, depth = max(beyond, freeing.diameter / 2), job.stock.thickness + job.cutout.through
    swept = region.grown(beyond)
    for axis, needed, travel in (
        ("X", swept.width, machine.travel[0]),
        ("Y", swept.length, machine.travel[1]),
        ("Z", depth + machine.clearance, machine.travel[2]),
    ):
        if needed > travel:
            message = (
                f"the job needs {format_length(needed)} along {axis}, but {machine.name} travels"
                f" {format_length(travel)}; make the relief smaller or name another machine"
            )
            raise JobError(message)


def _step(job: Job, machine: Machine) -> float:
    """Return the lattice of coordinates that the program text can express, mm."""
    if job.output.units == "mm":
        return float(10.0**-machine.decimals)
    return float(MM_PER_INCH * 10.0 ** -(machine.decimals + 2))


def _zero(job: Job, region: Region, step: float) -> tuple[float, float, float]:
    """Return what is added to each coordinate, on the lattice of the text."""
    x = y = z = 0.0
    if job.zero.xy == "centre":
        x, y = -(region.left + region.right) / 2, -(region.near + region.far) / 2
    if job.zero.z == "bed":
        z = job.stock.thickness
    return round(x / step) * step, round(y / step) * step, math.ceil(z / step - 1e-6) * step
