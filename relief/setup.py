"""The set-up of a job: picture, stock, cutters and machine brought together, before anything is planned.

Everything that can be refused from sizes alone is refused here, before the long work starts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from relief.clamps import check_room, clearance_note, clearance_over, named
from relief.cutters import profile, profile_height
from relief.errors import JobError
from relief.heightfield import Heightfield, Region
from relief.job import Job
from relief.lettering import lettered
from relief.part import FRAME, Part, cut_width, cutout_cutter, lay_out_part
from relief.picture import Brightness
from relief.planning.layers import flare
from relief.planning.outline import rectangle
from relief.planning.shares import reach
from relief.ridges import scallop_meaning, sharp_stepover
from relief.sections import Clamp
from relief.shaping import LARGEST
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine, Material
from relief.sources import read_source
from relief.surfaces import surround
from relief.tiling import PIN_DEPTH, SEAM, Needs, Tiling, lay_out_tiles
from relief.units import format_length

LEAST_MARGIN = 10.0
# Roughing clears this much more than the finishing cutter needs to stand on an open edge.
SPARE = 1.0
# Degrees: the slope on which the stairs of a flat end mill are told.
STAIRS_AT = 45.0
# mm: cutters are held against each other at least so far up, however flat the relief is.
LEAST_SHAPE = 0.1


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
        return _tile_overlap(self.finishing_cutters)

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
        return _overrun(self.job, self.finishing_cutters)

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
    finishing = _finishing_cutters(job, shop)
    _check_cutters(job, shop.cutter(job.roughing.cutter), finishing)
    finish = finishing[-1]
    source = read_source(job, finish)
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
    rough, finishing = shop.cutter(job.roughing.cutter), _finishing_cutters(job, shop)
    _check_cutters(job, rough, finishing)
    _check_order(finishing, -float(relief.heights.min()))
    freeing = cutout_cutter(job, shop)
    margins = _margins(job, relief, rough, finishing, freeing)
    _check_nodes(relief, margins)
    target = surround(relief, margins, job.relief.edge, floor)
    region = relief.region
    asked, job = job, _with_sizes(job, relief, target)
    step = float(10.0**-machine.decimals)
    tiling = _tiling(job, machine, region, rough, finishing, freeing, margins, step)
    if tiling is None:
        _check_travel(job, machine, relief, rough, finishing, freeing)
    part = lay_out_part(job, freeing, material, target, region, opacity) if freeing else None
    clamps = _placed_clamps(job, relief, finishing, part)
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
        notes=notes + (part.notes if part else ()) + clearance_note(clamps, machine, job.output.units),
        part=part,
        clamps=clamps,
        outline_cutter=_outline_cutter(job, shop, relief),
        tiling=tiling,
        rest_cutter=_rest_cutter(job, shop, rough),
    )


def _rest_cutter(job: Job, shop: Shop, rough: Cutter) -> Cutter | None:
    """Return the second roughing cutter; refuse one that is not flat or not smaller."""
    if job.roughing.rest is None:
        return None
    rest = shop.cutter(job.roughing.rest)
    if rest.kind != "flat":
        message = f'roughing.rest = "{rest.name}" is a {rest.kind} cutter; roughing needs a flat end mill'
        raise JobError(message)
    if rest.diameter >= rough.diameter:
        message = (
            f'roughing.rest = "{rest.name}" is no smaller than "{rough.name}", which has been there before;'
            " name a smaller flat end mill or leave it out"
        )
        raise JobError(message)
    return rest


def _outline_cutter(job: Job, shop: Shop, relief: Heightfield) -> Cutter | None:
    """Return what scores the relief; None when nothing does.

    Raises
    ------
    JobError
        It turns, or scores through the board.
    """
    if job.outline.cutter is None:
        return None
    cutter = shop.cutter(job.outline.cutter)
    if cutter.turns:
        message = (
            f'outline.cutter = "{cutter.name}" is a {cutter.kind} cutter; scoring needs a drag point,'
            " which does not turn"
        )
        raise JobError(message)
    deepest = job.outline.depth - float(relief.heights.min())
    if deepest >= job.stock.thickness:
        message = (
            f"the scoring goes {format_length(deepest)} deep, but stock.thickness is"
            f" {format_length(job.stock.thickness)}; score less deep or use thicker stock"
        )
        raise JobError(message)
    return cutter


def _tile_overlap(finishing: Sequence[Cutter]) -> float:
    return max(cutter.diameter for cutter in finishing) / 2 + SPARE


def _tile_needs(
    job: Job, pitch: float, rough: Cutter, finishing: Sequence[Cutter], freeing: Cutter | None
) -> Needs:
    """Return what a tile needs: roughing goes up to a radius past the overrun, or to where an edge falls.

    A cutout goes beyond a seam as far as a tab that stands on it reaches.
    """
    radius = rough.diameter / 2
    axis = max(_overrun(job, finishing) + radius, radius + job.roughing.allowance + 2 * pitch) + 2 * pitch
    beyond, overlap = axis + radius + SPARE, _tile_overlap(finishing) + SEAM
    if freeing:
        cutout = job.cutout
        beyond = max(beyond, cut_width(job, freeing))
        tab_width = 0.0 if cutout.skin else cutout.tab_width
        across = reach(freeing.diameter / 2, flare(freeing.diameter / 2, cutout.allowance), tab_width)
        overlap = max(overlap, across + freeing.diameter / 2 - beyond)
    return Needs(beyond, overlap, rough)


def _tiling(
    job: Job,
    machine: Machine,
    region: Region,
    rough: Cutter,
    finishing: Sequence[Cutter],
    freeing: Cutter | None,
    margins: tuple[float, float],
    step: float,
) -> Tiling | None:
    """Return the tiles of a job that asks for them and needs them.

    Raises
    ------
    JobError
        It cannot be divided; one line says what is too short, and by how much.
    """
    if not job.tiles:
        return None
    needs = _tile_needs(job, job.output.pitch or 0.0, rough, finishing, freeing)
    tiling = lay_out_tiles(region, machine.travel, needs, margins, step)
    if tiling is None:
        return None
    if freeing and not job.cutout.tabs and not job.cutout.skin:
        message = (
            "tiles: the board is moved between tiles, and nothing would hold what is cut free in it; leave"
            " tabs (cutout.tabs) or a skin (cutout.skin)"
        )
        raise JobError(message)
    if not rough.plunges:
        message = (
            f'tiles: "{rough.name}" drills the holes for the pins, and may not go straight down into stock'
            " (plunges = false); take a roughing.cutter whose edges reach its middle"
        )
        raise JobError(message)
    deep = job.stock.thickness + max(PIN_DEPTH, job.cutout.through)
    for what, least in (
        (f'the cutting edges of "{rough.name}"', rough.cutting_length),
        (f"Z of {machine.name} less its clearance", machine.travel[2] - clearance_over(job.clamps, machine)),
    ):
        if deep > least:
            message = (
                f"tiles: the holes for the pins go {format_length(deep)} deep, and {what} reach"
                f" {format_length(least)}; use thinner stock or a longer roughing.cutter"
            )
            raise JobError(message)
    return tiling


def _placed_clamps(
    job: Job, relief: Heightfield, finishing: Sequence[Cutter], part: Part | None
) -> tuple[Clamp, ...]:
    """Return the clamps with their names.

    Raises
    ------
    JobError
        A clamp stands on the relief or the part, or too near for the cutters.
    """
    clamps = named(job.clamps)
    depth = max(0.0, -float(relief.heights.min()))
    for cutter in finishing:
        check_room(clamps, rectangle(relief.region), cutter, beyond=0.0, z=-depth, what="the relief")
    if part:
        beyond = part.cutter.diameter / 2 + job.cutout.allowance
        bottom = job.cutout.skin - job.stock.thickness if job.cutout.skin else -job.stock.thickness
        check_room(
            clamps, part.outline, part.cutter, beyond=beyond, z=bottom - job.cutout.through, what="the part"
        )
    return clamps


def _overrun(job: Job, finishing: Sequence[Cutter]) -> float:
    widest = max(cutter.diameter for cutter in finishing)
    return widest / 2 + SPARE if job.relief.edge == "open" else 0.0


def _check_cutters(job: Job, rough: Cutter, finishing: Sequence[Cutter]) -> None:
    if rough.kind != "flat":
        message = f'roughing.cutter = "{rough.name}" is a {rough.kind} cutter; roughing needs a flat end mill'
        raise JobError(message)
    for cutter in finishing:
        _check_finishing_cutter(job, cutter)
        if not cutter.plunges:
            message = (
                f'"{cutter.name}" may not go straight down into stock (plunges = false), and finishing passes'
                " begin so; take a cutter whose edges reach its middle"
            )
            raise JobError(message)


def _finishing_cutters(job: Job, shop: Shop) -> tuple[Cutter, ...]:
    """Return the finishing cutters, coarse to fine."""
    return tuple(shop.cutter(name) for name in job.finishing.passes or (job.finishing.cutter,))


def _check_order(finishing: Sequence[Cutter], depth: float) -> None:
    """Refuse passes of which a later one does not fit wherever the one before it does."""
    depth = max(depth, LEAST_SHAPE)
    for coarse, fine in pairwise(finishing):
        if not _finer(fine, coarse, depth):
            message = (
                f'finishing.passes: "{fine.name}" comes after "{coarse.name}", but is not the finer of the'
                " two all over; name the cutters coarse to fine"
            )
            raise JobError(message)


def _finer(fine: Cutter, coarse: Cutter, depth: float) -> bool:
    """Return whether one cutter stands inside another, tip on tip, as far up as the relief is deep."""
    shapes = profile(fine), profile(coarse)
    r = np.linspace(0.0, max(shape.radius for shape in shapes), 257)
    slim, wide = (np.minimum(profile_height(shape, r), depth) for shape in shapes)
    return bool(np.all(slim >= wide - 1e-9)) and bool(np.any(slim > wide + 1e-9))


def _check_finishing_cutter(job: Job, finish: Cutter) -> None:
    ball = profile(finish).corner_radius
    if not finish.turns:
        message = f'finishing.cutter = "{finish.name}" does not turn; choose a ball, a taper or a bull'
        raise JobError(message)
    if not ball:
        slope = STAIRS_AT if finish.kind == "flat" else 0.0
        apart = sharp_stepover(finish, job.finishing.scallop, slope)
        message = (
            f'finishing.cutter = "{finish.name}" has no round end: its scallop is {scallop_meaning(finish)};'
            f" {format_length(job.finishing.scallop)} would need passes {format_length(apart)} apart"
            f"{f' on a slope of {slope:.0f}°' if slope else ''}: choose a ball, a taper or a bull"
        )
        raise JobError(message)
    if job.finishing.scallop >= ball:
        message = (
            f"finishing.scallop = {format_length(job.finishing.scallop)} is not below the radius of"
            f' "{finish.name}" ({format_length(ball)}); ask for a lower scallop, 0.05 mm is usual'
        )
        raise JobError(message)


def _check_floor(relief: Heightfield, job: Job) -> None:
    """Refuse letters that go through the board."""
    deepest = -float(relief.heights.min())
    if job.lettering and deepest >= job.stock.thickness:
        message = (
            f"the lettering goes {format_length(deepest)} deep, but stock.thickness is"
            f" {format_length(job.stock.thickness)}; sink it less or use thicker stock"
        )
        raise JobError(message)


def _margins(
    job: Job, relief: Heightfield, rough: Cutter, finishing: Sequence[Cutter], freeing: Cutter | None
) -> tuple[float, float]:
    """Return the stock on each side of the relief, along x and along y."""
    margin = job.relief.margin
    if margin is None:
        margin = max(LEAST_MARGIN, rough.diameter / 2 + _overrun(job, finishing) + SPARE)
        if freeing:
            margin = max(margin, cut_width(job, freeing) + FRAME)
        if job.tiles:
            margin = max(margin, math.ceil(_tile_needs(job, relief.pitch, rough, finishing, freeing).margin))
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
    relief: Heightfield,
    rough: Cutter,
    finishing: Sequence[Cutter],
    freeing: Cutter | None,
) -> None:
    """Refuse what cannot fit before planning it; the programs themselves are checked again later."""
    beyond = rough.diameter / 2 + _overrun(job, finishing) if job.relief.edge == "open" else 0.0
    depth = max(job.relief.depth or 0.0, -float(relief.heights.min()))
    depth += job.outline.depth if job.outline.cutter else 0.0
    if freeing:
        # a program's span is that of its axis, which runs a radius outside the part
        beyond, depth = max(beyond, freeing.diameter / 2), job.stock.thickness + job.cutout.through
    swept = relief.region.grown(beyond)
    for axis, needed, travel in (
        ("X", swept.width, machine.travel[0]),
        ("Y", swept.length, machine.travel[1]),
        ("Z", depth + clearance_over(named(job.clamps), machine), machine.travel[2]),
    ):
        if needed > travel:
            message = (
                f"the job needs {format_length(needed)} along {axis}{_over_clamps(job, machine, axis)},"
                f" but {machine.name} travels {format_length(travel)};"
                f" make the relief smaller, {_or_tiles(job, axis)}or name another machine"
            )
            raise JobError(message)


def _or_tiles(job: Job, axis: str) -> str:
    return "set tiles = true, " if axis in "XY" and not job.tiles else ""


def _over_clamps(job: Job, machine: Machine, axis: str) -> str:
    """Return how clamps add to the travel along Z."""
    high = max((clamp.height for clamp in job.clamps), default=0.0)
    if axis != "Z" or clearance_over(job.clamps, machine) <= machine.clearance:
        return ""
    return f" (rapids go over a clamp that stands {format_length(high)} up)"


def _zero(job: Job, region: Region, step: float) -> tuple[float, float, float]:
    """Return what is added to each coordinate, on the lattice of the text."""
    x = y = z = 0.0
    if job.zero.xy == "centre":
        x, y = -(region.left + region.right) / 2, -(region.near + region.far) / 2
    if job.zero.z == "bed":
        z = job.stock.thickness
    return round(x / step) * step, round(y / step) * step, math.ceil(z / step - 1e-6) * step
