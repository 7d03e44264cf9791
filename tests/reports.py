"""Made reports and set-ups, shared by the tests of report and sheet. Invented numbers, for layout alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from relief.checks import Check
from relief.heightfield import Heightfield
from relief.job import Job
from relief.measures import FineFigures, LostDetail, NoiseFloor, ScallopFigures, Shortfall
from relief.report import Grid, ProgramRun, Report
from relief.setup import Setup
from relief.sheet import Stage
from relief.shop.records import ChipLoad, Cutter, Machine, Material
from relief.surfaces import surround

FLAT = Cutter(kind="flat", diameter=6.35, name="flat 1/4 in")
BALL = Cutter(kind="ball", diameter=3.175, name="ball 1/8 in")
SOFTWOOD = Material(
    name="softwood",
    chip_load=(ChipLoad(diameter=3.175, low=0.02, high=0.05),),
    max_surface_speed=600.0,
    stepdown=0.5,
    stepover=0.4,
    plunge=0.3,
    cutting_force=30.0,
    density=450.0,
    cautions=("Fine dust harms the lungs: extraction on, respirator on.", "Resin gums up dull cutters."),
)
ROUTER = Machine(name="benchtop router")


def check(name: str = "no gouge", holds: bool = True, severity: Any = "stop", **changes: Any) -> Check:
    """Return a check that may fall short."""
    given = {"measured": 0.0012, "limit": 0.005, "unit": "mm", "message": f"{name} was looked at"} | changes
    return Check(name=name, holds=holds, severity=severity, **given)


def a_job(**changes: Any) -> Job:
    """Return a job as run, every size filled in."""
    table = {
        "picture": "pictures/sunflower.png",
        "stock": {"width": 140.0, "length": 110.0, "thickness": 18.0},
        "relief": {"width": 120.0, "length": 90.0, "depth": 6.0, "margin": 10.0},
        "output": {"pitch": 0.1},
    }
    return Job.from_table(table | changes, "test")


def a_report(**changes: Any) -> Report:
    """Return a report of a job that is ready, but for what is changed."""
    report = Report(
        relief_version="0.0.0",
        job=a_job().to_table(),
        grid=Grid(pitch=0.1, columns=1201, rows=901),
        programs=(
            ProgramRun("0-trace.nc", "trace", None, 0.0, 0.0, 0.0, (0.0, 0.0), 9, 29, 0.0, 520.0, 24.0),
            ProgramRun(
                "1-roughing.nc",
                "roughing",
                FLAT,
                16000.0,
                2100.0,
                630.0,
                (950.0, 2890.0),
                5210,
                5236,
                9100.0,
                800.0,
                1111.0,
            ),
            ProgramRun(
                "2-finishing.nc",
                "finishing",
                BALL,
                22000.0,
                1600.0,
                480.0,
                (1300.0, 1600.0),
                61234,
                61260,
                2e4,
                300.0,
                4012.0,
            ),
        ),
        seconds=5147.0,
        scallop=ScallopFigures(0.05, 0.081, 0.06, 0.049, 0.9971, 0.02, 0.3),
        scallop_fine=FineFigures(
            0.05,
            0.086,
            0.058,
            0.051,
            0.9962,
            0.02,
            0.31,
            0.05,
            0.25,
            NoiseFloor(0.031, 0.042),
            (Shortfall("between", 0.0038, 0.086, 31.25, 60.0),),
        ),
        gouge=0.0012,
        lost_detail=LostDetail(0.62, 0.2, 0.031, 0.043),
        removed_volume=31234.5678,
        path_ratio=1.04,
        checks=(
            check("within travel", measured=120.0, limit=600.0),
            check("no gouge"),
            check("detail kept", severity="warn", measured=4.3, limit=10.0, unit="%"),
        ),
        sha256={"sheet.html": "ab", "0-trace.nc": "cd"},
        notes=("the material's cutting speed holds the spindle to 16000 rev/min",),
    )
    return replace(report, **changes)


def a_setup(job: Job | None = None, **changes: Any) -> Setup:
    """Return the set-up of the made report's job, with a coarse surface."""
    relief = Heightfield(np.linspace(-6.0, 0.0, 91 * 121).reshape(91, 121), 1.0)
    target = surround(relief, (10.0, 10.0), "open")
    setup = Setup(
        job=job or a_job(),
        asked=job or a_job(), material=SOFTWOOD, machine=ROUTER,
        roughing_cutter=FLAT, finishing_cutters=(BALL,),
        relief=relief, target=target, stock=target.with_heights(0 * target.heights), region=relief.region,
        zero=(0.0, 0.0, 0.0), step=0.001, levels=65536, notes=(),
    )  # fmt: skip
    return replace(setup, **changes)


def a_trace() -> np.ndarray:
    """Return the path round the relief, a cutter's radius off, with the start not yet told."""
    corners = [(-3.2, -3.2), (123.2, -3.2), (123.2, 93.2), (-3.2, 93.2), (-3.2, -3.2)]
    return np.array([(np.nan, np.nan), *corners])


def a_scene(setup: Setup | None = None) -> tuple[Stage, ...]:
    """Return the stock after two programs: left 0.5 mm too high, then 0.019 mm."""
    target = (setup or a_setup()).target
    return tuple(
        Stage(name, target.with_heights(target.heights + np.float32(left)))
        for name, left in (("after 1-roughing.nc", 0.5), ("after 2-finishing.nc", 0.019))
    )
