"""One pass of roughing: when it is worth going down to, and that it ends before slivers between nodes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from relief.kernels.roughing import capsule_highest
from relief.planning.ground import Span
from relief.planning.passes import MOST_LEGS, RAMP, SHORTEST_RAMP, Part, cut_part, parts_of
from tests.planning.test_between import CUSP, DEEP, PASSES, PITCH, RADIUS, RULES, ground

FALL = RAMP * RULES.steepest * PITCH  # mm from node to node


@pytest.mark.parametrize(
    ("pit", "legs", "cut"),
    [(2, MOST_LEGS - 1, True), (2, MOST_LEGS + 1, False), (SHORTEST_RAMP, MOST_LEGS + 1, True)],
)
def test_a_narrow_pit_too_deep_for_its_pass_is_left(pit: int, legs: int, cut: bool) -> None:
    """Ramps to and fro over a few nodes for the sake of one or two would take for ever."""
    made = ground([])
    floors = np.zeros(5)
    floors[-pit:] = -legs * len(floors) * FALL
    assert -floors[-1] > RULES.bite
    cut_part(made, RULES, Part(Span(30, 30, 35), floors, np.zeros(5)), False, 0.0)
    assert (len(made.trail) > 0) == cut
    if cut:
        assert made.trail.toolpath().points[:, 2].min() == pytest.approx(floors[-1], abs=0.001)


def test_a_pass_ends_before_the_tip_of_a_cusp_between_nodes() -> None:
    """Where its rim would come to the tip that two passes have left, 4 mm tall, it goes no deeper than 2."""
    made = ground(PASSES)
    reaching = math.ceil((CUSP - RADIUS + 0.05) / PITCH)
    place = (reaching * PITCH, 35 * PITCH)
    assert capsule_highest(made.stock, PITCH, *place, *place, RADIUS + RULES.step) == DEEP, "nodes tell of it"
    [part] = parts_of(made, RULES, Span(35, 14, reaching + 1), DEEP - 1.5)
    deep = np.flatnonzero(part.floors < -RULES.stepdown) + part.span.first
    assert reaching - 2 <= deep.max() < reaching
