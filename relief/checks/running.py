"""Checks that stop: what the machine is told to do."""

from __future__ import annotations

from operator import itemgetter

import numpy as np

from relief.checks.check import Check
from relief.evidence import Evidence, ReadProgram, RunEvidence
from relief.moves import Moves
from relief.shop.records import Machine

# NISTIR 6556 s3.3: a line holds at most 256 characters.
LONGEST_LINE = 256
# G words in tenths: systems of coordinates besides G54 (s3.5.13), where lengths count from (s3.5.17).
OTHER_SYSTEMS = frozenset({550, 560, 570, 580, 590, 591, 592, 593})
ABSOLUTE_OR_NOT = frozenset({900, 910})
UNIT_WORDS = {"mm": "millimetres", "in": "inches"}
# A cut may be fed this much faster than the stock, as its nodes tell it, allows: they tell it no better.
LOAD_SLACK = 1.15
# Cutters are changed at least so high above the stock top, mm: common practice, no source.
LEAST_LIFT = 1.0


def in_running_order(evidence: Evidence) -> Check:
    """No program is run before one whose cuts it rests on: it would go at full feed into what stands."""
    fault = evidence.order_fault
    message = fault or "every program that cuts comes after those that the job runs before it"
    return Check("in running order", not fault, float(bool(fault)), 0.0, "faults", message, "stop")


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


def load_bounded(evidence: RunEvidence) -> Check:
    """No cut is fed faster than what it takes allows, where feeds go by what is cut."""
    found = [(program.hardest, program) for program in evidence.cuts if program.hardest is not None]
    hardest, program = max(found, key=lambda pair: pair[0].share)
    share, limit = 100 * hardest.share, 100 * LOAD_SLACK
    holds = share <= limit
    message = f"the hardest cut is fed at {share:.0f} % of what it allows"
    if holds:
        message += f"; up to {limit:.0f} % counts as held: the points of the stock tell a cut no more closely"
    else:
        message += f" ({program.place_of_line(hardest.block)}): feed it slower there"
    return Check("load bounded", holds, share, limit, "%", message, "stop")


def entries_by_the_rule(evidence: RunEvidence) -> Check:
    """No way down into the stock is steeper than a ramp, but at plunge feed and with a cutter that may."""
    found = [(program.entry_depth, program) for program in evidence.cuts if program.entry_depth is not None]
    depth, program = max(found, key=itemgetter(0))
    message = "every way down into the stock is a ramp, or goes at plunge feed with a cutter that may"
    if depth:
        cutter = program.cutter.name if program.cutter and not program.cutter.plunges else ""
        message = (
            f"{program.place_of_line(program.entry_block)}: goes {evidence.told(depth)} down into the stock"
            + (f', and "{cutter}" may not plunge: ramp there' if cutter else " faster than at plunge feed")
        )
    return Check("enters the stock by the rule", not depth, depth, 0.0, "mm", message, "stop")


def text_conforms(evidence: RunEvidence) -> Check:
    """The text keeps to what small controllers share; the reader has accepted every word of it."""
    faults = [fault for program in evidence.programs if (fault := _text_fault(program, evidence))]
    longest = max(_longest_line(program.text) for program in evidence.programs)
    return Check(
        "text conforms to the standard", not faults, longest, LONGEST_LINE, "characters",
        faults[0] if faults else "plain RS274/NGC, every line read back",
        "stop",
    )  # fmt: skip


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
        return (
            f"{program.file} is written in {UNIT_WORDS[moves.units]}, the job in {UNIT_WORDS[evidence.units]}"
        )
    if moves.first_arc and not machine.arcs:
        return (
            f"{program.file} line {moves.first_arc}: makes an arc, and {machine.name} takes none (arcs in the"
            " shop file says whether it does)"
        )
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
    begins = program.moves.points[0, 2]
    if program.moves.changes and begins < LEAST_LIFT:
        line = program.moves.changes[0].line
        return f"{program.file} line {line}: the cutter is changed before it is lifted off the stock"
    numbers, cutter = [change.number for change in program.moves.changes], program.cutter
    called = next((n for n in numbers if cutter is None or n != cutter.number), program.moves.tool)
    if called is not None and machine.tool_change != "M6":
        return f"{program.file} calls a cutter, but {machine.name} changes cutters by hand"
    if called is not None and cutter is not None and called != cutter.number:
        return f'{program.file} calls cutter {called}; "{cutter.name}" is number {cutter.number}'
    return ""
