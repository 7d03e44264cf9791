"""Checks that warn: what the user should know before the spindle turns, and may accept."""

from __future__ import annotations

import math
from operator import itemgetter

from relief.checks.check import Check
from relief.cutting import deepest_layer
from relief.evidence import Evidence, ReadProgram, RunEvidence, floor_left
from relief.measures import where_short
from relief.shop.records import Material
from relief.timing import fastest_block_rate, feed_that_eases, move_seconds
from relief.units import format_feed

# Share of the area that must be inside the scallop height before nothing is said about it …
WITHIN_ENOUGH = 0.995
# … and, between the nodes of the plan, what 99.9 % of it and all of it may reach, in scallops.
P999_BETWEEN, MAX_BETWEEN = 1.25, 2.0
# Nodes further apart than this, in scallops, prove nothing about ridges of that height.
COARSEST = 2.0
# Share of the area that may be lost, least stock below the deepest cut, mm, and seconds that one can
# stay beside a machine: common practice, no source.
LOST_SHARE = 0.1
THIN_FLOOR = 3.0
LONG_JOB = 8 * 3600.0
# Lengths below this are told as less than it, mm: it reads as 0.003 mm or 0.0001 in.
LEAST_TOLD = 0.00254
# The deepest cut is found to this, from above (see relief.carving.deepest_cut).
STEPDOWN_SLACK = 0.03


def scallop_reached(evidence: Evidence) -> Check:
    """The surface is as smooth as asked."""
    figures = evidence.scallop
    message = (
        f"{100 * figures.within:.2f} % of the area is within {evidence.told(figures.tolerance)};"
        f" the highest ridge is {evidence.told(figures.max)}"
    )
    holds = figures.within >= WITHIN_ENOUGH
    return Check(
        "scallop reached", holds, 100 * figures.within, 100 * WITHIN_ENOUGH, "%",
        message if holds else message + _where(evidence), "warn",
    )  # fmt: skip


def scallop_holds_between(evidence: Evidence) -> Check:
    """The surface is as smooth as asked between the nodes of the plan, too."""
    fine, asked = evidence.scallop_fine, evidence.scallop.tolerance
    judged = evidence.pitch <= COARSEST * asked * (1 + 1e-9)
    holds = not judged or (
        fine.within >= WITHIN_ENOUGH and fine.p999 <= P999_BETWEEN * asked and fine.max <= MAX_BETWEEN * asked
    )
    message = (
        f"seen between the points of the plan, {100 * fine.within:.2f} % is within {evidence.told(asked)},"
        f" all within {evidence.told(fine.max)}"
    )
    if not judged:
        message += "; the points lie too far apart to judge it"
    elif not holds:
        message += f"{_where(evidence)}; 99.9 % is within {evidence.told(fine.p999)}"
    return Check(
        "scallop holds between points", holds, 100 * fine.within, 100 * WITHIN_ENOUGH, "%", message, "warn"
    )


def _where(evidence: Evidence) -> str:
    """Return where ridges are higher than asked, and why."""
    x, y, _ = evidence.programs[0].zero
    places = where_short(evidence.scallop_fine.short, evidence.told, (x, y))
    return f"; higher ones {places}" if places else ""


def scallop_resolvable(evidence: Evidence) -> Check:
    """The grid is fine enough to show ridges of the height asked for."""
    asked, noise = evidence.scallop.tolerance, evidence.scallop_fine.floor.p999
    limit = min(COARSEST * asked, evidence.pitch * asked / noise if noise > asked else math.inf)
    holds = evidence.pitch <= limit * (1 + 1e-9)
    message = f"the surface is planned on points {evidence.told(evidence.pitch)} apart"
    if not holds:
        pitch = math.floor(200 * limit) / 200 or limit
        why = (
            f"even passes along every row of them would leave ridges of {evidence.told(noise)}"
            if noise > asked
            else f"to see ridges that low they may be {evidence.told(COARSEST * asked)} apart at most"
        )
        message += (
            f"; a scallop of {evidence.told(asked)} is not resolvable at this pitch: {why};"
            f" set output.pitch to {evidence.told(pitch)}"
        )
    return Check("scallop resolvable", holds, evidence.pitch, limit, "mm", message, "warn")


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
    message = f"{program.file}: {feeds.sentences[0].removesuffix('.')}"
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
    taken = [move_seconds(program.moves, machine) for program in evidence.programs]
    rates = [fastest_block_rate(p.moves, s) for p, s in zip(evidence.programs, taken, strict=True)]
    rate, limit = max(rates), machine.blocks_per_second
    worst = rates.index(rate)
    message = f"{evidence.programs[worst].file} sends up to {rate:.0f} lines a second"
    feed = feed_that_eases(evidence.programs[worst].moves, taken[worst], limit)
    if feed is not None:
        slow = format_feed(feed, evidence.words.units)
        message += f"; set output.ease = true, which slows where it must, or feed at {slow}"
    return Check("controller keeps up", rate <= limit, rate, limit, "blocks/s", message, "warn")


def stepdown_by_the_rule(evidence: Evidence) -> Check:
    """No feed move takes off more at once than the material's rule allows its cutter."""
    excess, program = max(
        ((p.deepest_cut - _rule(p, evidence.material), p) for p in evidence.cuts), key=itemgetter(0)
    )
    rule = _rule(program, evidence.material)
    message = (
        f"{program.file} takes off up to {evidence.told(program.deepest_cut)} at once"
        f" (line {program.deepest_block}), where the rule for {evidence.material.name} is"
        f" {evidence.told(rule)}"
    )
    holds = excess <= STEPDOWN_SLACK
    if not holds and program.hardest is not None:
        message += (
            ", and is fed the more slowly there; a smaller roughing cutter (roughing.rest) or a shallower"
            " relief leaves it less"
        )
    elif not holds and program.operation == "cutout":
        message += "; a smaller cutout.cutter or cutout.allowance = 0 leaves it less"
    elif not holds:
        message += ", so feed slowly there; or rough with a smaller cutter first"
    return Check("stepdown by the rule", holds, program.deepest_cut, rule, "mm", message, "warn")


def steps_of_the_picture_hidden(evidence: Evidence) -> Check:
    """The brightness steps of the picture are too small to see in the relief."""
    step = 0.0 if evidence.levels is None else evidence.depth / max(evidence.levels - 1, 1)
    limit = evidence.scallop.tolerance
    told = evidence.told(step) if step >= LEAST_TOLD else f"less than {evidence.told(LEAST_TOLD)}"
    return Check(
        "steps of the picture hidden", step <= limit, step, limit, "mm",
        f"one step of brightness is {told} of depth"
        + ("" if step <= limit else "; set shaping.unstep = true, or use a 16-bit picture"),
        "warn",
    )  # fmt: skip


def floor_thick_enough(evidence: RunEvidence) -> Check:
    """Enough stock is left below the deepest cut to stay stiff."""
    floor = floor_left((p for p in evidence.programs if p.operation != "cutout"), evidence.thickness)
    return Check(
        "floor thick enough", floor >= THIN_FLOOR, floor, THIN_FLOOR, "mm",
        f"{evidence.told(floor)} of stock is left below the deepest cut"
        if floor >= 0
        else f"the stock is too thin by {evidence.told(-floor)} for the deepest cut",
        "warn",
    )  # fmt: skip


def time_bearable(evidence: RunEvidence) -> Check:
    """The job can be watched from start to end."""
    seconds = sum(program.seconds for program in evidence.programs)
    return Check(
        "time bearable", seconds <= LONG_JOB, seconds / 3600, LONG_JOB / 3600, "h",
        f"{seconds / 3600:.1f} h at the machine; stay with it all the time", "warn",
    )  # fmt: skip


def _rule(program: ReadProgram, material: Material) -> float:
    """Return the deepest layer that the material allows a cutter, mm."""
    return deepest_layer(program.cutter, material) if program.cutter else math.inf
