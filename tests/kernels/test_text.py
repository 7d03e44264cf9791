"""Numbers and moves to text and back, against Python's own numbers and against slow, plain twins."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.kernels.text_in import COUNT, LINE, MOST_DIGITS, plain_number, read_plain
from relief.kernels.text_out import ROW_BYTES, UNTOLD, put_moves, put_number
from tests.oracles import moves_as_text, text_as_moves

pytestmark = pytest.mark.jitless
POWERS = np.array([float(10**k) for k in range(MOST_DIGITS + 1)])
steps = st.integers(-(10**15) + 1, 10**15 - 1) | st.integers(-20000, 20000)


def as_text(q: int, decimals: int, least: int) -> str:
    """Return the text of a number as the kernel writes it."""
    out = np.zeros(40, np.uint8)
    return out[: put_number(q, decimals, least, np.zeros(20, np.uint8), out, 0)].tobytes().decode()


def as_number(text: bytes) -> tuple[float, int] | None:
    """Return the number that the kernel reads, and where it ends."""
    parts = np.zeros(3, np.int64)
    padded = np.frombuffer(text, np.uint8)
    at = plain_number(padded, 0, len(text), parts)
    return None if at < 0 else (float(parts[0] / POWERS[parts[1]]), at)


def blocks(points: np.ndarray, rapid: np.ndarray, feed: np.ndarray, z: int, decimals: int = 3) -> str:
    """Return the text of moves as the kernel writes it, after a G0 to height z."""
    out = np.zeros(ROW_BYTES * len(points), np.uint8)
    state = np.array([UNTOLD, UNTOLD, z, 0, -1])
    size = put_moves(points, rapid, feed, decimals, 1, state, np.zeros(20, np.uint8), out)
    return out[:size].tobytes().decode()


def read(
    text: str, scale: float = 1.0, absolute: bool = True, start: tuple[float, ...] = (np.nan, np.nan, np.nan)
) -> tuple[list[tuple], int]:
    """Return the moves that the kernel reads, as the twin tells them, and where it stopped."""
    content = np.frombuffer(text.encode(), np.uint8)
    room = text.count("\n") + 1
    points, rapid = np.full((room + 1, 3), np.nan), np.zeros(room, np.bool_)
    feed, block = np.zeros(room), np.zeros(room, np.int64)
    held, tally = np.array([*start, 0.0]), np.array([1, 0, 0, -1])
    stop = read_plain(
        content, 0, len(content), scale, absolute, 256, 1e5, POWERS, held, tally, points, rapid, feed, block
    )
    rows = range(int(tally[COUNT]))
    assert tally[LINE] == text[:stop].count("\n") + (1 if text[:stop].endswith("\n") or stop == 0 else 2)
    return [(*points[k + 1].tolist(), bool(rapid[k]), float(feed[k]), int(block[k])) for k in rows], stop


@given(q=steps, decimals=st.integers(0, 8), least=st.integers(0, 1))
@example(q=0, decimals=3, least=1)
@example(q=-1, decimals=3, least=1)
@example(q=-(10**15) + 1, decimals=8, least=1)
@settings(deadline=None)
def test_a_number_keeps_its_value_and_its_form(q: int, decimals: int, least: int) -> None:
    """The text equals q · 10^-decimals exactly; no exponent, no sign on zero, no zeros to spare."""
    least = min(least, decimals)
    text = as_text(q, decimals, least)

    assert Decimal(text) == Decimal(q).scaleb(-decimals)
    assert set(text) <= set("-0123456789.")
    assert q or "-" not in text
    whole, _, part = text.partition(".")
    assert len(part) == least or (len(part) > least and not part.endswith("0"))
    assert whole.removeprefix("-") == str(int(whole.removeprefix("-")))


@given(q=st.integers(-(10**15) + 1, 10**15 - 1), decimals=st.integers(0, 12))
@settings(deadline=None)
def test_a_number_read_equals_pythons_float_to_the_bit(q: int, decimals: int) -> None:
    """Correct rounding: the same float64 as Python's float(), which is correctly rounded by its manual."""
    text = f"{Decimal(q).scaleb(-decimals):f}"
    found = as_number(text.encode())

    assert (
        found is None if sum(c.isdigit() for c in text) > MOST_DIGITS else found == (float(text), len(text))
    )


# NISTIR 6556 s3.3.2.1 (what a number is) and s3.3 (blanks inside it do not count).
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+0. 12 34", 0.1234), ("-.5", -0.5), ("1.", 1.0), ("007", 7.0), ("- 3\t.2", -3.2), ("-0", 0.0),
        ("+", None), (".", None), ("", None), ("1.2.3", None), ("1-2", None), ("--1", None),
        ("1234567890123456", None),
    ],
)  # fmt: skip
def test_numbers_of_the_standard(text: str, value: float | None) -> None:
    """Optional sign, digits, at most one point, at least one digit; anything else is left alone."""
    found = as_number(text.encode())

    assert found == (None if value is None else (value, len(text)))


def test_a_number_ends_where_the_next_word_begins() -> None:
    """Nothing but digits, one point and blanks belongs to a number."""
    assert as_number(b"1.5Y2") == (1.5, 3)
    assert as_number(b"15(a)") == (15.0, 2)


moves = st.lists(
    st.tuples(
        st.integers(-3, 3) | st.integers(-(10**7), 10**7), st.integers(-3, 3), st.integers(-9000, 5000),
        st.booleans(), st.sampled_from([3000, 12005, 12000]),
    ),
    min_size=1, max_size=30,
)  # fmt: skip


@given(rows=moves, decimals=st.integers(2, 8))
@settings(deadline=None)
def test_blocks_equal_those_of_the_plain_twin(rows: list[tuple], decimals: int) -> None:
    """The kernel writes what a loop over blocks with Python's decimals writes, byte for byte."""
    table = np.array([row[:3] for row in rows])
    rapid, feed = np.array([row[3] for row in rows]), np.array([row[4] for row in rows])

    assert blocks(table, rapid, feed, 5000, decimals) == moves_as_text(table, rapid, feed, decimals, 1, 5000)


def test_a_long_number_fits_its_row() -> None:
    """The longest words that the writer lets pass fill no more than ROW_BYTES."""
    far = np.array([[-(10**15) + 1] * 3])
    text = blocks(far, np.array([False]), np.array([10**15 - 1]), 0, 8)

    assert len(text) <= ROW_BYTES
    assert text.startswith("G1 X-9999999.99999999 Y")


@st.composite
def plain_text(draw: st.DrawFn) -> str:
    """Draw lines of G0, G1, X, Y, Z, F and N words that obey every rule, in odd spacing and case."""
    number = st.decimals(-500, 500, places=3).map(str) | st.integers(-99, 99).map(str)
    lines = ["G0 X1 Y2 Z3", "F100"]
    for _ in range(draw(st.integers(1, 12))):
        words = [f"{a}{draw(number)}" for a in draw(st.lists(st.sampled_from("XYZ"), unique=True))]
        if words and draw(st.booleans()):
            words.append(draw(st.sampled_from(["G0", "G1", "g00", "G 0 1"])))
        if draw(st.booleans()):
            words.append(f"f{draw(st.integers(1, 9000))}.{draw(st.integers(0, 9))}")
        words = draw(st.permutations(words))
        if draw(st.booleans()):
            words = [f"n{draw(st.integers(0, 99999))}", *words]
        lines.append(draw(st.sampled_from(["", " ", "\t"])).join(words))
    return "\n".join(lines) + draw(st.sampled_from(["", "\n"]))


@given(text=plain_text(), scale=st.sampled_from([1.0, 25.4]), absolute=st.booleans())
@settings(deadline=None)
def test_plain_lines_are_read_as_by_the_plain_twin(text: str, scale: float, absolute: bool) -> None:
    """Every plain line is read, and to the bit as a word-by-word loop reads it."""
    head = f"G{20 if scale == 25.4 else 21} G{90 if absolute else 91}\n"
    start = (1.0, -2.0, 3.0)
    expected = [(*row[:5], row[5] - 1) for row in text_as_moves(head + text, start)]
    found, stop = read(text, scale, absolute, start)

    assert stop == len(text)
    assert found == expected


LEFT = (
    "G2 X1 I1", "X1 X2", "G0", "G1", "G0 G1 X1", "M3", "G90", "(hi)", "/X1", "X1 (hi)", "X1e2", "N123456 X1",
    "N1.0 X1", "X1 N5", "N5 N6", "G1.0 X1", "G+1 X1", "F-1 X2", "Y200000", "X1;", "X", "X1\rY2", "%",
    "X" + " " * 256 + "1", "X1234567890123456", "G53 X1", "U1", "\x80",
)  # fmt: skip


@pytest.mark.parametrize("line", LEFT)
def test_what_is_not_plain_is_left_alone(line: str) -> None:
    """The kernel stops before the line and remembers nothing of it."""
    before = "G0 X1 Y2 Z3\nG1 X2 F100\n"
    found, stop = read(before + line + "\nX9\n")

    assert stop == len(before)
    assert found == [(1.0, 2.0, 3.0, True, 0.0, 1), (2.0, 2.0, 3.0, False, 100.0, 2)]


@pytest.mark.parametrize(
    "text", ["X1", "G1 X1 Y1 Z1 F5", "G0 X1 Y1 Z1\nG1 X2", "G0 X1 Y1\nG1 Z1 F1", "F5\nZ1"]
)
def test_moves_that_hang_in_the_air_are_left(text: str) -> None:
    """No motion word yet, no feed, or an unknown start: the strict reader must see the last line."""
    _, stop = read(text)

    assert stop == (text.rfind("\n") + 1)


def test_line_ends_of_both_kinds() -> None:
    """CR LF ends a line as LF does, and the last line needs no end."""
    found, stop = read("G0 X1 Y1 Z1\r\nY2\r\n\r\n  \nZ3")

    assert stop == 24
    assert [(*row[:3], row[5]) for row in found] == [(1, 1, 1, 1), (1, 2, 1, 2), (1, 2, 3, 5)]
