"""What joins a part to its board, on boards whose tabs are drawn by formula."""

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.heightfield import Heightfield
from relief.holding import holding

THICKNESS, CUT, RADIUS = 12.0, 6.0, 20.0


def board(tabs=(), pitch: float = 0.2, floor: float = -12.3, hole: float = 0.0):
    """Return a disc cut out of a board, its moat bridged by straight tabs, and the disc's nodes.

    Parameters
    ----------
    tabs : (angle, width, height) of each; radians, mm, mm
    floor : height of the moat's floor
    hole : radius of a hole in the disc
    """
    count = round(70.0 / pitch) + 1
    field = Heightfield(np.zeros((count, count)), pitch, (-35.0, -35.0))
    x, y = np.meshgrid(field.x, field.y)
    away = np.hypot(x, y)
    moat = (away > RADIUS) & (away < RADIUS + CUT)
    heights = np.where(moat | (away < hole), floor, 0.0)
    for angle, width, height in tabs:
        along = x * math.cos(angle) + y * math.sin(angle)
        beside = np.abs(y * math.cos(angle) - x * math.sin(angle))
        heights[moat & (along > 0) & (beside < width / 2)] = height - THICKNESS
    return field.with_heights(heights), (away <= RADIUS) & (away >= hole)


def found(*tabs, **other):
    """Return what holds such a disc."""
    carved, part = board(tabs, **other)
    return holding(carved, part, THICKNESS, CUT)


class TestBridges:
    def test_each_tab_is_found_where_it_is(self):
        """Number, middle, width and height are those drawn."""
        tabs = [(k * math.pi / 2 + 0.3, 5.0 + k, 2.0 + k) for k in range(4)]
        bridges = {round(math.atan2(b.y, b.x) % (2 * math.pi), 1): b for b in found(*tabs).bridges}

        assert sorted(bridges) == pytest.approx([angle for angle, _, _ in tabs], abs=0.1)
        for (_, width, height), bridge in zip(tabs, (bridges[a] for a in sorted(bridges)), strict=True):
            assert math.hypot(bridge.x, bridge.y) == pytest.approx(RADIUS + 0.45 * CUT, abs=0.2)
            assert bridge.width == pytest.approx(width, abs=0.25)
            assert bridge.height == pytest.approx(height, abs=1e-5)
            assert bridge.section == bridge.width * bridge.height
            assert bridge.to_frame

    @settings(max_examples=30, deadline=None)
    @given(st.floats(0.0, 6.28), st.floats(2.0, 12.0), st.floats(0.5, 6.0), st.sampled_from([0.1, 0.2, 0.25]))
    @example(angle=0.0, width=9.8125, height=1.0, pitch=0.1)
    def test_width_is_known_to_a_node(self, angle, width, height, pitch):
        """However a tab lies on the grid, its width is right to a node's distance, its height to rounding.

        It is measured along the curve of the cut, where a chord w of a circle of radius R is an arc of
        2 R asin(w / 2 R) (geometry).
        """
        (bridge,) = found((angle, width, height), pitch=pitch).bridges
        arc = 2 * RADIUS * math.asin(width / (2 * RADIUS))

        assert width - 1.5 * pitch <= bridge.width <= arc + 1.5 * pitch
        assert bridge.height == pytest.approx(height, abs=1e-5)

    def test_the_narrowest_place_counts(self):
        """A tab that a round cutter has left is as wide as its waist, not as its feet."""
        carved, part = board([(0.0, 12.0, 3.0)], pitch=0.1)
        x, y = np.meshgrid(carved.x, carved.y)
        waist = np.minimum(np.hypot(x - 23.0, y - 6.0), np.hypot(x - 23.0, y + 6.0)) < 3.0
        narrow = carved.with_heights(np.where(waist & ~part, -12.3, carved.heights))
        (bridge,) = holding(narrow, part, THICKNESS, CUT).bridges

        assert bridge.width == pytest.approx(6.0, abs=0.15)

    def test_what_does_not_reach_across_is_no_bridge(self):
        """A stump on the part's wall holds nothing."""
        carved, part = board([(0.0, 6.0, 3.0)])
        x, _ = np.meshgrid(carved.x, carved.y)
        cut = carved.with_heights(np.where((x > RADIUS + 4.0) & (x < RADIUS + CUT), -12.3, carved.heights))

        assert () == holding(cut, part, THICKNESS, CUT).bridges


class TestLoose:
    def test_a_part_without_tabs_is_loose(self):
        """Nothing joins it to the rim."""
        result = found()

        assert (1, 1, (), 0.0) == (result.parts, result.loose_parts, result.bridges, result.section)

    def test_a_tab_holds_it(self):
        """One is enough to be joined; its section is told."""
        result = found((1.0, 6.0, 3.0))

        assert (1, 0) == (result.parts, result.loose_parts)
        assert result.section == pytest.approx(18.0, rel=0.06)

    def test_a_skin_holds_it_all_round(self):
        """What is not cut through is one wide bridge as high as the skin."""
        result = found(floor=0.5 - THICKNESS)

        assert 0 == result.loose_parts
        (bridge,) = result.bridges
        assert bridge.height == pytest.approx(0.5)
        assert bridge.width == pytest.approx(2 * math.pi * (RADIUS + 0.2 * CUT), rel=0.05)

    def test_waste_that_nothing_holds_is_told(self):
        """A slug left in a hole is loose; its area is that of its nodes."""
        carved, part = board([(0.0, 6.0, 3.0)], hole=10.0)
        x, y = np.meshgrid(carved.x, carved.y)
        slug = carved.with_heights(np.where(np.hypot(x, y) < 4.0, -6.0, carved.heights))
        result = holding(slug, part, THICKNESS, CUT)

        assert result.loose_waste == pytest.approx(math.pi * 16.0, rel=0.03)
        assert (1, 0) == (len(result.bridges), result.loose_parts)

    def test_parts_are_counted_apart(self):
        """Of two discs the one without a tab is loose."""
        carved, part = board([(0.0, 6.0, 3.0)], hole=10.0)
        x, y = np.meshgrid(carved.x, carved.y)
        island = np.hypot(x, y) < 3.0
        both = carved.with_heights(np.where(island, 0.0, carved.heights))
        result = holding(both, part | island, THICKNESS, CUT)

        assert (2, 1) == (result.parts, result.loose_parts)
