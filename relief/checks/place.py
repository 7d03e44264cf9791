"""Checks that stop: where the cutter, its shank and its holder go."""

from __future__ import annotations

import math
from operator import itemgetter

import numpy as np
import numpy.typing as npt
import shapely

from relief.checks.check import TEXT_ROUNDING, Check
from relief.clamps import FAR, LEAST_ROOM, spare_room
from relief.evidence import ReadProgram, RunEvidence
from relief.moves import Moves
from relief.shop.records import Cutter
from relief.tiling import PIN_DEPTH

CONTACT_LIMIT = 0.01
# The trace is rounded to the lattice of the text, mm.
TRACE_SLACK = 0.02


def within_travel(evidence: RunEvidence) -> Check:
    """Every program fits into the machine's travel."""
    spans = np.array([_span(program.moves) for program in evidence.programs])
    excess = spans - np.asarray(evidence.machine.travel)
    worst = int(np.argmax((spans / np.asarray(evidence.machine.travel)).max(axis=0)))
    span, travel = float(spans[:, worst].max()), evidence.machine.travel[worst]
    holds = bool((excess <= TEXT_ROUNDING).all())
    message = (
        f"the programs span {evidence.told(span)} along {'XYZ'[worst]};"
        f" {evidence.machine.name} travels {evidence.told(travel)}"
    )
    if not holds:
        message += _extremes(evidence.programs[int(np.argmax(spans[:, worst]))], worst)
    return Check("within travel", holds, span, travel, "mm", message, "stop")


def within_stock(evidence: RunEvidence) -> Check:
    """No program goes below the bottom of the stock; only the cutout does, by as much as it was told to."""
    spare, program = min(((_spare_below(evidence, p), p) for p in evidence.programs), key=itemgetter(0))
    lowest, holds = float(np.nanmin(program.moves.points[:, 2])), spare >= -TEXT_ROUNDING
    message = (
        f"the deepest position of {program.file} is {evidence.told(-lowest)} below the stock top;"
        f" the stock is {evidence.told(evidence.thickness)} thick{_allowance_below(evidence, program)}"
    )
    if not holds:
        message += f" ({program.place(int(np.nanargmin(program.moves.points[1:, 2])))})"
    return Check("within stock", holds, -lowest, -lowest + spare, "mm", message, "stop")


def no_rapid_through_stock(evidence: RunEvidence) -> Check:
    """Every rapid runs above the stock or through air that is already cleared, from a place that is known."""
    worst = max(evidence.programs, key=lambda program: program.contact_depth)
    depth, fault = worst.contact_depth, ""
    if depth > CONTACT_LIMIT:
        fault = f"a rapid cuts {evidence.told(depth)} deep ({worst.place_of_line(worst.contact_block)})"
        if worst.contacts > 1:
            fault += f"; {worst.contacts} rapids of {worst.file} touch the stock"
    fault = fault or next((found for p in evidence.programs if (found := _blind_descent(p))), "")
    message = fault or "no rapid touches the stock"
    return Check("no rapid through stock", not fault, depth, CONTACT_LIMIT, "mm", message, "stop")


def ends_above_the_stock(evidence: RunEvidence) -> Check:
    """Every program ends with its cutter out of the stock; the end may have come too early (M2 halfway)."""
    lowest, program = min(
        ((float(p.moves.points[-1, 2]), p) for p in evidence.programs),
        key=lambda end: end[0] if math.isfinite(end[0]) else -math.inf,
    )
    holds = lowest >= -TEXT_ROUNDING
    message = "every program ends above the stock top"
    if not holds:
        message = (
            f"{program.file} ends with its cutter {evidence.told(-lowest)} below the stock top"
            f" ({program.place(len(program.moves) - 1)}): lines may be missing"
        )
    return Check("ends above the stock", holds, lowest, 0.0, "mm", message, "stop")


def clear_of_clamps(evidence: RunEvidence) -> Check:
    """Nothing that turns, the holder included, comes near a clamp; the trace, with any cutter in, neither."""
    every = tuple(program.cutter for program in evidence.cuts if program.cutter)
    worst, where = math.inf, ""
    for program in evidence.programs:
        cutters = (program.cutter,) if program.cutter else every
        for clamp in evidence.clamps:
            spare = spare_room(program.moves.points, cutters, clamp, LEAST_ROOM)
            move = int(np.argmin(spare)) if spare.size else 0
            if spare.size and spare[move] < worst:
                worst, where = float(spare[move]), f"{clamp.name} ({program.place(move)})"
    holds = worst >= LEAST_ROOM - TEXT_ROUNDING
    message = "cutters, shanks and holders stay clear of every clamp"
    if worst < FAR:
        message += f", {evidence.told(round(worst, 2))} at the nearest"
    if not holds:
        message = f"what turns comes within {evidence.told(round(max(worst, 0.0), 2))} of {where}"
        message = f"what turns goes through {where}" if worst <= 0 else message
    return Check("clear of clamps", holds, worst, LEAST_ROOM, "mm", message, "stop")


def inside_the_trace(evidence: RunEvidence) -> Check:
    """No cutter comes to a place that the trace does not go round."""
    traces = [program for program in evidence.programs if program.cutter is None]
    fence = _fence(traces)
    beyond, program, move = max(
        (_beyond(program, fence) for program in evidence.cuts), key=itemgetter(0), default=(0.0, None, 0)
    )
    holds = beyond <= TRACE_SLACK or program is None
    message = "the trace goes round all that is cut"
    if not holds and program is not None:
        message = f"a cutter comes {evidence.told(beyond)} outside the trace ({program.place(move)})"
    return Check("inside the trace", holds, max(beyond, 0.0), TRACE_SLACK, "mm", message, "stop")


def cutting_length_covers_depth(evidence: RunEvidence) -> Check:
    """No cutter goes deeper than its cutting edges are long."""
    spare, program = min(
        ((_edges(p.cutter) - _depth(p), p) for p in evidence.cuts if p.cutter),
        key=itemgetter(0),
    )
    depth, length = _depth(program), _edges(program.cutter) if program.cutter else 0.0
    return Check(
        "cutting length covers the depth", spare >= -TEXT_ROUNDING, depth, length, "mm",
        f"{program.file} goes {evidence.told(depth)} deep with cutting edges of {evidence.told(length)}",
        "stop",
    )  # fmt: skip


def _edges(cutter: Cutter) -> float:
    """Return how deep a cutter may go, mm; a drag point has no edges, and no wider shank."""
    return cutter.cutting_length if cutter.turns else cutter.reach


def shank_and_holder_clear(evidence: RunEvidence) -> Check:
    """Neither a wider shank nor the holder comes down to the stock.

    Everything above the cutting edges (a wider shank) or above the reach (nut, holder) stays above the stock
    top wherever the cutter goes; that is stricter than need be, and never wrong.
    """
    spare, program = min(((_spare_above(p), p) for p in evidence.cuts), key=itemgetter(0))
    return Check(
        "shank and holder clear", spare >= -TEXT_ROUNDING, spare, 0.0, "mm",
        f"{program.file}: shank and holder stay {evidence.told(spare)} above the stock top"
        if spare >= 0
        else f"{program.file}: shank or holder would go {evidence.told(-spare)} below the stock top",
        "stop",
    )  # fmt: skip


def _span(moves: Moves) -> npt.NDArray[np.float64]:
    """Return how far the moves reach along X, Y and Z, mm."""
    return np.asarray(np.nanmax(moves.points, axis=0) - np.nanmin(moves.points, axis=0), dtype=np.float64)


def _extremes(program: ReadProgram, axis: int) -> str:
    """Return between which two places a program spans an axis."""
    along = program.moves.points[1:, axis]
    places = program.place(int(np.nanargmin(along))), program.place(int(np.nanargmax(along)))
    return f" (from {places[0]} to {places[1]})"


def _spare_below(evidence: RunEvidence, program: ReadProgram) -> float:
    """Return how far a program stays above the lowest height that it may go to, mm."""
    lowest = float(np.nanmin(program.moves.points[:, 2]))
    return lowest + evidence.thickness + _through(evidence, program)


def _through(evidence: RunEvidence, program: ReadProgram) -> float:
    """Return how far a program may go below the bottom of the stock, mm; below 0: what it has to leave."""
    if program.operation == "holes":
        return PIN_DEPTH
    if evidence.cutout and program.operation == "cutout":
        return evidence.cutout.through if not evidence.cutout.skin else -evidence.cutout.skin
    return 0.0


def _allowance_below(evidence: RunEvidence, program: ReadProgram) -> str:
    """Return what a limit other than the bottom of the stock is made of."""
    through, told = _through(evidence, program), evidence.told
    if through > 0:
        return f", and the {program.operation} may go {told(through)} below it, into a sacrificial board"
    return f", of which the {program.operation} has to leave {told(-through)}" if through < 0 else ""


def _blind_descent(program: ReadProgram) -> str:
    """Return how a program goes below the stock top from an unknown place, or with the spindle off."""
    points = program.moves.points
    low = points[1:, 2] < -TEXT_ROUNDING
    untold = np.isnan(points[:-1]).any(axis=1) | np.isnan(points[1:]).any(axis=1)
    if (low & untold).any():
        move = int(np.argmax(low & untold))
        return f"goes below the stock top from a place that is not told ({program.place(move)})"
    if program.cutter is None and low.any():
        return f"goes below the stock top with the spindle off ({program.place(int(np.argmax(low)))})"
    return ""


def _fence(traces: list[ReadProgram]) -> shapely.Geometry:
    """Return what traces go round: the convex hull of where they come to."""
    places = np.concatenate([program.moves.points[:, :2] for program in traces])
    return shapely.MultiPoint(places[np.isfinite(places).all(axis=1)]).convex_hull


def _beyond(program: ReadProgram, fence: shapely.Geometry) -> tuple[float, ReadProgram, int]:
    """Return how far a cutter comes out of a convex fence, and in which move.

    A disc lies within a convex fence when its middle lies a radius or more inside the line of every side.
    """
    radius = program.cutter.diameter / 2 if program.cutter else 0.0
    ends = program.moves.points[1:, :2]
    if not isinstance(fence, shapely.Polygon):  # a walk along one line goes round nothing
        out = np.asarray(shapely.distance(shapely.points(np.nan_to_num(ends)), fence), dtype=np.float64)
    else:
        ring = shapely.get_coordinates(fence.exterior)[:: -1 if fence.exterior.is_ccw else 1]
        out = np.full(len(ends), -math.inf)
        for start, step in zip(ring, np.diff(ring, axis=0), strict=False):
            outward = np.array([-step[1], step[0]]) / math.hypot(*step)
            np.fmax(out, (ends - start) @ outward, out=out)
    if not out.size:
        return 0.0, program, 0
    move = int(np.argmax(out))
    return float(out[move]) + radius, program, move


def _depth(program: ReadProgram) -> float:
    """Return how far below the stock top a program goes, mm."""
    return max(0.0, -float(np.nanmin(program.moves.points[:, 2])))


def _spare_above(program: ReadProgram) -> float:
    """Return how far the lowest thing wider than the cutter stays above the stock top, mm."""
    cutter = program.cutter
    if cutter is None:
        return math.inf
    clear = cutter.cutting_length if cutter.shank > cutter.diameter else cutter.reach
    return clear - _depth(program)
