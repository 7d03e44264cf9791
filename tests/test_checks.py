"""Each check can hold, and each can fail."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from relief.checks import CHECKS, NEEDS, Check, not_made, run_checks
from relief.engagement import Hardest
from relief.evidence import Evidence, ReadProgram
from relief.feeds import choose_feeds
from relief.heightfield import Heightfield
from relief.holding import Bridge, Holding
from relief.measures import FineFigures, LostDetail, NoiseFloor, ScallopFigures, Shortfall
from relief.program.read import read_program
from relief.sections import Clamp, Cutout
from relief.shop.load import Shop

SHOP = Shop.read(None)
MACHINE, MATERIAL = SHOP.machine("benchtop router"), SHOP.material("softwood")
FLAT = SHOP.cutter("flat 1/4 in")
FEEDS = choose_feeds(FLAT, MATERIAL, MACHINE, 3.0, 2.0)
TEXT = f"""G21
G17 G90 G94 G54
G0 Z5
G0 X0 Y0
M3 S{FEEDS.rpm:.0f}
G1 Z-3 F{FEEDS.plunge:.0f}
G1 X40 F{FEEDS.cut:.0f}
G0 Z5
M5
M2
"""
UNCUT = Heightfield(np.zeros((5, 41)), 1.0)
CUT = Heightfield(np.full((5, 41), -3.0), 1.0)
SHORT_MOVES = "".join(f"G1 X{k / 100}\n" for k in range(1, 800))
CLAMP = Clamp(x=-40, y=-5, width=10, length=10, height=3, name="clamp 1")
TRACE = "G21\nG90 G94 G54\nG0 Z5\nG0 X-4 Y-4\nG0 X44\nG0 Y4\nG0 X-4\nM2\n"


def program(code: str = TEXT, **other: object) -> ReadProgram:
    """Return a small roughing program."""
    values = {
        "file": "1-roughing.nc", "operation": "roughing", "text": code.encode(), "moves": read_program(code),
        "cutter": FLAT, "feeds": FEEDS, "before": UNCUT, "after": CUT, "contact_depth": 0.0,
        "contact_block": 0, "deepest_cut": 3.0, "deepest_block": 7, "seconds": 60.0,
        "hardest": Hardest(1.05, 8), "entry_depth": 0.0,
    }  # fmt: skip
    return ReadProgram(**(values | other))


def traced(code: str) -> ReadProgram:
    """Return a trace, which turns no cutter."""
    return program(code, file="0-trace.nc", operation="trace", cutter=None, feeds=None, after=UNCUT)


FINE = FineFigures(0.05, 0.06, 0.05, 0.045, 0.998, 0.0, 0.0, 0.05, 1.0, NoiseFloor(0.02, 0.03))


def evidence(*programs: ReadProgram, **other: object) -> Evidence:
    """Return evidence in which everything holds, but for what is given."""
    trace = traced(TRACE)
    values = {
        "machine": MACHINE, "material": MATERIAL, "thickness": 18.0,
        "programs": (trace, *(programs or (program(),))),
        "gouge": 0.0, "scallop": ScallopFigures(0.05, 0.04, 0.04, 0.03, 1.0, 0.0, 0.0),
        "scallop_fine": FINE, "lost_detail": LostDetail(0.1, 0.05, 0.02, 0.01), "levels": 65536,
        "depth": 3.0, "pitch": 0.1,
        "clamps": (CLAMP,), "order_fault": "",
    }  # fmt: skip
    return Evidence(**(values | other))


def test_all_hold_when_all_is_well():
    """A plain program inside every limit passes every check."""
    checks = run_checks(evidence())

    assert len(CHECKS) == len(checks)
    assert [] == [check.name for check in checks if not check.holds]
    assert len({check.name for check in checks}) == len(checks)


def test_checks_that_stop_come_first():
    """The user reads what forbids before what only tells."""
    severities = [check.severity for check in run_checks(evidence())]

    assert sorted(severities) == severities


WRONG = {
    "in running order": evidence(order_fault="1-roughing.nc was not given"),
    "within travel": evidence(program(TEXT.replace("X40", "X700"))),
    "within stock": evidence(program(TEXT.replace("Z-3", "Z-18.5"))),
    "no gouge": evidence(gouge=0.006),
    "no rapid through stock": evidence(program(contact_depth=0.02, contact_block=4)),
    "ends above the stock": evidence(program(TEXT.replace("M2", "Z-1\nM2"))),
    "clear of clamps": evidence(clamps=(replace(CLAMP, x=20.0, y=4.0),)),
    "inside the trace": evidence(program(TEXT.replace("X40", "X44"))),
    "cutting length covers the depth": evidence(program(cutter=replace(FLAT, cutting_length=2.5))),
    "shank and holder clear": evidence(
        program(cutter=replace(FLAT, cutting_length=2.5, reach=40.0, shank=10.0))
    ),
    "feeds in range": evidence(program(TEXT.replace(f"F{FEEDS.cut:.0f}", "F99999"))),
    "enters the stock by the rule": evidence(program(entry_depth=0.4, entry_block=6)),
    "load bounded": evidence(program(hardest=Hardest(1.3, 7))),
    "part held": evidence(program(after=CUT.with_heights(CUT.heights - 15.0))),
    "text conforms to the standard": evidence(program(text=TEXT.encode() + b"(" + b"x" * 300 + b")")),
    "surface finished": evidence(scallop=ScallopFigures(0.05, 3.0, 2.0, 1.0, 0.5, 0.0, 0.0)),
    "scallop reached": evidence(scallop=ScallopFigures(0.05, 0.09, 0.08, 0.07, 0.9, 0.0, 0.0)),
    "scallop holds between points": evidence(scallop_fine=replace(FINE, max=0.11)),
    "scallop resolvable": evidence(pitch=0.2),
    "detail kept": evidence(lost_detail=LostDetail(3.0, 2.0, 1.0, 0.3)),
    "power enough": evidence(program(feeds=replace(FEEDS, power=5000.0))),
    "stepdown by the rule": evidence(program(deepest_cut=9.0)),
    "steps of the picture hidden": evidence(levels=16),
    "floor thick enough": evidence(program(after=CUT.with_heights(CUT.heights - 13.0))),
    "time bearable": evidence(program(seconds=9 * 3600.0)),
    "chip load in range": evidence(program(feeds=replace(FEEDS, chip_load=2 * FEEDS.chip_high))),
    "controller keeps up": evidence(
        program(f"G21\nG90\nG0 Z5\nG0 X0 Y0\nM3 S12000\nF4000\n{SHORT_MOVES}M2\n")
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_each_check_catches_its_fault(name):
    """The fault is told by the check of that name, with a message and a number beyond the limit."""
    told = {check.name: check for check in run_checks(WRONG[name])}[name]

    assert not told.holds
    assert told.message


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (TEXT.replace(f"M3 S{FEEDS.rpm:.0f}\n", ""), "spindle"),
        (TEXT.replace(f"S{FEEDS.rpm:.0f}", "S60000"), "60000"),
        (TEXT.replace(f"S{FEEDS.rpm:.0f}", "S100"), "100"),
    ],
)
def test_a_spindle_that_stands_or_races_is_caught(text, said):
    """Cuts need a turning spindle inside the range of machine and cutter."""
    told = {check.name: check for check in run_checks(evidence(program(text)))}["spindle speed in range"]

    assert not told.holds
    assert said in told.message


def told(name: str, *programs: ReadProgram, **other: object) -> Check:
    """Return one check of these programs."""
    return next(check for check in run_checks(evidence(*programs, **other)) if check.name == name)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (TEXT.replace("G54", "G55"), "G55"),
        (TEXT.replace(" G54", ""), "says G54"),
        (TEXT.replace("G90 ", ""), "G90"),
        (TEXT.replace(" G94", ""), "G94"),
        (TEXT.replace("G0 Z5\n", "T1 M6\nG0 Z5\n", 1), "by hand"),
    ],
)
def test_what_is_left_to_the_controller_is_caught(text, said):
    """Another system of coordinates (s3.5.13), or one left to chance, moves the whole job."""
    found = told("text conforms to the standard", program(text))

    assert not found.holds
    assert said in found.message


def test_another_unit_than_the_jobs_is_caught():
    """A program in the other unit carves 25.4 times too large or too small."""
    assert told("text conforms to the standard", units="mm").holds
    assert not told("text conforms to the standard", units="in").holds


def test_the_wrong_cutter_is_caught_where_the_program_calls_it():
    """T has to name the cutter's own number in the rack."""
    machine, cutter = replace(MACHINE, tool_change="M6"), replace(FLAT, number=7)
    for number, right in ((7, True), (6, False)):
        text = TEXT.replace("G0 Z5\n", f"T{number} M6\nG0 Z5\n", 1)
        found = told("text conforms to the standard", program(text, cutter=cutter), machine=machine)
        assert right == found.holds


@pytest.mark.parametrize("code", [TEXT.replace("G0 Z5", "G0 Z-5", 1), TRACE.replace("Z5", "Z-2")])
def test_a_descent_from_an_unknown_place_is_caught(code):
    """Where the cutter stands at the start is not known, so the first move must not go into the stock."""
    only = (traced(code),) if "M3" not in code else (traced(TRACE), program(code))
    found = told("no rapid through stock", programs=only)

    assert not found.holds
    assert "not told" in found.message


def test_a_trace_that_goes_into_the_stock_is_caught():
    """With the spindle off, nothing may come below the stock top, by a feed move neither."""
    found = told("no rapid through stock", traced(TRACE.replace("G0 X44", "G1 Z-1 F100\nG0 X44")), program())

    assert not found.holds
    assert "spindle off" in found.message


def test_a_spindle_set_by_hand_waits_before_the_first_cut():
    """The program stops (M0) so that somebody can start the spindle."""
    machine = replace(MACHINE, spindle="by hand")
    silent = TEXT.replace(f"M3 S{FEEDS.rpm:.0f}\n", "")
    waiting = silent.replace("G1 Z-3", "M0\nG1 Z-3")

    assert not told("spindle speed in range", program(silent), machine=machine).holds
    assert told("spindle speed in range", program(waiting), machine=machine).holds


def test_a_fault_is_told_with_file_line_and_place():
    """In the coordinates and the unit that the text is written in, whatever the job's zero is."""
    wrong = program(TEXT.replace("Z-3", "Z-18.5"), zero=(-20.0, 0.0, 18.0))

    assert "1-roughing.nc line 6, at X-20.000 Y0.000 Z-0.500" in told("within stock", wrong).message


def test_moving_sideways_before_rising_is_caught():
    """Where the cutter stands at the start is not known; it must rise before anything else."""
    text = TEXT.replace("G0 Z5\nG0 X0 Y0", "G0 X0 Y0\nG0 Z5", 1)
    told = {c.name: c for c in run_checks(evidence(program(text)))}["text conforms to the standard"]

    assert not told.holds
    assert "sideways" in told.message


def test_a_program_that_cuts_nothing_is_caught():
    """However coarse the scallop, a cutting program without a feed move has lost its cuts."""
    text = "\n".join(line for line in TEXT.splitlines() if not line.startswith("G1")) + "\n"
    coarse = ScallopFigures(1.0, 0.1, 0.1, 0.1, 1.0, 0.0, 0.0)
    told = {c.name: c for c in run_checks(evidence(program(text), scallop=coarse))}["surface finished"]

    assert not told.holds
    assert "cuts nothing" in told.message


def test_a_number_that_is_none_does_not_hold():
    """A check that stops and could not be measured stops the job."""
    told = {c.name: c for c in run_checks(evidence(gouge=float("nan")))}

    assert not told["no gouge"].holds


def test_a_program_that_turns_a_hand_set_spindle_is_caught():
    """Where a person sets the speed, no program may start the spindle by itself."""
    by_hand = replace(MACHINE, spindle="by hand")
    text = TEXT.replace("M3 ", "M0\nM3 ")
    told = {c.name: c for c in run_checks(evidence(program(text), machine=by_hand))}["spindle speed in range"]

    assert not told.holds
    assert "by itself" in told.message


def test_words_speak_the_unit_of_the_job():
    """In an inch job the sentences of the checks tell inches."""
    inches = program(TEXT.replace("G21", "G20"))
    told = {c.name: c for c in run_checks(evidence(inches, units="in"))}

    assert " in " in told["within stock"].message
    for check in told.values():
        # the chip load is told by the feeds, in the unit that they were chosen for
        assert " mm" not in check.message or check.name == "chip load in range"


def test_faults_speak_the_unit_and_zero_of_the_job():
    """A tab's sizes, area and place, and the depth of a rapid (1 in = 25.4 mm)."""
    tab = Bridge(50.8, 25.4, 6.35, 3.0, 19.05, to_frame=True)
    part = Holding(1, 0, (tab,), 0.0)
    asked = Cutout(shape="rectangle", tabs=1, tab_height=2.54)
    first = replace(traced(TRACE), zero=(-25.4, 0.0, 0.0))
    bad = replace(evidence(units="in", holding=part, cutout=asked), programs=(first, program()))
    told = {c.name: c for c in run_checks(bad)}["part held"].message
    assert told == (
        "what joins the part to its board at X 1 in Y 1 in is 0.25 in x 0.1181 in,"
        " where a tab has 0.2362 in x 0.1 in"
    )
    held = evidence(units="in", holding=part, cutout=Cutout(shape="rectangle", tabs=1))
    assert {c.name: c for c in run_checks(held)}["part held"].message.endswith("1 tabs, 0.030 in² in all")
    rapid = evidence(program(contact_depth=0.254, contact_block=4), units="in")
    assert (
        "a rapid cuts 0.01 in deep"
        in {c.name: c for c in run_checks(rapid)}["no rapid through stock"].message
    )


@pytest.mark.parametrize(("share", "holds"), [(1.0005, True), (1.005, False)])
def test_a_feed_is_held_to_the_axis_but_for_its_rounding(share, holds):
    """An axis may be asked for its highest feed, and for nothing that is more than its last figure."""
    fast = TEXT.replace(f"F{FEEDS.cut:.0f}", f"F{share * MACHINE.max_feed[0]:.1f}")
    assert {c.name: c for c in run_checks(evidence(program(fast)))}["feeds in range"].holds == holds


@pytest.mark.parametrize(("height", "holds"), [("Z1", True), ("Z0.9", False), ("Z-2", False)])
def test_cutters_are_changed_a_millimetre_above_the_stock_or_higher(height, holds):
    """Where the cutter stands when the next one is called for (common practice, no source)."""
    text = TEXT.replace("G0 Z5\nM5", f"G0 {height}\nM5\nT{FLAT.number} M6\nG0 Z5\nM3\nG1 X0\nM5")
    second = program(text, moves=read_program(text).by_cutter()[1])
    able = evidence(second, machine=replace(MACHINE, tool_change="M6"))
    told = {c.name: c for c in run_checks(able)}["text conforms to the standard"]
    assert told.holds == holds
    assert holds or "changed before it is lifted off the stock" in told.message


def test_an_arc_is_stopped_where_the_machine_takes_none():
    """A line with G2 or G3 is told; a machine whose entry says that it takes them runs it (NISTIR s3.5.3)."""
    # half a turn out of the cut and back into its line: R is half the way
    turned = program(TEXT.replace("G1 X40", "G1 X20").replace("G0 Z5\nM5", "G3 X30 Y0 R5\nG0 Z5\nM5"))
    told = {c.name: c for c in run_checks(evidence(turned))}["text conforms to the standard"]
    assert not told.holds
    assert told.message.startswith(f"1-roughing.nc line 8: makes an arc, and {MACHINE.name} takes none")
    able = {c.name: c for c in run_checks(evidence(turned, machine=replace(MACHINE, arcs=True)))}
    assert able["text conforms to the standard"].holds


def test_steps_too_small_to_write_are_told_as_less():
    """A 16-bit picture's steps are less than a figure can say, and never written with an exponent."""
    told = {c.name: c for c in run_checks(evidence(levels=65536))}["steps of the picture hidden"].message
    assert told == "one step of brightness is less than 0.003 mm of depth"
    inches = {c.name: c for c in run_checks(evidence(levels=65536, units="in"))}
    assert "less than 0.0001 in" in inches["steps of the picture hidden"].message


def test_a_trace_that_turns_the_spindle_is_caught():
    """The trace runs with the spindle off, whatever is in it."""
    text = TRACE.replace("G0 X44", "M3 S12000\nG0 X44")
    told = {c.name: c for c in run_checks(evidence(traced(text), program()))}["spindle speed in range"]

    assert not told.holds


def far_as(x: str) -> Evidence:
    """Return evidence of a cut along X to a place."""
    return evidence(program(TEXT.replace("X40", x)))


def deep_as(z: str) -> Evidence:
    """Return evidence of a cut at a height."""
    return evidence(program(TEXT.replace("Z-3", z)))


SCALLOP = evidence().scallop
# The most that holds, and a little more, as the limits are told on the sheet.
LIMITS = {
    "within travel": (far_as("X600"), far_as("X600.1")),
    "within stock": (deep_as("Z-18"), deep_as("Z-18.01")),
    "no gouge": (evidence(gouge=0.005), evidence(gouge=0.0051)),
    "no rapid through stock": (
        evidence(program(contact_depth=0.01)), evidence(program(contact_depth=0.0101, contact_block=4)),
    ),
    # the trace goes to X44; the cutter is 6.35 mm wide
    "inside the trace": (far_as("X40.82"), far_as("X40.85")),
    "cutting length covers the depth": (
        evidence(program(cutter=replace(FLAT, cutting_length=3.0))),
        evidence(program(cutter=replace(FLAT, cutting_length=2.99))),
    ),
    "shank and holder clear": (
        evidence(program(cutter=replace(FLAT, cutting_length=3.0, reach=3.0))),
        evidence(program(cutter=replace(FLAT, cutting_length=2.99, reach=2.99))),
    ),
    "load bounded": (
        evidence(program(hardest=Hardest(1.15, 7))), evidence(program(hardest=Hardest(1.151, 7))),
    ),
    "surface finished": (
        evidence(scallop=replace(SCALLOP, p99=0.2)), evidence(scallop=replace(SCALLOP, p99=0.201)),
    ),
    "scallop reached": (
        evidence(scallop=replace(SCALLOP, within=0.995)), evidence(scallop=replace(SCALLOP, within=0.9949)),
    ),
    "scallop holds between points": (
        evidence(scallop_fine=replace(FINE, p999=1.25 * 0.05, max=0.1)),
        evidence(scallop_fine=replace(FINE, p999=1.26 * 0.05, max=0.1)),
    ),
    "detail kept": (
        evidence(lost_detail=LostDetail(3.0, 2.0, 1.0, 0.1)),
        evidence(lost_detail=LostDetail(3.0, 2.0, 1.0, 0.101)),
    ),
    "power enough": (
        evidence(program(feeds=replace(FEEDS, power=800.0))),
        evidence(program(feeds=replace(FEEDS, power=801.0))),
    ),
    # half of 6.35 mm in softwood, as closely as the deepest cut is found
    "stepdown by the rule": (
        evidence(program(deepest_cut=3.2)), evidence(program(deepest_cut=3.21)),
    ),
    # 3 mm in 60 steps are 0.05 mm each
    "steps of the picture hidden": (evidence(levels=61), evidence(levels=60)),
    "floor thick enough": (
        evidence(program(after=CUT.with_heights(CUT.heights - 12.0))),
        evidence(program(after=CUT.with_heights(CUT.heights - 12.01))),
    ),
    "time bearable": (
        evidence(program(seconds=8 * 3600.0 - 60.0)), evidence(program(seconds=8 * 3600.0 + 60.0)),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", LIMITS)
def test_each_limit_is_where_it_is_told(name):
    """What just holds passes, a little more does not."""
    held, short = ({c.name: c.holds for c in run_checks(found)} for found in LIMITS[name])
    assert held[name]
    assert not short[name]


def test_every_check_is_covered_here():
    """A new check needs a fault that it catches."""
    assert {check.name for check in run_checks(evidence())} == set(WRONG) | {"spindle speed in range"}


def test_what_cannot_be_judged_is_told_and_not_held():
    """By the names that the checks have, each with its reason; what is not amiss is passed over."""
    bare = program(feeds=None, hardest=None, entry_depth=None)
    alone = replace(evidence(clamps=(), order_fault=None), programs=(bare,))
    told = not_made(alone, CHECKS)

    assert [name.split(" (")[0] for name in told] == [
        "in running order", "inside the trace", "load bounded", "enters the stock by the rule",
        "chip load in range", "power enough",
    ]  # fmt: skip
    assert not {check.name for check in run_checks(alone)} & {name.split(" (")[0] for name in told}
    assert {need.name: check(evidence()).name for check, need in NEEDS.items()} == {
        need.name: need.name for need in NEEDS.values()
    }


BOTTOM = program(TEXT.replace("Z-3", "Z-18.3"), file="3-cutout.nc", operation="cutout")
CUTOUT = Cutout(shape="rectangle", tabs=2)
TAB = Bridge(20.0, -3.0, 6.05, 3.0, 18.15, to_frame=True)
HELD = Holding(parts=1, loose_parts=0, bridges=(TAB, TAB), loose_waste=0.1)


def holds(name: str, **other: object) -> bool:
    """Return whether a check holds for a job whose part is cut out."""
    found = evidence(program(), BOTTOM, **({"cutout": CUTOUT, "holding": HELD} | other))
    return next(check.holds for check in run_checks(found) if check.name == name)


def test_only_the_cutout_passes_the_bottom():
    """By as much as `through` and no more; with a skin not even to the bottom."""
    assert holds("within stock")
    assert not holds("within stock", cutout=replace(CUTOUT, through=0.2))
    assert not holds("within stock", cutout=replace(CUTOUT, skin=0.5))
    assert not holds("within stock", cutout=None)


@pytest.mark.parametrize(
    ("cutout", "words"),
    [
        (CUTOUT, "18 mm thick, and the cutout may go 0.3 mm below it, into a sacrificial board"),
        (replace(CUTOUT, skin=0.5), "18 mm thick, of which the cutout has to leave 0.5 mm"),
        (None, "the stock is 18 mm thick ("),
    ],
)
def test_the_limit_of_the_stock_is_explained(cutout, words):
    """A limit other than the bottom of the board is told as the board and what may be cut beyond it."""
    found = evidence(program(), BOTTOM, cutout=cutout, holding=HELD)
    assert words in next(check.message for check in run_checks(found) if check.name == "within stock")


@pytest.mark.parametrize(
    "wrong",
    [
        replace(HELD, loose_parts=1),
        replace(HELD, loose_waste=9.0),
        replace(HELD, bridges=(TAB, TAB, TAB)),
        replace(HELD, bridges=(TAB, replace(TAB, width=5.0))),
        replace(HELD, bridges=(TAB, replace(TAB, width=9.0))),
        replace(HELD, bridges=(TAB, replace(TAB, height=2.5))),
    ],
)
def test_a_part_must_be_held_as_asked(wrong):
    """Neither loose, nor by thinner tabs, nor by more than was asked for."""
    assert holds("part held")
    assert not holds("part held", holding=wrong)


def test_no_tabs_are_told_but_allowed():
    """Without tabs the check warns; it does not stop."""
    found = evidence(program(), BOTTOM, cutout=replace(CUTOUT, tabs=0), holding=replace(HELD, loose_parts=1))
    check = next(check for check in run_checks(found) if check.name == "part held")

    assert (False, "warn") == (check.holds, check.severity)
    assert "from below" in check.message


def test_a_surface_that_holds_at_the_nodes_alone_is_told_with_places_and_causes():
    """What holds at the nodes and not between them is a warning that says where, how high and why."""
    short = (Shortfall("between", 0.011, 0.081, 12.5, 3.0), Shortfall("rim", 0.001, 0.06, 0.05, 7.0))
    fine = replace(FINE, within=0.988, p999=0.07, max=0.081, short=short)
    check = told("scallop holds between points", scallop_fine=fine)

    assert (False, "warn") == (check.holds, check.severity)
    assert "in creases finer than the points of the plan lie" in check.message
    assert "1.1 %, worst 0.081 mm at X 12.5 mm Y 3 mm" in check.message
    assert "at the rim of the relief" in check.message


@pytest.mark.parametrize(
    ("change", "holds"),
    [
        ({"within": 0.995}, True), ({"within": 0.9949}, False),
        ({"p999": 0.0625, "max": 0.07}, True), ({"p999": 0.0626, "max": 0.07}, False),
        ({"max": 0.1}, True), ({"max": 0.1001}, False),
    ],
)  # fmt: skip
def test_how_much_may_be_missed_between_the_nodes(change, holds):
    """99.5 % of the area within h, 99.9 % within 1.25 h, and nothing above 2 h."""
    assert holds is told("scallop holds between points", scallop_fine=replace(FINE, **change)).holds


def test_nodes_too_far_apart_are_not_judged_between():
    """Above two scallops of pitch nothing is claimed between the nodes: the other check tells why."""
    wide = {"pitch": 0.11, "scallop_fine": replace(FINE, within=0.5)}

    assert told("scallop holds between points", **wide).holds
    coarse = told("scallop resolvable", **wide)
    assert not coarse.holds
    assert "not resolvable at this pitch: to see ridges that low they may be 0.1 mm" in coarse.message
    assert "even passes" not in coarse.message


def test_a_cut_below_the_board_is_told_as_what_it_lacks():
    """No length below nothing is spoken of."""
    deep = program(after=CUT.with_heights(CUT.heights - 27.0))
    message = next(c.message for c in run_checks(evidence(deep)) if c.name == "floor thick enough")
    assert message == "the stock is too thin by 12 mm for the deepest cut"


def test_no_check_ends_in_a_full_stop():
    """Whoever shows a message ends the sentence."""
    thick = replace(FEEDS, sentences=("Chip load 0.2 mm is above the range: feed at 2920 mm/min.",))
    found = run_checks(evidence(program(feeds=thick)))
    assert not [check.message for check in found if check.message.endswith(".")]
    assert any(check.message.endswith("feed at 2920 mm/min") for check in found)


def test_a_noise_above_the_scallop_is_told_with_the_pitch_that_would_do():
    """The noise goes with the pitch: 0.1 mm nodes that leave 0.08 mm need 0.0625 mm for 0.05 mm."""
    check = told("scallop resolvable", scallop_fine=replace(FINE, floor=NoiseFloor(0.08, 0.1)))

    assert not check.holds
    said = "a scallop of 0.05 mm is not resolvable at this pitch: even passes along every row"
    assert said in check.message
    assert "set output.pitch to 0.06 mm" in check.message
