"""Programs that must be refused, each with the line of the fault and words of the refusal.

`SOUND` is a whole small program; each broken one is made from it by one replacement. Sections are those of
NISTIR 6556, 17 August 2000; "ours" marks what the standard allows but a reader cannot follow with certainty.
"""

from __future__ import annotations

from typing import NamedTuple

SOUND = """\
(a groove)
G17 G21 G90 G94 G54
G0 Z5
S12000 M3
G4 P2
G0 X0 Y0
G1 Z-1 F300
X10 F900
G2 X20 I5
G0 Z5
M5
M2
"""


class Broken(NamedTuple):
    """One broken program: what is replaced by what, and what must be said of it."""

    old: str
    new: str
    line: int
    words: str


BROKEN = {
    # s3.1
    "no end": Broken("M2\n", "", 12, "without M2"),
    "one percent line": Broken("(a groove)", "%", 1, 'no second "%"'),
    "percent in the middle": Broken("G0 X0 Y0", "%", 6, '"%" may only stand alone'),
    # s3.3
    "257 characters": Broken("(a groove)", "(" + "a" * 256 + ")", 1, "258 characters"),
    "257 characters of blanks": Broken("G0 X0 Y0", "G0 X0 Y0" + " " * 250, 6, "258 characters"),
    "not ASCII": Broken("(a groove)", "(a gr\u00f6ove)", 1, "code 195"),
    "control character": Broken("G0 X0", "G0\x07 X0", 6, "code 7"),
    "carriage return inside": Broken("G0 X0", "G0\rX0", 6, "code 13"),
    "block delete late": Broken("G0 X0", "G0 /X0", 6, '"/" may only be the first'),
    # s3.3.1
    "label of six digits": Broken("G0 X0", "N000009 G0 X0", 6, "N000009 has more than five digits"),
    "label with a sign": Broken("G0 X0", "N-1 G0 X0", 6, "N needs a whole number"),
    "label with a point": Broken("G0 X0", "N1.5 G0 X0", 6, '".5G0X0Y0" is no word'),
    "label late": Broken("G0 X0", "G0 N5 X0", 6, "N must be the first word"),
    # s3.3.2 and Table 3
    "letter E": Broken("X10 F900", "X1E1 F900", 8, "no exponent"),
    "letter O": Broken("(a groove)", "O1000", 1, "O words"),
    "letter U": Broken("X10 F900", "U10 F900", 8, "U is no word"),
    "comment after a semicolon": Broken("X10 F900", "X10 F900;", 8, "a comment stands in parentheses"),
    "checksum": Broken("X10 F900", "X10 F900*71", 8, "checksums"),
    "decimal comma": Broken("X10", "X10,5", 8, "decimal point"),
    "strange sign": Broken("X10", "?X10", 8, '"?X10F900" is no word'),
    # s3.3.2.1
    "two points": Broken("X10", "X1.0.0", 8, '".0F900" is no word'),
    "no digit": Broken("X10", "X+", 8, 'X without a number before "+F900"'),
    "no number": Broken("X10 F900", "F900 X", 8, "X without a number"),
    "parameter": Broken("X10", "X#1", 8, "parameters"),
    "parameter setting": Broken("X10 F900", "#1=5", 8, "parameters"),
    "expression": Broken("X10", "X[5+5]", 8, "expressions"),
    # s3.3.4 and App. E
    "comment not closed": Broken("(a groove)", "(a groove", 1, "not closed"),
    "comment in a comment": Broken("(a groove)", "(a (b))", 1, "inside a comment"),
    "comment closed twice": Broken("(a groove)", "(a groove))", 1, 'a ")" without its "("'),
    "comment inside a number": Broken("X10", "X1(a)0", 8, '"0F900" is no word'),
    # s3.3.5
    "word twice": Broken("X10", "X10 X11", 8, "X stands twice"),
    "two motions": Broken("G1 Z-1", "G0 G1 Z-1", 7, "G0 and G1 (motion)"),
    "two units": Broken("G17 G21", "G20 G21", 2, "G20 and G21 (units)"),
    "two spindle words": Broken("S12000 M3", "S12000 M3 M5", 4, "M3 and M5 (spindle)"),
    "two ends": Broken("M2", "M2 M30", 12, "M2 and M30 (stopping)"),
    "two non-modal words": Broken("G0 Z5\nS", "G53 G4 P1 G0 Z5\nS", 3, "G53 and G4 (non-modal)"),
    "five M words": Broken("M2", "M0 M5 M9 M48 M6", 12, "5 M words"),
    "unknown G": Broken("G17", "G77", 2, "G77 is not known"),
    "unknown G tenth": Broken("G17", "G17.1", 2, "G17.1 is not known"),
    "unknown M": Broken("M5", "M99", 11, "M99 is not known"),
    "M with a tenth": Broken("M5", "M5.5", 11, "M5.5 is not known"),
    # s3.5.1, s3.5.2
    "G0 alone": Broken("G0 X0 Y0", "G0", 6, "a motion word without X, Y or Z"),
    "G1 with F alone": Broken("G1 Z-1 F300", "G1 F300", 7, "a motion word without X, Y or Z"),
    "no feed": Broken(" F300", "", 7, "a cut without a feed"),
    "feed 0": Broken("F300", "F0", 7, "a cut without a feed"),
    "feed below 0": Broken("F300", "F-300", 7, "F-300 is below 0"),
    "no motion word": Broken("G0 Z5\nS", "Z5\nS", 3, "without a motion word"),
    "motion cancelled": Broken("G0 X0 Y0", "G80\nX0 Y0", 7, "without a motion word"),
    # s3.5.3
    "arc with unlike radii": Broken("X20 I5", "X20 I5.0021", 9, "may differ by 0.002 mm"),
    "arc without centre": Broken("X20 I5", "X20", 9, "needs R, or I and J"),
    "arc with K in XY": Broken("X20 I5", "X20 K5", 9, "needs R, or I and J"),
    "arc without an end": Broken("X20 I5", "I5", 9, "a motion word without"),
    "arc with Z alone": Broken("X20 I5", "Z-2 I5", 9, "an arc needs X or Y"),
    "arc with R and I": Broken("X20 I5", "X20 I5 R5", 9, "R or I, not both"),
    "arc round its start": Broken("X20 I5", "X20 I0", 9, "centre of the arc is its start"),
    "radius too small": Broken("X20 I5", "X20 R4.9", 9, "cannot reach its end"),
    "radius to the start": Broken("X20 I5", "X10 R5", 9, "an end that is not its start"),
    "arc without a feed": Broken("F300\nX10 F900\nG2 X20", "F0\nG2 X20", 7, "a cut without a feed"),
    "I without an arc": Broken("X10 F900", "X10 I5", 8, "I without an arc"),
    "R without an arc": Broken("M5", "M5 R5", 11, "R without an arc"),
    # s3.5.4, s3.7
    "dwell without P": Broken("G4 P2", "G4", 5, "G4 needs P"),
    "dwell below 0": Broken("G4 P2", "G4 P-2", 5, "P-2"),
    "P without G4": Broken("G4 P2", "P2", 5, "P without G4"),
    "speed below 0": Broken("S12000", "S-12000", 4, "S-12000 is below 0"),
    "cutter below 0": Broken("M5", "T-1", 11, "T-1 is no number"),
    "half a cutter": Broken("M5", "T1.5", 11, "T1.5 is no number"),
    "change to no cutter": Broken("G4 P2", "M6", 5, "no T word"),
    # s3.8: F is carried out before units on the same line
    "feed before units": Broken("G17 G21", "F300 G21", 2, "F before G20 or G21"),
    "no units": Broken(" G21", "", 3, "before G20 or G21"),
    # ours: legal words that cannot be followed with certainty
    "units change": Broken("X10 F900", "G20 X1", 8, "the unit changes"),
    "system changes": Broken("X10 F900", "G55 X10", 8, "coordinate system changes"),
    "inverse time": Broken("G94", "G93", 2, "inverse time"),
    "G28": Broken("G0 X0 Y0", "G28 X0 Y0", 6, "a place that only the machine knows"),
    "G30": Broken("G0 X0 Y0", "G30", 6, "a place that only the machine knows"),
    "G92": Broken("G0 X0 Y0", "G92 X0 Y0", 6, "moves zero"),
    "G10": Broken("G0 X0 Y0", "G10 L2 P1 X0", 6, "the controller's own tables"),
    "probe": Broken("G1 Z-1", "G38.2 Z-1", 7, "probes"),
    "cutter compensation": Broken("X10 F900", "G41 D1", 8, "table of cutters"),
    "length offset": Broken("G4 P2", "G43 H1", 5, "table of lengths"),
    "canned cycle": Broken("G1 Z-1 F300", "G81 Z-1 R2 F300", 7, "canned cycle"),
    "backwards": Broken("M3", "M4", 4, "backwards"),
    "pallets": Broken("M5", "M60", 11, "pallets"),
    "rotary axis": Broken("X10 F900", "A10 F900", 8, "rotary axis"),
    "repeats": Broken("X10 F900", "X10 L2", 8, "canned cycles"),
    "cut in machine coordinates": Broken("G1 Z-1", "G53 G1 Z-1", 7, "G53 is read with G0 alone"),
    "cut after machine coordinates": Broken("G0 X0 Y0", "G0 X0 Y0\nG53 G0 Z0", 8, "has not told Z yet"),
    "cut from nowhere": Broken("G0 X0 Y0", "G0 X0", 7, "has not told Y yet"),
    "step from nowhere": Broken("G0 X0 Y0", "G91 G0 X0 Y0", 7, "has not told X yet"),
    "too far": Broken("X10", "X100001", 8, "further than any machine"),
    "far too far": Broken("X10", "X" + "9" * 200, 8, "further than any machine"),
    "large arc": Broken("X20 I5", "X20 R100001", 9, "1e+05 mm radius is too large"),
    "huge arc": Broken("X20 I5", "X20 Y.0000001 R9" + "0" * 18, 9, "too large to follow"),
}  # fmt: skip
