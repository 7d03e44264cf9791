"""What the reader takes from a text, what it refuses, and that nothing makes it fall over."""

from __future__ import annotations

import math
import random
import re
from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from relief.errors import ProgramError
from relief.moves import Moves
from relief.program import read
from relief.program.read import read_program
from tests.oracles import text_as_moves
from tests.program.broken import BROKEN, SOUND, Broken
from tests.program.standard import violations

NAN = math.nan
HEAD = "G21\nG0 X0 Y0 Z5\nF600\n"


def ends(text: str) -> list[list[float]]:
    """Return where each move after HEAD ends."""
    return np.round(read_program(HEAD + text + "\nM2").points[2:], 9).tolist()


def same(one: Moves, other: Moves) -> bool:
    """Whether two readings agree in every field, to the bit."""
    pairs = [(getattr(one, f.name), getattr(other, f.name)) for f in fields(Moves)]
    return all(
        np.array_equal(a, b, equal_nan=a.dtype.kind == "f") if isinstance(a, np.ndarray) else a == b
        for a, b in pairs
    )


def outcome(text: str | bytes) -> Moves | str:
    """Return what is read, or the words of the refusal."""
    try:
        return read_program(text)
    except ProgramError as refusal:
        return str(refusal)


def word_by_word(monkeypatch: pytest.MonkeyPatch, text: str) -> Moves | str:
    """Return the outcome without the kernel: every line by the strict rules."""
    with monkeypatch.context() as patch:
        patch.setattr(read, "read_plain", lambda text, at, *rest: at)
        return outcome(text)


def test_a_whole_program() -> None:
    """Positions, kinds, feeds, spindle and line numbers of a small program, as a machinist reads it."""
    moves = read_program(SOUND.replace("G2 X20 I5\n", ""))

    assert np.array_equal(
        moves.points,
        [[NAN] * 3, [NAN, NAN, 5], [0, 0, 5], [0, 0, -1], [10, 0, -1], [10, 0, 5]],
        equal_nan=True,
    )
    assert moves.rapid.tolist() == [True, True, False, False, True]
    assert moves.feed.tolist() == [0, 0, 300, 900, 0]
    assert moves.rpm.tolist() == [0, 12000, 12000, 12000, 12000]
    assert moves.block.tolist() == [3, 6, 7, 8, 9]
    assert (moves.blocks, moves.dwell, moves.pauses, moves.units, moves.tool) == (10, 2.0, (), "mm", None)
    assert moves.cutting_length() == 16.0


# NISTIR 6556: the section that rules each.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("g1x +0. 12 34y 7", [[0.1234, 7, 5]]),  # s3.3
        ("X1\nG1 Y2\nZ-.5", [[1, 0, 5], [1, 2, 5], [1, 2, -0.5]]),  # s3.4, modal motion
        ("G91\nX1\nG1 X1 Y2\nG90 X1", [[1, 0, 5], [2, 2, 5], [1, 2, 5]]),  # s3.5.17
        ("X1 G91", [[1, 0, 5]]),  # s3.8: distance mode before motion, from X0
        ("G91 X1\nX1 G90", [[1, 0, 5], [1, 0, 5]]),
        ("G53 Z0\nZ5", [[0, 0, NAN], [0, 0, 5]]),  # s3.5.12: machine coordinates, for one line
        ("/X1", [[1, 0, 5]]),  # s3.3: block delete, with the switch off
        ("N5X1(a)Y2(b)", [[1, 2, 5]]),
        ("N99999 G1 X1", [[1, 0, 5]]),
        ("G1.00001 X1", [[1, 0, 5]]),  # s3.3.2.1: whole within 0.0001
        ("X1\nM2\nX1 X1 rubbish \x00 (", [[1, 0, 5]]),  # s3.1: lines after the end are not read
        ("X1\r\nM30\r\n", [[1, 0, 5]]),
        ("(MSG, hi)\n\n   \t\n( x )X1", [[1, 0, 5]]),
        (
            "G40 G49 G80 G64 G98\nG0 X1 M8 M48",
            [[1, 0, 5]],
        ),  # harmless words, each the machine's state already
        ("G59.3\nG0 X1", None),
    ],
)
def test_lines_of_the_standard(text: str, expected: list[list[float]] | None) -> None:
    """Each rule of the language, one line or two at a time."""
    if expected is None:
        with pytest.raises(ProgramError, match="line 4: the coordinate system changes"):
            ends(text)
    else:
        assert np.array_equal(ends(text), expected, equal_nan=True)


def test_inches() -> None:
    """An inch is 25.4 mm exactly (international yard and pound agreement of 1959), in feeds as well."""
    moves = read_program("G20 G0 X0 Y0 Z1\nG1 X.5 F10\nM2")

    assert moves.points[1:].tolist() == [[0, 0, 25.4], [12.7, 0, 25.4]]
    assert moves.feed.tolist() == [0, 254.0]
    assert moves.units == "in"


def test_order_on_a_line() -> None:
    """S and M3 come before the motion of their line, M0 after it; M6 stops the spindle (s3.8, s3.6.3)."""
    moves = read_program("G21\nT3 M6\nG0 X0 M3 S100\nX1 M5\nX2 M0\nS200\nX3 M3\nM2")

    assert moves.rpm.tolist() == [100, 0, 0, 200]
    assert moves.pauses == (5,)
    assert moves.tool == 3
    assert read_program("G21\nS9 M3\nT1 M6\nG0 X1\nM2").rpm.tolist() == [0]


def test_the_first_system_may_be_any() -> None:
    """G55 before the first move is simply where zero lies (s3.5.13)."""
    assert len(read_program("G21 G59.3\nG0 X1\nG59.3\nX2\nM2")) == 2


def test_percent_lines() -> None:
    """Text between two % lines is the program, and then M2 may be left out (s3.1)."""
    text = "\n  %  \nG21\nG0 X1\n%\nG0 X2 rubbish"

    assert read_program(text).block.tolist() == [4]
    assert same(read_program(text), read_program(text.replace("\n", "\r\n")))
    assert read_program("%\nM2\nrubbish(\n%\n").blocks == 1
    assert read_program("%\n%").blocks == 0
    with pytest.raises(ProgramError, match="line 1: the program opens with"):
        read_program("%")


def test_blocks_count_lines_with_words() -> None:
    """Comments, blank lines, % and bare line numbers are no blocks."""
    assert read_program("%\n(a)\n\nN5\nN6 G21\nF5\nG0 X1\n%\n").blocks == 3


def test_bytes_and_text_are_one() -> None:
    """A program may come as either; text outside ASCII is refused in both."""
    assert same(read_program(SOUND), read_program(SOUND.encode()))
    for content in ("G21 \ud800", "G21 \u0661", b"G21 \xff", "\ufeffG21\nM2"):
        with pytest.raises(ProgramError, match="line 1: the character with code"):
            read_program(content)


def test_an_empty_program_is_refused() -> None:
    """Nothing at all has no end."""
    for content in ("", "\n\n", b" "):
        with pytest.raises(ProgramError, match="without M2"):
            read_program(content)


def broken_text(case: Broken) -> str:
    """Return the text of a broken program."""
    assert case.old in SOUND
    return SOUND.replace(case.old, case.new, 1)


@pytest.mark.parametrize("name", BROKEN)
def test_broken_programs_are_refused(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line of text that holds the number of the faulty line and the reason; also without the kernel."""
    case = BROKEN[name]
    with pytest.raises(ProgramError) as refusal:
        read_program(broken_text(case))
    said = str(refusal.value)

    assert said.startswith(f"line {case.line}: ")
    assert case.words in said
    assert len(said.splitlines()) == 1
    assert word_by_word(monkeypatch, broken_text(case)) == said


def test_what_breaks_a_rule_is_broken_for_the_checker_too() -> None:
    """The fixtures that cite the standard, not us, are violations for the independent checker as well."""
    names = list(BROKEN)
    by_standard = names[: names.index("units change")]
    # the checker judges words, not what a controller's state makes of these
    unjudged = {
        "I without an arc",
        "R without an arc",
        "P without G4",
        "change to no cutter",
        "arc with R and I",
    }
    missed = [n for n in by_standard if not violations(broken_text(BROKEN[n]))]

    assert set(missed) - unjudged == set()
    assert violations(SOUND) == []


def edited(rng: random.Random, text: str) -> str:
    """Return a text with one fault of the kind that hands and cables make."""
    lines = text.split("\n")
    row = rng.randrange(len(lines))
    at = rng.randrange(len(lines[row]) + 1)
    line = lines[row]
    kind = rng.randrange(8)
    if kind == 0:
        lines[row] = line[:at] + rng.choice("0123456789") + line[at + 1 :]
    elif kind == 1:
        words = line.split(" ")
        words.pop(rng.randrange(len(words)))
        lines[row] = " ".join(words)
    elif kind == 2:
        lines.pop(row)
    elif kind == 3:
        other = rng.randrange(len(lines))
        lines[row], lines[other] = lines[other], line
    elif kind == 4:
        lines[row] = line[:at] + rng.choice("-+.GMXYZFSIJKRNP%/();# \t\r\x00") + line[at:]
    elif kind == 5:
        lines[row] = line[:at]
    elif kind == 6:
        lines[row] = line.replace("-", "") if "-" in line else line.replace("X", "X-")
    else:
        lines[row] = line + line
    return "\n".join(lines)


def test_random_edits_are_read_or_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """1500 edits of sound programs: read, or one refusal; what is read breaks no rule of the standard.

    With and without the kernel the outcome is the same to the bit.
    """
    rng = random.Random(6556)
    sources = [
        SOUND,
        "%\n" + SOUND.replace("G21", "G20") + "%\n",
        SOUND.replace("G2 X20 I5", "G3 X20 Y1 R-9"),
    ]
    taken = 0
    for _ in range(1500):
        text = edited(rng, rng.choice(sources))
        first, second = outcome(text), word_by_word(monkeypatch, text)
        if isinstance(first, str):
            assert first == second
            assert re.fullmatch(r"line \d+: .+", first)
        else:
            taken += 1
            assert isinstance(second, Moves)
            assert same(first, second)
            assert violations(text) == []
            assert np.isfinite(first.points[1:][~first.rapid]).all()
    assert 300 < taken < 1200  # edits of both fates were tried


ALPHABET = "GMXYZFSIJKRNPT0123456789.-+ ()%/\n"


@given(text=st.text(ALPHABET, max_size=80) | st.text(max_size=40) | st.binary(max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_read_or_refused(text: str | bytes) -> None:
    """Whatever comes in, a reading or a ProgramError comes out, and what is read keeps to the standard."""
    head = "G21\nG0 X1 Y1 Z1\nF9\n"
    for content in (text, head.encode() + text if isinstance(text, bytes) else head + text + "\nM2\n"):
        found = outcome(content)
        if isinstance(found, str):
            assert len(found.splitlines()) == 1
        else:
            code = content if isinstance(content, str) else content.decode("ascii")
            assert violations(code) == []


word = st.tuples(st.sampled_from("XYZ"), st.decimals(-900, 900, places=4)).map(lambda w: f"{w[0]}{w[1]}")
extra = st.sampled_from(["", " G1", "G0", " (a comment)", " G91", " G90", " F250.5", "f1000"])


@given(lines=st.lists(st.tuples(st.lists(word, min_size=1, unique_by=lambda w: w[0]), extra), max_size=30))
@settings(deadline=None)
def test_reading_equals_the_plain_twin(lines: list[tuple[list[str], str]]) -> None:
    """Mixed plain and other lines give what a loop over words gives, to the bit."""
    body = "".join("".join(words) + more + "\n" for words, more in lines)
    moves = read_program(HEAD + body + "M2\n")
    twin = text_as_moves((HEAD + body).replace(" (a comment)", ""))
    table = [
        (*moves.points[k + 1].tolist(), bool(moves.rapid[k]), float(moves.feed[k]), int(moves.block[k]))
        for k in range(len(moves))
    ]

    assert table == twin


def test_a_dropped_unit_word_is_caught() -> None:
    """Nobody's default unit is trusted: without G20 or G21 no length is read."""
    with pytest.raises(ProgramError, match="line 3: a length before G20 or G21"):
        read_program(SOUND.replace(" G21", ""))


def test_many_chords_do_not_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """Arcs that need too many chords together are refused."""
    monkeypatch.setattr(read, "MOST_CHORDS", 1000)
    circle = "G2 X0 Y0 I50\n"
    assert len(read_program(HEAD + circle + "M2")) > 400
    with pytest.raises(ProgramError, match="line 6: the arcs of the program need more than 1000 chords"):
        read_program(HEAD + 9 * circle + "M2")


def test_arcs_and_lines_in_turn_keep_their_places() -> None:
    """Chords make room for themselves: 300 circles between plain lines, each move where it belongs."""
    moves = read_program(HEAD + 300 * "G2 X0 Y0 I5\nG1 Z4\nZ5\n" + "M2")
    last = np.flatnonzero(np.diff(moves.block, append=0))

    assert np.array_equal(moves.block[last], [2, *range(4, 904)])
    assert np.array_equal(moves.points[last + 1][1:4], [[0, 0, 5], [0, 0, 4], [0, 0, 5]])
    assert moves.cutting_length() == pytest.approx(300 * (2 + 2 * math.pi * 5), rel=1e-3)


def test_modes_that_a_program_says_before_it_moves():
    """s3.5.13, s3.5.17: G54 and G90 said after the first move come too late to place it."""
    early, late = "G21 G17 G90 G94 G54\nG0 Z5\nM2\n", "G21\nG0 Z5\nG90 G94 G54\nM2\n"

    assert {210, 170, 900, 940, 540} == read_program(early).modes
    assert {210} == read_program(late).modes


def test_a_spindle_that_no_speed_was_told_is_not_started() -> None:
    """M3 before any S: nobody knows how fast it would turn."""
    with pytest.raises(ProgramError, match=r"line 2: M3 .* no S word"):
        read_program(b"G17 G20 G90 G94 G54\nM3\nM2\n")
