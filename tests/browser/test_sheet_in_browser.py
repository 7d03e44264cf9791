"""The job sheet as a browser shows it: network off, on a desk, on a phone, on paper, and as axe judges it.

Needs Chromium, Node and `npm install --prefix tests/browser`. Where they are missing the tests are skipped;
with RELIEF_BROWSER=1, which `.ci/run` sets, their absence is an error.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from PIL import Image

from relief.job import job_from_source
from relief.sheet import render_sheet
from relief.shop.load import Shop
from relief.workflow import carve
from tests.reports import a_report, a_scene, a_setup, a_trace, check

HERE = Path(__file__).parent
DEMO = HERE.parent.parent / "demo_images" / "garden_rows.png"
PLACES = ("desk", "320", "360", "414")


class Look(NamedTuple):
    """What the browser saw, and the folder with its pictures and printed pages."""

    seen: dict[str, Any]
    folder: Path


def looked_at(page: Path, folder: Path) -> Look:
    """Return what headless Chromium sees of a page."""
    browser, node = (shutil.which(name) for name in ("chromium", "node"))
    modules = HERE / "node_modules" / "puppeteer-core"
    if browser is None or node is None or not modules.is_dir():
        missing = "Chromium, Node, or `npm install --prefix tests/browser`, is missing"
        if os.environ.get("RELIEF_BROWSER") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    folder.mkdir()
    command = [node, str(HERE / "look.mjs"), browser, str(page), str(folder)]
    run = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    assert run.returncode == 0, run.stderr[-2000:]
    return Look(json.loads(run.stdout), folder)


@pytest.fixture(scope="module")
def look(tmp_path_factory: pytest.TempPathFactory) -> Look:
    """Look at the sheet of a small real job."""
    folder = tmp_path_factory.mktemp("sheet")
    job = job_from_source(DEMO, {"relief.width": 60.0, "output.pitch": 0.2, "finishing.scallop": 0.1})
    carve(job, Shop.read(None), folder / "job")
    return looked_at(folder / "job" / "sheet.html", folder / "seen")


def pixels(look: Look, name: str) -> np.ndarray:
    """Return a picture of the view as (rows, columns, 3)."""
    with Image.open(look.folder / f"{name}.png") as picture:
        return np.asarray(picture.convert("RGB")).astype(int)


def changed(look: Look, one: str, other: str) -> float:
    """Return the share of pixels that differ visibly between two pictures of the view."""
    return float((np.abs(pixels(look, one) - pixels(look, other)).max(axis=2) > 12).mean())


def pages(look: Look, paper: str) -> int:
    """Return how many pages were printed."""
    printed = (look.folder / f"{paper}.pdf").read_bytes()
    return len(re.findall(rb"/Type\s*/Page\b", printed))


def test_no_error_and_no_network(look: Look) -> None:
    """The console holds no error and no warning of the page's; nothing but the page itself was asked for."""
    assert [text for text in look.seen["messages"] if "GPU stall" not in text] == []
    asked = {address for address in look.seen["requests"] if not address.startswith("data:")}
    assert len(asked) == 1
    assert asked.pop().startswith("file:")


def test_view_is_drawn(look: Look) -> None:
    """The view shows wood in many tones, in its middle, on paler ground."""
    view = pixels(look, "view")
    rows, columns, _ = view.shape
    middle = view[rows // 3 : 2 * rows // 3, columns // 3 : 2 * columns // 3]
    assert middle.std(axis=(0, 1)).min() > 8
    assert len(np.unique(middle.reshape(-1, 3), axis=0)) > 200
    assert view[:10].mean() > middle.mean() + 40


def test_view_obeys_keys(look: Look) -> None:
    """By Tab and arrow keys alone the view is reached, turned, set back, coloured and taken back in time."""
    words = look.seen["words"]
    assert words["reached"]
    assert words["colours"]
    assert words["slider"]
    assert changed(look, "view", "turned") > 0.1
    assert changed(look, "view", "back") < 0.001
    assert changed(look, "back", "deviation") > 0.1
    assert changed(look, "back", "first") > 0.02
    assert words["stage"] == "after 1-roughing.nc"
    assert changed(look, "first", "above") > 0.1
    assert re.search(
        r"−[\d.]+ mm.*0.*\+[\d.]+ mm.*too deep.*as drawn.*left standing", words["scale"], re.DOTALL
    )


@pytest.mark.parametrize("place", PLACES)
def test_nothing_to_scroll_sideways(look: Look, place: str) -> None:
    """At a desk and on phones of 320 to 414 points the page is as wide as the screen (WCAG 2.2, 1.4.10)."""
    page, screen = look.seen["widths"][place]
    assert page <= screen


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_prints_on_three_pages(look: Look, paper: str) -> None:
    """The sheet prints on three pages at most; counted as page objects of the file (ISO 32000-1, 7.7.3.3)."""
    assert 1 <= pages(look, paper) <= 3


@pytest.mark.parametrize("place", ["desk", "deviation", "phone"])
def test_axe_finds_nothing_serious(look: Look, place: str) -> None:
    """Deque's axe-core finds no serious or critical fault: names, roles, contrast, order, keyboard."""
    assert [fault for fault in look.seen["axe"][place] if fault["impact"] in ("serious", "critical")] == []


def test_a_job_that_is_not_ready(tmp_path: Path) -> None:
    """A sheet with faults, warnings and long names is as readable: no wider than a phone, axe content."""
    checks = (
        check("no gouge", holds=False, message="0.31 mm too deep at x 12.5 mm, y 40 mm (line 1234)"),
        check("chip load", holds=False, severity="warn", message="0.01 mm is below 0.02 mm: the cutter rubs"),
    )
    image = tmp_path / "grey.png"
    Image.new("RGB", (90, 90), "grey").save(image)
    images = dict.fromkeys(("carved.png", "deviation.png", "scallop.png", "lost.png"), image.read_bytes())
    many = tuple(
        check(f"a check of {number}", message="in words that fill a line " * 3) for number in range(20)
    )
    notes = tuple(f"finishing: the feed is held to {number} mm/min by the machine" for number in range(5))
    report = a_report(
        checks=checks + many, notes=notes, job=a_report().job | {"picture": "a_very_long_name_" * 8 + ".png"}
    )
    page = tmp_path / "sheet.html"
    page.write_bytes(render_sheet(report, images, a_setup(), a_trace(), a_scene()))
    look = looked_at(page, tmp_path / "seen")
    assert look.seen["messages"] == []
    assert all(wide <= screen for wide, screen in look.seen["widths"].values())
    assert max(pages(look, "A4"), pages(look, "Letter")) <= 3
    for faults in look.seen["axe"].values():
        assert [fault for fault in faults if fault["impact"] in ("serious", "critical")] == []
