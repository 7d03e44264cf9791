"""One line of program text to its words, by the strict rules of RS274/NGC (NISTIR 6556 s3.3 and s3.4)."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from relief.errors import ProgramError

LONGEST_LINE = 256  # characters, s3.3
MOST_M_WORDS = 4  # s3.3.5
WHOLE_WITHIN = 1e-4  # how far a number that must be whole may be from it, s3.3.2.1

_WORD = re.compile(r"([A-Z])([+-]?(?:\d+\.?\d*|\.\d+))|(\()")
_LABEL = re.compile(r"N(\d+)")
_LETTERS = frozenset("ABCDFGHIJKLMNPQRSTXYZ")
# Why a character that many dialects use is no part of the language.
_STRANGE = {
    ";": 'a comment stands in parentheses, not after ";"',
    "#": 'parameters ("#") are not read: write the number itself',
    "[": 'expressions in "[ ]" are not read: write the number itself',
    "]": 'expressions in "[ ]" are not read: write the number itself',
    "=": 'parameters ("=") are not read: write the number itself',
    "%": '"%" may only stand alone, on the first and on the last line',
    ")": 'a ")" without its "("',
    "/": '"/" may only be the first character of a line',
    "*": "checksums are no part of the language",
    ",": "a decimal point is written as a point",
}
_NO_LETTERS = {
    "E": "E is no word of the language; numbers have no exponent",
    "O": "O words (program numbers, subroutines) are no part of the language",
    "U": "U is no word of the language (only X, Y and Z move)",
    "V": "V is no word of the language (only X, Y and Z move)",
    "W": "W is no word of the language (only X, Y and Z move)",
}

# Modal groups (s3.4 Table 4); codes are in tenths, as G59.1 is one. Group 0 is not modal.
_G_GROUPS = {
    "motion": (0, 10, 20, 30, 382, *range(800, 900, 10)),
    "plane": (170, 180, 190),
    "distance mode": (900, 910),
    "feed mode": (930, 940),
    "units": (200, 210),
    "cutter compensation": (400, 410, 420),
    "length offset": (430, 490),
    "return level": (980, 990),
    "coordinate system": (540, 550, 560, 570, 580, 590, 591, 592, 593),
    "path control": (610, 611, 640),
    "non-modal": (40, 100, 280, 300, 530, 920, 921, 922, 923),
}
_M_GROUPS = {
    "stopping": (0, 1, 2, 30, 60),
    "tool change": (6,),
    "spindle": (3, 4, 5),
    "coolant": (7, 8, 9),
    "overrides": (48, 49),
}
_G_GROUP = {code: group for group, codes in _G_GROUPS.items() for code in codes}
_M_GROUP = {code: group for group, codes in _M_GROUPS.items() for code in codes}
_BOTH_COOLANTS = {7, 8}


@dataclass(frozen=True)
class Block:
    """The words of one line.

    Parameters
    ----------
    g : modal group → code, in tenths (G59.1 is 591)
    m : codes
    values : letter → number, for all other letters
    """

    g: dict[str, int]
    m: frozenset[int]
    values: dict[str, float]

    def __bool__(self) -> bool:
        return bool(self.g or self.m or self.values)


def read_block(text: bytes) -> Block:
    """Read one line.

    Parameters
    ----------
    text : the line without its end

    Raises
    ------
    ProgramError
        What is wrong, without the number of the line.

    Examples
    --------
    >>> read_block(b"g0x +0. 12 34y 7").values
    {'X': 0.1234, 'Y': 7.0}
    """
    if len(text) > LONGEST_LINE:
        message = f"{len(text)} characters; a line holds {LONGEST_LINE} at most"
        raise ProgramError(message)
    code = _without_label("".join(_code_characters(text)))
    g: dict[str, int] = {}
    m: list[int] = []
    values: dict[str, float] = {}
    for letter, number in _words(code):
        value = float(number) + 0.0  # no minus zero
        if letter == "G":
            _add_g(g, value, number)
        elif letter == "M":
            m.append(_whole(value, f"M{number}"))
        elif letter in values:
            message = f"{letter} stands twice in one line"
            raise ProgramError(message)
        else:
            values[letter] = value
    _check_m(m)
    return Block(g, frozenset(m), values)


def _code_characters(text: bytes) -> Iterator[str]:
    """Yield what stands outside comments, in capitals and without blanks; a comment becomes one "("."""
    comment = False
    for byte in text:
        character = chr(byte)
        if comment:
            if character == "(":
                message = 'a comment inside a comment: "(" may not stand between parentheses'
                raise ProgramError(message)
            comment = character != ")"
        elif character == "(":
            comment = True
            yield character
        elif character not in " \t":
            yield character.upper() if byte < 128 else character
        if not (32 <= byte < 127 or byte == 9):
            message = f"the character with code {byte} is no part of the language; it is plain ASCII"
            raise ProgramError(message)
    if comment:
        message = 'a comment is not closed: its ")" is missing'
        raise ProgramError(message)


def _without_label(code: str) -> str:
    """Take "/" and the line number off, after checking them (s3.3, s3.3.1)."""
    code = code.removeprefix("/")
    if not code.startswith("N"):
        return code
    found = _LABEL.match(code)
    if found is None:
        message = "N needs a whole number from 0 to 99999, without a sign"
        raise ProgramError(message)
    if len(found[1]) > 5:
        message = f"N{found[1]} has more than five digits"
        raise ProgramError(message)
    return code[found.end() :]


def _words(code: str) -> Iterator[tuple[str, str]]:
    """Yield letter and number of each word."""
    at = 0
    while at < len(code):
        found = _WORD.match(code, at)
        if found is None or (found[1] and found[1] not in _LETTERS):
            raise ProgramError(_no_word(code[at:]))
        if found[1] == "N":
            message = "N must be the first word of its line"
            raise ProgramError(message)
        if found[1]:
            yield found[1], found[2]
        at = found.end()


def _no_word(code: str) -> str:
    """Return why nothing that starts like this is a word."""
    first, second = code[0], code[1:2]
    if first in _LETTERS:
        if second in ("#", "["):
            return _STRANGE[second]
        return f'{first} without a number before "{code[1:9]}"' if second else f"{first} without a number"
    if first in _STRANGE:
        return _STRANGE[first]
    if first in _NO_LETTERS:
        return _NO_LETTERS[first]
    return f'"{code[:8]}" is no word; a word is a letter and a number'


def _add_g(g: dict[str, int], value: float, number: str) -> None:
    code = _whole(10 * value, f"G{number}") if abs(value) < 1000 else -1
    group = _G_GROUP.get(code)
    if group is None:
        message = f"G{number} is not known"
        raise ProgramError(message)
    if group in g:
        message = f"two words of one kind in one line: {_g_name(g[group])} and {_g_name(code)} ({group})"
        raise ProgramError(message)
    g[group] = code


def _check_m(codes: list[int]) -> None:
    if len(codes) > MOST_M_WORDS:
        message = f"{len(codes)} M words; a line holds {MOST_M_WORDS} at most"
        raise ProgramError(message)
    found: dict[str, int] = {}
    for code in codes:
        group = _M_GROUP.get(code)
        if group is None:
            message = f"M{code} is not known"
            raise ProgramError(message)
        if group in found and {found[group], code} != _BOTH_COOLANTS:
            message = f"two words of one kind in one line: M{found[group]} and M{code} ({group})"
            raise ProgramError(message)
        found[group] = code


def _whole(value: float, word: str) -> int:
    if abs(value) > 1e9 or abs(value - round(value)) > WHOLE_WITHIN:
        message = f"{word} is not known"
        raise ProgramError(message)
    return round(value)


def _g_name(code: int) -> str:
    return f"G{code // 10}" if code % 10 == 0 else f"G{code // 10}.{code % 10}"
