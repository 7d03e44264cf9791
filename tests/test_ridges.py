"""Ridges between passes: every published formula against the exact simulation of the passes themselves.

Where a value is "derived" it is algebra from the textbook's geometry, written down with its formula here.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.cutters import profile
from relief.kernels.sweep import swept_height
from relief.program.read import read_program
from relief.ridges import MEANINGS, ridge_height, scallop_meaning, sharp_stepover
from relief.shop.records import Cutter

BALL = Cutter("ball", 6.0)
BULL = Cutter("bull", 6.0, tip_radius=1.0)
TAPER = Cutter("taper", 6.0, tip_radius=1.0, angle=20.0)
VEE = Cutter("vee", 12.0, angle=60.0)
FLAT = Cutter("flat", 6.0)


def left(cutter: Cutter, cuts: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return what straight cuts, written as text and read back, leave at places, by the exact sweep.

    Parameters
    ----------
    cutter : Cutter
    cuts : (n, 2, 3) mm, both ends of each
    x, y : (n,) mm
    """
    lines = ["G21 G90 G94 G54", "G0 Z90", "F1000"]
    for start, end in cuts:
        lines += ["G0 X{:.9f} Y{:.9f}".format(*start), f"G1 Z{start[2]:.9f}"]
        lines += ["X{:.9f} Y{:.9f} Z{:.9f}".format(*end), "G0 Z90"]
    moves = read_program("\n".join([*lines, "M2"]).encode())
    shape, found = np.array(profile(cutter)), np.full(len(x), np.inf)
    for start, end in zip(moves.points[:-1][~moves.rapid], moves.points[1:][~moves.rapid], strict=True):
        way = end - start
        length = math.hypot(way[0], way[1])
        if length == 0:
            continue
        ex, ey = way[0] / length, way[1] / length
        along, beside = (x - start[0]) * ex + (y - start[1]) * ey, (y - start[1]) * ex - (x - start[0]) * ey
        for k in np.flatnonzero(np.abs(beside) <= shape[3]):
            height = swept_height(along[k], beside[k], length, start[2], way[2] / length, shape)
            found[k] = min(found[k], height)
    return found


def highest(ridges: Callable[[np.ndarray], np.ndarray], width: float) -> float:
    """Return the highest ridge within ± width / 2, looked at again and again about its top."""
    at = 0.0
    for _ in range(3):
        places = np.linspace(at - width / 2, at + width / 2, 401)
        found = ridges(places)
        at, width = float(places[found.argmax()]), width / 100
    return float(found.max())


def simulated(cutter: Cutter, passes: np.ndarray, surface: Callable, width: float) -> float:
    """Return the highest ridge that passes along Y leave above a surface, normal to it.

    Parameters
    ----------
    cutter : Cutter
    passes : (n, 2) mm, x and z of the tip of each pass
    surface : (x, z) to the distance from the surface
    width : mm, across the passes, about x = 0
    """
    cuts = np.array([[(across, -20.0, z), (across, 20.0, z)] for across, z in passes])
    return highest(lambda x: surface(x, left(cutter, cuts, x, np.zeros_like(x))), width)


def on_a_plane(cutter: Cutter, spacing: float, slope_deg: float = 0.0) -> float:
    """Return the simulated ridge of passes on a plane that rises across them."""
    turn = math.radians(slope_deg)
    slope = math.tan(turn)
    radius, corner = cutter.diameter / 2, cutter.tip_radius
    if cutter.kind == "ball":
        corner = radius
    flat = {"flat": radius, "bull": radius - corner}.get(cutter.kind, 0.0)
    # where the cutter's outline has the plane's slope it touches: the tip lies so far above the plane
    lift = slope * (flat + corner * math.sin(turn)) - corner * (1 - math.cos(turn))
    reach = math.ceil(1.5 + cutter.diameter / 2 / spacing)
    at = np.arange(-reach, reach + 1) * spacing
    passes = np.column_stack([at, slope * at + lift])
    return simulated(cutter, passes, lambda x, z: (z - slope * x) * math.cos(turn), spacing)


# Flat floor, R, s, h in mm: h = R − √(R² − s²/4), exact, textbook geometry; worked examples published with
# it: 6 mm ball, 0.5 → 0.0104; 10 mm ball, 0.5 → "about 0.0063"; 6 mm ball, 0.005 → s 0.346.
FLOOR = [
    (3.0, 0.5, 0.0104348), (3.0, 1.0, 0.0419601), (1.5, 0.3, 0.0075188), (5.0, 0.5, 0.0062539),
    (3.0, 6.0, 3.0), (3.0, 0.3462658, 0.005), (3.0, 0.4894895, 0.01), (1.0, 0.6244998, 0.05),
    (3.175, 0.5673930, 0.0127),
]  # fmt: skip


@pytest.mark.parametrize(("radius", "spacing", "height"), FLOOR)
def test_ball_on_a_level_floor(radius, spacing, height):
    """The textbook's values, by the formula and by carving."""
    ball = Cutter("ball", 2 * radius)

    assert ridge_height(ball, spacing) == pytest.approx(height, abs=1e-6)
    assert on_a_plane(ball, spacing) == pytest.approx(height, abs=5e-6)


@pytest.mark.parametrize(
    ("along", "across", "height"),
    [
        (0.0, 0.0, 0.0104348), (1.0, 0.0, 0.0104348), (0.0, math.tan(math.pi / 6), 0.0139212),
        (0.0, 1.0, 0.0209062), (1.0, 1.0, 0.0156659), (0.0, math.sqrt(3), 0.0419601),
    ],
)  # fmt: skip
def test_ball_on_an_inclined_plane(along, across, height):
    """R = 3, D = 0.5: w = D √((1 + p² + q²) / (1 + p²)), h = R − √(R² − w²/4) (derived).

    A slope along the feed changes nothing; one across it sets the passes apart by D / cos a.
    """
    radius, apart = 3.0, 0.5
    w = apart * math.sqrt((1 + along**2 + across**2) / (1 + along**2))
    normal = math.sqrt(1 + along**2 + across**2)
    lift = radius * (normal - 1)
    cuts = np.array(
        [[(x, y, x * along + y * across + lift) for x in (-20.0, 20.0)] for y in np.arange(-10, 11) * apart]
    )
    found = highest(lambda y: (left(BALL, cuts, np.zeros_like(y), y) - across * y) / normal, apart)

    assert radius - math.sqrt(radius**2 - w**2 / 4) == pytest.approx(height, abs=1e-7)
    assert found == pytest.approx(height, abs=5e-6)
    if along == 0:
        assert ridge_height(BALL, apart, math.degrees(math.atan(across))) == pytest.approx(height, abs=1e-7)


@pytest.mark.parametrize(
    ("slope", "spacing"), [(0, 0.489490), (30, 0.423910), (45, 0.346121), (60, 0.244745)]
)
def test_stepover_needed_across_a_slope(slope, spacing):
    """R = 3, h = 0.01: the level distance times cos a (derived)."""
    assert ridge_height(BALL, spacing, slope) == pytest.approx(0.01, abs=1e-6)
    assert on_a_plane(BALL, spacing, slope) == pytest.approx(0.01, abs=5e-6)


# R, ρ, h, chord L along the surface between contacts, convex and concave. From memory: Suresh & Yang, J. Eng.
# Ind. 116:253–259, 1994, and Lin & Koren, ibid. 118(1):20–28, 1996; the values are derived, brute-forced.
CURVED = [
    (3.0, 20.0, 0.01, 0.4563298, 0.5310470), (3.0, 50.0, 0.01, 0.4753854, 0.5049188),
    (3.0, 10.0, 0.01, 0.4290715, 0.5852820), (3.0, 6.0, 0.05, 0.8863984, 1.5459625),
]  # fmt: skip


def chord(radius: float, rho: float, height: float, sign: int) -> float:
    """Return the chord between contacts on a cylinder: sign + convex, − concave (needs ρ > R)."""
    middle, top = rho + sign * radius, rho + sign * height
    inner = rho**2 + sign * 2 * radius * rho + top**2
    return rho * math.sqrt(4 * middle**2 * top**2 - inner**2) / (middle * top)


@pytest.mark.parametrize(("radius", "rho", "height", "convex", "concave"), CURVED)
@pytest.mark.parametrize("sign", [1, -1])
def test_ball_on_a_cylinder(radius, rho, height, convex, concave, sign):
    """Passes along a rod or a trough, their contacts a chord L apart, leave h; the values agree with both.

    Within a few per cent h ≈ L² (1/R ± 1/ρ) / 8 (the parabolas of both circles).
    """
    expected = convex if sign > 0 else concave
    length = chord(radius, rho, height, sign)
    turns = 2 * math.asin(length / (2 * rho)) * np.arange(-3, 4)
    middles = (rho + sign * radius) * np.column_stack([np.sin(turns), sign * np.cos(turns)])
    tips = middles - (0.0, radius)

    def off(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        return sign * (np.hypot(x, z) - rho)

    assert length == pytest.approx(expected, abs=1e-6)
    assert simulated(Cutter("ball", 2 * radius), tips, off, length) == pytest.approx(height, abs=1e-5)
    assert length == pytest.approx(math.sqrt(8 * height / (1 / radius + sign / rho)), rel=0.01)


@pytest.mark.parametrize(("slope", "height"), [(10, 0.0868241), (30, 0.25), (45, 0.3535534)])
def test_stairs_of_a_flat_end_mill(slope, height):
    """Across a slope it leaves stairs of D sin a, D = 0.5 (derived); on the level nothing."""
    assert ridge_height(FLAT, 0.5, slope) == pytest.approx(height, abs=1e-7)
    assert on_a_plane(FLAT, 0.5, slope) == pytest.approx(height, abs=5e-5)
    assert ridge_height(FLAT, 0.5) == 0.0
    assert on_a_plane(FLAT, 0.5) == 0.0


@pytest.mark.parametrize("slope", [10, 30])
def test_flat_end_mill_along_a_slope(slope):
    """Fed up a plane it cuts an ellipse, r by r sin a: cusp r sin a (1 − √(1 − (D/2r)²)).

    The "effective radius" r / sin a at its bottom is from memory: Vickers & Quan, J. Eng. Ind. 111(1), 1989.
    """
    turn, radius, apart = math.radians(slope), 3.0, 1.0
    rise = math.tan(turn)
    cuts = np.array(
        [[(x, y, x * rise + radius * rise) for x in (-20.0, 20.0)] for y in np.arange(-5, 6) * apart]
    )
    found = highest(lambda y: left(FLAT, cuts, np.zeros_like(y), y) * math.cos(turn), 2 * apart)
    cusp = radius * math.sin(turn) * (1 - math.sqrt(1 - (apart / (2 * radius)) ** 2))

    assert found == pytest.approx(cusp, abs=5e-6)


@pytest.mark.parametrize("spacing", [0.1, 0.5])
@pytest.mark.parametrize("slope", [0, 10, 30])
def test_facets_of_a_vee(spacing, slope):
    """A sharp point leaves D (c² − m²) cos a / 2c, c = cot of half its angle (derived)."""
    c, m = 1 / math.tan(math.radians(30)), math.tan(math.radians(slope))
    height = spacing * (c * c - m * m) / (2 * c) * math.cos(math.radians(slope))

    assert ridge_height(VEE, spacing, slope) == pytest.approx(height, abs=1e-9)
    assert on_a_plane(VEE, spacing, slope) == pytest.approx(height, abs=5e-6)


@pytest.mark.parametrize("spacing", [0.1, 0.3])
@pytest.mark.parametrize("slope", [20, 45, 60])
def test_the_corner_of_a_bull_on_a_slope(spacing, slope):
    """Where the outlines cross on their corners it is a ball of that radius: D ≤ c sin 2a (derived)."""
    corner = Cutter("ball", 2 * BULL.tip_radius)

    assert spacing <= BULL.tip_radius * math.sin(math.radians(2 * slope))
    assert ridge_height(BULL, spacing, slope) == pytest.approx(ridge_height(corner, spacing, slope), abs=1e-9)
    assert on_a_plane(BULL, spacing, slope) == pytest.approx(ridge_height(BULL, spacing, slope), abs=5e-6)


def test_the_flat_core_of_a_bull_counts_off():
    """On the level it leaves what a ball of its corner leaves with passes nearer by the core (derived)."""
    core = BULL.diameter - 2 * BULL.tip_radius
    corner = Cutter("ball", 2 * BULL.tip_radius)

    assert ridge_height(BULL, 0.9 * core) == 0.0
    assert ridge_height(BULL, core + 0.5) == pytest.approx(ridge_height(corner, 0.5), abs=1e-9)
    assert on_a_plane(BULL, core + 0.5) == pytest.approx(ridge_height(corner, 0.5), abs=5e-6)


@pytest.mark.parametrize("slope", [0, 30, 60])
def test_the_ball_of_a_taper(slope):
    """Up to where its cone takes over, a + asin(D / 2R cos a) ≤ 90° − half angle, it is a ball (derived)."""
    ball, spacing = Cutter("ball", 2 * TAPER.tip_radius), 0.3
    turn = math.radians(slope)

    assert turn + math.asin(spacing / (2 * math.cos(turn))) <= math.radians(90 - TAPER.angle / 2)
    assert ridge_height(TAPER, spacing, slope) == pytest.approx(ridge_height(ball, spacing, slope), abs=1e-9)
    assert on_a_plane(TAPER, spacing, slope) == pytest.approx(ridge_height(ball, spacing, slope), abs=5e-6)


def test_the_cone_of_a_taper_stands_lower_than_its_ball_would():
    """Steeper than that the cone, which leaves the ball at a tangent, cuts more away than the ball alone."""
    ball = Cutter("ball", 2 * TAPER.tip_radius)

    assert ridge_height(TAPER, 0.3, 75) < ridge_height(ball, 0.3, 75)
    assert on_a_plane(TAPER, 0.3, 75) == pytest.approx(ridge_height(TAPER, 0.3, 75), abs=2e-5)


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from([BALL, BULL, TAPER, VEE, FLAT]), st.floats(0.1, 1.0), st.floats(0, 55),
)  # fmt: skip
def test_any_ridge_is_what_carving_leaves(cutter, spacing, slope):
    """For every kind, distance and slope the formula is the exact simulation."""
    assert on_a_plane(cutter, spacing, slope) == pytest.approx(ridge_height(cutter, spacing, slope), abs=1e-5)


@pytest.mark.parametrize(
    ("cutter", "slope", "apart"),
    [(VEE, 0, 0.1 * math.tan(math.radians(30))), (FLAT, 45, 0.05 * math.sqrt(2))],
)
def test_distances_for_cutters_without_a_round_end(cutter, slope, apart):
    """For 0.05 mm a vee needs D = 2 h tan (half angle), a flat on 45° D = h / sin 45° (derived)."""
    assert sharp_stepover(cutter, 0.05, slope) == pytest.approx(apart, rel=1e-9)


def test_every_kind_that_turns_has_a_meaning():
    """What "scallop" is can be told of each; a rounded vee is a taper."""
    assert set(MEANINGS) == {"ball", "bull", "taper", "vee", "flat"}
    assert "stairs" in scallop_meaning(FLAT)
    assert "not with its square" in scallop_meaning(VEE)
    assert scallop_meaning(Cutter("vee", 6.0, angle=60.0, tip_radius=0.3)) == scallop_meaning(TAPER)
