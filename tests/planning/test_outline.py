"""The outline asked for, and the rings beside it: against circles, ellipses and other libraries."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.measure import find_contours

from relief.errors import PlanError
from relief.heightfield import Heightfield, Region
from relief.planning.outline import (
    CHORD,
    THINNED,
    ellipse,
    grown,
    inside,
    pieces,
    rectangle,
    rims,
    ring,
    silhouette,
    without_specks,
)

SQUARE = Region(0.0, 0.0, 30.0, 30.0)


def disc(radius: float, pixels: int = 301, hole: float = 0.0) -> np.ndarray:
    """Return the opacity of a disc in the middle of `SQUARE`, its edge as soft as a pixel is wide."""
    j, i = np.mgrid[0:pixels, 0:pixels]
    size = 30.0 / (pixels - 1)
    away = np.hypot(i * size - 15.0, j * size - 15.0)
    outer = np.clip((radius - away) / size + 0.5, 0.0, 1.0)
    return np.minimum(outer, np.clip((away - hole) / size + 0.5, 0.0, 1.0))


sizes = st.floats(5.0, 200.0)


class TestShapes:
    @given(sizes, sizes)
    def test_an_ellipse_stays_within_its_chords_tolerance(self, width, length):
        """x²/a² + y²/b² = 1 at each corner; the area is π a b less what the chords cut off."""
        shape = ellipse(Region(3.0, -2.0, 3.0 + width, -2.0 + length))
        x, y = (shapely.get_coordinates(shape) - (3.0 + width / 2, length / 2 - 2.0)).T
        half_width, half_length = width / 2, length / 2

        assert (x / half_width) ** 2 + (y / half_length) ** 2 == pytest.approx(1.0)
        whole = math.pi * half_width * half_length
        assert whole - CHORD * shape.length <= shape.area <= whole

    def test_an_ellipse_touches_its_box(self):
        """It is inscribed: its bounds are the box."""
        assert ellipse(Region(1.0, 2.0, 31.0, 52.0)).bounds == pytest.approx((1.0, 2.0, 31.0, 52.0))

    def test_a_rectangle_is_its_box(self):
        """Area and bounds are those of the region."""
        shape = rectangle(Region(1.0, 2.0, 31.0, 52.0))

        assert (1500.0, (1.0, 2.0, 31.0, 52.0)) == (shape.area, shape.bounds)


class TestSilhouette:
    @pytest.mark.parametrize(("radius", "hole"), [(11.3, 0.0), (13.0, 4.2)])
    def test_a_soft_edge_gives_the_circle_it_was_drawn_from(self, radius, hole):
        """Outline and hole lie within 0.02 mm of the circles, at pixels of 0.1 mm."""
        shape = silhouette(disc(radius, hole=hole), SQUARE)

        lines = rims(shape)
        assert len(lines) == 1 + (hole > 0)
        for line, is_hole in lines:
            away = np.hypot(*(shapely.get_coordinates(line) - 15.0).T)
            assert away == pytest.approx(hole if is_hole else radius, abs=0.02)

    def test_the_same_as_another_marching_squares(self):
        """scikit-image's find_contours draws the same lines."""
        soft = np.clip(np.random.default_rng(5).normal(0.5, 0.2, (12, 14)).repeat(9, 0).repeat(9, 1), 0, 1)
        shape = silhouette(soft, Region(0.0, 0.0, soft.shape[1] - 1.0, soft.shape[0] - 1.0))
        expected = [line[:, ::-1] for line in find_contours(soft, 0.5)]

        lines = shapely.union_all([line for line, _ in rims(shape)])
        stray = shapely.distance(lines, shapely.points(np.vstack(expected)))
        assert stray.max() <= THINNED + 1e-9

    def test_a_yes_or_no_mask_is_kept_to_half_a_pixel(self):
        """A hard-edged disc strays from its circle by no more than half a pixel's diagonal."""
        shape = silhouette(disc(11.3) >= 0.5, SQUARE)

        away = np.hypot(*(shapely.get_coordinates(shape) - 15.0).T)
        assert away == pytest.approx(11.3, abs=0.1 * math.sqrt(0.5))

    def test_opaque_up_to_the_edge_ends_at_the_box(self):
        """A picture that is opaque all over is its box, although it is closed by a clear rim outside."""
        shape = silhouette(np.ones((7, 9)), Region(0.0, 0.0, 16.0, 12.0))

        assert shapely.symmetric_difference(shape, shapely.box(0, 0, 16, 12)).area == pytest.approx(
            0, abs=1e-9
        )

    def test_rows_run_to_the_far_side(self):
        """Row 0 lies at the near side, as in a picture that was read."""
        opacity = np.zeros((11, 11))
        opacity[:4, :6] = 1.0
        shape = silhouette(opacity, Region(0.0, 0.0, 10.0, 10.0))

        assert shape.bounds == pytest.approx((0.0, 0.0, 5.5, 3.5))

    def test_parts_and_holes_are_all_there(self):
        """Two discs, one with a hole and an island in it, make three parts and a hole."""
        j, i = np.mgrid[0:201, 0:401]
        away, beside = np.hypot(i - 100, j - 100), np.hypot(i - 300, j - 100)
        opaque = ((away < 80) & ~((away < 50) & (away > 20))) | (beside < 60)
        shape = silhouette(opaque, Region(0.0, 0.0, 400.0, 200.0))

        assert 3 == len(pieces(shape))
        assert 1 == sum(hole for _, hole in rims(shape))

    def test_nothing_opaque_is_refused(self):
        """There is nothing to cut out."""
        with pytest.raises(PlanError, match="no opaque part"):
            silhouette(np.zeros((5, 5)), SQUARE)

    def test_specks_are_left_out(self):
        """A dot of a few pixels is no part, and a pinhole no hole."""
        opacity = disc(11.0)
        opacity[10:13, 10:13] = 1.0
        opacity[150:152, 150:152] = 0.0
        shape = without_specks(silhouette(opacity, SQUARE), area=4.0)

        assert (1, 1) == (len(pieces(shape)), len(rims(shape)))


class TestBeside:
    @settings(max_examples=25)
    @given(sizes, sizes, st.floats(0.5, 8.0))
    def test_a_grown_outline_is_nowhere_too_near(self, width, length, by):
        """Its rim is `by` from the shape, or up to two chords' straying more: never less."""
        for shape in (rectangle(Region(0, 0, width, length)), ellipse(Region(0, 0, width, length))):
            rim = grown(shape, by).exterior
            away = shapely.distance(shape, rim.interpolate(np.linspace(0, rim.length, 700)))
            assert away.min() >= by - 1e-9
            assert away.max() <= by + 2 * CHORD

    @pytest.mark.parametrize("clockwise", [True, False])
    def test_a_ring_runs_as_asked_on_the_lattice(self, clockwise):
        """Its way round agrees with shapely's; its corners lie on the lattice, near the rim."""
        rim = ellipse(Region(0.0, 0.0, 37.3, 21.1)).exterior
        way = ring(rim, 0.001, clockwise=clockwise)

        assert clockwise != shapely.is_ccw(shapely.LinearRing(way.points))
        assert (way.signed_area < 0) == clockwise
        assert np.abs(way.points / 0.001 - np.rint(way.points / 0.001)).max() < 1e-6
        assert shapely.distance(rim, shapely.points(way.points)).max() <= 0.001

    @settings(max_examples=40)
    @given(st.floats(-100.0, 300.0), st.floats(0.0, 200.0))
    def test_places_on_a_ring(self, start, along):
        """Positions agree with shapely's interpolate; a way between two places is as long as asked."""
        way = ring(ellipse(Region(0.0, 0.0, 40.0, 25.0)).exterior, 0.001, clockwise=True)
        line = shapely.LinearRing(way.points)

        assert way.at(start) == pytest.approx(
            np.array(line.interpolate(start % way.length).coords[0]), abs=1e-9
        )
        part = way.between(start, start + along)
        assert np.hypot(*np.diff(part, axis=0).T).sum() == pytest.approx(along, abs=1e-6)
        assert part[-1] == pytest.approx(way.at(start + along))
        gap = (way.nearest(way.at(start)) - start) % way.length
        assert min(gap, way.length - gap) == pytest.approx(0.0, abs=1e-6)

    def test_the_heading_is_along_the_ring(self):
        """On a clockwise square the near side is run towards −x."""
        way = ring(rectangle(Region(0, 0, 10, 10)).exterior, 0.001, clockwise=True)

        assert way.heading(way.nearest((5.0, 0.0))) == pytest.approx((-1.0, 0.0))
        assert way.heading(way.nearest((10.0, 5.0))) == pytest.approx((0.0, -1.0))

    def test_a_rim_smaller_than_the_lattice_is_refused(self):
        """Nothing can be written that small."""
        with pytest.raises(PlanError, match="smaller than the program's smallest step"):
            ring(rectangle(Region(0, 0, 1e-4, 1e-4)).exterior, 0.001, clockwise=True)

    def test_nodes_inside(self):
        """A disc's nodes are those within its radius."""
        field = Heightfield(np.zeros((61, 71)), 0.5, (-17.0, -16.0))
        found = inside(ellipse(Region(-10.0, -10.0, 10.0, 10.0)), field)

        away = np.hypot(field.x[None, :], field.y[:, None])
        assert found[away < 10.0 - 2 * CHORD].all()
        assert not found[away > 10.0].any()
