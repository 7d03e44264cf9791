"""What stands between the nodes, against shapes that shapely cuts."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.clamps import KeepOut
from relief.kernels.roughing import capsule_highest, carve_capsule
from relief.planning.between import is_light, met_between, widest
from relief.planning.ground import Ground, Rules, Span
from relief.planning.trail import Trail
from relief.shop.records import Cutter
from relief.toolpath import CUT, PLUNGE, RAPID

PITCH, RADIUS, DEEP = 0.3, 3.175, -4.0
CUTTER = Cutter("flat", 2 * RADIUS)
RULES = Rules(
    radius=RADIUS, sure_radius=RADIUS - 0.001, stepdown=2.0, lines=10, widest=20, stepover=2.5, steepest=0.05,
    slack=0.01, bite=0.5, core=0.0, ridge=0.5, thin=0.4, clearance=5.0, step=0.001, cut="both ways",
    keep_out=KeepOut((), CUTTER),
)  # fmt: skip
# mm; slivers so thin may be passed over, and what is met may lie so much further out than the rim.
THIN, FAR = 0.06, RADIUS + 2 * PITCH


def ground(ways: list[list[tuple[float, float]]], turned: bool = False, few: bool = False) -> Ground:
    """Return a board 24 mm square that was cut along some ways, all at one depth.

    For a cutter of few nodes nothing is told of what stands about these: all is looked at.
    """
    stock = np.zeros((81, 81), dtype=np.float32)
    tip, none = np.full_like(stock, -9.0), np.zeros(stock.shape, dtype=bool)
    everywhere, cells = (slice(0, 81), slice(0, 81)), stock.copy() if few else stock
    made = Ground(
        tip, stock, stock.copy(), cells, PITCH, ~none, none, everywhere, everywhere, (0.0, 0.0), turned
    )
    for way in ways:
        made.go([[*way[0], 5.0]], RAPID)
        made.go([[x, y, DEEP] for x, y in way], [PLUNGE] + [CUT] * (len(way) - 1))
        for a, b in pairwise(way):
            carve_capsule(made.stock, PITCH, *a, *b, RULES.sure_radius, DEEP)
    return made


def standing(ways: list[list[tuple[float, float]]], start, end, radius: float) -> shapely.Geometry:
    """Return what of the place that a cutter sweeps has not been cut."""
    cut = shapely.union_all([shapely.LineString(way).buffer(RADIUS, quad_segs=256) for way in ways])
    swept = shapely.LineString([start, end]).buffer(radius, quad_segs=256)
    return shapely.intersection(swept, shapely.box(0, 0, 24, 24)).difference(cut)


# Two passes 3 mm apart leave the tip of a cusp between their ends; the nodes about it are all cut.
PASSES = [[(3.0, 9.0), (9.0, 9.0)], [(3.0, 12.0), (9.0, 12.0)]]
CUSP = 9.0 + math.sqrt(RADIUS**2 - 1.5**2)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("over", "light"), [(-0.02, True), (0.03, True), (0.07, False), (0.2, False)])
def test_the_tip_of_a_cusp_between_nodes_is_met(turned: bool, over: float, light: bool) -> None:
    """A way whose rim is as little as 0.07 mm over the tip is not light, one that does not reach it is."""
    made = ground(PASSES, turned)
    end = (CUSP + over - RADIUS, 10.5)
    assert is_light(made, RULES, (4.0, 10.5), end, DEEP + 1.0) == light
    if over == 0.07:
        nodes = capsule_highest(made.stock, PITCH, 4.0, 10.5, *end, RADIUS + RULES.step)
        assert nodes == DEEP, "the nodes alone do tell of it: this judges nothing"


along = st.integers(16, 64).map(lambda node: node * PITCH)
places = st.tuples(along, along)
several = st.lists(st.lists(places, min_size=2, max_size=4), min_size=1, max_size=4)


@settings(deadline=None, max_examples=150)
@given(ways=several, start=places, end=places, few=st.booleans())
def test_a_way_is_light_where_all_is_cut(ways, start, end, few) -> None:
    """Light is no way that meets more than a sliver, and any that stays two nodes away from what stands."""
    made = ground(ways, few=few)
    light = is_light(made, RULES, start, end, DEEP + 1.0)
    if light:
        assert standing(ways, start, end, RADIUS - THIN).area < THIN**2
    elif start != end:
        assert not standing(ways, start, end, FAR).is_empty


def test_a_peak_in_the_middle_of_the_way_is_met() -> None:
    """Four ways round it leave a post 0.2 mm wide between nodes that are all cut; the rim passes it by."""
    x = y = 11.1 + PITCH / 2
    off = RADIUS + 0.1
    ways = [
        [(x - off, y - 6), (x - off, y + 6)], [(x + off, y - 6), (x + off, y + 6)],
        [(x - 6, y - off), (x + 6, y - off)], [(x - 6, y + off), (x + 6, y + off)],
    ]  # fmt: skip
    made = ground(ways, few=True)
    assert capsule_highest(made.stock, PITCH, x, y, x, y, 2 * PITCH) == DEEP, "nodes tell of it"
    assert not is_light(made, RULES, (x - 1, y), (x + 1, y), DEEP + 1.0)


def test_the_nodes_of_a_pass_meet_what_stands_around_each() -> None:
    """At its last nodes a pass between two others comes into the cusp between their ends."""
    made = ground(PASSES)
    met = met_between(made, RULES, Span(35, 14, 36), np.arange(22))
    ends = np.arange(14, 36) * PITCH
    assert (met[ends < CUSP - RADIUS - 0.05] == DEEP).all()
    assert (met[ends > CUSP - RADIUS + 0.05] == 0.0).all()
    assert widest(made, RULES) == pytest.approx(RADIUS + 0.001 + PITCH / math.sqrt(2))


def test_a_trail_gives_back_every_position_and_the_moves_of_a_place() -> None:
    """However many there are; a move comes into a box where its own box meets it."""
    rng = np.random.default_rng(3)
    points, kinds = rng.uniform(0, 50, (3000, 3)), rng.integers(0, 3, 3000).astype(np.uint8)
    trail = Trail()
    assert not len(trail)
    assert not len(trail.last(2))
    for k in range(0, 3000, 7):
        trail.go(points[k : k + 7], kinds[k : k + 7])
    whole = trail.toolpath()
    np.testing.assert_array_equal(whole.points, points)
    np.testing.assert_array_equal(whole.kinds, kinds)
    np.testing.assert_array_equal(trail.last(2), points[-2:])
    low, high = np.array([10.0, 20.0]), np.array([12.0, 21.0])
    starts, ends = trail.near(low, high)
    near = [
        k
        for k in range(2999)
        if all(
            min(points[k, i], points[k + 1, i]) <= high[i] and max(points[k, i], points[k + 1, i]) >= low[i]
            for i in (0, 1)
        )
    ]
    np.testing.assert_array_equal(starts, points[near])
    np.testing.assert_array_equal(ends, points[[k + 1 for k in near]])
