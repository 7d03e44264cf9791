"""A judgement of program texts that shares nothing with `relief`.

It reads them by `tests.independent` and `tests.program.standard`, carves by scipy, and takes of a job only
what its report tells as data: cutters, machine, stock and zero.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy import ndimage

from relief.report import Report
from relief.shop.records import Cutter, Machine
from tests import independent
from tests.program.standard import violations

# What the checks let pass, and what samples SPACING apart along the moves leave open, mm.
GOUGE, CONTACT, SPACING = 0.005, 0.01, 0.05
OPEN = 0.003


@dataclass
class Made:
    """A job folder, and what the judge needs of it: everything on the stock's own grid.

    Parameters
    ----------
    target : over the whole stock, mm; far below it where a cutout may cut
    origin : program coordinates of the stock's near left node and of its top
    cutters : by program; None for the trace
    left : what each program leaves of uncut stock, by this judge
    """

    name: str
    folder: Path
    texts: dict[str, str]
    target: np.ndarray
    pitch: float
    thickness: float
    origin: np.ndarray
    units: str
    through: float
    tabs: int
    cutters: dict[str, Cutter | None]
    machine: Machine
    left: dict[str, np.ndarray] = field(default_factory=dict)


def made(name: str, folder: Path, heights: np.ndarray, report: Report, machine: Machine) -> Made:
    """Gather what a job folder's files and its report's data tell; `heights` is the target."""
    job = report.job
    pitch, thickness = report.grid.pitch, job["stock"]["thickness"]
    rows, columns = heights.shape
    margins = [
        round((job["stock"][side] / pitch - count + 1) / 2)
        for side, count in (("length", rows), ("width", columns))
    ]
    cutout = job["cutout"]["shape"] != "none"
    around = 0.0 if job["relief"]["edge"] == "walled" else float(heights.min())
    if cutout:
        around = -2 * thickness  # the cutout goes through it
        heights = np.where(_surely_inside(job["cutout"]["shape"], heights.shape), heights, around)
    target = np.pad(heights.astype(float), [(n, n) for n in margins], constant_values=around)
    corner = np.zeros(3)
    if job["zero"]["xy"] == "centre":  # to the last digit that the text can hold
        step = 10.0**-machine.decimals * (0.254 if job["output"]["units"] == "in" else 1.0)
        middle = np.array([-(columns - 1), -(rows - 1)]) * pitch / 2
        corner[:2] = np.round(middle / step) * step
    if job["zero"]["z"] == "bed":
        corner[2] = thickness
    origin = corner - (margins[1] * pitch, margins[0] * pitch, 0.0)
    texts = {path.name: path.read_text("ascii") for path in sorted(folder.glob("*.nc"))}
    cutters = {run.file: run.cutter for run in report.programs}
    through, tabs = (job["cutout"]["through"], job["cutout"]["tabs"]) if cutout else (0.0, 0)
    found = Made(
        name, folder, texts, target, pitch, thickness, origin, job["output"]["units"], through, tabs, cutters,
        machine,
    )  # fmt: skip
    for file, text in texts.items():
        found.left[file] = carved(found, file, independent.positions(text)[0])
    return found


def _surely_inside(shape: str, size: tuple[int, ...]) -> np.ndarray:
    """Return the nodes of a relief that lie inside its part, whatever rounding its outline has."""
    if shape == "rectangle":
        return np.ones(size, dtype=bool)
    j, i = np.indices(size)
    rows, columns = size
    return np.hypot(2 * j / (rows - 1) - 1, 2 * i / (columns - 1) - 1) < 1 - 4 / min(rows, columns)


def underside(cutter: Cutter) -> Callable[[np.ndarray], np.ndarray]:
    """Return s(r) of a cutter: flat, circle, or circle and tangent cone (plane geometry)."""
    radius, tip = cutter.diameter / 2, cutter.tip_radius
    if cutter.kind == "flat":
        return lambda r: np.zeros_like(r)
    if cutter.kind in ("ball", "bull"):
        corner = radius if cutter.kind == "ball" else tip
        return lambda r: (
            corner - np.sqrt(np.maximum(corner**2 - np.maximum(r - (radius - corner), 0) ** 2, 0))
        )
    half = math.radians(cutter.angle / 2)
    touch = tip * math.cos(half)

    def cone(r: np.ndarray) -> np.ndarray:
        ball = tip - np.sqrt(np.maximum(tip**2 - np.minimum(r, touch) ** 2, 0))
        return ball + np.maximum(r - touch, 0) / math.tan(half)

    return cone


def carved(job: Made, file: str, points: np.ndarray) -> np.ndarray:
    """Return what a program's cutter leaves of uncut stock on its way through `points`."""
    cutter = job.cutters[file]
    if cutter is None:
        return np.zeros_like(job.target)
    return independent.carved(
        job.target.shape, job.pitch, points - job.origin, underside(cutter), cutter.diameter / 2, SPACING
    )


def danger(job: Made, file: str, text: str) -> str:
    """Return why a job may not be run with this text in place of its program; empty when nothing is found."""
    code = [re.sub(r"\(.*?\)", "", line).replace(" ", "").upper() for line in text.splitlines()]
    for test in (_breaks_the_standard, _left_to_chance, _speeds):
        fault = test(job, file, text, code)
        if fault:
            return fault
    points, rapid, feed = independent.positions(text)
    for look in (_places, _feeds, _rapids, _surface):
        fault = look(job, file, points, rapid, feed)
        if fault:
            return fault
    return ""


def _breaks_the_standard(job: Made, file: str, text: str, code: list[str]) -> str:
    faults = violations(text)
    return f"standard: {faults[0]}" if faults else ""


def _left_to_chance(job: Made, file: str, text: str, code: list[str]) -> str:
    """Hold unit, plane, mode and system to what this judge takes them for."""
    words = [m for line in code for m in re.findall(r"[GT][\d.]+", line)]
    told = {float(word[1:]) for word in words if word[0] == "G"}
    if told & {55, 56, 57, 58, 59, 91, 53, 28, 30, 92, 43, 41, 42}:
        return "another system of coordinates"
    if not {90.0, 94.0, 54.0} <= told:
        return "a mode left to the controller"
    if {"in": 20.0, "mm": 21.0}[job.units] not in told:
        return "another unit"
    if told & {2, 3, 18, 19}:
        return "an arc, or another plane"
    return ""


def _speeds(job: Made, file: str, text: str, code: list[str]) -> str:
    """See that the spindle turns in its range in every cut, and stands in the trace."""
    speed, turning, cutting = 0.0, False, False
    if job.machine.spindle == "by hand":
        told = ["M0" in re.findall(r"M\d+", line) for line in code]
        first = next((k for k, line in enumerate(code) if "G1" in re.findall(r"G\d+", line)), None)
        return "no wait for the spindle" if first is not None and not any(told[:first]) else ""
    cutter = job.cutters[file]
    low, high = job.machine.rpm[0], min(job.machine.rpm[1], cutter.max_rpm if cutter else math.inf)
    for line in code:
        for letter, number in independent.WORD.findall(line):
            value = float(number)
            speed = value if letter == "S" else speed
            if letter == "M" and value in (3, 4, 5):
                turning = value != 5
            if letter == "G" and value in (0, 1):
                cutting = value == 1
        if cutting and re.search("[XYZ]", line) and not (turning and low <= speed <= high):
            return f"a cut at {speed if turning else 0:.0f} rev/min"
        if "trace" in file and turning:
            return "the trace turns the spindle"
    return ""


def _places(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """Everything lies in the travel, above the bottom, inside the trace, and comes from a known place."""
    if not np.isfinite(points).any(axis=0).all():
        return "an axis is never told"
    if ((np.nanmax(points, axis=0) - np.nanmin(points, axis=0)) > np.array(job.machine.travel) + 1e-6).any():
        return "travel"
    z = points[:, 2] - job.origin[2]
    if np.nanmin(z) < -job.thickness - (job.through if "cutout" in file else 0.0) - OPEN:
        return "below the bottom"
    blind = np.isnan(points).any(axis=1)
    if (blind & (z < -OPEN)).any():
        return "a descent from an unknown place"
    if (np.isnan(points[:, 2]) & np.isfinite(points[:, :2]).any(axis=1)).any():
        return "sideways at an unknown height"
    trace = points if "trace" in file else independent.positions(job.texts["0-trace.nc"])[0]
    reach = [
        (name, points if name == file else independent.positions(text)[0])
        for name, text in job.texts.items()
        if "trace" not in name
    ]
    for name, way in reach:
        cutter = job.cutters[name]
        radius = cutter.diameter / 2 - 0.03 if cutter else 0.0
        low, high = np.nanmin(way[:, :2], axis=0) - radius, np.nanmax(way[:, :2], axis=0) + radius
        if (low < np.nanmin(trace[:, :2], axis=0)).any() or (high > np.nanmax(trace[:, :2], axis=0)).any():
            return "outside the trace"
    if "trace" in file and (z < -OPEN).any():
        return "the trace goes into the stock"
    return ""


def _feeds(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    steps = np.nan_to_num(np.diff(points, axis=0))
    length = np.linalg.norm(steps, axis=1)
    share = (
        np.abs(steps) / np.maximum(length, 1e-9)[:, None] * feed[1:, None] / np.array(job.machine.max_feed)
    )
    return "feed" if (share.max(axis=1)[~rapid[1:]] > 1.002).any() else ""


def _rapids(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """In running order, every rapid below the stock top meets only what is cut away already."""
    cutter = job.cutters[file]
    if cutter is None:
        return ""
    stock = np.min([np.zeros_like(job.target), *(job.left[f] for f in job.texts if f < file)], axis=0)
    at = points - job.origin
    low = rapid[1:] & (np.fmin(at[1:, 2], at[:-1, 2]) < -CONTACT - OPEN)
    # straight up from where the tip has just been cuts nothing
    up = (at[1:, :2] == at[:-1, :2]).all(axis=1) & (at[1:, 2] >= at[:-1, 2])
    done = 0
    for k in np.flatnonzero(low & ~up):
        stock = np.minimum(stock, carved(job, file, points[done : k + 1]))
        done = k
        if (stock - carved(job, file, points[k : k + 2])).max() > CONTACT + OPEN:
            return f"a rapid cuts {(stock - carved(job, file, points[k : k + 2])).max():.3f} mm"
    return ""


def _surface(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """Nothing is cut below the target, and a part that is cut out stays held."""
    if "trace" in file:
        return ""
    mine = carved(job, file, points)
    left = np.min([mine, *(surface for name, surface in job.left.items() if name != file)], axis=0)
    if (job.target - left).max() > GOUGE + OPEN:
        return f"gouge {(job.target - left).max():.3f} mm"
    if job.tabs:
        pieces, _ = ndimage.label(left > -job.thickness + 0.1)
        if pieces[tuple(n // 2 for n in pieces.shape)] != pieces[0, 0]:
            return "the part comes loose"
    return ""
