"""The set-up of a job: picture, stock, cutters and machine brought together, before anything is planned.

Everything that can be refused from sizes alone is refused here, before the long work starts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from relief.chosen import check_depths, chosen_cutters
from relief.clamps import check_room, clearance_note, clearance_over, named
from relief.cutters import profile
from relief.errors import JobError
from relief.heightfield import Heightfield, Region
from relief.job import Job
from relief.lettering import lettered
from relief.part import Part, lay_out_part
from relief.picture import Brightness
from relief.planning.outline import rectangle
from relief.room import margins_round, overrun, tile_overlap, tiles_for
from relief.sections import Clamp
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine, Material
from relief.sources import read_source
from relief.surfaces import surround
from relief.tiling import Tiling


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
    clamps : what stands in the way, each with its name
    rest_cutter : roughs where the first cannot enter; None where the job asks for none
    outline_cutter : the drag point that scores the relief; None when it is not scored
    tiling : how the relief is divided; None where it fits the machine
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
    clamps: tuple[Clamp, ...] = ()
    outline_cutter: Cutter | None = None
    rest_cutter: Cutter | None = None
    tiling: Tiling | None = None

    @property
    def tile_overlap(self) -> float:
        """How much more than its own share a tile is roughed, mm, so that finishing has room at a seam."""
        return tile_overlap(self.finishing_cutters)

    def zero_of(self, tile: int) -> tuple[float, float, float]:
        """Return what is added to every position of a tile's programs, mm; tile 0: where there are none."""
        if not tile or self.tiling is None or tile > len(self.tiling.tiles):
            return self.zero
        dx, dy = self.tiling.tiles[tile - 1].shift
        return self.zero[0] - dx, self.zero[1] - dy, self.zero[2]

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
        return overrun(self.job, self.finishing_cutters)

    @property
    def clearance(self) -> float:
        """Height of rapids above the stock top, mm."""
        return clearance_over(self.clamps, self.machine)


def set_up(job: Job, shop: Shop) -> Setup:
    """Read a job's picture and bring it together with the shop.

    Raises
    ------
    JobError, ShopError, PictureError
        Whatever cannot be carved as asked; one line says what, where and how to mend it.
    """
    finish = chosen_cutters(job, shop).finishing[-1]
    source = read_source(job, finish)
    relief, notes = lettered(
        source.relief, source.job.lettering, profile(finish).corner_radius, job.output.units
    )
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
    chosen = chosen_cutters(job, shop)
    check_depths(chosen, job, relief)
    margins = margins_round(job, relief, chosen)
    target = surround(relief, margins, job.relief.edge, floor)
    asked, job = job, _with_sizes(job, relief, margins)
    step = float(10.0**-machine.decimals)
    tiling = tiles_for(job, machine, relief, chosen, margins, step)
    part = lay_out_part(job, chosen.freeing, material, target, relief.region, opacity)
    clamps = _placed_clamps(job, relief, chosen.finishing, part)
    return Setup(
        job=job,
        asked=_left_open(job, asked),
        material=material,
        machine=machine,
        roughing_cutter=chosen.rough,
        finishing_cutters=chosen.finishing,
        relief=relief,
        target=target,
        stock=target.with_heights(np.zeros_like(target.heights)),
        region=relief.region,
        zero=_zero(job, relief.region, step),
        step=step,
        levels=levels,
        notes=notes + (part.notes if part else ()) + clearance_note(clamps, machine, job.output.units),
        part=part,
        clamps=clamps,
        outline_cutter=chosen.outline,
        tiling=tiling,
        rest_cutter=chosen.rest,
    )


def _placed_clamps(
    job: Job, relief: Heightfield, finishing: Sequence[Cutter], part: Part | None
) -> tuple[Clamp, ...]:
    """Return the clamps with their names.

    Raises
    ------
    JobError
        A clamp stands on the relief or the part, or too near for the cutters.
    """
    clamps, units = named(job.clamps), job.output.units
    depth = max(0.0, -float(relief.heights.min()))
    for cutter in finishing:
        check_room(
            clamps, rectangle(relief.region), cutter, beyond=0.0, z=-depth, what="the relief", units=units
        )
    if part:
        beyond = part.cutter.diameter / 2 + job.cutout.allowance
        bottom = job.cutout.skin - job.stock.thickness if job.cutout.skin else -job.stock.thickness
        check_room(
            clamps,
            part.outline,
            part.cutter,
            beyond=beyond,
            z=bottom - job.cutout.through,
            what="the part",
            units=units,
        )
    return clamps


def _check_floor(relief: Heightfield, job: Job) -> None:
    """Refuse letters that go through the board."""
    deepest = -float(relief.heights.min())
    if job.lettering and deepest >= job.stock.thickness:
        message = (
            f"the lettering goes {job.told(deepest)} deep, but stock.thickness is"
            f" {job.told(job.stock.thickness)}; sink it less or use thicker stock"
        )
        raise JobError(message)


def _with_sizes(job: Job, relief: Heightfield, margins: tuple[float, float]) -> Job:
    """Return the job with every size as it will be cut: that of the stock as it is sawn, not of its grid.

    The margin is that of the sides whose stock is not given, so that the job as run makes the same board.
    """
    given = job.stock.width, job.stock.length
    free = [margin for margin, side in zip(margins, given, strict=True) if side is None]
    sizes = replace(
        job.relief,
        width=_tidy(relief.width),
        length=_tidy(relief.length),
        margin=_tidy(min(free or margins)),
    )
    width, length = (
        _tidy(side + 2 * margin) for side, margin in zip((relief.width, relief.length), margins, strict=True)
    )
    stock = replace(job.stock, width=width, length=length)
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


def _zero(job: Job, region: Region, step: float) -> tuple[float, float, float]:
    """Return what is added to each coordinate, on the lattice of the text."""
    x = y = z = 0.0
    if job.zero.xy == "centre":
        x, y = -(region.left + region.right) / 2, -(region.near + region.far) / 2
    if job.zero.z == "bed":
        z = job.stock.thickness
    return round(x / step) * step, round(y / step) * step, math.ceil(z / step - 1e-6) * step
