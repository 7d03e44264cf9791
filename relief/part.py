"""The part that is cut out of the board: its outline, its nodes, and what must hold before it is planned."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from relief.errors import JobError
from relief.heightfield import Heightfield, Region
from relief.job import Job
from relief.picture import Brightness
from relief.planning.outline import ellipse, inside, pieces, rectangle, silhouette, without_specks
from relief.sections import Cutout
from relief.shop.load import Shop
from relief.shop.records import Cutter, Material

# Stock that stays standing round the cut, to clamp and to carry the tabs: common practice, no source.
FRAME = 10.0
LEAST_FRAME = 3.0


@dataclass(frozen=True, eq=False)
class Part:
    """What the cutout frees from the board.

    Parameters
    ----------
    outline : Polygon or MultiPolygon, mm, in the relief's coordinates
    nodes : (rows, columns) which nodes of the stock's grid belong to it
    cutter : what cuts it out
    section : the job's cutout keys, with stepdown and entry_angle filled in
    notes : what was decided on the user's behalf
    """

    outline: BaseGeometry
    nodes: npt.NDArray[np.bool_]
    cutter: Cutter
    section: Cutout
    notes: tuple[str, ...] = ()


def cutout_cutter(job: Job, shop: Shop) -> Cutter | None:
    """Return the cutter that cuts the part out; None when the job cuts none out.

    Raises
    ------
    JobError
        It is not a flat end mill.
    """
    if job.cutout.shape == "none":
        return None
    cutter = shop.cutter(job.cutout.cutter or job.roughing.cutter)
    if cutter.kind != "flat":
        message = f'cutout.cutter = "{cutter.name}" is a {cutter.kind} cutter; a cutout needs a flat end mill'
        raise JobError(message)
    return cutter


def cut_width(job: Job, cutter: Cutter) -> float:
    """Return how wide the cut beside the part is, mm."""
    return cutter.diameter + job.cutout.allowance


def lay_out_part(
    job: Job,
    cutter: Cutter | None,
    material: Material,
    target: Heightfield,
    region: Region,
    opacity: Brightness | None,
) -> Part | None:
    """Lay the part into its stock; None where nothing cuts it out.

    Parameters
    ----------
    job : with every size filled in
    cutter, material : from the shop
    target : the target over the whole stock
    region : the relief's box
    opacity : of the picture, as it lies on the relief; None where all of it is opaque

    Raises
    ------
    JobError, PlanError
        No room round the part, a cut deeper than the cutter or tabs higher than what is left to hold it.
    """
    if cutter is None:
        return None
    _check_frame(job, cutter, target.region, region)
    _check_depths(job, cutter, -float(target.heights.min()))
    outline = _asked(job, region, opacity)
    kept = without_specks(outline, math.pi * cutter.diameter**2 / 4)
    if kept.is_empty:
        message = "the picture's opaque parts are all smaller than the cutout cutter; use a smaller one"
        raise JobError(message)
    dropped = len(shapely.get_parts(outline)) - len(pieces(kept))
    notes = (f"{dropped} specks smaller than the cutout cutter are not cut out",) if dropped > 0 else ()
    section = replace(
        job.cutout,
        stepdown=job.cutout.stepdown or material.stepdown * cutter.diameter,
        entry_angle=job.cutout.entry_angle or material.entry_angle,
    )
    return Part(kept, inside(kept, target), cutter, section, notes)


def _asked(job: Job, region: Region, opacity: Brightness | None) -> BaseGeometry:
    if job.cutout.shape == "rectangle":
        return rectangle(region)
    if job.cutout.shape == "ellipse":
        return ellipse(region)
    if opacity is None:
        message = (
            'cutout.shape = "silhouette" needs a picture with transparent parts, and this one is opaque;'
            " save it with a transparent background, or cut out a rectangle or an ellipse"
        )
        raise JobError(message)
    return silhouette(opacity[:, ::-1] if job.relief.mirror else opacity, region)


def _check_frame(job: Job, cutter: Cutter, stock: Region, region: Region) -> None:
    margin = min(
        region.left - stock.left, region.near - stock.near, stock.right - region.right, stock.far - region.far
    )
    needed = cut_width(job, cutter) + LEAST_FRAME
    if margin < needed:
        message = (
            f"the stock is {job.told(margin)} wider than the relief on a side; cutting it out with"
            f' "{cutter.name}" needs {job.told(needed)}: raise relief.margin or use larger stock'
        )
        raise JobError(message)


def _check_depths(job: Job, cutter: Cutter, depth: float) -> None:
    """Refuse a cut that the cutter is too short for, and tabs or a skin that the relief has carved away."""
    section, thickness = job.cutout, job.stock.thickness
    deep = thickness - section.skin if section.skin else thickness + section.through
    if deep > cutter.cutting_length:
        message = (
            f"the cutout goes {job.told(deep)} deep, but the cutting edges of"
            f' "{cutter.name}" are {job.told(cutter.cutting_length)} long; name a longer cutout.cutter'
        )
        raise JobError(message)
    walled = job.relief.edge == "walled" and section.shape == "rectangle"
    left = thickness if walled else thickness - depth
    for name, height in (("skin", section.skin), ("tab_height", section.tab_height if section.tabs else 0.0)):
        if height > left:
            message = (
                f"cutout.{name} = {job.told(height)} is more than the {job.told(left)}"
                " that the relief leaves standing; ask for less"
            )
            raise JobError(message)
