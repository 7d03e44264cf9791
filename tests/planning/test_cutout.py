"""The cutout as its text says it: outline, layers, ramps, tabs and direction, judged by plain geometry.

What the cutter leaves at a height is the board less every place within the cutter's radius of its axis
while its tip is below that height: shapely draws that, knowing nothing of the planner.
"""

import math
from dataclasses import replace
from functools import cached_property

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from relief.carving import carve_stock, deepest_cut, rapid_contact
from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.holding import holding
from relief.planning.cutout import CutoutPlan, plan_cutout
from relief.planning.layers import Rules, Way
from relief.planning.outline import ellipse, inside, rectangle, silhouette, without_specks
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.sections import Cutout
from relief.shop.records import Cutter, Machine
from relief.toolpath import CUT, PLUNGE
from relief.units import Wording

CUTTER = Cutter("flat", 6.0, cutting_length=30.0)
SECTION = Cutout(shape="rectangle", stepdown=3.0, entry_angle=5.0)
THICKNESS = 12.0
BOX = Region(0.0, 0.0, 50.0, 40.0)
HEAD = ProgramHead("a", "cutout", "flat 6 mm", "board", "corner", rpm=10000.0)
# The part's outline may stray this far from the shape asked for, mm.
OUTLINE = 0.02


def star(points: int = 5, outer: float = 32.0, inner: float = 16.0) -> shapely.Polygon:
    """Return a star: limbs that thin out, and inner corners."""
    turn = np.arange(2 * points) * math.pi / points
    radius = np.where(np.arange(2 * points) % 2, inner, outer)
    return shapely.Polygon(np.column_stack([30 + radius * np.cos(turn), 30 + radius * np.sin(turn)]))


class Cut:
    """A planned cutout, written, read back and looked at."""

    def __init__(self, shape, section=SECTION, cutter=CUTTER, margin=16.0, units="mm", **asked):
        self.shape, self.section, self.cutter = shape, section, cutter
        self.known: dict[float, shapely.Geometry] = {}
        step = 0.001 if units == "mm" else 25.4e-5
        self.board = Region(*shape.bounds).grown(margin)
        self.plan: CutoutPlan = plan_cutout(
            shape,
            cutter,
            section,
            thickness=THICKNESS,
            clearance=5.0,
            step=step,
            stock=self.board,
            **asked,
        )
        path = self.plan.toolpath
        text = write_program(path, np.full(len(path.points), 900.0), HEAD, Machine("m"), units=units)
        self.moves = read_program(text)
        # the text says what was planned, to the last digit
        known = self.moves.points[np.isfinite(self.moves.points).all(axis=1)]
        assert np.abs(known[-len(path.points) - 1 :][: len(path.points)] - path.points).max() < 2e-3

    @cached_property
    def cuts(self) -> tuple[np.ndarray, np.ndarray]:
        """Starts and ends of all feed moves."""
        feed = ~self.moves.rapid & np.isfinite(self.moves.points[:-1]).all(axis=1)
        return self.moves.points[:-1][feed], self.moves.points[1:][feed]

    def ways(self, height: float) -> shapely.Geometry:
        """Return where the axis goes while the tip stays below a height."""
        starts, ends = self.cuts
        top = np.maximum(starts[:, 2], ends[:, 2])
        low = (top < height) & (starts[:, :2] != ends[:, :2]).any(axis=1)
        # layers repeat the same way: once each, whichever way it is run, is enough
        ways = np.sort(
            np.stack([starts[low, :2], ends[low, :2]], axis=1).round(6).view("c16")[..., 0], axis=1
        )
        once = np.unique(ways, axis=0)
        lines = shapely.linestrings(np.stack([once.real, once.imag], axis=-1))
        return shapely.union_all(lines, grid_size=1e-3)

    def standing(self, height: float) -> shapely.Geometry:
        """Return what is left of the board at a height."""
        if height not in self.known:
            ways = shapely.get_parts(shapely.line_merge(self.ways(height)))
            cleared = shapely.union_all(shapely.buffer(ways, self.cutter.diameter / 2, quad_segs=64))
            self.known[height] = rectangle(self.board) - cleared
        return self.known[height]

    def stock(self, pitch: float = 0.2) -> Heightfield:
        """Return the uncut board."""
        rows, columns = (round(size / pitch) + 1 for size in (self.board.length, self.board.width))
        return Heightfield(np.zeros((rows, columns)), pitch, (self.board.left, self.board.near))


SHAPES = {
    "rectangle": rectangle(BOX),
    "ellipse": ellipse(BOX),
    "star": star(),
    "ring": shapely.Point(30, 30).buffer(28, quad_segs=64) - shapely.Point(30, 30).buffer(9, quad_segs=64),
}


@pytest.fixture(scope="module", params=SHAPES)
def cut(request) -> Cut:
    """Return the cutout of each shape with the default tabs."""
    return Cut(SHAPES[request.param])


class TestPart:
    def test_the_axis_never_comes_nearer_than_the_radius(self, cut):
        """No move cuts into the part, at any height."""
        starts, ends = cut.cuts
        lines = shapely.linestrings(np.stack([starts[:, :2], ends[:, :2]], axis=1))

        assert shapely.distance(lines, cut.shape).min() >= cut.cutter.diameter / 2

    def test_the_outline_is_the_shape_asked_for(self, cut):
        """Above the tabs the part's wall is the shape, to 0.02 mm, but for inner corners' roundings."""
        above_tabs = SECTION.tab_height - THICKNESS + 0.01
        radius = cut.cutter.diameter / 2
        # a round cutter can at best leave the closing of the shape: inner corners with its radius
        best = cut.shape.buffer(radius, quad_segs=256).buffer(-radius, quad_segs=256)
        left = [p for p in shapely.get_parts(cut.standing(above_tabs)) if p.intersection(cut.shape).area > 1]

        assert len(left) == 1
        rim = left[0].boundary
        samples = rim.interpolate(np.linspace(0, rim.length, 3000))
        assert shapely.distance(best.boundary, samples).max() <= OUTLINE
        samples = best.boundary.interpolate(np.linspace(0, best.boundary.length, 3000))
        assert shapely.distance(rim, samples).max() <= OUTLINE

    def test_cut_through_to_below_the_bottom(self, cut):
        """The last pass goes `through` below the bottom, and no deeper."""
        lowest = np.nanmin(cut.moves.points[:, 2])

        assert lowest == pytest.approx(-THICKNESS - SECTION.through, abs=1e-6)

    @settings(max_examples=12, deadline=None)
    @given(
        st.sampled_from([rectangle, ellipse]),
        st.floats(25.0, 70.0),
        st.floats(25.0, 70.0),
        st.sampled_from([2.0, 3.175, 6.35, 12.7]),
        st.sampled_from(["mm", "in"]),
        st.integers(0, 5),
    )
    def test_any_box_any_cutter(self, make, width, length, diameter, units, tabs):
        """No gouge, true outline, no steep entry, for boxes and cutters of all sizes, in mm and inches."""
        cutter = Cutter("flat", diameter, cutting_length=40.0)
        section = replace(SECTION, tabs=tabs, stepdown=diameter / 2)
        cut = Cut(make(Region(0.0, 0.0, width, length)), section, cutter, margin=30.0, units=units)

        starts, ends = cut.cuts
        lines = shapely.linestrings(np.stack([starts[:, :2], ends[:, :2]], axis=1))
        assert shapely.distance(lines, cut.shape).min() >= diameter / 2 - 1e-9
        ways = cut.ways(SECTION.tab_height - THICKNESS + 0.01)
        rim = cut.shape.exterior.interpolate(np.linspace(0, cut.shape.exterior.length, 900))
        assert shapely.distance(ways, rim).max() <= diameter / 2 + OUTLINE
        assert_no_steep_entry(cut)
        assert len(cut.plan.tabs) <= tabs


def assert_no_steep_entry(cut: Cut) -> None:
    """Every feed move down is a ramp within the entry angle, or straight down."""
    starts, ends = cut.cuts
    run = np.hypot(*(ends - starts)[:, :2].T)
    fall = starts[:, 2] - ends[:, 2]
    slanted = (fall > 0) & (run > 0)
    assert (fall[slanted] <= run[slanted] * math.tan(math.radians(SECTION.entry_angle)) + 1e-9).all()


class TestLayers:
    def test_no_entry_is_steeper_than_asked(self, cut):
        """A falling move falls by at most tan(entry angle) × its length over ground."""
        assert_no_steep_entry(cut)

    @pytest.mark.parametrize("radius", [0.4, 0.75, 40.0])
    def test_a_ramp_of_short_moves_goes_down_on_a_coarse_lattice(self, radius):
        """It falls as far as the angle allows to a step or two, by a step at a time where moves are short."""
        step, slope = 0.01, math.tan(math.radians(2.0))
        turns = np.linspace(0, 40 * math.pi, round(40 * math.pi * radius / 0.1))
        circle = radius * np.column_stack([np.cos(turns), np.sin(turns)])
        rules = Rules(1.5, (-1.0,), -1.0, slope, 0.0, 5.0, step)
        way = Way(circle[0], rules)
        way.lift(0.0, PLUNGE)
        followed = way.ramp(circle, -1.0, slope)

        assert way.z == -1.0
        # chords on a lattice are shorter than what they stand for
        assert 1.0 / slope - 0.1 <= followed <= 1.3 / slope
        moves = np.diff(np.array(way.points[1:]), axis=0)
        run, fall, kinds = np.hypot(*moves[:, :2].T), -moves[:, 2], np.array(way.kinds[2:])
        assert (fall[kinds == CUT] <= slope * run[kinds == CUT] + 1e-9).all()
        assert (fall[kinds == PLUNGE] <= step + 1e-9).all()
        assert fall.sum() <= slope * run.sum() + 1e-9

    def test_straight_down_only_where_nothing_stands(self, cut):
        """A move straight down takes nothing off: it goes down in air, or in what a layer has cleared."""
        points = cut.moves.points
        down = (
            ~cut.moves.rapid
            & (points[:-1, :2] == points[1:, :2]).all(axis=1)
            & (points[1:, 2] < points[:-1, 2])
        )
        stock, done = cut.stock(), 0
        assert down.any()
        for k in np.flatnonzero(down):
            before = carve_stock(stock, part_of(cut.moves, done, k), cut.cutter)
            stock = carve_stock(before, part_of(cut.moves, k, k + 1), cut.cutter)
            assert (before.heights - stock.heights).max() <= 1e-3
            done = k + 1

    def test_no_layer_is_deeper_than_the_stepdown(self):
        """Engagement measured by simulation, move by move; without an allowance every pass is a layer."""
        for shape in SHAPES.values():
            cut = Cut(shape, replace(SECTION, allowance=0.0))

            deepest = deepest_cut(cut.stock(), cut.moves, cut.cutter, within=0.02)
            assert deepest.depth <= SECTION.stepdown + 0.02
            assert cut.plan.stepdown <= SECTION.stepdown + 1e-9

    @pytest.mark.parametrize("tabs", [0, 4])
    def test_the_last_pass_takes_the_allowance_and_no_more(self, tabs):
        """The layers stay an allowance away; then the wall is cut at full depth, an allowance wide."""
        cut = Cut(SHAPES["rectangle"], replace(SECTION, tabs=tabs))
        distance = shapely.distance(
            cut.shape, shapely.points(np.nan_to_num(cut.moves.points[:, :2], nan=99.0))
        )
        at_wall = np.flatnonzero(distance < cut.cutter.diameter / 2 + SECTION.allowance - 1e-3)
        layers = part_of(cut.moves, 0, at_wall[0] - 1)
        # nodes close enough to tell the crescent that the pass could take off a tab's end
        before = carve_stock(cut.stock(0.05), layers, cut.cutter)
        after = carve_stock(cut.stock(0.05), cut.moves, cut.cutter)

        assert deepest_cut(cut.stock(), layers, cut.cutter, within=0.02).depth <= SECTION.stepdown + 0.02
        j, i = np.nonzero(after.heights < before.heights - 1e-3)
        nodes = shapely.points(after.x[i], after.y[j])
        away = shapely.distance(cut.shape, nodes)
        assert away.max() <= SECTION.allowance + OUTLINE
        falling = cut.moves.points[at_wall[0] :, 2]
        lowest = -THICKNESS - SECTION.through
        assert set(np.round(falling[falling < 0], 6)) == {lowest} | ({-9.0} if tabs else set())

    def test_no_rapid_touches_the_stock(self, cut):
        """Rapids run above the board, or straight up out of what is cut."""
        assert 0.0 == rapid_contact(cut.stock(), cut.moves, cut.cutter).depth


def part_of(moves, first, last):
    """Return the moves first ≤ k < last."""
    return replace(
        moves,
        points=moves.points[first : last + 1],
        rapid=moves.rapid[first:last],
        feed=moves.feed[first:last],
        rpm=moves.rpm[first:last],
        block=moves.block[first:last],
    )


class TestDirection:
    """Climb for M3, the clockwise spindle: the part on the right of the moving cutter.

    With the part on its right the edge leaves the stock at the part (climb); G41, "cutter to the left of the
    programmed path", is that side (NISTIR 6556 s3.5.10).
    """

    def test_the_wall_is_climb_cut(self, cut):
        """By the signed area of the last turn: outside clockwise, holes counter-clockwise."""
        areas = signed_areas(cut)

        assert areas["outside"]
        assert all(area < 0 for area in areas["outside"])
        assert all(area > 0 for area in areas["hole"])
        assert bool(areas["hole"]) == bool(cut.shape.interiors)

    def test_the_part_is_on_the_right(self, cut):
        """At each move along the wall a point just right of the cutter's edge lies in the part."""
        starts, ends = cut.cuts
        run = np.hypot(*(ends - starts)[:, :2].T)
        middle, ahead = (starts + ends)[:, :2] / 2, (ends - starts)[:, :2]
        near = shapely.distance(cut.shape, shapely.points(middle)) < cut.cutter.diameter / 2 + 0.05
        along = near & (run > 0.5)
        right = np.column_stack([ahead[:, 1], -ahead[:, 0]])[along] / run[along][:, None]
        probe = middle[along] + right * (cut.cutter.diameter / 2 + 0.3)

        assert along.any()
        assert shapely.contains_xy(cut.shape.buffer(0.1), probe[:, 0], probe[:, 1]).all()

    def test_holes_come_before_the_outside(self):
        """Once the outside is cut the part hangs on its tabs; everything else must be done by then."""
        cut = Cut(SHAPES["ring"])
        away = np.hypot(*(cut.cuts[1][:, :2] - 30.0).T)

        inner = np.flatnonzero(away < 20.0)
        outer = np.flatnonzero(away > 20.0)
        assert inner.max() < outer.min()


def signed_areas(cut: Cut) -> dict[str, list[float]]:
    """Return the signed area (shoelace formula) of the last turn round each rim of the shape."""
    starts, ends = cut.cuts
    x, y = np.concatenate([starts[:1], ends])[:, :2].T
    found: dict[str, list[float]] = {"outside": [], "hole": []}
    for name, rims in (("outside", [cut.shape.exterior]), ("hole", cut.shape.interiors)):
        for rim in rims:
            here = shapely.distance(rim, shapely.points(x, y)) < cut.cutter.diameter / 2 + 0.05
            px, py = x[here], y[here]
            found[name].append(float((px[:-1] * py[1:] - px[1:] * py[:-1]).sum() / 2))
    return found


class TestTabs:
    def test_the_asked_number_stands_and_nothing_else(self, cut):
        """At the bottom the axis's way round the part meets exactly the tabs; above their tops nothing."""
        assert 4 == len(bridges(cut, -THICKNESS + 0.01))
        assert 4 == len(bridges(cut, SECTION.tab_height - THICKNESS - 0.01))
        assert [] == bridges(cut, SECTION.tab_height - THICKNESS + 0.01)

    def test_each_is_as_wide_as_asked(self, cut):
        """Narrowest between the cutter's two round ends: gap less diameter, to 0.1 mm, from floor to top."""
        for height in (-THICKNESS + 0.01, SECTION.tab_height - THICKNESS - 0.01):
            assert bridges(cut, height) == pytest.approx([SECTION.tab_width] * 4, abs=0.1)

    def test_the_part_hangs_on_them(self, cut):
        """At the bottom part and board are one piece; just above the tabs they are two."""
        whole = [p for p in shapely.get_parts(cut.standing(0.01 - THICKNESS)) if p.area > 1]
        apart = [
            p for p in shapely.get_parts(cut.standing(SECTION.tab_height - THICKNESS + 0.01)) if p.area > 1
        ]

        assert (1, 2) == (len(whole), len(apart))

    @pytest.mark.parametrize(("count", "width", "height"), [(1, 4.0, 1.0), (2, 10.0, 6.0), (6, 3.0, 2.5)])
    def test_number_width_and_height_are_the_users(self, count, width, height):
        """Whatever is asked for is what stands."""
        section = replace(SECTION, tabs=count, tab_width=width, tab_height=height)
        cut = Cut(SHAPES["rectangle"], section)

        assert bridges(cut, height - THICKNESS - 0.01) == pytest.approx([width] * count, abs=0.1)
        assert [] == bridges(cut, height - THICKNESS + 0.01)
        assert [height] * count == pytest.approx([tab.height for tab in cut.plan.tabs])

    def test_they_stand_on_straight_sides(self):
        """Round a rectangle every tab's gap, and room beside it, is clear of the corners."""
        cut = Cut(SHAPES["rectangle"])

        for tab in cut.plan.tabs:
            along = min(
                abs(tab.x - BOX.left) + abs(tab.y - corner_y) if not BOX.left < tab.x < BOX.right else 99.0
                for corner_y in (BOX.near, BOX.far)
            )
            corner = min(math.dist((tab.x, tab.y), c) for c in shapely.get_coordinates(cut.shape))
            assert corner > SECTION.tab_width / 2 + cut.cutter.diameter
            assert along > SECTION.tab_width / 2

    def test_they_are_spread_evenly(self):
        """Round an ellipse neighbours stand a quarter of the way apart, give or take a third of that."""
        cut = Cut(SHAPES["ellipse"])
        rim = shapely.LinearRing(ellipse(BOX.grown(3.0)).exterior)
        at = sorted(rim.project(shapely.Point(tab.x, tab.y)) for tab in cut.plan.tabs)

        apart = np.diff([*at, at[0] + rim.length])
        assert apart == pytest.approx(rim.length / 4, rel=1 / 3)

    def test_more_than_fit_are_spread_evenly_too(self):
        """Asked for 30, as many as fit stand round an ellipse, none much closer than its fellows."""
        cut = Cut(SHAPES["ellipse"], replace(SECTION, tabs=30))
        rim = shapely.LinearRing(ellipse(BOX.grown(3.0)).exterior)
        at = sorted(rim.project(shapely.Point(tab.x, tab.y)) for tab in cut.plan.tabs)

        apart = np.diff([*at, at[0] + rim.length])
        assert any(f"only {len(at)} of 30 tabs" in text for text in cut.plan.warnings)
        assert len(at) >= 6
        assert apart == pytest.approx(rim.length / len(at), rel=1 / 3)

    def test_each_leads_to_what_holds(self):
        """On a board that ends 4 mm beside three sides of the part, all tabs stand on the fourth."""
        board = Region(BOX.left - 16, BOX.near - 4, BOX.right + 4, BOX.far + 4)
        section = replace(SECTION, tabs=2)
        asked = {"thickness": THICKNESS, "clearance": 5.0, "stock": board}
        plan = plan_cutout(SHAPES["rectangle"], CUTTER, section, **asked)

        assert 1 <= len(plan.tabs) <= 2
        assert all(tab.x < BOX.left and BOX.near < tab.y < BOX.far for tab in plan.tabs)

    def test_thin_limbs_are_avoided(self):
        """A frying pan is held at its pan, not at its handle 4 mm wide."""
        pan = shapely.Point(30, 30).buffer(25, quad_segs=64) | shapely.box(50, 28, 110, 32)
        cut = Cut(pan, replace(SECTION, tabs=3))

        assert 3 == len(cut.plan.tabs)
        assert all(math.dist((tab.x, tab.y), (30, 30)) < 30 for tab in cut.plan.tabs)

    def test_none_is_allowed_and_said(self):
        """Without tabs the part comes loose: the plan says how to hold it."""
        cut = Cut(SHAPES["rectangle"], replace(SECTION, tabs=0))

        assert [] == bridges(cut, -THICKNESS + 0.01)
        assert any("from below" in text and "vacuum" in text for text in cut.plan.warnings)

    def test_fewer_where_there_is_no_room(self):
        """A part 8 mm across cannot carry six tabs of 6 mm; the plan says so."""
        cut = Cut(shapely.box(0, 0, 8, 8), replace(SECTION, tabs=6))

        assert len(cut.plan.tabs) < 6
        assert any(f"only {len(cut.plan.tabs)} of 6 tabs" in text for text in cut.plan.warnings)

    def test_higher_than_the_stock_is_refused(self):
        """A tab cannot be higher than what stands beside the part."""
        with pytest.raises(PlanError, match=r"tab_height = 12\.5 mm is more than the 12 mm"):
            Cut(SHAPES["rectangle"], replace(SECTION, tab_height=THICKNESS + 0.5))


def bridges(cut: Cut, height: float) -> list[float]:
    """Return the narrowest widths of what joins the part to anything else at a height.

    Beside the part, between the cutter's roundings, a bridge is narrowest half-way across the cut: its width
    is measured along the way that the axis takes round the part.
    """
    radius = cut.cutter.diameter / 2
    way = cut.shape.buffer(radius + 0.1, quad_segs=64).exterior
    across = shapely.line_merge(way & cut.standing(height))
    found = [piece for piece in shapely.get_parts(across) if piece.length > 0.05]
    # the way's own first point may part a bridge in two
    if len(found) > 1 and found[0].distance(found[-1]) < 1e-9:
        found[0] = shapely.line_merge(shapely.union(found[0], found.pop()))
    return [math.dist(piece.coords[0], piece.coords[-1]) for piece in found]


class TestHoles:
    def test_the_waste_of_a_large_hole_hangs_on_tabs(self):
        """A slug that would come loose is held by two tabs of its own."""
        disc = shapely.Point(30, 30).buffer(30, quad_segs=64)
        cut = Cut(disc - shapely.Point(30, 30).buffer(18, quad_segs=64))
        left = shapely.get_parts(cut.standing(0.01 - THICKNESS))

        assert 6 == len(cut.plan.tabs)
        assert 1 == sum(piece.area > 1 for piece in left)

    @pytest.mark.parametrize("radius", [4.0, 7.0, 9.0])
    def test_the_waste_of_a_small_hole_is_cleared(self, radius):
        """Nothing is left in it that could fly: not even a cutter's width across."""
        disc = shapely.Point(30, 30).buffer(28, quad_segs=64)
        hole = shapely.Point(30, 30).buffer(radius, quad_segs=64)
        left = Cut(disc - hole).standing(0.01 - THICKNESS)

        assert shapely.intersection(left, hole.buffer(-0.05)).area < 0.1

    def test_a_hole_smaller_than_the_cutter_is_named(self):
        """It stays uncut, and the plan says so; with no room to ramp down, which hole it is."""
        none, tight = (Cut(rectangle(BOX) - shapely.Point(20, 15).buffer(r)) for r in (2.9, 3.2))

        assert any("mm² beside the outline are too narrow" in text for text in none.plan.warnings)
        assert any("hole at X 20 mm Y 15 mm is too small" in text for text in tight.plan.warnings)

    @pytest.mark.parametrize(("neck", "stays"), [(1.6, True), (0.6, False)])
    def test_waste_in_a_bay_hangs_on_a_neck_that_is_thick_enough(self, neck, stays):
        """A neck of 1 mm holds; on a thinner one the waste would break off, so it is cleared (no source)."""
        mouth = neck + 2 * (CUTTER.diameter + SECTION.allowance)
        bay = shapely.box(15, 15, 45, 45) | shapely.box(30 - mouth / 2, 45, 30 + mouth / 2, 61)
        cut = Cut(shapely.box(0, 0, 60, 60) - bay)
        plug = cut.standing(0.01 - THICKNESS) & shapely.box(22, 22, 38, 38)

        assert plug.area == pytest.approx(16**2 if stays else 0.0, abs=1.0)

    def test_places_are_told_as_the_programs_count_them(self):
        """In inches from the middle of the box: a hole at (20, 15) mm of 50 × 40 lies at −5/25.4, −5/25.4."""
        words = Wording("in", (-25.0, -20.0))
        tight = Cut(rectangle(BOX) - shapely.Point(20, 15).buffer(3.2), words=words)
        none = Cut(rectangle(BOX) - shapely.Point(20, 15).buffer(2.9), words=words)

        assert any("hole at X -0.2 in Y -0.2 in is too small" in text for text in tight.plan.warnings)
        assert any(" in² beside the outline are too narrow" in text for text in none.plan.warnings)

    def test_a_bay_whose_mouth_the_cutter_passes_leaves_nothing_loose(self):
        """Waste cut off inside a bay of the outline is cleared or held."""
        jar = shapely.Point(30, 30).buffer(28, quad_segs=64) - shapely.Point(30, 30).buffer(17, quad_segs=64)
        jar -= shapely.box(25, 30, 35, 70)
        cut = Cut(jar)
        left = [piece for piece in shapely.get_parts(cut.standing(0.01 - THICKNESS)) if piece.area > 0.2]

        assert 1 == len(left)

    def test_neighbours_closer_than_the_cutter_are_not_gouged(self):
        """Between two parts that stand too close for the cutter nothing is cut, and the plan says so."""
        pair = shapely.union(shapely.box(0, 0, 30, 30), shapely.box(34, 0, 64, 30))
        cut = Cut(pair)
        starts, ends = cut.cuts
        lines = shapely.linestrings(np.stack([starts[:, :2], ends[:, :2]], axis=1))

        assert shapely.distance(lines, pair).min() >= 3.0
        assert any("too narrow for the cutout cutter" in text for text in cut.plan.warnings)


class TestAnyShape:
    @pytest.mark.parametrize("seed", [3, 5, 20, 28, 31, 41, 47, 59])
    def test_blobs_and_bays_of_all_sizes(self, seed):
        """On random silhouettes: no gouge, no steep entry, nothing loose but parts named as untabbed."""
        rng = np.random.default_rng(seed)
        blobs = ndimage.gaussian_filter(rng.normal(size=(200, 200)), rng.uniform(8, 20))
        soft = np.clip(blobs / blobs.std() * 20 + rng.uniform(-8, 12), 0, 1)
        cutter = Cutter("flat", float(rng.choice([2.0, 3.175, 6.0])), cutting_length=30.0)
        shape = without_specks(silhouette(soft, Region(0, 0, 80, 80)), 4 * cutter.diameter**2)
        section = replace(SECTION, stepdown=cutter.diameter / 2, allowance=float(rng.choice([0.0, 0.2, 0.5])))
        cut = Cut(shape, section, cutter)
        starts, ends = cut.cuts
        lines = shapely.linestrings(np.stack([starts[:, :2], ends[:, :2]], axis=1))
        stock = cut.stock(0.25)
        held = holding(
            carve_stock(stock, cut.moves, cutter), inside(shape, stock), THICKNESS, cutter.diameter
        )

        assert shapely.distance(lines, shape).min() >= cutter.diameter / 2
        assert_no_steep_entry(cut)
        assert held.loose_waste < 2.0
        untabbed = sum("only 0 of" in text for text in cut.plan.warnings)
        assert held.loose_parts <= untabbed

    def test_parts_close_together_are_held_each(self):
        """Two discs that all but touch have one ring round both, and a tab each."""
        pair = shapely.union(shapely.Point(0, 0).buffer(14), shapely.Point(33.7, 0).buffer(14))
        cut = Cut(pair, replace(SECTION, tabs=1))

        assert {tab.x > 17 for tab in cut.plan.tabs} == {False, True}


class TestSkin:
    def test_a_skin_is_left_everywhere(self):
        """Nothing is cut through: the cut ends a skin above the bottom, without tabs."""
        cut = Cut(SHAPES["ring"], replace(SECTION, skin=0.5))

        lowest = np.nanmin(cut.moves.points[:, 2])
        assert lowest == pytest.approx(0.5 - THICKNESS)
        assert () == cut.plan.tabs
        assert any("skin of 0.5 mm" in text for text in cut.plan.warnings)


@pytest.mark.parametrize("kind", ["ball", "bull"])
def test_only_a_flat_cutter_cuts_out(kind):
    """A rounded end would leave a foot on the wall."""
    with pytest.raises(PlanError, match="needs a flat end mill"):
        Cut(SHAPES["rectangle"], cutter=Cutter(kind, 6.0, tip_radius=3.0 if kind == "ball" else 1.0))


def test_the_part_of_the_nodes_is_never_carved():
    """Carved from the text on a fine grid, no node of the part is lower than before."""
    cut = Cut(SHAPES["ellipse"])
    stock = cut.stock(0.1)

    carved = carve_stock(stock, cut.moves, cut.cutter)
    assert 0.0 == carved.heights[inside(cut.shape, stock)].min()
