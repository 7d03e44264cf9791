"""What must hold before the spindle turns: one small function for each check.

A check is a statement that can be true; it looks only at the programs as re-read from their text and at the
surfaces carved from them. To add one, write a function from Evidence to Check beside its kind and put it into
`CHECKS`: what stops is in `place`, `running` and `outcome`, what warns in `warns`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any, NamedTuple

from relief.checks.check import Check
from relief.checks.outcome import no_gouge, part_held, surface_finished
from relief.checks.place import (
    clear_of_clamps,
    cutting_length_covers_depth,
    ends_above_the_stock,
    inside_the_trace,
    no_rapid_through_stock,
    shank_and_holder_clear,
    within_stock,
    within_travel,
)
from relief.checks.running import (
    entries_by_the_rule,
    feeds_in_range,
    in_running_order,
    load_bounded,
    spindle_speed_in_range,
    text_conforms,
)
from relief.checks.warns import (
    chip_load_in_range,
    controller_keeps_up,
    detail_kept,
    floor_thick_enough,
    power_enough,
    scallop_holds_between,
    scallop_reached,
    scallop_resolvable,
    stepdown_by_the_rule,
    steps_of_the_picture_hidden,
    time_bearable,
)
from relief.evidence import Evidence, RunEvidence

__all__ = ["CHECKS", "WITHOUT_TARGET", "Check", "not_made", "run_checks", "run_checks_without_target"]

CHECKS: tuple[Callable[[Evidence], Check], ...] = (
    in_running_order,
    within_travel,
    within_stock,
    no_gouge,
    no_rapid_through_stock,
    ends_above_the_stock,
    clear_of_clamps,
    inside_the_trace,
    cutting_length_covers_depth,
    shank_and_holder_clear,
    spindle_speed_in_range,
    feeds_in_range,
    load_bounded,
    entries_by_the_rule,
    part_held,
    text_conforms,
    surface_finished,
    scallop_reached,
    scallop_holds_between,
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
    ends_above_the_stock,
    clear_of_clamps,
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


class _Need(NamedTuple):
    """What a check cannot do without.

    Parameters
    ----------
    name : of the check
    met : whether it is there
    why : said where it is not; empty where nothing is amiss then
    """

    name: str
    met: Callable[[Any], bool]
    why: str


def _any_cuts(evidence: RunEvidence) -> bool:
    return bool(evidence.cuts)


def _any_speeds(evidence: RunEvidence) -> bool:
    return any(program.feeds for program in evidence.cuts)


_CUTS, _SPEEDS = "no program given cuts", "of no program given are its speeds known"
NEEDS: dict[Callable[..., Check], _Need] = {
    in_running_order: _Need(
        "in running order",
        lambda evidence: evidence.order_fault is not None,
        "which of the job's programs each of these is, is not known",
    ),
    inside_the_trace: _Need(
        "inside the trace",
        lambda evidence: any(program.cutter is None for program in evidence.programs),
        "no trace was given",
    ),
    cutting_length_covers_depth: _Need("cutting length covers the depth", _any_cuts, _CUTS),
    shank_and_holder_clear: _Need("shank and holder clear", _any_cuts, _CUTS),
    stepdown_by_the_rule: _Need("stepdown by the rule", _any_cuts, _CUTS),
    chip_load_in_range: _Need("chip load in range", _any_speeds, _SPEEDS),
    power_enough: _Need("power enough", _any_speeds, _SPEEDS),
    load_bounded: _Need(
        "load bounded",
        lambda evidence: any(program.hardest for program in evidence.cuts),
        "no program given has feeds that go by what is cut",
    ),
    entries_by_the_rule: _Need(
        "enters the stock by the rule",
        lambda evidence: any(program.entry_depth is not None for program in evidence.cuts),
        "how the programs given may go down into the stock is not known",
    ),
    clear_of_clamps: _Need("clear of clamps", lambda evidence: bool(evidence.clamps), ""),
}


def run_checks(evidence: Evidence) -> tuple[Check, ...]:
    """Return every check that has something to judge, in order: those that stop first."""
    return tuple(_sound(check(evidence)) for check in CHECKS if _judges(check, evidence))


def run_checks_without_target(evidence: RunEvidence) -> tuple[Check, ...]:
    """Return the checks that need stock, cutters and machine alone."""
    return tuple(_sound(check(evidence)) for check in WITHOUT_TARGET if _judges(check, evidence))


def not_made(evidence: RunEvidence, checks: Iterable[Callable[..., Check]]) -> tuple[str, ...]:
    """Return which checks could not be made for want of something to judge, each with the reason."""
    needs = [NEEDS[check] for check in checks if check in NEEDS and not _judges(check, evidence)]
    return tuple(f"{need.name} ({need.why})" for need in needs if need.why)


def _judges(check: Callable[..., Check], evidence: RunEvidence) -> bool:
    return check not in NEEDS or NEEDS[check].met(evidence)


def _sound(check: Check) -> Check:
    """Return the check; one that stops does not hold when its number is none."""
    if check.severity == "stop" and not math.isfinite(check.measured):
        return replace(check, holds=False)
    return check
