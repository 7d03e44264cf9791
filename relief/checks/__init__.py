"""What must hold before the spindle turns: one small function for each check.

A check is a statement that can be true; it looks only at the programs as re-read from their text and at the
surfaces carved from them. To add one, write a function from Evidence to Check beside its kind and put it into
`CHECKS`: what stops is in `place`, `running` and `outcome`, what warns in `warns`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

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

__all__ = ["CHECKS", "WITHOUT_TARGET", "Check", "run_checks", "run_checks_without_target"]

CHECKS: tuple[Callable[[Evidence], Check], ...] = (
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


# What has nothing to judge where no program cuts, or none tells its speeds.
OF_CUTS = (cutting_length_covers_depth, shank_and_holder_clear, stepdown_by_the_rule)
OF_FEEDS = (chip_load_in_range, power_enough)


def run_checks(evidence: Evidence) -> tuple[Check, ...]:
    """Return every check that has something to judge, in order: those that stop first."""
    return tuple(_sound(check(evidence)) for check in CHECKS if _judges(check, evidence))


def run_checks_without_target(evidence: RunEvidence) -> tuple[Check, ...]:
    """Return the checks that need stock, cutters and machine alone."""
    return tuple(_sound(check(evidence)) for check in WITHOUT_TARGET if _judges(check, evidence))


def _sound(check: Check) -> Check:
    """Return the check; one that stops does not hold when its number is none."""
    if check.severity == "stop" and not math.isfinite(check.measured):
        return replace(check, holds=False)
    return check


def _judges(check: Callable[..., Check], evidence: RunEvidence) -> bool:
    if check in OF_FEEDS:
        return any(program.feeds for program in evidence.cuts)
    if check is load_bounded:
        return any(program.hardest for program in evidence.cuts)
    if check is entries_by_the_rule:
        return any(program.entry_depth is not None for program in evidence.cuts)
    if check is clear_of_clamps:
        return bool(evidence.clamps)
    return bool(evidence.cuts) or check not in OF_CUTS
