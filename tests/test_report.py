"""The report: every key of the contract, the same bytes for the same job, and plain words."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from relief.measures import FineFigures, LostDetail, NoiseFloor, ScallopFigures, percent
from tests.reports import a_job, a_report, check

# The keys that users' own programs may rely on.
KEYS = {
    "": "relief_version job grid programs seconds scallop gouge lost_detail removed_volume path_ratio"
    " checks sha256 scallop_fine",
    "grid": "pitch columns rows",
    "programs": "file operation cutter spindle_rpm feed plunge blocks lines cutting_length rapid_length"
    " seconds feed_range",
    "scallop": "tolerance max p999 p99 within",
    "scallop_fine": "pitch share max p999 p99 within floor",
    "lost_detail": "max p99 rms",
    "checks": "name holds measured limit unit message severity",
}


def test_every_key_of_the_contract() -> None:
    """report.json holds every key that is promised."""
    table = json.loads(a_report().to_json())
    for section, keys in KEYS.items():
        part = table[section] if section else table
        for record in part if isinstance(part, list) else [part]:
            assert set(keys.split()) <= set(record), section
    assert table["programs"][1]["cutter"]["diameter"] == 6.35
    assert table["programs"][0]["cutter"] is None
    assert table["job"]["relief"]["depth"] == 6.0


def test_same_job_same_bytes() -> None:
    """The bytes do not depend on the order in which digests came, and end with a line end."""
    turned = replace(a_report(), sha256=dict(reversed(list(a_report().sha256.items()))))
    assert a_report().to_json() == turned.to_json()
    assert a_report().to_json().endswith(b"}\n")
    assert a_report().to_json().isascii()


def test_numbers_are_plain() -> None:
    """Numbers are rounded to a nanometre, numpy's are written too, and none is NaN, infinite or −0."""
    report = a_report(
        gouge=np.float32(0.1),
        removed_volume=1 / 3,
        path_ratio=None,
        seconds=-0.0,
        checks=(check(measured=math.inf, limit=math.nan, holds=np.bool_(True)),),
    )
    text = report.to_json().decode()
    table = json.loads(text, parse_constant=pytest.fail)
    assert table["gouge"] == 0.1
    assert table["removed_volume"] == 0.333333
    assert table["path_ratio"] is None
    assert table["checks"][0]["measured"] is None
    assert table["checks"][0]["holds"] is True
    assert "-0.0" not in text


@pytest.mark.parametrize(
    ("checks", "ready", "stops", "warnings"),
    [
        ((), True, 0, 0),
        ((check(), check("scallop reached", holds=False, severity="warn")), True, 0, 1),
        ((check(holds=False), check("scallop reached", holds=False, severity="warn")), False, 1, 1),
    ],
)
def test_ready(checks: tuple, ready: bool, stops: int, warnings: int) -> None:
    """Only a check that stops, and does not hold, makes a job not ready."""
    report = a_report(checks=checks)
    assert (report.ready, len(report.stops), len(report.warnings)) == (ready, stops, warnings)


def test_the_depth_told_is_the_one_that_is_carved() -> None:
    """A picture without black is carved less deep than asked for, and a height file asks for no depth."""
    assert ", 6 mm deep, in" in a_report().made()
    assert ", 4.59 mm deep, in" in a_report(deepest=4.588).made()


def test_summary_of_a_ready_job() -> None:
    """Six plain lines: what was made, time, smoothness, detail, warnings, where to look first."""
    assert a_report().summary_lines(Path("my job")) == (
        'Ready: "sunflower.png" as a relief 120 mm × 90 mm, 6 mm deep, in softwood.',
        "At the machine: about 1 h 26 min (trace 24 s, roughing 19 min, finishing 1 h 07 min),"
        " cutter changes not counted.",
        "Smoothness: ridges within 0.05 mm on 99.6 % of the surface (judged from close-ups of 25 % of it);"
        " the highest is 0.086 mm"
        " (0.31 mm on the walls, 2 % of it).",
        "Detail lost: 4.3 % of the surface stands more than 0.05 mm above the picture, 0.62 mm at most.",
        "Warnings: none",
        f"Look first at: {Path('my job') / 'sheet.html'}, then run 0-trace.nc with the spindle off.",
    )


def test_summary_of_a_stopped_job() -> None:
    """What stops a job and what warns are both told; no program is spoken of as if it were there."""
    checks = (
        check(holds=False, message="0.3 mm too deep"),
        check("a", holds=False, severity="warn", message="b"),
        check("c", holds=False, severity="warn", message="d, so e"),
    )
    lines = a_report(checks=checks).summary_lines(Path("job"))
    assert len(lines) == 7
    assert lines[0].startswith("NOT ready: ")
    assert "Stopped by: 0.3 mm too deep." in lines
    assert lines[-3:-1] == ("Warning: b.", "Warning: d, so e.")
    assert lines[-1].endswith("for what stopped it; no program was written.")


def test_summary_speaks_the_users_unit() -> None:
    """A job in inches is told in inches."""
    job = a_job(output={"units": "in", "pitch": 0.1}).to_table()
    text = "\n".join(a_report(job=job).summary_lines(Path("job")))
    assert "4.724 in × 3.543 in" in text
    assert "within 0.002 in" in text
    assert " mm" not in text


def test_nothing_lost_reads_as_nothing() -> None:
    """A job without walls and without lost detail says so."""
    report = a_report(
        scallop=ScallopFigures(0.05, 0.05, 0.05, 0.05, 1.0, 0.0, 0.0),
        scallop_fine=FineFigures(0.05, 0.05, 0.05, 0.05, 1.0, 0.0, 0.0, 0.05, 1.0, NoiseFloor(0.0, 0.0)),
        lost_detail=LostDetail(0.0, 0.0, 0.0, 0.0),
    )
    assert report.smoothness() == ("ridges within 0.05 mm on 100 % of the surface; the highest is 0.05 mm.")
    assert report.detail() == "none to be seen; 0 mm at most."


@pytest.mark.parametrize(
    ("share", "text"),
    [(0, "0 %"), (1, "100 %"), (0.9996, "over 99.9 %"), (0.0004, "under 0.1 %"), (0.456, "45.6 %")],
)
def test_shares(share: float, text: str) -> None:
    """Rounding never turns nearly all into all, nor a little into nothing."""
    assert percent(share) == text
