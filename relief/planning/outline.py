"""The outline of the part as asked for, and the rings that a round cutter follows beside it.

Shapes are shapely polygons in the relief's coordinates, mm. Rings are closed polylines for the cutter's axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple, cast

import contourpy
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from relief.errors import PlanError
from relief.heightfield import Heightfield, Region

Floats = npt.NDArray[np.float64]
Offsets = npt.NDArray[np.uint32]

# How far chords may stray from an arc, and how far a line may stray when points are dropped, mm.
CHORD = 0.002
THINNED = 0.001


def rectangle(region: Region) -> shapely.Polygon:
    """Return a box as a shape."""
    return shapely.box(region.left, region.near, region.right, region.far)


def ellipse(region: Region) -> shapely.Polygon:
    """Return the ellipse inscribed in a box, as chords that leave it by at most `CHORD`.

    An ellipse is a circle pressed flat, so its chords stray no more than the circle's.
    """
    half_width, half_length = region.width / 2, region.length / 2
    count = _chords(max(half_width, half_length))
    turn = np.arange(count) * (2 * math.pi / count)
    x = (region.left + region.right) / 2 + half_width * np.cos(turn)
    y = (region.near + region.far) / 2 + half_length * np.sin(turn)
    return shapely.Polygon(np.column_stack([x, y]))


def _chords(radius: float) -> int:
    """Return how many chords of a whole circle stray at most `CHORD` from it; a multiple of four."""
    half_turn = math.acos(max(1 - CHORD / radius, 0.0)) if radius > CHORD else math.pi / 2
    return 4 * max(math.ceil(math.pi / half_turn / 4), 2)


def silhouette(opacity: npt.NDArray[np.float64] | npt.NDArray[np.bool_], region: Region) -> BaseGeometry:
    """Return the outline of a picture's opaque part: where its opacity passes one half.

    Parameters
    ----------
    opacity : (rows, columns), 0 to 1 or False and True, row 0 at the near side
        The outermost pixels' centres lie on the region's edges; beyond them nothing is opaque.
    region : Region, the relief's box

    Returns
    -------
    Polygon or MultiPolygon, holes included

    Raises
    ------
    PlanError
        Nothing is opaque.

    Notes
    -----
    Marching squares with linear interpolation (contourpy), closed by a clear rim and cut at the box.
    """
    rows, columns = opacity.shape
    x = region.left + np.arange(-1, columns + 1) * (region.width / (columns - 1))
    y = region.near + np.arange(-1, rows + 1) * (region.length / (rows - 1))
    rimmed = np.pad(opacity.astype(np.float64), 1)
    squares = contourpy.contour_generator(x, y, rimmed, fill_type=contourpy.FillType.OuterOffset)
    points, offsets = cast("tuple[list[Floats], list[Offsets]]", squares.filled(0.5, 2.0))
    areas = [_polygon(*area) for area in zip(points, offsets, strict=True)]
    shape = _areas(shapely.intersection(shapely.union_all(areas), rectangle(region)))
    if shape.is_empty:
        message = "the picture has no opaque part to cut out; choose a rectangle or an ellipse"
        raise PlanError(message)
    return shapely.simplify(shape, THINNED)


def _polygon(points: Floats, offsets: Offsets) -> BaseGeometry:
    """Return an area from its outside and its holes, one after the other in `points`."""
    rims = [points[start:end] for start, end in pairwise(offsets)]
    return shapely.make_valid(shapely.Polygon(rims[0], rims[1:]))


def _areas(shape: BaseGeometry) -> BaseGeometry:
    """Return the polygons of a shape, without the lines and points that an intersection may leave."""
    return shapely.union_all([piece for piece in pieces(shape) if piece.area > 0])


def pieces(shape: BaseGeometry) -> list[shapely.Polygon]:
    """Return the separate polygons of a shape."""
    return [piece for piece in shapely.get_parts(shape) if isinstance(piece, shapely.Polygon)]


def without_specks(shape: BaseGeometry, area: float) -> BaseGeometry:
    """Return a shape without the pieces and the holes that are smaller than an area, mm²."""
    kept = []
    for piece in pieces(shape):
        if piece.area >= area:
            holes = [hole for hole in piece.interiors if shapely.Polygon(hole).area >= area]
            kept.append(shapely.Polygon(piece.exterior, holes))
    return shapely.union_all(kept)


def rims(shape: BaseGeometry) -> list[tuple[shapely.LinearRing, bool]]:
    """Return the rims of a shape and whether each is a hole's; holes first, from the near left."""
    found = [(line, True) for piece in pieces(shape) for line in piece.interiors]
    found += [(piece.exterior, False) for piece in pieces(shape)]
    return sorted(found, key=lambda rim: (not rim[1], rim[0].bounds[1], rim[0].bounds[0]))


def inside(shape: BaseGeometry, field: Heightfield) -> npt.NDArray[np.bool_]:
    """Return which nodes of a field lie within a shape: (rows, columns) bool."""
    shapely.prepare(shape)
    found = np.zeros((field.rows, field.columns), dtype=bool)
    if shape.is_empty:
        return found
    left, near, right, far = shape.bounds
    rows, columns = field.window(Region(left, near, right, far))
    x, y = np.meshgrid(field.x[columns], field.y[rows])
    found[rows, columns] = shapely.intersects_xy(shape, x, y)
    return found


def grown(shape: BaseGeometry, by: float) -> BaseGeometry:
    """Return everything within `by` mm of a shape, its round corners never cut short.

    Points on the chords of a corner are at least `by` and at most `by` + 2 × `CHORD` away from the shape,
    points along its straight sides at most `by` + `CHORD`.
    """
    # the polygon library fits whole chords into each corner: some are up to one and a half times as wide
    quarter = math.ceil(1.5 * _chords(by) / 4)
    return shapely.buffer(shape, by / math.cos(1.5 * math.pi / (4 * quarter)), quad_segs=quarter)


def shrunk(shape: BaseGeometry, by: float) -> BaseGeometry:
    """Return what lies more than `by` mm inside a shape."""
    return shapely.buffer(shape, -by, quad_segs=max(_chords(by) // 4, 2))


@dataclass(frozen=True, eq=False)
class Ring:
    """A closed way of the cutter's axis, seen from above.

    A place on it is a length along it from its first point; places past its end go round again.

    Parameters
    ----------
    points : (n, 2) float64, mm, the first not repeated at the end
    """

    points: Floats

    @cached_property
    def closed(self) -> Floats:
        """(n + 1, 2) the points, the first repeated at the end."""
        return np.vstack([self.points, self.points[:1]])

    @cached_property
    def places(self) -> Floats:
        """(n + 1,) place of each point of `closed`."""
        steps = np.hypot(*np.diff(self.closed, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length(self) -> float:
        """Length once round, mm."""
        return float(self.places[-1])

    @property
    def signed_area(self) -> float:
        """Area inside by the shoelace formula: below 0 when the ring runs clockwise seen from above."""
        (x, y), (nx, ny) = self.closed[:-1].T, self.closed[1:].T
        return float((x * ny - nx * y).sum() / 2)

    def at(self, place: npt.ArrayLike) -> Floats:
        """Return the positions (…, 2) at places."""
        turned = np.mod(np.asarray(place, dtype=np.float64), self.length)
        return np.stack([np.interp(turned, self.places, self.closed[:, axis]) for axis in (0, 1)], axis=-1)

    def heading(self, place: npt.ArrayLike) -> Floats:
        """Return the direction of travel (…, 2) at places, of length 1."""
        turned = np.mod(np.asarray(place, dtype=np.float64), self.length)
        after = np.clip(np.searchsorted(self.places, turned, side="right"), 1, len(self.points))
        ahead = self.closed[after] - self.closed[after - 1]
        return ahead / np.hypot(ahead[..., 0], ahead[..., 1])[..., None]

    def between(self, start: float, end: float) -> Floats:
        """Return the way from one place to a later one, both ends included: (m, 2)."""
        laps = np.arange(math.floor(start / self.length), math.floor(end / self.length) + 1)
        places = (self.places[:-1] + laps[:, None] * self.length).ravel()
        via = np.tile(self.points, (len(laps), 1))[(places > start + 1e-9) & (places < end - 1e-9)]
        return np.vstack([self.at(start)[None], via, self.at(end)[None]])

    def nearest(self, point: npt.ArrayLike) -> float:
        """Return the place that lies nearest to a point."""
        start, step = self.closed[:-1], np.diff(self.closed, axis=0)
        square = np.maximum((step**2).sum(axis=1), 1e-30)
        share = np.clip(((np.asarray(point) - start) * step).sum(axis=1) / square, 0.0, 1.0)
        far = ((start + share[:, None] * step - point) ** 2).sum(axis=1)
        best = int(np.argmin(far))
        return float(self.places[best] + share[best] * math.sqrt(square[best]))

    def closest(self, points: Floats) -> Floats:
        """Return the position on the ring closest to each point: (n, 2)."""
        line = shapely.LinearRing(self.points)
        places = shapely.line_locate_point(line, shapely.points(points))
        return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(line, places)))


class Gap(NamedTuple):
    """Where the cutter rises: places on a ring.

    Parameters
    ----------
    start, end : where it has gone up, and where it may come down again
    beyond : whether what lies in it is another tile's, and not a tab
    """

    start: float
    end: float
    beyond: bool = False


def gap_at(ring: Ring, middle: float, width: float) -> Gap:
    """Return the gap around a place whose ends are `width` mm apart, as the crow flies.

    What is left standing between two round holes of diameter D is their distance less D at its narrowest.
    """
    half = width / 2
    for _ in range(8):
        apart = float(np.hypot(*(ring.at(middle + half) - ring.at(middle - half))))
        half = min(half * width / max(apart, 1e-9), ring.length / 2)
    return Gap(middle - half, middle + half)


def ring(line: shapely.LinearRing, step: float, *, clockwise: bool) -> Ring:
    """Return a polygon's rim as a ring on the lattice that the program text can express.

    Parameters
    ----------
    line : rim of a polygon
    step : float, mm, the lattice
    clockwise : which way round, seen from above

    Raises
    ------
    PlanError
        The rim is smaller than the lattice.
    """
    points = shapely.get_coordinates(shapely.simplify(line, THINNED))[:-1]
    points = np.rint(points / step) * step
    kept = (np.abs(points - np.roll(points, 1, axis=0)) > step / 2).any(axis=1)
    found = Ring(points[kept])
    if len(found.points) < 3:
        message = "an outline is smaller than the program's smallest step"
        raise PlanError(message)
    return found if (found.signed_area < 0) == clockwise else Ring(found.points[::-1].copy())
