"""What must hold before the spindle turns: one small function for each check.

A check is a statement that can be true; it looks only at the programs as re-read from their text and at the
surfaces carved from them. To add one, write a function from Evidence to Check and put it into `CHECKS`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import Literal

import numpy as np
import numpy.typing as npt

from relief.evidence import Evidence, ReadProgram, RunEvidence
from relief.holding import Holding
from relief.job import Cutout
from relief.moves import Moves
from relief.shop.records import Machine, Material
from relief.timing import fastest_block_rate, move_seconds

# Depth below the target that float32 heights and the lattice of the text explain, mm.
GOUGE_LIMIT = 0.005
CONTACT_LIMIT = 0.01
# NISTIR 6556 s3.3: a line holds at most 256 characters.
LONGEST_LINE = 256
# G words in tenths: systems of coordinates besides G54 (s3.5.13), where lengths count from (s3.5.17).
OTHER_SYSTEMS = frozenset({550, 560, 570, 580, 590, 591, 592, 593})
ABSOLUTE_OR_NOT = frozenset({900, 910})
# Share of the area that must be inside the scallop height before nothing is said about it.
WITHIN_ENOUGH = 0.995
LOST_SHARE = 0.1
THIN_FLOOR = 3.0
# A tab may miss its width and height by this, mm, and its width by a node on either side.
TAB_SLACK = 0.1
WIDE_TAB = 1.25
# Waste that nothing holds, mm²: less is chips.
LOOSE_WASTE = 2.0
LONG_JOB = 8 * 3600.0
TEXT_ROUNDING = 1e-6
# A surface that stands this much too high was not finished at all, mm.
UNFINISHED = 0.2
# The trace is rounded to the lattice of the text, mm.
TRACE_SLACK = 0.02
# The deepest cut is found to this, from above (see relief.carving.deepest_cut).
STEPDOWN_SLACK = 0.06


@dataclass(frozen=True)
class Check:
    """One statement about the programs, and whether it holds.

    Parameters
    ----------
    name : the statement in a few words
    holds : whether it is true
    measured, limit : the number judged and what it is held against, in `unit`
    message : one sentence for the user
    severity : "stop" forbids the programs, "warn" tells
    """

    name: str
    holds: bool
    measured: float
    limit: float
    unit: str
    message: str
    severity: Literal["stop", "warn"]


def run_checks(evidence: Evidence) -> tuple[Check, ...]:
    """Return every check that has something to judge, in order: those that stop first."""
    return tuple(_sound(check(evidence)) for check in CHECKS if _judges(check, evidence))


def run_checks_without_target(evidence: RunEvidence) -> tuple[Check, ...]:
    """Return the checks that need stock, cutters and machine alone."""
    return tuple(_sound(check(evidence)) for check in WITHOUT_TARGET if _judges(check, evidence))


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
        f" the stock is {evidence.told(evidence.thickness)} thick"
    )
    if not holds:
        message += f" ({program.place(int(np.nanargmin(program.moves.points[1:, 2])))})"
    return Check("within stock", holds, -lowest, -lowest + spare, "mm", message, "stop")


def no_gouge(evidence: Evidence) -> Check:
    """Nothing is cut below the target."""
    deepest = evidence.gouge
    message = f"the carved surface is at most {deepest:.4f} mm below the target"
    if deepest > GOUGE_LIMIT:
        message += f" ({evidence.gouge_place})"
    return Check("no gouge", deepest <= GOUGE_LIMIT, deepest, GOUGE_LIMIT, "mm", message, "stop")


def no_rapid_through_stock(evidence: RunEvidence) -> Check:
    """Every rapid runs above the stock or through air that is already cleared, from a place that is known."""
    worst = max(evidence.programs, key=lambda program: program.contact_depth)
    depth, fault = worst.contact_depth, ""
    if depth > CONTACT_LIMIT:
        fault = f"a rapid cuts {depth:.3f} mm deep ({worst.place_of_line(worst.contact_block)})"
        if worst.contacts > 1:
            fault += f"; {worst.contacts} rapids of {worst.file} touch the stock"
    fault = fault or next((found for p in evidence.programs if (found := _blind_descent(p))), "")
    message = fault or "no rapid touches the stock"
    return Check("no rapid through stock", not fault, depth, CONTACT_LIMIT, "mm", message, "stop")


def inside_the_trace(evidence: RunEvidence) -> Check:
    """No cutter comes to a place that the trace does not go round."""
    traces = [program for program in evidence.programs if program.cutter is None]
    if not traces:
        message = "no trace is among the programs"
        return Check("inside the trace", True, 0.0, TRACE_SLACK, "mm", message, "stop")
    low = np.min([np.nanmin(p.moves.points[:, :2], axis=0) for p in traces], axis=0)
    high = np.max([np.nanmax(p.moves.points[:, :2], axis=0) for p in traces], axis=0)
    beyond, program, move = max(
        (_beyond(program, low, high) for program in evidence.cuts), key=itemgetter(0), default=(0.0, None, 0)
    )
    holds = beyond <= TRACE_SLACK or program is None
    message = "the trace goes round all that is cut"
    if not holds and program is not None:
        message = f"a cutter comes {evidence.told(beyond)} outside the trace ({program.place(move)})"
    return Check("inside the trace", holds, max(beyond, 0.0), TRACE_SLACK, "mm", message, "stop")


def cutting_length_covers_depth(evidence: RunEvidence) -> Check:
    """No cutter goes deeper than its cutting edges are long."""
    spare, program = min(
        ((p.cutter.cutting_length - _depth(p), p) for p in evidence.cuts if p.cutter),
        key=itemgetter(0),
    )
    depth, length = _depth(program), program.cutter.cutting_length if program.cutter else 0.0
    return Check(
        "cutting length covers the depth", spare >= -TEXT_ROUNDING, depth, length, "mm",
        f"{program.file} goes {evidence.told(depth)} deep with cutting edges of {evidence.told(length)}",
        "stop",
    )  # fmt: skip


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


def spindle_speed_in_range(evidence: RunEvidence) -> Check:
    """Every cut is made with the spindle turning as machine and cutter allow; the trace is not."""
    faults = [fault for program in evidence.programs if (fault := _spindle_fault(evidence, program))]
    fastest = max((p.feeds.rpm for p in evidence.cuts if p.feeds), default=0.0)
    return Check(
        "spindle speed in range", not faults, fastest, evidence.machine.rpm[1], "rev/min",
        faults[0] if faults else f"the fastest spindle speed is {fastest:.0f} rev/min",
        "stop",
    )  # fmt: skip


def feeds_in_range(evidence: RunEvidence) -> Check:
    """No move asks an axis for more than its highest feed."""
    ratio, program, move = max(
        (_axis_load(program, evidence.machine) for program in evidence.programs), key=itemgetter(0)
    )
    return Check(
        "feeds in range", ratio <= 1 + 1e-3, 100 * ratio, 100.0, "%",
        f"the hardest feed move asks {100 * ratio:.0f} % of an axis's highest feed"
        + ("" if ratio <= 1 + 1e-3 else f" ({program.place(move)})"),
        "stop",
    )  # fmt: skip


def part_held(evidence: Evidence) -> Check:
    """What the job leaves to hold the part is there, and nothing else."""
    found, asked = evidence.holding, evidence.cutout
    if found is None or asked is None:
        floor = _floor(evidence.programs, evidence.thickness)
        return Check(
            "part held", floor > 0, floor, 0.0, "mm",
            f"the thinnest floor left is {evidence.told(floor)}; the part stays in its board",
            "stop",
        )  # fmt: skip
    if not asked.tabs and not asked.skin:
        return Check(
            "part held", False, found.section, 0.0, "mm²",
            "no tab holds the part: hold it from below (double-sided tape, vacuum) before the cutout starts",
            "warn",
        )  # fmt: skip
    fault = _holding_fault(found, asked, evidence.pitch)
    held_by = f"a skin of {evidence.told(asked.skin)}" if asked.skin else f"{len(found.bridges)} tabs"
    return Check(
        "part held", not fault, found.section, 0.0, "mm²",
        fault or f"the part is held by {held_by}, {found.section:.0f} mm² in all",
        "stop",
    )  # fmt: skip


def text_conforms(evidence: RunEvidence) -> Check:
    """The text keeps to what small controllers share; the reader has accepted every word of it."""
    faults = [fault for program in evidence.programs if (fault := _text_fault(program, evidence))]
    longest = max(_longest_line(program.text) for program in evidence.programs)
    return Check(
        "text conforms to the standard", not faults, longest, LONGEST_LINE, "characters",
        faults[0] if faults else "plain RS274/NGC, every line read back",
        "stop",
    )  # fmt: skip


def surface_finished(evidence: Evidence) -> Check:
    """The finishing has been everywhere: nothing stands much higher than its ridges may."""
    height, limit = evidence.scallop.p99, max(3 * evidence.scallop.tolerance, UNFINISHED)
    message = f"99 % of the surface stands at most {evidence.told(height)} above what the cutter can reach"
    idle = [program.file for program in evidence.cuts if program.moves.rapid.all()]
    if idle:
        message = f"{idle[0]} cuts nothing: it holds no feed move"
    return Check("surface finished", height <= limit and not idle, height, limit, "mm", message, "stop")


def scallop_reached(evidence: Evidence) -> Check:
    """The surface is as smooth as asked."""
    figures = evidence.scallop
    message = (
        f"{100 * figures.within:.2f} % of the area is within {evidence.told(figures.tolerance)};"
        f" the highest ridge is {evidence.told(figures.max)}"
    )
    return Check(
        "scallop reached", figures.within >= WITHIN_ENOUGH, 100 * figures.within, 100 * WITHIN_ENOUGH, "%",
        message, "warn",
    )  # fmt: skip


def detail_kept(evidence: Evidence) -> Check:
    """The finishing cutter reaches most of the picture."""
    lost = evidence.lost_detail
    return Check(
        "detail kept", lost.share <= LOST_SHARE, 100 * lost.share, 100 * LOST_SHARE, "%",
        f"{100 * lost.share:.1f} % of the area stays more than a scallop above the picture,"
        f" {evidence.told(lost.max)} at most; a smaller ball would show more",
        "warn",
    )  # fmt: skip


def chip_load_in_range(evidence: Evidence) -> Check:
    """Every cutter's chip load suits cutter and stock."""
    told = [(program, program.feeds) for program in evidence.cuts if program.feeds is not None]
    program, feeds = min(told, key=lambda pair: pair[1].chip_load_holds)
    limit = feeds.chip_high if feeds.chip_load > feeds.chip_high else feeds.chip_low
    message = f"{program.file}: {feeds.sentences[0]}"
    return Check("chip load in range", feeds.chip_load_holds, feeds.chip_load, limit, "mm", message, "warn")


def power_enough(evidence: Evidence) -> Check:
    """The spindle has the power for the heaviest cut."""
    power = max((p.feeds.power for p in evidence.cuts if p.feeds), default=0.0)
    return Check(
        "power enough", power <= evidence.machine.spindle_power, power, evidence.machine.spindle_power, "W",
        f"the heaviest cut needs about {power:.0f} W of {evidence.machine.spindle_power:.0f} W",
        "warn",
    )  # fmt: skip


def controller_keeps_up(evidence: RunEvidence) -> Check:
    """No program sends blocks faster than the controller takes them."""
    machine = evidence.machine
    rates = [fastest_block_rate(p.moves, move_seconds(p.moves, machine)) for p in evidence.programs]
    rate, limit = max(rates), machine.blocks_per_second
    message = f"{evidence.programs[rates.index(rate)].file} sends up to {rate:.0f} blocks a second"
    return Check("controller keeps up", rate <= limit, rate, limit, "blocks/s", message, "warn")


def stepdown_by_the_rule(evidence: Evidence) -> Check:
    """No feed move takes off more at once than the material's rule allows its cutter."""
    excess, program = max(
        ((p.deepest_cut - _rule(p, evidence.material), p) for p in evidence.cuts), key=itemgetter(0)
    )
    rule = _rule(program, evidence.material)
    return Check(
        "stepdown by the rule", excess <= STEPDOWN_SLACK, program.deepest_cut, rule, "mm",
        f"{program.file} takes off up to {evidence.told(program.deepest_cut)} at once"
        f" (line {program.deepest_block}); the rule for {evidence.material.name} is {evidence.told(rule)}"
        + ("" if excess <= STEPDOWN_SLACK else ": feed slowly there, or rough with a smaller cutter first"),
        "warn",
    )  # fmt: skip


def steps_of_the_picture_hidden(evidence: Evidence) -> Check:
    """The brightness steps of the picture are too small to see in the relief."""
    step = 0.0 if evidence.levels is None else evidence.depth / max(evidence.levels - 1, 1)
    limit = evidence.scallop.tolerance
    return Check(
        "steps of the picture hidden", step <= limit, step, limit, "mm",
        f"one step of brightness is {step:.2g} mm of depth"
        + ("" if step <= limit else "; set shaping.unstep = true, or use a 16-bit picture"),
        "warn",
    )  # fmt: skip


def floor_thick_enough(evidence: RunEvidence) -> Check:
    """Enough stock is left below the deepest cut to stay stiff."""
    floor = _floor((p for p in evidence.programs if p.operation != "cutout"), evidence.thickness)
    return Check(
        "floor thick enough", floor >= THIN_FLOOR, floor, THIN_FLOOR, "mm",
        f"{evidence.told(floor)} of stock is left below the deepest cut", "warn",
    )  # fmt: skip


def time_bearable(evidence: RunEvidence) -> Check:
    """The job can be watched from start to end."""
    seconds = sum(program.seconds for program in evidence.programs)
    return Check(
        "time bearable", seconds <= LONG_JOB, seconds / 3600, LONG_JOB / 3600, "h",
        f"{seconds / 3600:.1f} h at the machine; stay with it all the time", "warn",
    )  # fmt: skip


def scallop_resolvable(evidence: Evidence) -> Check:
    """The grid is fine enough to show ridges of the height asked for."""
    limit = 2 * evidence.scallop.tolerance
    holds = evidence.pitch <= limit * (1 + 1e-9)
    message = f"the surface is judged on nodes {evidence.told(evidence.pitch)} apart"
    if not holds:
        message += (
            f"; ridges that low are not resolvable at this pitch: set output.pitch to {evidence.told(limit)}"
        )
    return Check("scallop resolvable", holds, evidence.pitch, limit, "mm", message, "warn")


CHECKS: tuple[Callable[[Evidence], Check], ...] = (
    within_travel,
    within_stock,
    no_gouge,
    no_rapid_through_stock,
    inside_the_trace,
    cutting_length_covers_depth,
    shank_and_holder_clear,
    spindle_speed_in_range,
    feeds_in_range,
    part_held,
    text_conforms,
    surface_finished,
    scallop_reached,
    detail_kept,
    chip_load_in_range,
    power_enough,
    controller_keeps_up,
    stepdown_by_the_rule,
    steps_of_the_picture_hidden,
    floor_thick_enough,
    time_bearable,
    scallop_resolvable,
)


# What can be judged with no target known.
WITHOUT_TARGET: tuple[Callable[[RunEvidence], Check], ...] = (
    within_travel,
    within_stock,
    no_rapid_through_stock,
    inside_the_trace,
    cutting_length_covers_depth,
    shank_and_holder_clear,
    spindle_speed_in_range,
    feeds_in_range,
    text_conforms,
    controller_keeps_up,
    floor_thick_enough,
    time_bearable,
)


# What has nothing to judge where no program cuts, or none tells its speeds.
OF_CUTS = (cutting_length_covers_depth, shank_and_holder_clear, stepdown_by_the_rule)
OF_FEEDS = (chip_load_in_range, power_enough)


def _sound(check: Check) -> Check:
    """Return the check; one that stops does not hold when its number is none."""
    if check.severity == "stop" and not math.isfinite(check.measured):
        return replace(check, holds=False)
    return check


def _judges(check: Callable[..., Check], evidence: RunEvidence) -> bool:
    if check in OF_FEEDS:
        return any(program.feeds for program in evidence.cuts)
    return bool(evidence.cuts) or check not in OF_CUTS


def _floor(programs: Iterable[ReadProgram], thickness: float) -> float:
    """Return the least thickness of stock that programs leave, mm."""
    return thickness + min(float(program.after.heights.min()) for program in programs)


def _spare_below(evidence: RunEvidence, program: ReadProgram) -> float:
    """Return how far a program stays above the lowest height that it may go to, mm."""
    through = 0.0
    if evidence.cutout and program.operation == "cutout":
        through = evidence.cutout.through if not evidence.cutout.skin else -evidence.cutout.skin
    return float(np.nanmin(program.moves.points[:, 2])) + evidence.thickness + through


def _holding_fault(found: Holding, asked: Cutout, pitch: float) -> str:
    """Return what is wrong with what holds the part, or an empty text."""
    if found.loose_parts:
        return f"{found.loose_parts} of {found.parts} parts would come loose: nothing joins them to the board"
    if found.loose_waste > LOOSE_WASTE:
        return f"{found.loose_waste:.0f} mm² of waste would come loose under the turning cutter"
    if asked.skin:
        return ""
    count, most = sum(bridge.to_frame for bridge in found.bridges), asked.tabs * found.parts
    if count > most:
        return f"{count} places join the part to its board, where {most} tabs were asked for"
    slack = TAB_SLACK + 2 * pitch
    for bridge in found.bridges:
        # beside a curved outline a tab is measured along the curve, which is longer than straight across
        narrow, wide = asked.tab_width - slack, WIDE_TAB * asked.tab_width + slack
        if not (narrow <= bridge.width <= wide and abs(bridge.height - asked.tab_height) <= TAB_SLACK):
            return (
                f"what joins the part to its board at X {bridge.x:.1f} Y {bridge.y:.1f} mm"
                f" is {bridge.width:.2f} x {bridge.height:.2f} mm,"
                f" where a tab has {asked.tab_width:.2f} x {asked.tab_height:.2f} mm"
            )
    return ""


def _span(moves: Moves) -> npt.NDArray[np.float64]:
    """Return how far the moves reach along X, Y and Z, mm."""
    return np.asarray(np.nanmax(moves.points, axis=0) - np.nanmin(moves.points, axis=0), dtype=np.float64)


def _extremes(program: ReadProgram, axis: int) -> str:
    """Return between which two places a program spans an axis."""
    along = program.moves.points[1:, axis]
    places = program.place(int(np.nanargmin(along))), program.place(int(np.nanargmax(along)))
    return f" (from {places[0]} to {places[1]})"


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


def _beyond(
    program: ReadProgram, low: npt.NDArray[np.float64], high: npt.NDArray[np.float64]
) -> tuple[float, ReadProgram, int]:
    """Return how far a cutter comes out of a box, and in which move."""
    radius = program.cutter.diameter / 2 if program.cutter else 0.0
    ends = program.moves.points[1:, :2]
    out = np.nan_to_num(np.maximum(low - (ends - radius), (ends + radius) - high), nan=-math.inf)
    worst = out.max(axis=1)
    move = int(np.argmax(worst)) if worst.size else 0
    return (float(worst[move]) if worst.size else 0.0), program, move


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


def _rule(program: ReadProgram, material: Material) -> float:
    """Return the deepest layer that the material allows a cutter, mm."""
    return material.stepdown * program.cutter.diameter if program.cutter else math.inf


def _spindle_fault(evidence: RunEvidence, program: ReadProgram) -> str:
    moves, machine = program.moves, evidence.machine
    if program.cutter is None or not program.cutter.turns:
        return f"{program.file} turns the spindle; it must stand" if moves.rpm.any() else ""
    speeds = moves.rpm[~moves.rapid]
    if machine.spindle == "by hand":
        if not _pauses_first(moves):
            return f"{program.file} cuts before it has stopped (M0) for the spindle to be started by hand"
        if moves.rpm.any():
            return f"{program.file} turns the spindle by itself, but that of {machine.name} is set by hand"
        speeds = np.array([program.feeds.rpm] if program.feeds else [])
    low, high = machine.rpm[0], min(machine.rpm[1], program.cutter.max_rpm)
    if speeds.size and not (low <= speeds.min() and speeds.max() <= high):
        return (
            f"{program.file}: spindle speeds from {speeds.min():.0f} to {speeds.max():.0f} rev/min;"
            f" machine and cutter allow {low:.0f} to {high:.0f}"
        )
    return ""


def _pauses_first(moves: Moves) -> bool:
    """Return whether a program waits for a person before its first cut."""
    cuts = moves.block[~moves.rapid]
    return not cuts.size or bool(moves.pauses and min(moves.pauses) < cuts.min())


def _axis_load(program: ReadProgram, machine: Machine) -> tuple[float, ReadProgram, int]:
    """Return the largest share of an axis's highest feed that a feed move asks for, and which move."""
    moves = program.moves
    way, length = np.abs(np.nan_to_num(np.diff(moves.points, axis=0))), moves.lengths()
    share = way / np.asarray(machine.max_feed) / np.where(length > 0, length, 1.0)[:, None]
    load = np.where(moves.rapid, 0.0, share.max(axis=1) * moves.feed)
    move = int(np.argmax(load)) if load.size else 0
    return (float(load[move]) if load.size else 0.0), program, move


def _longest_line(text: bytes) -> int:
    return max(map(len, text.splitlines()), default=0)


def _text_fault(program: ReadProgram, evidence: RunEvidence) -> str:
    moves, machine = program.moves, evidence.machine
    if not program.text.isascii():
        return f"{program.file} holds characters that are not ASCII"
    if _longest_line(program.text) > LONGEST_LINE:
        return f"{program.file} has a line of more than {LONGEST_LINE} characters"
    untold = np.isnan(moves.points[:-1, 2]) & np.isfinite(moves.points[1:, :2]).any(axis=1)
    if untold.any():
        return f"{program.file} line {int(moves.block[untold][0])}: moves sideways before its height is told"
    if evidence.units is not None and moves.units != evidence.units:
        return f"{program.file} is written in {moves.units}, the job in {evidence.units}"
    return _modes_fault(program) or _tool_fault(program, machine)


def _modes_fault(program: ReadProgram) -> str:
    """Return what a program leaves to whatever the controller was last set to."""
    modes = program.moves.modes
    other = sorted(modes & OTHER_SYSTEMS)
    if other:
        return f"{program.file} moves in the system of G{other[0] / 10:g}; zero is set in G54"
    for needed, words in ((ABSOLUTE_OR_NOT, "G90 or G91"), ({940}, "G94"), ({540}, "G54")):
        if not modes & needed:
            return f"{program.file} moves before it says {words}; the controller may be set to something else"
    return ""


def _tool_fault(program: ReadProgram, machine: Machine) -> str:
    called, cutter = program.moves.tool, program.cutter
    if called is not None and machine.tool_change != "M6":
        return f"{program.file} calls a cutter, but {machine.name} changes cutters by hand"
    if called is not None and cutter is not None and called != cutter.number:
        return f'{program.file} calls cutter {called}; "{cutter.name}" is number {cutter.number}'
    return ""
