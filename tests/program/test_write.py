"""What the writer makes of a toolpath: the rules of the standard, the shop's habits, and nothing else."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pygcode
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from relief.errors import PlanError
from relief.program import write
from relief.program.read import read_program
from relief.program.write import ProgramHead, write_program
from relief.shop.records import Machine
from relief.toolpath import CUT, PLUNGE, RAPID, Toolpath
from tests.program.standard import line_faults, violations, words

MACHINE = Machine("a small router")
HEAD = ProgramHead(
    job="marrow.png",
    operation="roughing",
    cutter="flat 6.35 mm",
    stock="140 mm x 110 mm x 18 mm, softwood",
    zero="X0 Y0 near left corner of the relief, Z0 stock top",
    rpm=16000.0,
    seconds=754.0,
    cautions=("resin gums the flutes; clean them",),
)
# Down a ramp, along, up a slope, over to a second cut with a plunge, back to clearance.
PATH = Toolpath(
    [[2, 3, 5], [2, 3, 1], [12, 3, -0.5], [12, 8.25, -0.5], [4, 8.25, 0], [4, 8.25, 5], [30, 8.25, 5],
     [30, 8.25, -1.2345], [40, 8.25, -1.2345], [40, 8.25, 5]],
    np.array([RAPID, RAPID, CUT, CUT, CUT, RAPID, RAPID, PLUNGE, CUT, RAPID], np.uint8),
)  # fmt: skip
FEED = np.array([0, 0, 600, 1800, 1800, 0, 0, 450.55, 1800, 0.0])


def text(
    path: Toolpath = PATH, feed: np.ndarray = FEED, machine: Machine = MACHINE, units: str = "mm", **head: Any
) -> str:
    """Return a program as text."""
    return write_program(path, feed, replace(HEAD, **head), machine, units=units).decode("ascii")  # type: ignore[arg-type]


def code(program: str) -> list[str]:
    """Return the lines of a program that are no comments."""
    return [line for line in program.splitlines() if not line.startswith("(")]


def test_the_golden_program() -> None:
    """One program that was read line by line; it changes only on purpose, and with another reading.

    Read as a machinist: units and modes stand before any number; the cutter rises to Z5 before it moves
    sideways; the spindle is up to speed (S before M3, 3 s of dwell) before anything comes near the stock;
    X2 Y3 and Z1 are rapids above the stock; the ramp goes down at F600 and cuts along at F1800; Z0.0 is
    the stock top and the next move lifts to Z5.0; the way to X30 is at Z5.0; the plunge at F450.5 (not
    450.55: feeds are rounded down) ends at Z-1.234 (not -1.2345: depths are rounded up); F1800 returns for
    the cut; Z5.0 before M5, and M2 last.
    """
    golden = (Path(__file__).parent / "golden.nc").read_text("ascii")

    assert text() == golden
    assert violations(golden) == []


MACHINES = {
    "plain": MACHINE,
    "by hand": Machine("m", spindle="by hand"),
    "percent": Machine("m", percent_lines=True),
    "no comments": Machine("m", comments=False, percent_lines=True),
    "by hand, no comments": Machine("m", spindle="by hand", comments=False),
    "changer": Machine("m", tool_change="M6", dwell=0.0),
    "coarse": Machine("m", decimals=2),
    "fine": Machine("m", decimals=6),
}


@pytest.mark.parametrize("machine", MACHINES.values(), ids=MACHINES)
@pytest.mark.parametrize("rpm", [0.0, 16000.0])
@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_program_keeps_to_the_standard(machine: Machine, rpm: float, units: str) -> None:
    """NISTIR 6556, for every habit of a machine; and none but the words that small controllers share."""
    program = text(machine=machine, units=units, rpm=rpm, number=7)
    known = {("G", code) for code in (0, 1, 4, 17, 20, 21, 54, 90, 94)} | {
        ("M", code) for code in (0, 2, 3, 5, 6)
    }
    found = {
        w if w[0] in "GM" else (w[0], 0) for line in program.splitlines() for w in words(line) if line != "%"
    }

    assert violations(program) == []
    assert found <= known | {(letter, 0) for letter in "XYZFSTP"}
    assert all(len(line) <= 80 for line in program.splitlines())
    assert program.count("%") == 2 * machine.percent_lines
    assert ("(" in program) == machine.comments
    assert ("T7 M6" in code(program)) == (machine.tool_change == "M6")


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_start_is_safe(units: str) -> None:
    """Units before any F and length; the first move lifts straight up; the spindle turns before X and Y."""
    lines = code(text(units=units))
    first = {letter: next(k for k, line in enumerate(lines) if letter in line) for letter in "ZXYFSM"}

    assert lines[0] == f"G17 {'G21' if units == 'mm' else 'G20'} G90 G94 G54"
    assert lines[1].startswith("G0 Z")
    assert first["Z"] == 1
    assert first["S"] == first["M"] == 2
    assert first["X"] == first["Y"] == 4
    assert first["F"] > first["X"]


def test_a_spindle_that_stays_off_is_stopped_before_anything_moves() -> None:
    """One left running would turn on the way up."""
    assert code(text(rpm=0.0))[1:3] == ["M5", "G0 Z5.0"]
    assert "M5" not in text(rpm=0.0, machine=MACHINES["by hand"])


def test_a_cutter_is_lifted_after_the_change() -> None:
    """Whoever puts it in may touch off with it: no way sideways from there."""
    assert code(text(machine=MACHINES["changer"], number=7))[1:4] == ["G0 Z5.0", "T7 M6", "G0 Z5.0"]


def test_the_end_is_safe() -> None:
    """The cutter is at clearance height before M5, and M2 is last."""
    assert code(text())[-3:] == ["G0 Z5.0", "M5", "M2"]
    low = Toolpath(PATH.points[:4], PATH.kinds[:4])
    assert code(text(low, FEED[:4]))[-4:] == ["Y8.25 F1800", "G0 Z5.0", "M5", "M2"]
    low = Toolpath(PATH.points[:2], PATH.kinds[:2])
    assert code(text(low, FEED[:2]))[-4:] == ["Z1.0", "Z5.0", "M5", "M2"]


def test_a_spindle_set_by_hand() -> None:
    """No S, M3 or M5: a comment tells the speed, and a pause at clearance height comes before X and Y."""
    machine = MACHINES["by hand"]
    program, lines = text(machine=machine), code(text(machine=machine))

    assert [line for line in lines if re.search("[SMP]", line)] == ["M0", "M2"]
    assert lines[1:3] == ["G0 Z5.0", "M0"]
    assert program.index("Set the spindle to 16000 rev/min by hand") < program.index("M0")
    assert program.index("Stop the spindle by hand") > program.index("X40.0")


@pytest.mark.parametrize("machine", MACHINES.values(), ids=MACHINES)
def test_a_spindle_that_stays_off(machine: Machine) -> None:
    """The head says so, no S and no M3 stands anywhere, and no pause asks for a start."""
    program = text(machine=machine, rpm=0.0)

    assert not [line for line in code(program) if re.search("S|M3|M0|G4", line)]
    assert ("STAYS OFF" in program) == machine.comments
    assert not read_program(program).rpm.any()


HEAD_TELLS = (
    "marrow.png", "roughing", "flat 6.35 mm", "140 mm x 110 mm", "near left corner", "16000 rev/min",
    "about 13 min", "millimetres", "eye and ear protection", "guards", "never leave it unattended",
    "above the stock with the spindle off", "manual", "resin gums",
)  # fmt: skip


def test_the_head_tells_what_a_woodworker_needs() -> None:
    """Job, cutter, stock, zero, speed, time, units and cautions; the draft leaves the time out."""
    head = "\n".join(line for line in text().splitlines() if line.startswith("("))
    for told in HEAD_TELLS:
        assert told in head
    assert "Time" not in text(seconds=None)
    assert code(text(seconds=None)) == code(text())


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(0.2, "1 s"), (83.0, "1 min"), (3600.0, "1 h 00 min"), (3900.0, "1 h 05 min"), (3.5e4, "9 h 43 min")],
)
def test_times_for_people(seconds: float, told: str) -> None:
    """Worded as on the sheet: seconds, minutes, or hours and minutes."""
    assert f"(Time: about {told})" in text(seconds=seconds)


NASTY = (
    "a)\nG0 Z-50\n(b", "M3 S24000", "(MSG, hello)", "x" * 400, "%\n%",
    "caf\u00e9 \u00bd\u2033 90\u00b0 vee \u00d7 2", "\u4e2d\u6587\U0001f332", "\x00\x1b[2J\r\x85\u2028G1",
    "$H", "!~?", "a;b", "N1 ", " ", "", "MSG,a " * 40,
)  # fmt: skip


@given(told=st.sampled_from(NASTY) | st.text(max_size=300))
@settings(deadline=None)
def test_no_text_of_a_job_becomes_a_block(told: str) -> None:
    """Whatever a job calls itself, the program moves as it would without any comment.

    It stays plain ASCII by the standard. Characters that some controllers act upon even inside comments are
    gone (common practice, no source).
    """
    told_everywhere = {"job": told, "operation": told, "cutter": told, "stock": told, "zero": told}
    program = text(**told_everywhere, cautions=(told,))

    assert violations(program) == []
    assert code(program) == code(text(machine=replace(MACHINE, comments=False)))
    assert not set("!~?%$;#@\\^`{}|<>") & set(program)
    assert not re.search(r"\(\s*(MSG|DEBUG|PRINT|LOG)\b", program, re.IGNORECASE)


def test_spelling_of_comments() -> None:
    """Accents and signs are spelt out where there is a plain way to."""
    program = text(job="caf\u00e9 \u00bd\u2033 90\u00b0 \u00d7 2 (old)")

    assert "(Job: cafe 1/2 in 90 deg x 2 [old])" in program


lattice = st.integers(-200_000, 200_000).map(lambda k: k * 0.001)
anywhere = st.floats(-500, 500, allow_nan=False)
coordinate = lattice | anywhere


@st.composite
def paths(draw: st.DrawFn) -> tuple[Toolpath, np.ndarray]:
    """Draw a path that starts with a rapid, and its feeds."""
    rows = draw(st.lists(st.tuples(coordinate, coordinate, coordinate), min_size=1, max_size=20))
    kinds = [
        RAPID,
        *draw(st.lists(st.sampled_from([RAPID, CUT, PLUNGE]), min_size=len(rows), max_size=len(rows))),
    ]
    feeds = draw(st.lists(st.floats(0.1, 20000), min_size=len(kinds), max_size=len(kinds)))
    return Toolpath([(0.0, 0.0, 5.0), *rows], np.array(kinds, np.uint8)), np.array(feeds)


@given(
    made=paths(),
    decimals=st.integers(2, 6),
    units=st.sampled_from(["mm", "in"]),
    zero=st.tuples(*[lattice] * 3),
)
@settings(deadline=None, max_examples=200)
def test_written_and_read_again(
    made: tuple[Toolpath, np.ndarray], decimals: int, units: str, zero: tuple[float, float, float]
) -> None:
    """Reader of writer is the path: x and y within half a step, z never lower and less than a step higher.

    Feeds are never higher than asked (but at least one step of the text) and less than a step lower; kinds
    are kept; what repeats a position is dropped. A picometre is left to floating-point arithmetic.
    """
    path, feed = made
    content = write_program(path, feed, HEAD, replace(MACHINE, decimals=decimals), zero, units)  # type: ignore[arg-type]
    moves = read_program(content)
    step = 10.0**-decimals if units == "mm" else 25.4 * 10.0 ** -(decimals + 3)
    feed_step = 0.1 if units == "mm" else 0.254
    wanted = path.points + zero
    steps = np.c_[np.rint(wanted[:, :2] / step), np.ceil(wanted[:, 2] / step - 1e-6)]
    kept = np.r_[True, np.any(np.diff(steps, axis=0) != 0, axis=1)]
    count = int(kept.sum())
    off = moves.points[2 : 2 + count] - wanted[kept]
    cuts = path.kinds[kept] != RAPID
    slower = feed[kept][cuts] - moves.feed[1 : 1 + count][cuts]

    assert violations(content.decode()) == []
    assert np.abs(off[:, :2]).max() <= step / 2 + 1e-9
    assert off[:, 2].min() >= -1e-9
    assert off[:, 2].max() < step
    assert (~moves.rapid[1 : 1 + count]).tolist() == cuts.tolist()
    assert np.all((slower >= -1e-9) | (feed[kept][cuts] < feed_step))
    assert np.all(slower < feed_step + 1e-9)
    assert len(moves) - 1 - count in (0, 1)  # the closing retract
    assert moves.rapid[-1] or count == len(moves) - 1


@given(made=paths())
@settings(deadline=None)
def test_kinds_and_order_are_kept(made: tuple[Toolpath, np.ndarray]) -> None:
    """With all positions distinct there is one block for each row: a rapid for RAPID, else a cut."""
    path, feed = made
    points = path.points.copy()
    points[:, 1] = np.arange(len(points)) * 0.001
    points[1:, 2] = np.abs(points[1:, 2]) + 5.0
    moves = read_program(write_program(Toolpath(points, path.kinds), feed, HEAD, MACHINE))

    assert moves.rapid[1:].tolist() == (path.kinds == RAPID).tolist()


@given(z=st.integers(-20_000_000, 20_000_000), offset=st.integers(-30_000, 30_000))
@example(z=7, offset=0)
@settings(deadline=None)
def test_a_lattice_position_is_written_as_it_is(z: int, offset: int) -> None:
    """A plan whose numbers lie on the lattice of the text comes back to the bit, whatever the zero.

    7 x 0.001 is 0.007000000000000001 after scaling: rounding up must not see a step in it.
    """
    for step, units in ((0.001, "mm"), (0.000254, "in")):
        path = Toolpath([(0, 0, z * step)], np.array([RAPID], np.uint8))
        moves = read_program(write_program(path, np.zeros(1), HEAD, MACHINE, (0, 0, offset * step), units))  # type: ignore[arg-type]
        assert moves.points[1, 2] == pytest.approx((z + offset) * step, abs=1e-9)


def test_depths_are_rounded_up() -> None:
    """-1.2341 and -1.2349 both become -1.234; 0.0001 becomes 0.001."""
    for z, told in (
        (-1.2341, "Z-1.234"),
        (-1.2349, "Z-1.234"),
        (-1.234, "Z-1.234"),
        (0.0001, "Z0.001"),
        (-0.0004, "Z0.0"),
    ):
        path = Toolpath([(0, 0, 5), (0, 0, z)], np.array([RAPID, PLUNGE], np.uint8))
        assert f"G1 {told} F100" in code(text(path, np.full(2, 100.0)))


def test_nothing_is_told_twice() -> None:
    """No block repeats a G word, a coordinate or a feed that already holds; repeated positions vanish."""
    points = np.repeat(PATH.points, 3, axis=0) + [[0, 0, 0], [1e-5, -1e-5, -1e-5], [0, 0, 0]] * len(
        PATH.points
    )
    program = text(Toolpath(points, np.repeat(PATH.kinds, 3)), np.repeat(FEED, 3))

    assert code(program) == code(text())
    held: dict[str, float] = {}
    for line in code(program)[1:]:
        for letter, value in words(line):
            if letter in "XYZFG":
                assert held.get(letter) != value
                held[letter] = value


def test_long_programs_are_written_in_pieces_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bytes do not depend on how many rows become text at once."""
    rng = np.random.default_rng(4)
    path = Toolpath(
        rng.integers(-3, 3, (500, 3)) / 10, np.r_[RAPID, rng.integers(0, 3, 499)].astype(np.uint8)
    )
    feed = rng.choice([300.0, 900.0], 500)
    whole = text(path, feed)
    for rows in (1, 7, 64):
        monkeypatch.setattr(write, "ROWS_AT_ONCE", rows)
        assert text(path, feed) == whole


@pytest.mark.parametrize(("bed", "height"), [(0.0, "G0 Z5.0"), (18.0, "G0 Z23.0")])
def test_an_empty_path_is_a_sound_program(bed: float, height: str) -> None:
    """Nothing to cut: up to clearance height above the stock, wherever Z0 lies, spindle on and off, end."""
    nothing = Toolpath(np.zeros((0, 3)), np.zeros(0, np.uint8))
    program = write_program(nothing, np.zeros(0), HEAD, MACHINE, zero=(0.0, 0.0, bed)).decode()

    assert violations(program) == []
    assert height in code(program)


@pytest.mark.parametrize(
    ("path", "feed", "words_said"),
    [
        (Toolpath([[0, 0, np.nan]], np.zeros(1, np.uint8)), np.zeros(1), "not finite"),
        (Toolpath([[0, np.inf, 0]], np.zeros(1, np.uint8)), np.zeros(1), "not finite"),
        (Toolpath([[1e13, 0, 0]], np.zeros(1, np.uint8)), np.zeros(1), "absurdly far"),
        (Toolpath([[0, 0, 5]], np.full(1, CUT, np.uint8)), np.ones(1), "starts with a cut"),
        (PATH, FEED[:-1], "10 moves but 9 feeds"),
        (PATH, FEED * 0, "move 2 is a cut at feed 0 mm/min"),
        (PATH, -FEED, "move 2 is a cut at feed -600 mm/min"),
        (PATH, np.where(FEED == 450.55, np.nan, FEED), "move 7 is a cut at feed nan mm/min"),
    ],
)
def test_what_cannot_be_written_is_refused(path: Toolpath, feed: np.ndarray, words_said: str) -> None:
    """One line that says what is wrong with the plan."""
    with pytest.raises(PlanError, match=words_said):
        text(path, feed)


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("machine", MACHINES.values(), ids=MACHINES)
def test_a_general_purpose_reader_agrees(machine: Machine, units: str) -> None:
    """pygcode, a general-purpose G-code library, reads every line, to the same positions."""
    program = text(machine=machine, units=units, number=3)
    reader, found = pygcode.Machine(), []
    for line in program.splitlines():
        block = pygcode.Line(line).block
        reader.process_block(block)
        if any(word.letter in "XYZ" for word in block.words):
            found.append([reader.pos.values[axis] for axis in "XYZ"])
    moves = read_program(program)
    known = np.isfinite(moves.points[1:]).all(axis=1)
    scale = 25.4 if units == "in" else 1.0

    assert np.array(found)[known] * scale == pytest.approx(moves.points[1:][known], abs=1e-9)


def test_lines_are_those_of_the_language() -> None:
    """Each single line is legal by itself; no carriage returns, one end of line at the end."""
    program = text()

    assert [fault for line in program.splitlines() for fault in line_faults(line)] == []
    assert "\r" not in program
    assert program.endswith("M2\n")
