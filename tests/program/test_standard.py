"""The checker of the standard's rules itself, by the standard's own examples and by one fault at a time."""

from __future__ import annotations

import pytest

from tests.program.standard import line_faults, violations

# Lines from NISTIR 6556: s3.3 (blanks), s3.3.1 (N), s3.3.4 (MSG), s3.5.4, s3.5.12, s3.8, s5.1.2.
ACCEPTED = (
    "g0x +0. 12 34y 7", "g0 x+0.1234 y7", "X-.5", "N99999G0X1", "/N5 G4 P.5", "(MSG, hi)", "M6 T1",
    "G53 G0 Z0", "g1 x3 y1 f20.0", "M6 T1 M3 S100", "", " \t ", "G1 X1 (a) Y2 (b)", "n00009 g1 x1.", "M7 M8",
    "G0 G90 G20 X1",
)  # fmt: skip
REJECTED = (
    "G1 X1e-5", "X+", "N000009 G0 X1", "G0 X1 ;c", "O1000", "G1 X1 (a(b))", "G1X1.2.3", "G1 U2", "G1 X1 X2",
    "N-1 X1", "G0 G1 X1", "G20 G21", "M3 M5", "M1 M7 M8 M48 M5", "(open", "close)", "X1 N5", "G1 x asim[0.5]",
    "#1=2", "G77", "M99", "G4", "G4 P-1", "S-1 M3", "T1.5", "x" * 257, "G28 G1 X1", "G1 X\u22121", "X 1 %",
)  # fmt: skip


@pytest.mark.parametrize("line", ACCEPTED)
def test_lines_of_the_standard_are_accepted(line: str) -> None:
    """Every line that the standard shows as legal is legal."""
    assert line_faults(line) == []


@pytest.mark.parametrize("line", REJECTED)
def test_lines_outside_the_standard_are_rejected(line: str) -> None:
    """Every line that breaks a rule is told."""
    assert line_faults(line) != []


SOUND = "%\nG17 G21 G90 G94\nG0 Z5\nX0 Y0\nG1 Z-1 F100\nG2 X10 I5\nG0 Z5\nM2\n%\n"


def test_a_sound_program_is_sound() -> None:
    """A small program by the book breaks nothing; nor does it without its % lines, as M2 ends it (s3.1)."""
    assert violations(SOUND) == []
    assert violations(SOUND.replace("%\n", "")) == []


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("M2\n%\n", "M2\n", 'line 1: no second "%"'),
        (" G21", "", "line 3: a length before units"),
        ("G17 G21", "F9 G17 G21", "line 2: F before units"),
        (" F100", "", "line 5: a feed move at zero feed"),
        ("G0 Z5\nX0", "Z5\nX0", "line 3: axis words without a motion"),
        ("I5", "I5.003", "line 6: the arc's radii differ"),
        ("I5", "", "line 6: an arc without a centre"),
        ("X10 I5", "Z1 I5", "line 6: an arc without an axis word of its plane"),
        ("I5", "R4.9", "line 6: an impossible radius"),
        ("X0 Y0", "G0", "line 4: G0 to G3 without axis words"),
        ("%\n", "", None),
        ("M2\n", "", None),
    ],
)
def test_each_fault_is_told_with_its_line(old: str, new: str, told: str | None) -> None:
    """The first thing told is the fault and its line; what ends the program may be either of the two ways."""
    assert violations(SOUND.replace(old, new))[:1] == ([told] if told else [])


def test_neither_end_is_a_fault() -> None:
    """Without % lines, M2 or M30 is needed (s3.1)."""
    assert violations("G21\nG0 X1\n") == ["no M2 or M30 at the end"]
    assert violations("\n\n") == ["no line at all"]
