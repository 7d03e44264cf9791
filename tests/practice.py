"""Habits of the trade, judged from program texts by means that share nothing with `relief`.

What is taken of a job is what its report tells as data: cutters, stock, zero, clamps, cutout and feeds.
Shapes and distances are shapely's; stock is carved sample by sample.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import shapely
from scipy.spatial import cKDTree

from relief.report import ProgramRun, Report
from relief.shop.load import Shop
from tests import independent
from tests.judge import underside
from tests.random_jobs import FLATS, SHOP, random_job, surface

SPACING = 0.1  # mm between samples along a move where stock is carved
FINE = 0.05  # the same where widths are measured
FLAT_SLACK, DEEP_SLACK = 0.02, 0.06  # degrees of the lattice's rounding; mm of engagement
AIR = 0.02  # mm: a move that takes off no more enters nothing
CLOSER = 2  # times closer than the plan's own are the points of the stock that is carved
RIM = 0.02  # mm, two steps of a coarse lattice: nodes so near to a rim are cut, but count for no depth
LEAST_ROOM = 1.0  # what the checks promise beside a clamp, mm


@dataclass
class Judged:
    """What was found: figures, the larger the worse, and faults in words."""

    figures: dict[str, float] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    def hold(self, name: str, value: float, limit: float, where: str = "") -> None:
        """Note a figure, and a fault where it is over its limit."""
        self.figures[name] = max(self.figures.get(name, -math.inf), value)
        if not value <= limit:
            self.faults.append(f"{name}: {value:.4f} where {limit:g} is the limit ({where})")


@dataclass
class Text:
    """One program as a plain reader reads it, in the relief's coordinates."""

    run: ProgramRun
    points: np.ndarray
    rapid: np.ndarray
    feed: np.ndarray


def judge(folder: Path, report: Report, machine_decimals: int) -> Judged:
    """Hold every program of a job folder to the habits of the trade."""
    found, job = Judged(), report.job
    material = SHOP.material(job["material"])
    texts = [_read(folder, run, report, machine_decimals) for run in report.programs]
    stock = Stock(report)
    for text in texts:
        if text.run.cutter is None:
            continue
        section = job["cutout"] if text.run.operation == "cutout" else job["roughing"]
        angle = section.get("entry_angle") or material.entry_angle
        rule = material.stepdown * text.run.cutter.diameter
        if text.run.operation != "finishing":
            rule = section.get("stepdown") or rule
        depths = _engagement(found, text, stock, rule, report)
        _entries(found, text, angle, depths)
    for text in texts:
        _clamps(found, text, [t.run.cutter for t in texts if t.run.cutter], job.get("clamps", []))
    if job["cutout"]["shape"] != "none":
        _part(found, texts[-1], report)
    return found


def _read(folder: Path, run: ProgramRun, report: Report, decimals: int) -> Text:
    job = report.job
    points, rapid, feed = independent.positions((folder / run.file).read_text("ascii"))
    corner = np.zeros(3)
    if job["zero"]["xy"] == "centre":  # on the machine's lattice
        step = 10.0**-decimals
        sides = [(n - 1) * report.grid.pitch for n in (report.grid.columns, report.grid.rows)]
        corner[:2] = np.round(-np.array(sides) / 2 / step) * step
    corner[2] = job["stock"]["thickness"] if job["zero"]["z"] == "bed" else 0.0
    told = np.isfinite(points).all(axis=1)
    return Text(run, points[told] - corner, rapid[told], feed[told])


def _entries(found: Judged, text: Text, angle: float, depths: np.ndarray) -> None:
    """No way down is steeper than the rule but at plunge feed: no faster downward than that.

    A finishing pass follows the surface, however steep; there the way down from a rapid is the entry.
    """
    step = np.diff(text.points, axis=0)
    cut, run = ~text.rapid[1:], np.hypot(step[:, 0], step[:, 1])
    down = cut & (step[:, 2] < 0) & (depths > AIR)
    if text.run.operation == "finishing":
        down &= text.rapid[:-1]
    steepness = np.degrees(np.arctan2(-step[:, 2], run))
    downward = text.feed[1:] * np.sin(np.radians(steepness))
    fast = downward > text.run.plunge * 1.01 + 0.5  # roundings of text and lattice
    worst = float(steepness[down & fast].max(initial=0.0))
    found.hold("entry over its rule, degrees", worst - angle, FLAT_SLACK, text.run.file)


class Stock:
    """The stock of a job on a grid of its own, carved sample by sample."""

    def __init__(self, report: Report) -> None:
        self.job, self.pitch = report.job, report.grid.pitch / CLOSER
        sizes = [report.job["stock"][side] for side in ("width", "length")]
        relief = [(n - 1) * report.grid.pitch for n in (report.grid.columns, report.grid.rows)]
        self.corner = np.array([(r - s) / 2 for r, s in zip(relief, sizes, strict=True)])
        columns, rows = (round(size / self.pitch) + 1 for size in sizes)
        self.heights = np.zeros((rows, columns))

    def depths(self, text: Text, counted: np.ndarray) -> Iterator[float]:
        """Carve a program; yield the most that each move takes off below the stock as it stands before."""
        radius, below = text.run.cutter.diameter / 2, underside(text.run.cutter)
        reach = math.ceil(radius / self.pitch) + 1
        offsets = np.arange(-reach, reach + 1)
        for start, end in zip(text.points, text.points[1:], strict=False):
            count = max(math.ceil(np.linalg.norm(end - start) / SPACING), 1)
            at = start + np.linspace(0, 1, count + 1)[:, None] * (end - start)
            node = np.rint((at[:, :2] - self.corner) / self.pitch).astype(int)
            j = np.broadcast_to(node[:, 1, None, None] + offsets[:, None], (len(at), *[len(offsets)] * 2))
            i = np.broadcast_to(node[:, 0, None, None] + offsets[None, :], j.shape)
            away = np.hypot(
                i * self.pitch + self.corner[0] - at[:, 0, None, None],
                j * self.pitch + self.corner[1] - at[:, 1, None, None],
            )
            rows, columns = self.heights.shape
            hit = (away <= radius) & (i >= 0) & (j >= 0) & (i < columns) & (j < rows)
            z = (at[:, 2, None, None] + below(np.minimum(away, radius)))[hit]
            where = (j[hit], i[hit])
            # what the rim only touches is not cut
            inner = counted[where] & (away[hit] <= radius - RIM)
            taken = np.where(inner, self.heights[where] - z, 0.0)
            yield float(taken.max(initial=0.0))
            np.minimum.at(self.heights, where, z)

    def places(self) -> tuple[np.ndarray, np.ndarray]:
        """Return x and y of every node."""
        j, i = np.indices(self.heights.shape)
        return i * self.pitch + self.corner[0], j * self.pitch + self.corner[1]


def _engagement(found: Judged, text: Text, stock: Stock, rule: float, report: Report) -> np.ndarray:
    """Hold what each move takes off to the rule; a finishing pass may break it where the report says so."""
    counted = np.ones(stock.heights.shape, dtype=bool)
    allowance = report.job["cutout"]["allowance"]
    if text.run.operation == "cutout" and allowance:  # the last pass, a shaving along the wall
        part = asked_shape(report).simplify(0.01)
        away = shapely.distance(shapely.points(*stock.places()), part)
        counted = (away == 0) | (away > allowance + stock.pitch)
    depths = np.array([*stock.depths(text, counted)])
    cuts = ~text.rapid[1:]
    deepest = float(depths[cuts].max(initial=0.0))
    rapids = float(depths[~cuts].max(initial=0.0))
    found.hold("a rapid cuts, mm", rapids, 0.01 + DEEP_SLACK / 10, text.run.file)
    told = any(c.name == "stepdown by the rule" and not c.holds for c in report.checks)
    if text.run.operation == "finishing" and told:
        found.figures["finishing deeper than its rule, and told, mm"] = deepest - rule
        return depths
    found.hold(f"{text.run.operation} deeper than its rule, mm", deepest - rule, DEEP_SLACK, text.run.file)
    return depths


def _clamps(found: Judged, text: Text, every: list, clamps: list) -> None:
    """Cutter, shank and holder stay a millimetre from every clamp, in the trace whatever cutter is in."""
    at = independent.samples(text.points, FINE)
    for clamp in clamps:
        for cutter in [text.run.cutter] if text.run.cutter else every:
            room = clamp_room(at, cutter, clamp, LEAST_ROOM)
            found.hold("nearness to a clamp, -mm", -room, -LEAST_ROOM + 1e-3, f"{text.run.file} {clamp}")


def clamp_room(at: np.ndarray, cutter, clamp: dict, above: float) -> float:
    """Return the least distance of what turns from a clamp, seen from above, over places of the tip."""
    across = np.maximum(np.maximum(clamp["x"] - at[:, 0], at[:, 0] - clamp["x"] - clamp["width"]), 0)
    along = np.maximum(np.maximum(clamp["y"] - at[:, 1], at[:, 1] - clamp["y"] - clamp["length"]), 0)
    away = np.sqrt(across**2 + along**2)
    holder = cutter.holder_diameter or 60.0  # a large one where it is not known
    radii = [(cutter.diameter, 0.0), (cutter.shank, cutter.cutting_length), (holder, cutter.reach)]
    found = [away[at[:, 2] + rise < clamp["height"] + above] - across / 2 for across, rise in radii]
    return min([20.0, *(part.min() for part in found if part.size)])


def asked_shape(report: Report) -> shapely.Geometry:
    """Return the part's outline as asked for, from the sizes alone."""
    width, length = ((n - 1) * report.grid.pitch for n in (report.grid.columns, report.grid.rows))
    if report.job["cutout"]["shape"] == "rectangle":
        return shapely.box(0, 0, width, length)
    turn = np.linspace(0, 2 * np.pi, 4001)[:-1]
    return shapely.Polygon(np.column_stack([width / 2 * (1 + np.cos(turn)), length / 2 * (1 + np.sin(turn))]))


def _part(found: Judged, text: Text, report: Report) -> None:
    """Hold the wall to its place, and see that tabs alone join the part to its frame."""
    cutout, thickness = report.job["cutout"], report.job["stock"]["thickness"]
    radius = text.run.cutter.diameter / 2
    part = asked_shape(report)
    at = independent.samples(text.points, FINE)
    at = at[at[:, 2] < 0]
    low = cKDTree(at[:, :2])
    # what a round cutter can leave of the part from outside: its closing
    ring = part.buffer(radius, quad_segs=128).buffer(-radius, quad_segs=128).exterior
    wall = shapely.get_coordinates(shapely.segmentize(ring, 0.2))
    off = low.query(wall)[0] - radius
    found.hold("part outline off, mm", float(np.abs(off).max()), 0.02, text.run.file)
    bridges = [*_bridges(part, at, radius, cutout["allowance"], thickness)]
    if cutout["skin"]:
        return
    found.hold("bridges more than tabs", len(bridges) - cutout["tabs"], 0, f"{bridges}")
    missing = cutout["tabs"] - len(bridges)
    if missing and not any("find room" in note for note in report.notes):
        found.hold("tabs missing, not told", missing, 0, text.run.file)
    for width, height in bridges:
        found.hold("tab width off, mm", abs(width - cutout["tab_width"]), 0.1, text.run.file)
        found.hold("tab height off, mm", abs(height - cutout["tab_height"]), 0.1, text.run.file)


def _bridges(
    part: shapely.Geometry, at: np.ndarray, radius: float, allowance: float, thickness: float
) -> Iterator[tuple[float, float]]:
    """Yield width and height of everything that stands across the cut.

    The stock is looked at along lines beside the part, from its wall to the far bank. A bridge is as wide as
    the nearest two points of its two sides, on whatever lines these lie, and as high as its lowest line.
    """
    through, tree = cKDTree(at[at[:, 2] < 0.01 - thickness, :2]), cKDTree(at[:, :2])
    lines = []
    for share in np.linspace(0.04, 0.96, 24):
        ring = part.buffer(share * (2 * radius + allowance), quad_segs=64).exterior
        points = shapely.get_coordinates(shapely.segmentize(ring, FINE))[:-1]
        lines.append((points, _runs(through.query(points)[0] > radius)))

    def tall(places: np.ndarray) -> float:
        below = tree.query_ball_point(places, radius)
        return float(np.median([at[near, 2].min(initial=0.0) + thickness for near in below]))

    # a bridge is what stands on every line; the middle one tells them apart
    points, runs = lines[len(lines) // 2]
    for run in runs:
        middle = points[run[len(run) // 2]]
        before, after, heights = [], [], []
        for line, standing in lines:
            mine = next((r for r in standing if _nearest(line[r], middle) < 2 * radius), None)
            if mine is None:
                break
            before.append(line[mine[0]])
            after.append(line[mine[-1]])
            heights.append(tall(line[mine[:: max(len(mine) // 5, 1)]]))
        else:
            apart = np.linalg.norm(np.array(before)[:, None] - np.array(after)[None], axis=2)
            yield float(apart.min()), min(heights)


def _nearest(line: np.ndarray, place: np.ndarray) -> float:
    return float(np.linalg.norm(line - place, axis=1).min())


def _runs(standing: np.ndarray) -> list[np.ndarray]:
    """Return the runs of true values of a closed line, as indices."""
    if not standing.any() or standing.all():
        return [np.arange(len(standing))] if standing.any() else []
    start = int(np.argmin(standing))
    order = np.roll(np.arange(len(standing)), -start)
    edges = np.flatnonzero(np.diff(np.pad(standing[order].astype(int), 1)))
    return [order[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]


def practice_job(rng: random.Random, folder: Path) -> tuple[Path, dict[str, object]]:
    """Write a random job that is larger than `random_job`'s, often cut out, often among clamps."""
    _, settings = random_job(rng, folder)
    pitch = float(settings["output.pitch"])
    width, length = (round(rng.uniform(16, 34) / pitch) * pitch for _ in range(2))
    thickness = float(settings["stock.thickness"])
    depth = min(rng.uniform(0.5, 6.0), 0.4 * thickness)
    np.save(folder / "target.npy", surface(rng, width, length, depth, pitch).astype(np.float32))
    kept = {name: value for name, value in settings.items() if not name.startswith(("relief.", "cutout."))}
    kept |= {"finishing.scallop": 0.25, "relief.edge": rng.choice(["open", "walled"])}
    kept["relief.margin"] = rng.choice([18, 25])
    if rng.random() < 0.65:
        kept["cutout.shape"] = rng.choice(["rectangle", "ellipse"])
        kept |= {"cutout.tabs": rng.choice([0, 1, 2, 3]), "cutout.tab_width": rng.choice([2.0, 3.0, 5.0])}
        kept |= {"cutout.tab_height": rng.choice([1.0, 2.0]), "relief.edge": "open"}
        kept |= {"cutout.allowance": rng.choice([0.0, 0.2, 0.5])}
        if rng.random() < 0.5:
            kept["cutout.cutter"] = rng.choice(FLATS)
    clamps = [_clamp(rng, width, length) for _ in range(rng.choice([0, 1, 2, 3]))]
    return folder / "target.npy", kept | {"clamps": clamps}


def _clamp(rng: random.Random, width: float, length: float) -> dict[str, float]:
    """Return a clamp somewhere beside the relief."""
    size = {"width": rng.uniform(4, 15), "length": rng.uniform(4, 30), "height": rng.uniform(1, 25)}
    away, along = rng.uniform(6, 18), rng.uniform(-5, 1)
    x, y = rng.choice(
        [
            (-away - size["width"], along * length / 5), (width + away, -along * length / 5),
            (-along * width / 5, -away - size["length"]), (along * width / 5, length + away),
        ]
    )  # fmt: skip
    return {"x": x, "y": y} | size


def decimals(report: Report, shop: Shop) -> int:
    """Return the decimals of the job's machine."""
    return shop.machine(report.job["machine"]).decimals
