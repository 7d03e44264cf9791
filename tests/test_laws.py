"""Laws of the whole job, on surfaces and settings drawn at random: what stays the same, and what never is."""

from __future__ import annotations

import random
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from relief.carving import carve_stock
from relief.job import job_from_source
from relief.plans import plan_operations
from relief.program.read import read_program
from relief.program.write import write_program
from relief.progress import Silent
from relief.proof import Proof, prove
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.texts import Program, program_head, write_programs
from relief.toolpath import CUT, RAPID, Toolpath
from tests import independent
from tests.judge import OPEN, underside
from tests.random_jobs import surface

SHOP = Shop.read(None)
PITCH, SCALLOP = 0.5, 0.2
# `python -m tests.soak jobs` tries hundreds; a seed is a surface, so there is nothing to shrink
few = settings(deadline=None, max_examples=12, derandomize=True, phases=[Phase.generate])
seeds = st.integers(0, 10_000)
cutters = st.sampled_from(["ball 1/8 in", "ball 1/4 in", "taper 1/16 in"])


@dataclass(frozen=True)
class Done:
    """A job planned, written, read back and carved."""

    setup: Setup
    programs: tuple[Program, ...]
    proof: Proof


def target(seed: int) -> np.ndarray:
    """Return some small surface, gentle or cruel."""
    rng = random.Random(seed)
    return surface(rng, 9.0, 6.0, rng.uniform(0.5, 4.0), PITCH).astype(np.float32)


def done(heights: np.ndarray, **asked: object) -> Done:
    """Do a job but for its pictures and its folder."""
    usual = {"output.pitch": PITCH, "finishing.scallop": SCALLOP}
    with tempfile.TemporaryDirectory() as folder:
        np.save(Path(folder, "target.npy"), heights)
        setup = set_up(job_from_source(Path(folder, "target.npy"), usual | asked), SHOP)
    programs = write_programs(plan_operations(setup, Silent()), setup, Silent())
    return Done(setup, programs, prove(programs, setup, Silent()))


@few
@given(seeds, cutters, st.sampled_from(["open", "walled"]))
def test_nothing_is_ever_cut_below_the_target(seed: int, cutter: str, edge: str) -> None:
    """By the second opinion, which carves at places along each move; and the proof says the same."""
    job = done(target(seed), **{"finishing.cutter": cutter, "relief.edge": edge})
    field, bottom = job.setup.target, np.zeros(job.setup.target.heights.shape)
    for program in job.programs:
        if program.cutter is not None:
            points = independent.positions(program.text.decode())[0] - (*field.origin, 0.0)
            shape, radius = underside(program.cutter), program.cutter.diameter / 2
            left = independent.carved(field.heights.shape, PITCH, points, shape, radius, 0.1)
            bottom = np.minimum(bottom, left)

    assert (field.heights - bottom).max() <= 0.005 + OPEN
    assert job.proof.evidence.gouge <= 0.005


TURNS = {
    "mirrored across": lambda z: z[:, ::-1],
    "mirrored along": lambda z: z[::-1],
    "turned by a right angle": np.rot90,
    "turned round": lambda z: z[::-1, ::-1],
}


@few
@given(seeds, st.sampled_from(list(TURNS)))
def test_turned_or_mirrored_the_job_leaves_the_same_relief(seed: int, turn: str) -> None:
    """What can be reached turns with the target to the bit, and is what is carved, but for allowed ridges.

    The way over the board may be another one, but it is not much longer (so small a relief is a few passes).
    """
    heights = target(seed)
    plain, turned = done(heights), done(np.ascontiguousarray(TURNS[turn](heights)))

    assert np.array_equal(TURNS[turn](plain.proof.reachable.heights), turned.proof.reachable.heights)
    _alike(plain, turned, way=0.15)


def _alike(one: Done, other: Done, way: float) -> None:
    """Both jobs leave what can be reached and no more than a scallop on it, by ways as long."""
    first, second = one.proof.evidence, other.proof.evidence

    assert max(first.gouge, second.gouge) <= 0.005
    assert min(first.scallop.within, second.scallop.within) >= 0.995
    lengths = [evidence.programs[-1].moves.cutting_length() for evidence in (first, second)]
    assert lengths[0] == pytest.approx(lengths[1], rel=way)


@few
@given(seeds, st.sampled_from(["corner", "centre"]), st.sampled_from(["stock top", "bed"]))
def test_another_zero_moves_every_position_alike(seed: int, xy: str, z: str) -> None:
    """Translation: the same moves, all shifted by the same vector, to half a step of the text."""
    heights = target(seed)
    plain, moved = done(heights), done(heights, **{"zero.xy": xy, "zero.z": z})
    for one, other in zip(plain.programs, moved.programs, strict=True):
        first, second = read_program(one.text), read_program(other.text)
        shift = np.array(moved.setup.zero) - plain.setup.zero

        assert np.nan_to_num(second.points - first.points - shift) == pytest.approx(0, abs=0.00101)
        assert np.array_equal(first.rapid, second.rapid)


@few
@given(seeds)
def test_inches_carve_the_same_relief(seed: int) -> None:
    """The lattice of the text is another; positions differ by no more than both round."""
    heights = target(seed)
    metric, inches = done(heights), done(heights, **{"output.units": "in"})

    assert read_program(inches.programs[-1].text).units == "in"
    assert np.array_equal(metric.proof.reachable.heights, inches.proof.reachable.heights)
    _alike(metric, inches, way=0.15)
    for one, other in zip(metric.proof.evidence.programs, inches.proof.evidence.programs, strict=True):
        assert one.seconds == pytest.approx(other.seconds, rel=0.1, abs=2.0)


@few
@given(seeds, st.sampled_from(["mm", "in"]), st.sampled_from(["stock top", "bed"]))
def test_what_was_read_is_written_again_to_the_byte(seed: int, units: str, z: str) -> None:
    """Writer after reader is the identity on our programs: nothing of a text is lost in its moves."""
    job = done(target(seed), **{"output.units": units, "zero.z": z})
    for program, run in zip(job.programs, job.proof.evidence.programs, strict=True):
        if program.cutter is None:
            continue  # the pauses of the trace are no moves
        moves = read_program(program.text)
        last = len(moves) - int(moves.points[-2, 2] < moves.points[1, 2])  # but for the closing retract
        path = Toolpath(
            moves.points[2 : last + 1], np.where(moves.rapid[1:last], RAPID, CUT).astype(np.uint8)
        )
        rpm = float(moves.rpm.max())
        head = program_head(job.setup, program.operation, program.cutter, rpm, run.seconds)
        again = write_program(path, moves.feed[1:last], head, job.setup.machine, units=units)  # type: ignore[arg-type]

        assert _code(again) == _code(program.text)


def _code(text: bytes) -> list[bytes]:
    return [line for line in text.splitlines() if not line.startswith(b"(")]


@few
@given(seeds, cutters)
def test_no_program_is_quicker_than_its_feeds(seed: int, cutter: str) -> None:
    """Time is at least length ÷ feed of every cut, and length ÷ the fastest axes of every rapid."""
    job = done(target(seed), **{"finishing.cutter": cutter})
    fastest = float(np.linalg.norm(job.setup.machine.max_feed))
    for program in job.proof.evidence.programs:
        points, rapid, feed = independent.positions(program.text.decode())
        length = np.nan_to_num(np.linalg.norm(np.diff(points, axis=0), axis=1))
        least = np.where(rapid[1:], length / fastest, length / np.maximum(feed[1:], 1e-9)).sum() * 60

        assert program.seconds >= least


@few
@given(seeds, st.integers(1, 30))
def test_the_order_of_programs_does_not_change_what_is_left(seed: int, cut: int) -> None:
    """What is left is the least of all swept envelopes: cut a program in two anywhere, in any order."""
    job = done(target(seed))
    run = job.proof.evidence.programs[-1]
    moves, middle = run.moves, len(run.moves) * cut // 31
    halves = [_part(moves, 0, middle), _part(moves, middle, len(moves))]
    stock = run.before
    for half in reversed(halves):
        stock = carve_stock(stock, half, run.cutter)  # type: ignore[arg-type]

    assert np.array_equal(stock.heights, run.after.heights)


def _part(moves, first: int, last: int):
    rows = {name: getattr(moves, name)[first:last] for name in ("rapid", "feed", "rpm", "block")}
    return type(moves)(
        points=moves.points[first : last + 1], blocks=0, dwell=0.0, pauses=(), units="mm", tool=None, **rows
    )
