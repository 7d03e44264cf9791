"""Several looks of one picture: small previews on one sheet, and a job file ready for each."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import tomli_w

from relief.errors import JobError
from relief.gradients import grain_of
from relief.heightfield import Heightfield
from relief.heightfile import is_terrain
from relief.job import Job
from relief.measures import LostDetail, lost_detail
from relief.picture import Picture
from relief.pictures import stage_png
from relief.progress import Progress
from relief.shaping import Grid, grid_for, resampled, shape_heights
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.solids import KINDS
from relief.sources import DEFAULT_DEPTH, DEFAULT_WIDTH, check_depth, job_picture
from relief.surfaces import reachable_surface
from relief.terraces import unstepped
from relief.tiles import tile_sheet
from relief.units import format_length

PREVIEW = 520  # nodes along the longer side of a preview
GRAINY = 0.0015  # of the whole depth: grain above it is smoothed before it is carved
GROUND, LEAST_GROUND = 0.1, 0.25  # what counts as dark ground, and the share of it that leaves a silhouette
COARSE = 256  # pictures of up to so many levels show terraces
# Sheets that light shines through, by a word in the material's name.
TRANSLUCENT = ("acrylic", "polycarbonate")
CONTRAST = 20.0  # between the brightest and the darkest of a back-lit sheet that nobody has measured yet

ASSUMED = "back-lit, attenuation assumed: measure your sheet"
NO_PICTURE = "-"  # stands in the job whose every other key is at its default

Settings = dict[str, Any]


@dataclass(frozen=True, eq=False)
class Look:
    """One way to shape a picture.

    Parameters
    ----------
    name : what it is called on the sheet and in its file's name
    job : the job that makes it
    keys : what it changes, as lines of a job file
    surface : the target on the preview's grid
    lost : what the finishing cutter cannot reach of it, on that grid
    """

    name: str
    job: Job
    keys: tuple[str, ...]
    surface: Heightfield
    lost: LostDetail


def draw_looks(job: Job, shop: Shop, folder: Path, progress: Progress) -> dict[str, bytes]:
    """Return the files of a folder of looks: the sheet `looks.png` and a job file for each look.

    Parameters
    ----------
    job : picture, stock, cutters and sizes; what it says of shaping is kept where a look says nothing
    shop : where the finishing cutter is found
    folder : where the files are going to lie; paths in the job files are as seen from there
    progress : told what is being done

    Raises
    ------
    ReliefError
        The picture cannot be read, or the job cannot be carved.
    """
    progress.stage("reading the picture")
    cutter = shop.cutter(job.finishing.cutter)
    job, whole = _with_sizes(job)
    picture, smooth, grid = _small(job, whole)
    progress.stage("shaping it")
    looks = []
    ways = list(_ways(job, picture, grid))
    for number, (name, settings) in enumerate(ways):
        looks.append(_look(name, job, settings, (picture, smooth), grid, cutter))
        progress.fraction((number + 1) / len(ways))
    progress.stage("drawing the sheet")
    files = {"looks.png": _sheet(looks, job, cutter)}
    for number, look in enumerate(looks, start=1):
        name = f"{number:02d}-{look.name.partition(',')[0].replace(' ', '-')}.toml"
        files[name] = job_file(look.job.seen_from(folder)).encode()
    return files


def job_file(job: Job) -> str:
    """Return a short job file: what differs from the defaults, and nothing else."""
    return tomli_w.dumps(_differing(job.to_table(), Job(NO_PICTURE).to_table()))


def _differing(table: Mapping[str, Any], default: Mapping[str, Any]) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for name, value in table.items():
        if isinstance(value, Mapping):
            inner = _differing(value, default.get(name, {}))
            kept |= {name: inner} if inner else {}
        elif value != default.get(name):
            kept[name] = value
    return kept


def _with_sizes(job: Job) -> tuple[Job, Picture]:
    """Return the job with its width and depth filled in, as `carve` would, and its picture."""
    kind = Path(job.picture).suffix.lower()
    if kind in KINDS or (kind == ".npy" and not is_terrain(job)):
        message = f"{job.picture}: a height file or a mesh has one look only; name a picture"
        raise JobError(message)
    if job.relief.width is None:
        job = replace(job, relief=replace(job.relief, width=DEFAULT_WIDTH))
    check_depth(job.relief.depth or 0.0, job)  # before a large picture is read
    job, picture = job_picture(job)
    depth = job.relief.depth or DEFAULT_DEPTH
    check_depth(depth, job)
    return replace(job, relief=replace(job.relief, depth=depth)), picture


def _small(job: Job, picture: Picture) -> tuple[Picture, Picture, Grid]:
    """Return the picture on the preview's nodes, the same without terraces, and the grid.

    Terraces are removed first, since averaging blurs the codes that tell of them.
    """
    width = job.relief.width or DEFAULT_WIDTH
    length = job.relief.length or picture.length_for(width)
    grid = grid_for(
        width, length, max(width, length) / (PREVIEW - 1), (picture.rows, picture.columns), job.output.units
    )
    smooth = picture
    if picture.levels <= COARSE:
        smooth = replace(picture, brightness=unstepped(picture.brightness, picture.levels))
    return _reduced(picture, grid), _reduced(smooth, grid), grid


def _reduced(picture: Picture, grid: Grid) -> Picture:
    opacity = None if picture.opacity is None else resampled(picture.opacity, grid.rows, grid.columns)
    brightness = resampled(picture.brightness, grid.rows, grid.columns)
    return replace(picture, brightness=brightness, opacity=opacity)


def _ways(job: Job, picture: Picture, grid: Grid) -> Iterator[tuple[str, Settings]]:
    """Yield the name of each look and the job keys that make it."""
    side = min(grid.width, grid.length)
    spread: Settings = {"shaping.levels": ("1 %", "99 %")}
    if picture.levels <= COARSE:
        spread["shaping.unstep"] = True
    if grain_of(picture.brightness) > GRAINY:
        spread["shaping.smooth"] = _round(side / 100)
    yield "as it is", {}
    yield "by the eye", {**spread, "shaping.tone": "lightness"}
    yield "soft", {**spread, "shaping.smooth": _round(side / 60)}
    yield "some detail", {**spread, "shaping.detail": 0.5}
    yield "strong detail", {**spread, "shaping.detail": 0.85}
    yield "flat ground", {**spread, "shaping.flatten": 0.2}
    yield _body(picture, spread)
    yield "medallion", {**spread, "shaping.detail": 0.4, "shaping.vignette": _round(side / 8)}
    yield (
        "framed",
        {
            **spread,
            "shaping.feather": _round(side / 6),
            "shaping.border": "bead",
            "shaping.border_width": _round(side / 14),
        },
    )
    yield "sunk", {**spread, "relief.style": "sunk" if job.relief.style == "raised" else "raised"}
    hollow = {"shaping.border": "cove", "shaping.border_width": _round(side / 10)}
    yield "detail in a hollow frame", {**spread, "shaping.detail": 0.7, **hollow}
    yield _last(job, spread)


def _body(picture: Picture, spread: Settings) -> tuple[str, Settings]:
    """Return the look with a round body where the picture has a silhouette, and else higher middle tones."""
    if picture.opacity is not None:
        return "lifted", {**spread, "shaping.lift": 0.5}
    dark, bright = np.percentile(picture.brightness, (1, 99))
    if float((picture.brightness < dark + GROUND * (bright - dark)).mean()) >= LEAST_GROUND:
        return "lifted", {**spread, "shaping.flatten": GROUND, "shaping.lift": 0.5}
    return "high middle", {**spread, "shaping.gamma": 1.8}


def _last(job: Job, spread: Settings) -> tuple[str, Settings]:
    """Return the look for light from behind where the stock lets it through, and else darker middle tones."""
    shaping, depth = job.shaping, job.relief.depth or DEFAULT_DEPTH
    if shaping.scatter is not None:
        return "back-lit", {**spread, "shaping.back_lit": "white"}
    if shaping.attenuation is not None:
        return "back-lit", {**spread, "shaping.back_lit": "clear"}
    if any(word in job.material.lower() for word in TRANSLUCENT):
        assumed = float(f"{math.log(CONTRAST) / depth:.3g}")
        return ASSUMED, {**spread, "shaping.back_lit": "clear", "shaping.attenuation": assumed}
    return "low middle", {**spread, "shaping.gamma": 0.6}


def _round(length: float) -> float:
    """Return a length to two digits, as a person would write it."""
    return float(f"{length:.2g}")


def _look(
    name: str, job: Job, settings: Settings, pictures: tuple[Picture, Picture], grid: Grid, cutter: Cutter
) -> Look:
    """Shape the small picture one way, and see what the cutter leaves of it."""
    shaped = job
    for key, value in settings.items():
        section, _, last = key.rpartition(".")
        shaped = replace(shaped, **{section: replace(getattr(shaped, section), **{last: value})})
    # terraces are gone already where they had to go, and the codes with them
    picture = pictures[shaped.shaping.unstep]
    shaping = replace(shaped.shaping, unstep=False)
    surface = shape_heights(picture, shaped.relief, shaping, grid, job.stock.thickness, job.output.units)
    reachable = reachable_surface(surface, cutter)
    lost = lost_detail(surface.heights, reachable, job.finishing.scallop)
    return Look(name, shaped, _lines(settings), surface, lost)


def _lines(settings: Settings) -> tuple[str, ...]:
    """Return settings as people write them in a job file."""
    if not settings:
        return ("no keys: white high, black deep",)
    return tuple(
        f"{key.removeprefix('shaping.')} = {json.dumps(value)}"  # texts, numbers and lists are as in TOML
        for key, value in settings.items()
    )


def _sheet(looks: list[Look], job: Job, cutter: Cutter) -> bytes:
    """Return the sheet of all looks as a PNG."""
    texts = [(look.name, *look.keys, *_loss(look, cutter)) for look in looks]
    return tile_sheet(_title(job, looks[0]), [stage_png(look.surface) for look in looks], texts)


def _title(job: Job, look: Look) -> str:
    units, surface = job.output.units, look.surface
    size = " by ".join(format_length(round(side, 1), units) for side in (surface.width, surface.length))
    depth = format_length(job.relief.depth or DEFAULT_DEPTH, units)
    return f"{Path(job.picture).name} at {size}, {depth} deep. Keys without a section belong to [shaping]."


def _loss(look: Look, cutter: Cutter) -> tuple[str, ...]:
    """Return what the finishing cutter loses, in words."""
    share, units = look.lost.share, look.job.output.units
    limit = format_length(look.job.finishing.scallop, units)
    if share < 0.0005:
        return (f"{cutter.name} reaches all of it to {limit}",)
    worst = format_length(round(look.lost.max, 2), units)
    return (f"{cutter.name} loses more than {limit} on {100 * share:.1f} % of it, {worst} at most",)
