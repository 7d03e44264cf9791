"""One pass of roughing: when it is worth going down to, and that it ends before slivers between nodes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relief.kernels.roughing import capsule_highest
from relief.planning.ground import Span
from relief.planning.passes import MOST_LEGS, RAMP, Part, cut_part, parts_of
from tests.planning.test_between import CUSP, DEEP, PASSES, PITCH, RADIUS, RULES, ground

FALL = RAMP * RULES.steepest * PITCH  # mm from node to node


@pytest.mark.parametrize(("legs", "cut"), [(MOST_LEGS - 1, True), (MOST_LEGS + 1, False)])
@pytest.mark.parametrize("count", [4, 9])
def test_a_pit_too_deep_for_its_length_is_left(legs: int, cut: bool, count: int) -> None:
    """Ramps to and fro over a few nodes would take for ever."""
    made = ground([])
    depth = legs * count * FALL
    assert depth > RULES.bite
    part = Part(Span(30, 30, 30 + count), np.full(count, -depth), np.zeros(count))
    cut_part(made, RULES, part, False, 0.0)
    assert (len(made.trail) > 0) == cut
    if cut:
        assert made.trail.toolpath().points[:, 2].min() == pytest.approx(-depth, abs=0.001)


def test_a_pass_ends_before_the_tip_of_a_cusp_between_nodes() -> None:
    """Where its rim would come to the tip that two passes have left, 4 mm tall, it goes no deeper than 2."""
    made = ground(PASSES)
    reaching = math.ceil((CUSP - RADIUS + 0.05) / PITCH)
    place = (reaching * PITCH, 35 * PITCH)
    assert capsule_highest(made.stock, PITCH, *place, *place, RADIUS + RULES.step) == DEEP, "nodes tell of it"
    [part] = parts_of(made, RULES, Span(35, 14, reaching + 1), DEEP - 1.5)
    deep = np.flatnonzero(part.floors < -RULES.stepdown) + part.span.first
    assert reaching - 2 <= deep.max() < reaching
