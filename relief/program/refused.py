"""Words of RS274/NGC that the reader does not follow, each with the reason.

What a canned cycle, a probe or a table of the controller would do is not in the program's text.
"""

from __future__ import annotations

from relief.errors import ProgramError
from relief.program.words import Block

_REFUSED_G = {
    100: "G10 changes the controller's own tables, which the program does not hold",
    280: "G28 goes by way of a place that only the machine knows; move to a coordinate instead",
    300: "G30 goes by way of a place that only the machine knows; move to a coordinate instead",
    382: "G38.2 probes: where it stops is not in the program",
    410: "G41 needs the controller's table of cutters, which the program does not hold",
    420: "G42 needs the controller's table of cutters, which the program does not hold",
    430: "G43 needs the controller's table of lengths, which the program does not hold",
    920: "G92 moves zero to wherever the cutter is; set zero at the machine instead",
    921: "G92.1 moves zero; set zero at the machine instead",
    922: "G92.2 moves zero; set zero at the machine instead",
    923: "G92.3 moves zero; set zero at the machine instead",
    930: "G93 (inverse time) is not read: its F words are no feeds; use G94",
    **{code: f"G{code // 10} is a canned cycle, which is not read" for code in range(810, 900, 10)},
}
_REFUSED_M = {
    4: "M4 turns the spindle backwards, where a router's cutter rubs and burns; use M3",
    60: "M60 exchanges pallets, which a router does not have",
}
_REFUSED_LETTERS = {
    **dict.fromkeys("ABC", "a rotary axis, which a three-axis router does not have"),
    **dict.fromkeys("DH", "a row of the controller's tables, which the program does not hold"),
    **dict.fromkeys("LQ", "a word of canned cycles and tables, which are not read"),
}


def check_supported(block: Block) -> None:
    """Refuse a line with a word that cannot be followed with certainty.

    Raises
    ------
    ProgramError
        Names the word and the reason.
    """
    for code in block.g.values():
        if code in _REFUSED_G:
            raise ProgramError(_REFUSED_G[code])
    for code in sorted(block.m):
        if code in _REFUSED_M:
            raise ProgramError(_REFUSED_M[code])
    for letter in block.values:
        if letter in _REFUSED_LETTERS:
            message = f"{letter} is {_REFUSED_LETTERS[letter]}"
            raise ProgramError(message)
    if "P" in block.values and block.g.get("non-modal") != 40:
        message = "P without G4"
        raise ProgramError(message)


def check_unused(values: dict[str, float], *, arcs: bool) -> None:
    """Refuse words of arcs on a line that makes none.

    Raises
    ------
    ProgramError
        Names the word.
    """
    for letter in "IJKR":
        if letter in values and not arcs:
            message = f"{letter} without an arc (G2 or G3)"
            raise ProgramError(message)
