"""Whether programs come as the job runs them: told by hand for every order that a shop may try."""

from __future__ import annotations

import pytest

from relief.sequence import Step, fault_of_order, tile_of
from relief.shop.records import Cutter
from relief.texts import Program

FLAT, BALL, DRAG = Cutter("flat", 6.35), Cutter("ball", 3.175), Cutter("drag", 6.0, angle=90.0)
NAMES = ("1-roughing.nc", "2-finishing.nc", "3-outline.nc", "4-cutout.nc")
CUTTERS = (FLAT, BALL, DRAG, FLAT)


def program(file: str, cutter: Cutter | None = None) -> Program:
    """Return a program by the name of its file."""
    operation = file.removesuffix(".nc").rpartition("-")[2]
    known = dict(zip((name.partition("-")[2] for name in NAMES), CUTTERS, strict=True))
    return Program(file, operation, b"", cutter or known.get(f"{operation}.nc"))


def steps(*prefixes: str) -> tuple[Step, ...]:
    """Return the steps of a job; scored lines clear nothing, so nothing rests on them."""
    return tuple(
        Step(prefix + name, name[2:-3], cutter, cutter is not DRAG)
        for prefix in prefixes
        for name, cutter in zip(NAMES, CUTTERS, strict=True)
    )


@pytest.mark.parametrize(
    ("files", "said"),
    [
        (NAMES, ""),
        (("0-trace.nc", *NAMES), ""),
        (NAMES[:1], ""),
        ((NAMES[0], NAMES[1], NAMES[3]), ""),  # scored lines may be left out
        ((NAMES[0], NAMES[0], NAMES[1]), ""),  # one program twice: the second takes up the first
        ((NAMES[1], NAMES[0]), "1-roughing.nc comes before 2-finishing.nc by the job; give"),
        ((NAMES[1],), "1-roughing.nc comes before 2-finishing.nc by the job and was not given"),
        ((NAMES[0], NAMES[3]), "2-finishing.nc comes before 4-cutout.nc by the job and was not given"),
        ((NAMES[0], NAMES[1], NAMES[3], NAMES[2]), "3-outline.nc comes before 4-cutout.nc by the job; give"),
    ],
)
def test_orders_of_one_board(files: tuple[str, ...], said: str) -> None:
    """What cuts comes after all that clears its way; what is missing and what comes too late are told."""
    found = fault_of_order([program(file) for file in files], steps(""))
    assert found is not None
    assert found.startswith(said)
    assert bool(found) == bool(said)


def test_each_tile_has_an_order_of_its_own() -> None:
    """The second tile may be checked alone; inside a tile nothing may be left out."""
    job = steps("tile-1-", "tile-2-")
    alone = [program("tile-2-1-roughing.nc"), program("tile-2-2-finishing.nc")]
    assert fault_of_order(alone, job) == ""
    other = [program("tile-1-1-roughing.nc"), program("tile-2-2-finishing.nc")]
    assert (fault_of_order(other, job) or "").startswith("tile-2-1-roughing.nc comes before")
    assert [tile_of(file) for file in ("tile-2-1-roughing.nc", "1-roughing.nc")] == [2, 0]


def test_a_program_that_no_job_knows_leaves_the_order_unknown() -> None:
    """Nothing is said of it, and the check counts as not made."""
    assert fault_of_order([program("1-roughing.nc"), program("engraving.nc", BALL)], steps("")) is None
