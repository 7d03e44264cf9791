"""Checks that stop: what the programs leave."""

from __future__ import annotations

from relief.checks.check import Check
from relief.evidence import Evidence, floor_left
from relief.holding import Holding
from relief.sections import Cutout

# Depth below the target that float32 heights and the lattice of the text explain, mm.
GOUGE_LIMIT = 0.005
# A tab may miss its width and height by this, mm, and its width by a node on either side.
TAB_SLACK = 0.1
WIDE_TAB = 1.25
# Waste that nothing holds, mm²: less is chips.
LOOSE_WASTE = 2.0
# A surface that stands this much too high was not finished at all, mm.
UNFINISHED = 0.2


def no_gouge(evidence: Evidence) -> Check:
    """Nothing is cut below the target."""
    deepest = evidence.gouge
    message = f"the carved surface is at most {evidence.told(deepest)} below the target"
    if deepest > GOUGE_LIMIT:
        message += f" ({evidence.gouge_place})"
    return Check("no gouge", deepest <= GOUGE_LIMIT, deepest, GOUGE_LIMIT, "mm", message, "stop")


def part_held(evidence: Evidence) -> Check:
    """What the job leaves to hold the part is there, and nothing else."""
    found, asked = evidence.holding, evidence.cutout
    if found is None or asked is None:
        floor = floor_left(evidence.programs, evidence.thickness)
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
    fault = _holding_fault(found, asked, evidence)
    held_by = f"a skin of {evidence.told(asked.skin)}" if asked.skin else f"{len(found.bridges)} tabs"
    return Check(
        "part held", not fault, found.section, 0.0, "mm²",
        fault or f"the part is held by {held_by}, {evidence.words.area(found.section)} in all",
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


def _holding_fault(found: Holding, asked: Cutout, evidence: Evidence) -> str:
    """Return what is wrong with what holds the part, or an empty text."""
    if found.loose_parts:
        return f"{found.loose_parts} of {found.parts} parts would come loose: nothing joins them to the board"
    if found.loose_waste > LOOSE_WASTE:
        waste = evidence.words.area(found.loose_waste)
        return f"{waste} of waste would come loose under the turning cutter"
    if asked.skin:
        return ""
    count, most = sum(bridge.to_frame for bridge in found.bridges), asked.tabs * found.parts
    if count > most:
        return f"{count} places join the part to its board, where {most} tabs were asked for"
    slack, told = TAB_SLACK + 2 * evidence.pitch, evidence.told
    for bridge in found.bridges:
        # beside a curved outline a tab is measured along the curve, which is longer than straight across
        narrow, wide = asked.tab_width - slack, WIDE_TAB * asked.tab_width + slack
        if not (narrow <= bridge.width <= wide and abs(bridge.height - asked.tab_height) <= TAB_SLACK):
            return (
                f"what joins the part to its board at {evidence.words.place(bridge.x, bridge.y)}"
                f" is {told(round(bridge.width, 2))} x {told(round(bridge.height, 2))},"
                f" where a tab has {told(asked.tab_width)} x {told(asked.tab_height)}"
            )
    return ""
