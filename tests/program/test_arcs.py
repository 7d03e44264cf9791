"""Arcs as chords against closed forms (plane geometry of the circle)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.errors import ProgramError
from relief.program import arcs
from relief.program.arcs import CHORD_DEVIATION
from relief.program.read import read_program

HEAD = "G21 {plane}\nG0 X{x} Y{y} Z{z}\nF600\n"


def arc(line: str, start: tuple[float, float, float] = (0, 0, 0), plane: str = "G17") -> np.ndarray:
    """Return all positions from the start of an arc to its end."""
    head = HEAD.format(plane=plane, **{a: f"{value:.9f}" for a, value in zip("xyz", start, strict=True)})
    return read_program(f"{head}{line}\nM2").points[1:]


def length(points: np.ndarray) -> float:
    """Return the length of the way through all points."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def turned(points: np.ndarray, a: int = 0, b: int = 1) -> float:
    """Return twice the signed area under the way, closed to its start: above 0 for turning left."""
    p = points - points[0]
    return float((p[:-1, a] * p[1:, b] - p[1:, a] * p[:-1, b]).sum())


# Length of an arc = radius x angle. The shorter way round is 180 deg or less for R above 0 (s3.5.3.1).
@pytest.mark.parametrize(
    ("line", "radius", "angle_deg", "left"),
    [
        ("G2 X10 I5", 5, 180, False),
        ("G3 X10 I5", 5, 180, True),
        ("G2 X5 Y5 I5", 5, 90, False),
        ("G3 X5 Y5 I5", 5, 270, True),
        ("G3 X5 Y5 J5", 5, 90, True),
        ("G2 X0 I5", 5, 360, False),
        ("G3 Y0 J-2", 2, 360, True),
        ("G2 X5 Y5 R5", 5, 90, False),
        ("G3 X5 Y5 R5", 5, 90, True),
        ("G2 X5 Y5 R-5", 5, 270, False),
        ("G3 X5 Y5 R-5", 5, 270, True),
        ("G2 X10 R5", 5, 180, False),
        ("G2 X10 R4.9995", 5, 180, False),
        ("G2 X10 R10", 10, 60, False),
    ],
)
def test_length_side_and_deviation(line: str, radius: float, angle_deg: float, left: bool) -> None:
    """Each arc has its length and its side, and no chord is further from it than 0.001 mm."""
    points = arc(line)
    whole = radius * math.radians(angle_deg)
    chord = float(np.linalg.norm(np.diff(points, axis=0), axis=1).max())

    # a chord c spans the angle 2 asin(c / 2r); all are alike
    assert (len(points) - 1) * 2 * radius * math.asin(chord / 2 / radius) == pytest.approx(whole, rel=2e-4)
    assert length(points) <= whole * (1 + 2e-4)
    assert radius - math.sqrt(radius**2 - chord**2 / 4) <= CHORD_DEVIATION + 1e-12
    assert (turned(points) > 0) == left


# Radius r, deviation e, and the longest chord that strays no more, L = 2 √(2 r e − e²): the circular segment
# of engineering handbooks, c = 2 √(h (2 r − h)) (formula from memory; the values are worked from it).
LONGEST = [(10.0, 0.01, 0.894204), (1.5, 0.005, 0.244745)]


@pytest.mark.parametrize(("radius", "deviation", "longest"), LONGEST)
def test_no_chord_is_longer_than_its_sagitta_allows(monkeypatch, radius, deviation, longest) -> None:
    """And none is needed less: one chord fewer round the circle would stray too far."""
    assert radius - math.sqrt(radius**2 - longest**2 / 4) == pytest.approx(deviation, rel=1e-5)
    monkeypatch.setattr(arcs, "CHORD_DEVIATION", deviation)
    points = arc(f"G2 X0 I{radius}")
    chords = np.linalg.norm(np.diff(points, axis=0), axis=1)

    assert chords.max() <= longest + 5e-7
    fewer = 2 * radius * math.sin(math.pi / (len(chords) - 1))
    assert fewer > longest


def test_where_the_arc_runs() -> None:
    """G2 from (0, 0) about (5, 0) goes over the top: clockwise as seen from above."""
    points = arc("G2 X10 Y0 I5 J0 F99")

    assert np.hypot(points[:, 0] - 5, points[:, 1]) == pytest.approx(5.0, abs=1e-12)
    assert points[:, 1].min() >= -1e-12
    assert points[:, 1].max() == pytest.approx(5.0, abs=CHORD_DEVIATION)
    assert points[-1].tolist() == [10, 0, 0]


# s3.5.3 and Table: G18 is seen from the positive end of Y, G19 from that of X; both right-handed.
@pytest.mark.parametrize(
    ("plane", "line", "middle"),
    [
        ("G17", "G3 X0 Y2 J1", (1, 1, 0)),
        ("G18", "G3 X2 Z0 I1", (1, 0, 1)),
        ("G18", "G2 X2 Z0 I1", (1, 0, -1)),
        ("G19", "G3 Y0 Z2 K1", (0, 1, 1)),
        ("G19", "G2 Y0 Z2 K1", (0, -1, 1)),
    ],
)
def test_planes(plane: str, line: str, middle: tuple[float, float, float]) -> None:
    """A half circle passes its middle on the right-handed side of each plane.

    G18: Z is the first axis and X the second, so G3 from (X0, Z0) to (X2, Z0) about (X1, Z0) turns from Z
    towards X: by the right hand with the thumb along +Y, its middle is at Z +1.
    """
    points = arc(line, plane=plane)

    assert np.linalg.norm(points - np.array(middle), axis=1).min() < 0.1


def test_a_helix_sinks_evenly() -> None:
    """The third axis goes in proportion to the angle; length = sqrt((r angle)^2 + dz^2)."""
    points = arc("G3 X0 Y0 Z-3 I10")
    angle = np.unwrap(np.arctan2(points[:, 1], points[:, 0] - 10))

    assert points[:, 2] == pytest.approx(-3 * (angle - angle[0]) / (2 * math.pi), abs=1e-9)
    assert length(points) == pytest.approx(math.hypot(20 * math.pi, 3), rel=1e-4)


def test_steps_and_inches() -> None:
    """In G91 the end is a step, and centres are steps always (s3.5.3.2); inches count 25.4 mm."""
    assert arc("G91 G2 X2 Y0 I1", (5, 5, 0))[-1].tolist() == [7, 5, 0]
    assert arc("G2 X7 Y5 I1", (5, 5, 0))[-1].tolist() == [7, 5, 0]
    points = read_program("G20\nG0 X0 Y0 Z0\nG3 X2 I1 F9\nM2").points[1:]
    assert points[-1].tolist() == [50.8, 0, 0]
    assert np.hypot(points[:, 0] - 25.4, points[:, 1]) == pytest.approx(25.4, abs=1e-9)


@pytest.mark.parametrize(
    ("end", "holds"), [(10.0019, True), (9.9981, True), (10.0021, False), (9.9979, False)]
)
def test_the_standards_tolerance(end: float, holds: bool) -> None:
    """The two radii may differ by 0.002 mm and no more (s3.5.3.2)."""
    if holds:
        assert arc(f"G2 X{end} I5")[-1].tolist() == [end, 0, 0]
    else:
        with pytest.raises(ProgramError, match=r"line 4: .*may differ by 0\.002 mm"):
            arc(f"G2 X{end} I5")


@given(radius=st.floats(0.01, 500), begin=st.floats(0, 6.28), turn=st.floats(0.01, 6.27), left=st.booleans())
@settings(deadline=None)
def test_both_formats_tell_the_same_arc(radius: float, begin: float, turn: float, left: bool) -> None:
    """An arc by centre and the same arc by radius have the same middle and length, wherever R is allowed."""
    sign = 1 if left else -1
    at = [
        (radius * math.cos(begin + sign * t), radius * math.sin(begin + sign * t))
        for t in (0, turn / 2, turn)
    ]
    (x0, y0), middle, (x1, y1) = at
    word = "G3" if left else "G2"
    by_centre = arc(f"{word} X{x1:.9f} Y{y1:.9f} I{-x0:.9f} J{-y0:.9f}", (round(x0, 9), round(y0, 9), 0))
    gap = np.hypot(by_centre[:, 0] - middle[0], by_centre[:, 1] - middle[1]).min()
    chord = np.linalg.norm(np.diff(by_centre, axis=0), axis=1).max()

    assert gap <= chord / 2 * 1.01 + CHORD_DEVIATION
    assert length(by_centre) == pytest.approx(radius * turn, abs=0.003 * turn * 4)
    if abs(turn - math.pi) > 0.3 and turn < 5.9 and turn > 0.3:  # near 180 and 360 deg R is ill-conditioned
        r = radius if turn < math.pi else -radius
        by_radius = arc(f"{word} X{x1:.9f} Y{y1:.9f} R{r:.9f}", (round(x0, 9), round(y0, 9), 0))
        assert length(by_radius) == pytest.approx(length(by_centre), rel=1e-4, abs=1e-4)
