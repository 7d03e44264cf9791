"""The rules of RS274/NGC, held against a program line by line, by means that are not those of `relief`.

Source: T. R. Kramer, F. M. Proctor, E. Messina, "The NIST RS274NGC Interpreter - Version 3", NISTIR 6556,
17 August 2000. Sections are given beside each rule. `violations` is for whole programs, `line_faults` for
single lines.
"""

from __future__ import annotations

import math
import re
from collections import Counter

# s3.3, s3.3.1, s3.3.2 (Table 3), s3.3.2.1, s3.3.4: a line with the blanks outside comments taken out.
LINE = re.compile(
    r"/?(?:N\d{1,5})?(?:[ABCDFGHIJKLMPQRSTXYZ][+-]?(?:\d+\.?\d*|\.\d+)|\([^()]*\))*", re.IGNORECASE
)
WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))")
# s3.4 Table 4
G_GROUPS = (
    "0 1 2 3 38.2 80 81 82 83 84 85 86 87 88 89", "17 18 19", "90 91", "93 94", "20 21", "40 41 42", "43 49",
    "98 99", "54 55 56 57 58 59 59.1 59.2 59.3", "61 61.1 64", "4 10 28 30 53 92 92.1 92.2 92.3",
)  # fmt: skip
M_GROUPS = ("0 1 2 30 60", "6", "3 4 5", "7 9", "8 9", "48 49")
KNOWN = {
    "G": {float(code) for group in G_GROUPS for code in group.split()},
    "M": {float(code) for group in M_GROUPS for code in group.split()},
}


def words(line: str) -> list[tuple[str, float]]:
    """Return the words of a line that obeys `LINE`, the line number left out."""
    code = re.sub(r"\([^()]*\)", "(", line)
    code = re.sub(r"[ \t]", "", code).upper().removeprefix("/")
    found = [(letter, float(number)) for letter, number in WORD.findall(code)]
    return [word for word in found if word[0] != "N"]


def line_faults(line: str) -> list[str]:
    """Return every rule that a single line breaks, whatever came before it."""
    if len(line) > 256:  # s3.3
        return [f"{len(line)} characters"]
    if not all(32 <= ord(c) < 127 or c == "\t" for c in line):  # App. E
        return ["a character that is not printable ASCII"]
    pieces = re.split(r"(\([^()]*\))", line)
    joined = "".join(p if p.startswith("(") else re.sub(r"[ \t]", "", p) for p in pieces)
    if not LINE.fullmatch(joined):
        return [f"not a line of the language: {line!r}"]
    faults = []
    found = words(line)
    letters = Counter(letter for letter, _ in found)
    faults += [
        f"{letter} repeated" for letter, n in letters.items() if n > 1 and letter not in "GM"
    ]  # s3.3.5
    if letters["M"] > 4:  # s3.3.5
        faults.append("more than four M words")
    for kind, groups in (("G", G_GROUPS), ("M", M_GROUPS)):
        codes = [number for letter, number in found if letter == kind]
        faults += [f"{kind}{code:g} unknown" for code in codes if code not in KNOWN[kind]]
        for group in groups:
            if sum(codes.count(float(code)) for code in group.split()) > 1:
                faults.append(f"two {kind} words of one group: {group}")
    codes = {number for letter, number in found if letter == "G"}
    if codes & {10, 28, 30, 92} and codes & {0, 1, 2, 3}:  # s3.4
        faults.append("two G words that both use axis words")
    if 4 in codes and not any(letter == "P" and number >= 0 for letter, number in found):  # s3.5.4
        faults.append("G4 without P, or P below 0")
    faults += [f"{a} below 0" for a, number in found if a in "FST" and number < 0]  # s3.7
    faults += [f"{a} not whole" for a, number in found if a in "THD" and number != int(number)]
    return faults


def violations(text: str) -> list[str]:
    """Return every rule that a program breaks, as "line 7: F before units"; an empty list for a sound one."""
    lines = text.splitlines()
    told: list[str] = []
    first = next((k for k, line in enumerate(lines) if line.strip()), None)
    if first is None:
        return ["no line at all"]
    begin, end = 0, len(lines)
    marked = lines[first].strip() == "%"
    if marked:  # s3.1
        rest = [k for k in range(first + 1, len(lines)) if lines[k].strip() == "%"]
        if not rest:
            return [f'line {first + 1}: no second "%"']
        begin, end = first + 1, rest[0]
    state = _State()
    for k in range(begin, end):
        told += [f"line {k + 1}: {fault}" for fault in line_faults(lines[k]) or state.take(words(lines[k]))]
        if state.ended:
            break
    if not (state.ended or marked):  # s3.1
        told.append("no M2 or M30 at the end")
    return told


class _State:
    """The modal state as far as the rules need it."""

    def __init__(self) -> None:
        self.scale = 0.0
        self.motion: float | None = None
        self.feed = 0.0
        self.absolute = True
        self.plane = "XY"
        self.here: dict[str, float] = {}
        self.ended = False

    def take(self, found: list[tuple[str, float]]) -> list[str]:
        """Do one line and return what is wrong with it."""
        value = {letter: number for letter, number in found if letter not in "GM"}
        g = {number for letter, number in found if letter == "G"}
        m = {number for letter, number in found if letter == "M"}
        faults = []
        if "F" in value:  # s3.8: F is done before the units of its own line
            if not self.scale:
                faults.append("F before units")
            self.feed = value["F"]
        for code, scale in ((20, 25.4), (21, 1.0)):
            if code in g:
                self.scale = scale
        for code, plane in ((17, "XY"), (18, "ZX"), (19, "YZ")):
            if code in g:
                self.plane = plane
        if g & {90, 91}:
            self.absolute = 90 in g
        motions = g & {0, 1, 2, 3, 38.2, *range(80, 90)}
        self.motion = motions.pop() if motions else self.motion
        faults += self._move(value, g)
        self.ended = bool(m & {2, 30})
        return faults

    def _move(self, value: dict[str, float], g: set[float]) -> list[str]:
        axes = [a for a in "XYZ" if a in value]
        if not axes:
            return ["G0 to G3 without axis words"] if g & {0, 1, 2, 3} else []  # s3.5.1 to s3.5.3
        faults = []
        if not self.scale:
            faults.append("a length before units")
        if self.motion is None or self.motion >= 80:
            faults.append("axis words without a motion")
        if self.motion in (1, 2, 3) and not self.feed > 0:  # s3.5.2
            faults.append("a feed move at zero feed")
        start = dict(self.here)
        if 53 in g:  # s3.5.12
            if self.motion not in (0, 1):
                faults.append("G53 without G0 or G1")
            for axis in axes:
                self.here.pop(axis, None)
            return faults
        if self.motion in (1, 2, 3) and not set(axes) <= set(start) and not self.absolute:
            faults.append("a step from an unknown place")
        for axis in axes:
            offset = 0.0 if self.absolute else start.get(axis, math.nan)
            self.here[axis] = offset + value[axis] * self.scale
        if self.motion in (2, 3):
            faults += self._arc(value, start)
        return faults

    def _arc(self, value: dict[str, float], start: dict[str, float]) -> list[str]:
        names = dict(zip("XYZ", "IJK", strict=True))
        if not any(axis in value for axis in self.plane):
            return ["an arc without an axis word of its plane"]
        ends = [(start.get(a, math.nan), self.here.get(a, math.nan)) for a in self.plane]
        if "R" in value:  # radius format
            apart = math.hypot(*(b - a for a, b in ends))
            return [] if 0 < apart <= 2 * abs(value["R"]) * self.scale + 0.004 else ["an impossible radius"]
        offsets = [names[a] for a in self.plane]
        if not any(letter in value for letter in offsets):
            return ["an arc without a centre"]
        steps = [value.get(letter, 0.0) * self.scale for letter in offsets]
        near = math.hypot(*steps)
        far = math.hypot(*(b - a - step for (a, b), step in zip(ends, steps, strict=True)))
        limit = 0.002 if self.scale == 1.0 else 0.0002 * 25.4  # s3.5.3.2
        return [] if abs(near - far) <= limit + 1e-12 else ["the arc's radii differ"]
