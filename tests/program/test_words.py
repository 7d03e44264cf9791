"""One line to its words, against the standard's own examples and the regular expression of its grammar."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.errors import ProgramError
from relief.program.words import read_block
from tests.program.standard import line_faults, words
from tests.program.test_standard import ACCEPTED, REJECTED

# What a line means is judged where it is carried out; this module judges how it is written.
OF_MEANING = ("below 0", "not whole", "both use axis words")
MEANING = {line for line in REJECTED if all(fault.endswith(OF_MEANING) for fault in line_faults(line))}


@pytest.mark.parametrize("line", ACCEPTED)
def test_lines_of_the_standard(line: str) -> None:
    """Every line that NISTIR 6556 shows as legal is read, with the values that it says."""
    block = read_block(line.encode())

    assert block.values == {letter: value for letter, value in words(line) if letter not in "GM"}
    assert {code / 10 for code in block.g.values()} == {
        value for letter, value in words(line) if letter == "G"
    }
    assert set(block.m) == {value for letter, value in words(line) if letter == "M"}


@pytest.mark.parametrize("line", [line for line in REJECTED if line not in MEANING])
def test_lines_outside_the_standard(line: str) -> None:
    """Every line that breaks a rule of writing is refused, in one line of text."""
    with pytest.raises(ProgramError, match=r"^[^\n]+$"):
        read_block(line.encode())


LETTERS = [
    f"{letter}{number}" for letter in "GMXYFPTNUxg" for number in ("0", "1", "2.", "-.5", "+3", "59.1")
]
PIECES = st.sampled_from([*LETTERS, *"()/%;#[.+-1", "(a)", "(a(b))", "M7", "M8", "N123456", "Z1e5"])
LINES = st.lists(PIECES, max_size=6).map("".join) | st.lists(PIECES, max_size=6).map(" ".join)


@given(line=LINES | st.text("GX1.-( )N/", max_size=9))
@example(line="X1(a)2")
@example(line="N 0 0 0 0 1 X1")
@example(line="N000001")
@example(line="//X1")
@example(line="N1N1")
@settings(max_examples=500, deadline=None)
def test_it_accepts_what_the_grammar_accepts(line: str) -> None:
    """On any line, reader and checker agree whether it is written by the rules."""
    faults = [fault for fault in line_faults(line) if not fault.endswith(OF_MEANING)]
    try:
        read_block(line.encode())
    except ProgramError:
        assert faults
    else:
        assert faults == []


def test_a_block_knows_whether_it_holds_words() -> None:
    """A comment or a bare line number is no block."""
    assert not read_block(b"(a)")
    assert not read_block(b"/N5")
    assert read_block(b"M5")
    assert read_block(b"F0")
    assert read_block(b"G0")
