"""The set-up drawing, to scale: where everything goes on it, in the drawing's own coordinates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from relief.clamps import box
from relief.heightfield import Region
from relief.hints import below_board
from relief.setup import Setup

Path2 = npt.NDArray[np.float64]
Line = tuple[float, float, float, float]


@dataclass(frozen=True)
class Label:
    """A text beside a level of the section, and the height of the level that its leader goes to."""

    text: str
    y: float
    level: float


@dataclass(frozen=True)
class Beside:
    """What stands beside the levels of the section, from the top down.

    Parameters
    ----------
    clear, top, cut, bed : beside the rapids, the stock top, the deepest cut of the relief and the bed
    below : beside what goes below the board; empty where nothing does
    """

    clear: str
    top: str
    cut: str
    bed: str
    below: str = ""


@dataclass(frozen=True)
class Section:
    """The stock seen from the near side, cut through where the relief is deepest.

    Parameters
    ----------
    box : of the stock
    kerfs : what is cut out at the sides of the part and as holes
    cut, clear : heights of the deepest cut and of the rapids
    zero_level : height of Z0
    labels : texts beside it, from the top down
    lowest : how far down it goes, the last label's line included
    """

    box: Region
    kerfs: tuple[Region, ...]
    cut: float
    clear: float
    zero_level: float
    labels: tuple[Label, ...]
    lowest: float


@dataclass(frozen=True)
class Drawing:
    """A plan with a section below it, in mm of the job; x runs right, y runs down the page.

    Parameters
    ----------
    text : height of its lettering
    left, top, width, height : the whole drawing
    stock, relief : boxes of the plan
    zero : (x, y) of X0 Y0 on the plan
    trace : points of the path that the trace walks, as SVG writes them
    part : the lines along which the part is cut free, each as SVG writes its points
    tabs : (x, y) of the middle of each tab
    holes, hole : (x, y) of the holes for the pins of a job in tiles, and their diameter
    seams : the lines between tiles, each as SVG writes its points
    clamps : name and box of each clamp
    edge : right edge of all that stands on the plan
    travel : box as large as the machine's X and Y travel, in a smaller scale; None where there is no room
    travel_stock : the stock in that scale, in its middle
    from_left, from_near : ends (x, y, x, y) of the lines that give X0 Y0 from the stock's left and near edges
    section : below the plan
    """

    text: float
    left: float
    top: float
    width: float
    height: float
    stock: Region
    relief: Region
    zero: tuple[float, float]
    trace: str
    part: tuple[str, ...]
    tabs: tuple[tuple[float, float], ...]
    holes: tuple[tuple[float, float], ...]
    hole: float
    seams: tuple[str, ...]
    clamps: tuple[tuple[str, Region], ...]
    edge: float
    travel: Region | None
    travel_stock: Region | None
    from_left: Line
    from_near: Line
    section: Section


def set_up_drawing(
    setup: Setup, trace: Path2 | None, texts: Beside, tabs: Sequence[tuple[float, float]] = ()
) -> Drawing:
    """Lay out the set-up drawing.

    Parameters
    ----------
    setup : Setup
    trace : (n, 2) mm, what the trace walks, in the relief's coordinates, or None
    texts : what stands beside the section
    tabs : (x, y) mm of the tabs that hold the part, in the relief's coordinates
    """
    stock = _down(setup.stock.region)
    path = np.zeros((0, 2)) if trace is None else np.round(trace * (1, -1), 3)
    clamps = tuple((clamp.name, _down(box(clamp))) for clamp in setup.clamps)
    around = _around(stock, path, [place for _, place in clamps])
    text = 0.041 * max(around.width, 0.8 * around.length)
    section = _section(setup, stock, around.far + 3.8 * text + setup.clearance, texts, text)
    # lettering is at most this wide for its height in the fonts that the page asks for
    beside = max(6.5, 1.4 + 0.56 * max(len(label.text) for label in section.labels)) * text
    edge = max([stock.right, *(place.right for _, place in clamps)])
    travel, travel_stock = _travel(setup, stock, edge, text)
    zero = (-setup.zero[0], setup.zero[1])
    from_left, from_near = _to_zero(around, stock, zero, text)
    return Drawing(
        text,
        *_page(around, text, beside, section.lowest),
        stock=stock,
        relief=_down(setup.region),
        zero=zero,
        trace=_points(path),
        part=tuple(_points(line) for line in _lines(setup)),
        clamps=clamps,
        tabs=_places(tabs),
        holes=_places(setup.tiling.holes if setup.tiling else ()),
        hole=setup.roughing_cutter.diameter,
        seams=tuple(_points(line) for line in _seams(setup)),
        edge=edge,
        travel=travel,
        travel_stock=travel_stock,
        from_left=from_left,
        from_near=from_near,
        section=section,
    )


def _section(setup: Setup, stock: Region, top: float, texts: Beside, text: float) -> Section:
    """Return the section, its stock top at the height `top`, with lettering `text` high beside it."""
    box = Region(stock.left, top, stock.right, top + setup.job.stock.thickness)
    clear, cut, bottom = top - setup.clearance, top + setup.depth, box.far + below_board(setup)
    labels = _labels(texts, (clear, top, cut, box.far, bottom), text)
    return Section(
        box,
        kerfs=tuple(_kerfs(setup, box)),
        cut=cut,
        clear=clear,
        zero_level=box.near if setup.job.zero.z == "stock top" else box.far,
        labels=labels,
        lowest=max(bottom, labels[-1].y),
    )


def _to_zero(around: Region, stock: Region, zero: tuple[float, float], text: float) -> tuple[Line, Line]:
    """Return the lines on which the way from the stock's left and near edge to X0 Y0 is told."""
    below, left = around.far + 1.2 * text, around.left - 1.2 * text
    return (stock.left, below, zero[0], below), (left, stock.far, left, zero[1])


def _page(around: Region, text: float, beside: float, lowest: float) -> tuple[float, float, float, float]:
    """Return left, top, width and height of the drawing, with room for what is written on every side."""
    left, top = around.left - 3.6 * text, around.near - 1.9 * text
    return left, top, around.right + beside - left, lowest + 0.8 * text - top


def _points(path: Path2) -> str:
    return " ".join(f"{x:g},{y:g}" for x, y in path)


def _places(points: Sequence[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    return tuple((round(x, 3), round(-y, 3)) for x, y in points)


def _seams(setup: Setup) -> Iterator[Path2]:
    """Yield the edges of tiles inside the relief, in the drawing's coordinates."""
    tiles = setup.tiling.tiles if setup.tiling else ()
    whole = setup.region
    for right in sorted({tile.region.right for tile in tiles} - {whole.right}):
        yield np.round([(right, -whole.near), (right, -whole.far)], 3)
    for far in sorted({tile.region.far for tile in tiles} - {whole.far}):
        yield np.round([(whole.left, -far), (whole.right, -far)], 3)


def _lines(setup: Setup) -> Iterator[Path2]:
    """Yield the outlines of the part, its holes' too, in the drawing's coordinates."""
    if setup.part is None:
        return
    for polygon in shapely.get_parts(setup.part.outline):
        for ring in (polygon.exterior, *polygon.interiors):
            # a hundredth of a millimetre is finer than a printed line
            yield np.round(shapely.get_coordinates(ring.simplify(0.01)) * (1, -1), 2)


def _travel(setup: Setup, stock: Region, edge: float, text: float) -> tuple[Region | None, Region | None]:
    """Return the machine's travel and the stock in it, to a scale that fits below the arrows of X and Y."""
    left, near = edge + 1.5 * text, stock.near + 7.0 * text
    width, length = setup.machine.travel[:2]
    scale = min(4.6 * text / width, min(5.0 * text, stock.far - near) / length)
    if scale * length < text or setup.tiling:
        return None, None
    across, along = width * scale, length * scale
    middle = (left + across / 2, near + along / 2)
    half = (stock.width * scale / 2, stock.length * scale / 2)
    inner = Region(middle[0] - half[0], middle[1] - half[1], middle[0] + half[0], middle[1] + half[1])
    return Region(left, near, left + across, near + along), inner


def _down(region: Region) -> Region:
    """Turn a box over: on a page y runs down, so the far side of the table becomes the smaller y."""
    return Region(region.left, -region.far, region.right, -region.near)


def _around(stock: Region, path: Path2, clamps: Sequence[Region]) -> Region:
    """Return the box around the stock, the trace and the clamps."""
    boxes = [
        corner
        for place in (stock, *clamps)
        for corner in ((place.left, place.near), (place.right, place.far))
    ]
    corners = np.vstack([path, boxes])
    (left, near), (right, far) = corners.min(axis=0), corners.max(axis=0)
    return Region(float(left), float(near), float(right), float(far))


def _kerfs(setup: Setup, stock: Region) -> Iterator[Region]:
    """Yield what is cut out of the section: at both sides of the part, down to a skin or below the board."""
    if setup.part is not None:
        left, _, right, _ = setup.part.outline.bounds
        wide, skin = setup.part.cutter.diameter, setup.job.cutout.skin
        bottom = stock.far + (-skin if skin else below_board(setup, "cutout"))
        yield Region(left - wide, stock.near, left, bottom)
        yield Region(right, stock.near, right + wide, bottom)
    radius = setup.roughing_cutter.diameter / 2
    for x in sorted({x for x, _ in setup.tiling.holes}) if setup.tiling else ():
        yield Region(x - radius, stock.near, x + radius, stock.far + below_board(setup, "holes"))


def _labels(texts: Beside, levels: tuple[float, ...], text: float) -> tuple[Label, ...]:
    """Return the labels from the top down, no two closer than a line of text."""
    labels: list[Label] = []
    words_of = (texts.clear, texts.top, texts.cut, texts.bed, texts.below)
    pairs = [pair for pair in zip(levels, words_of, strict=True) if pair[1]]
    for level, words in sorted(pairs, key=lambda pair: pair[0]):
        free = labels[-1].y + 1.15 * text if labels else level - 0.6 * text
        labels.append(Label(words, max(free, level), level))
    return tuple(labels)
