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
from PIL import Image
from scipy import ndimage

from relief.report import Report
from relief.shop.records import Cutter, Machine
from tests import independent
from tests.program.standard import violations

# What the checks let pass, and what samples SPACING apart along the moves leave open, mm.
GOUGE, CONTACT, SPACING = 0.005, 0.01, 0.05
OPEN = 0.003
# mm, how far a hole for a pin goes on into the bed.
PIN_DEPTH = 6.0


@dataclass
class Made:
    """A job folder, and what the judge needs of it: everything on the stock's own grid.

    Parameters
    ----------
    target : over the whole stock, mm; far below it where a cutout may cut
    inside : nodes that surely lie on the relief, or inside the part that is cut out
    origin : program coordinates of the stock's near left node and of its top
    bottom, through : height of the deepest that a cutout may leave, and how far below it that may go
    scored : how deep a drag point goes below the target
    cutters, operations : by program; of a trace the cutter is None
    moved : by program, how far its board was moved on, where the job is carved in tiles
    left : what each program leaves of uncut stock, by this judge
    figures : the worst that was found while nothing was faulty

    A text that holds the cuts of several cutters counts as one program for each, under the file's name and a
    number.
    """

    name: str
    folder: Path
    texts: dict[str, str]
    target: np.ndarray
    inside: np.ndarray
    pitch: float
    thickness: float
    origin: np.ndarray
    units: str
    bottom: float
    through: float
    tabs: int
    scored: float
    cutters: dict[str, Cutter | None]
    operations: dict[str, str]
    machine: Machine
    moved: dict[str, np.ndarray] = field(default_factory=dict)
    left: dict[str, np.ndarray] = field(default_factory=dict)
    figures: dict[str, float] = field(default_factory=dict)

    def note(self, name: str, value: float) -> float:
        """Keep the worst of a figure, and return it as it is."""
        self.figures[name] = max(self.figures.get(name, 0.0), value)
        return value

    def trace_of(self, file: str) -> str:
        """Return the trace that runs before a program: that of its tile, where there are tiles."""
        return (re.match(r"(tile-\d+-)?", file) or [""])[0] + "0-trace.nc"

    def places(self, file: str, points: np.ndarray) -> np.ndarray:
        """Return positions of a program in the coordinates of the stock's grid."""
        return points - self.origin + self.moved.get(file, 0.0)


def made(name: str, folder: Path, heights: np.ndarray, report: Report, machine: Machine) -> Made:
    """Gather what a job folder's files and its report's data tell; `heights` is the target."""
    job = report.job
    pitch, thickness = report.grid.pitch, job["stock"]["thickness"]
    rows, columns = heights.shape
    margins = [
        round((job["stock"][side] / pitch - count + 1) / 2)
        for side, count in (("length", rows), ("width", columns))
    ]
    cutout, skin = job["cutout"]["shape"] != "none", job["cutout"]["skin"]
    around = 0.0 if job["relief"]["edge"] == "walled" else float(heights.min())
    inside = np.ones(heights.shape, dtype=bool)
    if cutout:
        # the cutout goes through it, or leaves a skin
        around = skin - thickness if skin else -2 * thickness
        inside = _surely_inside(job, heights.shape, folder)
        heights = np.where(inside, heights, around)
    pads = [(n, n) for n in margins]
    corner = np.zeros(3)
    if job["zero"]["xy"] == "centre":  # on the machine's lattice
        step = 10.0**-machine.decimals
        middle = np.array([-(columns - 1), -(rows - 1)]) * pitch / 2
        corner[:2] = np.round(middle / step) * step
    if job["zero"]["z"] == "bed":
        corner[2] = thickness
    texts = _texts(folder)
    found = Made(
        name, folder, texts, np.pad(heights.astype(float), pads, constant_values=around),
        inside=np.pad(inside, pads), pitch=pitch, thickness=thickness,
        origin=corner - (margins[1] * pitch, margins[0] * pitch, 0.0), units=job["output"]["units"],
        bottom=skin - thickness, through=job["cutout"]["through"] if cutout and not skin else 0.0,
        tabs=job["cutout"]["tabs"] if cutout and not skin else 0, scored=job["outline"]["depth"],
        cutters={name: run.cutter for name, run in zip(texts, report.programs, strict=True)},
        operations={name: run.operation for name, run in zip(texts, report.programs, strict=True)},
        machine=machine,
    )  # fmt: skip
    found.moved = _moved(found)
    for file, text in texts.items():
        found.left[file] = carved(found, file, independent.positions(text)[0])
    return found


def _texts(folder: Path) -> dict[str, str]:
    """Return the programs in running order, a text of several cutters as a program for each."""
    found = {}
    for path in sorted(folder.glob("*.nc")):
        text = path.read_text("ascii")
        parts = by_cutter(text)
        found |= (
            {f"{path.name} {k}": part for k, part in enumerate(parts)}
            if len(parts) > 1
            else {path.name: text}
        )
    return found


def by_cutter(text: str) -> list[str]:
    """Return a program for each change of cutter: the head, what follows the change, and an end."""
    lines = text.splitlines(keepends=True)
    # each begins with the retract before its change
    starts = [number - 2 for number in changes(text)]
    if len(starts) < 2:
        return [text]
    head, end = "".join(lines[: starts[0]]), "M2\n%\n" if lines[0].startswith("%") else "M2\n"
    return [
        head + "".join(lines[a:b]) + ("" if b == len(lines) else end)
        for a, b in zip(starts, [*starts[1:], len(lines)], strict=True)
    ]


def changes(text: str) -> list[int]:
    """Return the numbers of the lines that change cutters."""
    code = [re.sub(r"\(.*?\)", "", line) for line in text.splitlines()]
    return [number for number, line in enumerate(code, 1) if re.search(r"M0?6(?!\d)", line)]


def _moved(job: Made) -> dict[str, np.ndarray]:
    """Return how far the board was moved on for each program: the way from one pair of holes to the next."""
    holes = next((file for file, operation in job.operations.items() if operation == "holes"), None)
    if holes is None:
        return {}
    points = independent.positions(job.texts[holes])[0]
    deep = np.unique(points[points[:, 2] - job.origin[2] < -job.thickness, :2].round(4), axis=0)
    spans = np.ptp(deep, axis=0)
    # the pins' own pair goes deeper, into the bed
    bed = points[points[:, 2] - job.origin[2] < -job.thickness - PIN_DEPTH + 0.5, :2].round(4)
    axis = int(np.argmin(np.ptp(bed, axis=0)))
    step = np.zeros(3)
    step[axis] = spans[axis]
    return {file: (int(re.findall(r"tile-(\d+)-", file)[0]) - 1) * step for file in job.texts}


def _surely_inside(job: dict, size: tuple[int, ...], folder: Path) -> np.ndarray:
    """Return the nodes of a relief that lie inside its part, whatever rounding its outline has."""
    shape, (rows, columns) = job["cutout"]["shape"], size
    if shape == "rectangle":
        return np.ones(size, dtype=bool)
    if shape == "silhouette":
        with Image.open(folder / job["picture"]) as picture:
            opaque = np.asarray(picture.convert("RGBA"))[::-1, :, 3] > 127
        opaque = opaque[:, ::-1] if job["relief"]["mirror"] else opaque
        return ndimage.binary_erosion(opaque, iterations=2, border_value=1)
    j, i = np.indices(size)
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
    left = independent.carved(
        job.target.shape, job.pitch, job.places(file, points), underside(cutter), cutter.diameter / 2, SPACING
    )
    # holes for pins lie beside the relief, and go through the board on purpose
    return np.where(job.inside, left, 0.0) if job.operations[file] == "holes" else left


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
    cutter = job.cutters[file]
    turns = cutter is not None and cutter.turns
    if job.machine.spindle == "by hand":
        if not turns:
            return ""
        told = ["M0" in re.findall(r"M\d+", line) for line in code]
        first = next((k for k, line in enumerate(code) if "G1" in re.findall(r"G\d+", line)), None)
        return "no wait for the spindle" if first is not None and not any(told[:first]) else ""
    low, high = job.machine.rpm[0], min(job.machine.rpm[1], cutter.max_rpm if cutter else math.inf)
    for line in code:
        for letter, number in independent.WORD.findall(line):
            value = float(number)
            speed = value if letter == "S" else speed
            if letter == "M" and value in (3, 4, 5):
                turning = value != 5
            if letter == "G" and value in (0, 1):
                cutting = value == 1
        if turns and cutting and re.search("[XYZ]", line) and not (turning and low <= speed <= high):
            return f"a cut at {speed if turning else 0:.0f} rev/min"
        if not turns and turning:
            return "turns the spindle, which has to stand"
    return ""


def _places(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """Everything lies in the travel, above the bottom, inside the trace, and comes from a known place."""
    if not np.isfinite(points).any(axis=0).all():
        return "an axis is never told"
    if ((np.nanmax(points, axis=0) - np.nanmin(points, axis=0)) > np.array(job.machine.travel) + 1e-6).any():
        return "travel"
    z = points[:, 2] - job.origin[2]
    operation, tracing = job.operations[file], job.trace_of(file)
    bottom = {"cutout": job.bottom - job.through, "holes": -job.thickness - PIN_DEPTH}
    if np.nanmin(z) < bottom.get(operation, -job.thickness) - OPEN:
        return "below the bottom"
    blind = np.isnan(points).any(axis=1)
    if (blind & (z < -OPEN)).any():
        return "a descent from an unknown place"
    if (np.isnan(points[:, 2]) & np.isfinite(points[:, :2]).any(axis=1)).any():
        return "sideways at an unknown height"
    trace = points if file == tracing else independent.positions(job.texts[tracing])[0]
    reach = [
        (name, points if name == file else independent.positions(text)[0])
        for name, text in job.texts.items()
        if name != tracing and job.trace_of(name) == tracing
    ]
    for name, way in reach:
        cutter = job.cutters[name]
        radius = cutter.diameter / 2 - 0.03 if cutter else 0.0
        low, high = np.nanmin(way[:, :2], axis=0) - radius, np.nanmax(way[:, :2], axis=0) + radius
        if (low < np.nanmin(trace[:, :2], axis=0)).any() or (high > np.nanmax(trace[:, :2], axis=0)).any():
            return "outside the trace"
    if file == tracing and (z < -OPEN).any():
        return "the trace goes into the stock"
    return ""


def _feeds(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    steps = np.nan_to_num(np.diff(points, axis=0))
    length = np.linalg.norm(steps, axis=1)
    share = (
        np.abs(steps) / np.maximum(length, 1e-9)[:, None] * feed[1:, None] / np.array(job.machine.max_feed)
    )
    most = float(share.max(axis=1)[~rapid[1:]].max(initial=0.0))
    return "feed" if job.note("feed over the limit of its axis", most) > 1.002 else ""


def _rapids(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """In running order, every rapid below the stock top meets only what is cut away already."""
    cutter = job.cutters[file]
    if cutter is None:
        return ""
    stock = np.min([np.zeros_like(job.target), *(job.left[f] for f in job.texts if f < file)], axis=0)
    at = job.places(file, points)
    low = rapid[1:] & (np.fmin(at[1:, 2], at[:-1, 2]) < -CONTACT - OPEN)
    # straight up from where the tip has just been cuts nothing
    up = (at[1:, :2] == at[:-1, :2]).all(axis=1) & (at[1:, 2] >= at[:-1, 2])
    done = 0
    for k in np.flatnonzero(low & ~up):
        stock = np.minimum(stock, carved(job, file, points[done : k + 1]))
        done = k
        touch = job.note("rapid into stock, mm", float((stock - carved(job, file, points[k : k + 2])).max()))
        if touch > CONTACT + OPEN:
            return f"a rapid cuts {touch:.3f} mm"
    return ""


def _surface(job: Made, file: str, points: np.ndarray, rapid: np.ndarray, feed: np.ndarray) -> str:
    """Nothing is cut below the target, and a part that is cut out stays held."""
    if job.operations[file] == "trace":
        return ""
    mine = carved(job, file, points)
    scores = job.operations[file] == "outline"
    others = [
        surface for name, surface in job.left.items() if name != file and job.operations[name] != "outline"
    ]
    left = np.min([mine, *others], axis=0)
    gouge = job.note(f"gouge{' by scoring' if scores else ''}, mm", float((job.target - left).max()))
    if gouge > GOUGE + OPEN + (job.scored if scores else 0.0):
        return f"gouge {gouge:.3f} mm"
    if job.tabs:
        pieces, _ = ndimage.label(left > -job.thickness + 0.1)
        if (pieces[job.inside] != pieces[0, 0]).any():
            return "the part comes loose"
    return ""
