"""Cutting the part free: round its outline in layers, with tabs left standing, then once along the wall.

The spindle turns clockwise seen from above (M3). Every ring is run with the part on its right: outlines
clockwise, holes counter-clockwise. Then the edge comes out of the part where its chip is thinnest: climb
milling, which leaves the better wall.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from relief.errors import PlanError
from relief.heightfield import Region
from relief.planning.layers import Contour, Rules, cut_contour
from relief.planning.outline import THINNED, Ring, grown, pieces, rectangle, rims, ring, shrunk
from relief.planning.shares import Cell
from relief.planning.tabs import Room, Tab, banks, tab_places
from relief.sections import Cutout
from relief.shop.records import Cutter
from relief.toolpath import Toolpath
from relief.units import Wording, format_length

# A ring shorter than this share of the cutter's diameter leaves no room for a ramp.
SHORTEST = 0.5
# Waste inside the part that is larger than a square of so many cutter diameters gets tabs of its own.
LARGE_WASTE = 3.0
# Loose waste is cleared by rings this share of the radius apart.
CLEARING = 0.8
# Waste on a thinner neck, mm, breaks off: common practice, no source.
NECK = 1.0
# How sizes and places are told where no job says it.
MILLIMETRES = Wording()


@dataclass(frozen=True, eq=False)
class CutoutPlan:
    """A cutout as planned.

    Parameters
    ----------
    toolpath : in the relief's coordinates; empty when there is nothing to cut
    tabs : the tabs left standing
    stepdown : mm, deepest layer
    warnings : what the user must know, one sentence each
    """

    toolpath: Toolpath
    tabs: tuple[Tab, ...]
    stepdown: float
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Warnings:
    """What is to be said of a cutout, and in which words sizes and places are told."""

    words: Wording
    said: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        """Add a sentence."""
        self.said.append(text)


def plan_cutout(
    outlines: BaseGeometry,
    cutter: Cutter,
    section: Cutout,
    *,
    thickness: float,
    clearance: float,
    step: float = 0.001,
    stock: Region | None = None,
    cell: Cell | None = None,
    words: Wording = MILLIMETRES,
) -> CutoutPlan:
    """Plan the cuts that free a part from its board.

    Parameters
    ----------
    outlines : Polygon or MultiPolygon
        The part, or parts, with their holes.
    cutter : a flat end mill
    section : the job's cutout keys, with stepdown (mm) and entry_angle (degrees) filled in
    thickness : mm, of the stock
    clearance : mm above the stock top, for rapids
    step : mm, the lattice that the program text can express
    stock : the board; None: wide enough everywhere
    cell : the tile of which the toolpath cuts its share; None: it cuts all; tabs and warnings are the whole's
    words : in which the warnings tell sizes and places

    Returns
    -------
    CutoutPlan
        Holes come before the outside. Each ring is cut in layers of at most the stepdown, each entered by a
        ramp along the ring; a last pass at full depth takes the allowance off the wall.

    Raises
    ------
    PlanError
        A cutter that is not flat, or tabs that are higher than what stands beside the part.
    """
    rules = _rules(cutter, section, thickness, clearance, step)
    guard = step + THINNED  # roundings of the way move it away from the part, never into it
    kept = grown(outlines, rules.radius + guard)
    warnings = _Warnings(words)
    walls = _walls(kept, rules, section, warnings)
    frame, loose = _waste(kept, walls, rules, stock)
    contours = [_with_tabs(wall, outlines, frame, loose, rules, section, warnings) for wall in walls]
    clearing = [] if section.skin else _clearing_rings(loose, rules)
    paths = [cut_contour(Contour(way, None, True, ()), rules, section.tab_width, cell) for way in clearing]
    paths += [cut_contour(contour, rules, section.tab_width, cell) for contour in contours]
    tabs = tuple(
        Tab(float(x), float(y), section.tab_width, rules.tab_top + thickness)
        for contour in contours
        for x, y in contour.wall.at(contour.tabs)
    )
    _warn(outlines, kept, section, rules, tabs, warnings)
    deepest = max(-np.diff((0.0, *rules.levels)), default=0.0)
    return CutoutPlan(Toolpath.join(paths), tabs, float(deepest), tuple(warnings.said))


def _rules(cutter: Cutter, section: Cutout, thickness: float, clearance: float, step: float) -> Rules:
    if cutter.kind != "flat":
        message = f'cutout.cutter = "{cutter.name}" is a {cutter.kind} cutter; a cutout needs a flat end mill'
        raise PlanError(message)
    if section.stepdown is None or section.entry_angle is None:
        message = "the cutout's stepdown and entry angle are not filled in"
        raise PlanError(message)
    bottom = section.skin - thickness if section.skin else -thickness - section.through
    units = -math.ceil(bottom / step - 1e-6)
    layers = max(math.ceil(units / max(math.floor(section.stepdown / step + 1e-6), 1)), 1)
    levels = tuple(-(units * k // layers) * step for k in range(1, layers + 1))
    tab_top = math.ceil((section.tab_height - thickness) / step - 1e-6) * step
    if section.tabs and not section.skin and tab_top > 0:
        message = (
            f"cutout.tab_height = {format_length(section.tab_height)} is more than the"
            f" {format_length(thickness)} that stand beside the part; ask for lower tabs"
        )
        raise PlanError(message)
    return Rules(
        radius=cutter.diameter / 2,
        levels=levels if units > 0 else (),
        tab_top=tab_top,
        slope=math.tan(math.radians(section.entry_angle)),
        allowance=section.allowance,
        clearance=clearance,
        step=step,
    )


def _walls(kept: BaseGeometry, rules: Rules, section: Cutout, warnings: _Warnings) -> list[Contour]:
    """Return the rings along every wall, holes first, as yet without tabs."""
    clear = grown(kept, section.allowance) if section.allowance else kept
    found = []
    for line, hole in rims(kept):
        if line.length < SHORTEST * 2 * rules.radius:
            middle = line.centroid
            warnings.say(
                f"the hole at {warnings.words.place(middle.x, middle.y)} is too small for the cutout cutter"
                " and stays uncut"
            )
            continue
        wall = ring(line, rules.step, clockwise=not hole)
        found.append(Contour(wall, _clear_ring(wall, clear, rules, section), hole, ()))
    return found


def _waste(
    kept: BaseGeometry, contours: list[Contour], rules: Rules, stock: Region | None
) -> tuple[BaseGeometry, list[shapely.Polygon]]:
    """Return what is left of the board round the part: the frame, and pieces that would come loose from it.

    What hangs on the frame by a neck that is thinner than `NECK` counts as loose.
    """
    board = stock or Region(*kept.bounds).grown(8 * rules.radius)
    rim, beyond = rectangle(board).exterior, rectangle(board.grown(NECK))
    ways = [way for contour in contours for way in (contour.wall, contour.clear) if way]
    swept = [shapely.LinearRing(way.points).buffer(rules.radius) for way in ways]
    taken = shapely.union_all([kept, *swept])
    loose = [piece for piece in pieces(rectangle(board) - taken) if not piece.intersects(rim)]
    thick = pieces(shapely.buffer(beyond - taken, -NECK / 2))
    frame = shapely.union_all([piece for piece in thick if piece.intersects(rim)])
    hanging = [piece for piece in thick if not piece.intersects(rim)]
    hanging = [piece for piece in hanging if not any(whole.contains(piece) for whole in loose)]
    for piece in hanging:
        loose += pieces(shapely.buffer(piece, NECK / 2))
    return shapely.buffer(frame, NECK / 2), loose


def _with_tabs(
    contour: Contour,
    outlines: BaseGeometry,
    frame: BaseGeometry,
    loose: list[shapely.Polygon],
    rules: Rules,
    section: Cutout,
    warnings: _Warnings,
) -> Contour:
    """Return a wall with its tabs: to the frame, or in a hole to large waste that it then holds."""
    wanted, holding, room = section.tabs, frame, _room(section, rules)
    if contour.hole:
        inside = shapely.Polygon(contour.wall.points)
        large = (LARGE_WASTE * 2 * rules.radius) ** 2
        slugs = [piece for piece in loose if piece.area > large and inside.contains(piece)]
        wanted, holding = min(section.tabs, 2) if slugs else 0, shapely.union_all(slugs)
    if not wanted or section.skin:
        return contour
    places = tab_places(contour.wall, wanted, room, outlines, holding)
    if len(places) < wanted:
        warnings.say(f"only {len(places)} of {wanted} tabs find room round {_name(contour, warnings.words)}")
    held_by = banks(contour.wall, places, room)
    loose[:] = [piece for piece in loose if not piece.intersects(held_by)]
    return contour._replace(tabs=tuple(places))


def _room(section: Cutout, rules: Rules) -> Room:
    """Return what a tab takes up beside the part."""
    gap = section.tab_width + 2 * rules.radius + 2 * rules.flare
    return Room(section.tab_width, gap, rules.radius, 1.3 * rules.radius + section.allowance)


def _name(contour: Contour, words: Wording) -> str:
    middle = shapely.Polygon(contour.wall.points).representative_point()
    return f"the {'hole' if contour.hole else 'part'} at {words.place(middle.x, middle.y)}"


def _clear_ring(wall: Ring, clear: BaseGeometry, rules: Rules, section: Cutout) -> Ring | None:
    """Return the ring that leaves the allowance; None where it would leave more than that somewhere.

    Between walls that stand little more than a cutter apart there is no room for it. There, and everywhere
    when there is no allowance, the layers run along the wall itself.
    """
    if not section.allowance:
        return None
    most = 3 * section.allowance
    along = shapely.LinearRing(wall.points)
    for line, _ in rims(clear):
        if line.length < SHORTEST * 2 * rules.radius or line.distance(along) > most:
            continue
        if shapely.hausdorff_distance(line, along) <= most:
            return ring(line, rules.step, clockwise=wall.signed_area < 0)
    return None


def _clearing_rings(waste: list[shapely.Polygon], rules: Rules) -> list[Ring]:
    """Return rings that clear loose waste, from its middle outward, so that it stays held to the last."""
    found = []
    for piece in waste:
        rings: list[Ring] = []
        shape: BaseGeometry = piece
        while not shape.is_empty:
            lines = [line for line, _ in rims(shape) if line.length >= SHORTEST * 2 * rules.radius]
            rings += [ring(line, rules.step, clockwise=False) for line in lines]
            shape = shrunk(shape, CLEARING * rules.radius)
        found += rings[::-1]
    return found


def _warn(
    outlines: BaseGeometry,
    kept: BaseGeometry,
    section: Cutout,
    rules: Rules,
    tabs: tuple[Tab, ...],
    warnings: _Warnings,
) -> None:
    """Add what the user must know about holding the part and about places that the cutter cannot reach."""
    if section.skin:
        skin = warnings.words.length(section.skin)
        warnings.say(f"a skin of {skin} holds the part; cut it with a knife or saw afterwards")
    elif not tabs:
        warnings.say(
            "no tab holds the part: hold it from below (double-sided tape, vacuum) before the cutout starts,"
            " or it comes loose under the turning cutter"
        )
    # what is nearer to the part than a cutter can come to everywhere, beyond the corners' own roundings
    uncut = shapely.difference(shrunk(kept, rules.radius), grown(outlines, 0.1))
    narrow = sum(piece.area for piece in pieces(uncut))
    if narrow > rules.radius**2:
        area = warnings.words.area(narrow)
        warnings.say(f"{area} beside the outline are too narrow for the cutout cutter and stay on the part")
