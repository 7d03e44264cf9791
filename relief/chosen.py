"""The cutters that a job names, each of them fit for its work."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from relief.cutters import profile, profile_height
from relief.errors import JobError
from relief.heightfield import Heightfield
from relief.job import Job
from relief.part import cutout_cutter
from relief.ridges import scallop_meaning, sharp_stepover
from relief.shop.load import Shop
from relief.shop.records import Cutter

# Degrees: the slope on which the stairs of a flat end mill are told.
STAIRS_AT = 45.0
# mm: cutters are held against each other at least so far up, however flat the relief is.
LEAST_SHAPE = 0.1


class Chosen(NamedTuple):
    """The cutters of a job, from the shop.

    Parameters
    ----------
    rough : clears most of the waste
    rest : roughs where the first cannot enter; None where the job asks for none
    finishing : coarse to fine
    freeing : cuts the part out; None when it stays in its board
    outline : the drag point that scores the relief; None when it is not scored
    """

    rough: Cutter
    rest: Cutter | None
    finishing: tuple[Cutter, ...]
    freeing: Cutter | None
    outline: Cutter | None


def chosen_cutters(job: Job, shop: Shop) -> Chosen:
    """Return the cutters of a job.

    Raises
    ------
    JobError, ShopError
        One that the shop does not have, or that is not fit for its work.
    """
    rough = shop.cutter(job.roughing.cutter)
    finishing = tuple(shop.cutter(name) for name in job.finishing.passes or (job.finishing.cutter,))
    _check_cutters(job, rough, finishing)
    return Chosen(
        rough, _rest_cutter(job, shop, rough), finishing, cutout_cutter(job, shop), _outline_cutter(job, shop)
    )


def check_depths(chosen: Chosen, job: Job, relief: Heightfield) -> None:
    """Refuse cutters that do not suit the depth of a relief.

    Raises
    ------
    JobError
        Finishing passes of which a later one does not fit wherever the one before it does, or scoring that
        goes through the board.
    """
    deepest = -float(relief.heights.min())
    _check_order(chosen.finishing, deepest)
    scored = job.outline.depth + deepest
    if chosen.outline and scored >= job.stock.thickness:
        message = (
            f"the scoring goes {job.told(scored)} deep, but stock.thickness is"
            f" {job.told(job.stock.thickness)}; score less deep or use thicker stock"
        )
        raise JobError(message)


def _check_cutters(job: Job, rough: Cutter, finishing: tuple[Cutter, ...]) -> None:
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
            f" {job.told(job.finishing.scallop)} would need passes {job.told(apart)} apart"
            f"{f' on a slope of {slope:.0f}°' if slope else ''}: choose a ball, a taper or a bull"
        )
        raise JobError(message)
    if job.finishing.scallop >= ball:
        message = (
            f"finishing.scallop = {job.told(job.finishing.scallop)} is not below the radius of"
            f' "{finish.name}" ({job.told(ball)}); ask for a lower scallop, {job.told(0.05)} is usual'
        )
        raise JobError(message)


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


def _outline_cutter(job: Job, shop: Shop) -> Cutter | None:
    """Return what scores the relief; None when nothing does."""
    if job.outline.cutter is None:
        return None
    cutter = shop.cutter(job.outline.cutter)
    if cutter.turns:
        message = (
            f'outline.cutter = "{cutter.name}" is a {cutter.kind} cutter; scoring needs a drag point,'
            " which does not turn"
        )
        raise JobError(message)
    return cutter


def _check_order(finishing: tuple[Cutter, ...], depth: float) -> None:
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
