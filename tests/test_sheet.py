"""The job sheet: one safe, self-contained page that says the verdict first and tells all that matters."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import shapely

import relief.sheet
from relief.heightfield import Heightfield
from relief.part import Part
from relief.sections import Clamp, Cutout
from relief.setup import Setup
from relief.sheet import Stage, render_sheet
from relief.sheet.drawing import Beside, Drawing, Label, set_up_drawing
from relief.sheet.render import _levels
from relief.sheet.scene import scene_json
from relief.shop.records import Machine
from relief.surfaces import surround
from tests.reports import FLAT, SOFTWOOD, a_job, a_report, a_scene, a_setup, a_trace, check

PNG = b"\x89PNG made-up"
IMAGES = {"carved.png": PNG, "deviation.png": PNG, "scallop.png": PNG, "lost.png": PNG}
NO_TEXTS = Beside("rapids", "top", "cut", "bed")
VOID = {"meta", "link", "img", "input", "rect", "path", "circle", "polyline", "polygon", "br"}


class Page(HTMLParser):
    """A page read by Python's own parser: its tags, its text, and whether every tag is closed."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(page.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not {"style", "script"} & set(self.open):
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def a_page(**changes: object) -> Page:
    """Return the sheet of the made report, but for what is changed."""
    return Page(render_sheet(a_report(**changes), IMAGES, a_setup(), a_trace(), a_scene()))


def test_page_is_whole() -> None:
    """Every tag is closed in order, ids are unique, and labels point to ids that exist."""
    page = a_page()
    assert page.open == []
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for _, attributes in page.tags:
        assert attributes.get("aria-labelledby") in {None, *ids}


def test_nothing_is_fetched() -> None:
    """No style sheet, link, picture or script from elsewhere; the page forbids itself the network, too.

    Content Security Policy Level 3 (W3C): default-src 'none' refuses whatever no other part allows.
    """
    page = a_page()
    assert not {name for name, _ in page.tags} & {"iframe", "object", "embed", "form", "a"}
    for _, attributes in page.tags:
        for value in (attributes.get("src"), attributes.get("href")):
            assert value is None or value.startswith("data:")
    policy = next(m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy")
    allowed = dict(part.split(" ", 1) for part in policy.split("; "))
    assert allowed.pop("default-src") == "'none'"
    assert set(allowed.values()) == {"data:", "'unsafe-inline'"}
    style = render_sheet(a_report(), IMAGES, a_setup(), a_trace()).decode()
    assert "http:" not in style
    assert "https:" not in style
    assert "@import" not in style
    assert set(re.findall(r"url\((.*?)\)", style)) == {"#grain"}


def test_same_job_same_bytes() -> None:
    """The sheet holds no date and no random names."""
    first, second = (render_sheet(a_report(), IMAGES, a_setup(), a_trace(), a_scene()) for _ in range(2))
    assert first == second


def test_verdict_comes_first() -> None:
    """The first heading is the verdict in plain words; a page that is not ready says why, before all else."""
    ready = a_page().text.split()
    assert " ".join(ready[ready.index("✓") :]).startswith("✓ Ready to carve")
    stopped = a_page(checks=(check(holds=False, message="0.31 mm too deep"),)).text
    assert stopped.index("NOT ready: do not carve") < stopped.index("0.31 mm too deep")
    assert stopped.index("0.31 mm too deep") < stopped.index("What it will look like")
    assert "No program was written" in stopped
    assert "Ready to carve" not in stopped


def test_everything_is_told() -> None:
    """Programs with cutter, speed, feeds, time and lines; every check; smoothness, detail, volume."""
    text = " ".join(a_page().text.split())
    for words in (
        "1-roughing.nc flat 1/4 in, 35.4 mm out 16 000 rev/min 2 100 mm/min (950 to 2 890) 630 mm/min 19 min"
        " 5 236",
        "0-trace.nc any, spindle off off – – 24 s 29",
        "1 h 26 min",
        "within travel ✓ holds 120 mm 600 mm",
        "detail kept ✓ holds 4.3 % 10 %",
        "ridges within 0.05 mm on 99.6 % of the surface (judged from close-ups of 25 % of it)",
        "4.3 % of the surface stands more than 0.05 mm above the picture",
        "31.2 cm³, about 14 g of chips",  # at 450 kg/m³
        "softwood, 140 mm × 110 mm × 18 mm",
        "1 201 × 901 points, 0.1 mm apart",
        "600 mm × 600 mm × 100 mm",
        "holds the spindle to 16000 rev/min",
        *SOFTWOOD.cautions,
    ):
        assert words in text, words


@pytest.mark.parametrize(
    "words",
    [
        "machine's manual", "codes where you live", "person who trains you", "secured to the bed",
        "Spindle speed and feed", "0-trace.nc with the spindle off", "Eye and ear protection",
        "Dust collection", "respirator", "Guards", "stay with the machine",
    ],
)  # fmt: skip
def test_before_you_start(words: str) -> None:
    """The list before the start names each thing that protects people (HSE WIS22, OSHA eTool on routers)."""
    assert words in " ".join(a_page().text.split())


def test_what_fell_short_comes_first_among_checks() -> None:
    """Checks that stop stand on top, then those that warn, then those that hold."""
    checks = (check("aaa"), check("bbb", holds=False, severity="warn"), check("ccc", holds=False))
    text = a_page(checks=checks).text.rpartition("In words")[2]
    assert text.index("ccc") < text.index("bbb") < text.index("aaa")
    assert text.index("✕ STOP") < text.index("! mind") < text.index("✓ holds")


def test_inches() -> None:
    """A job in inches is told in inches all over."""
    job = a_job(output={"units": "in", "pitch": 0.1})
    page = Page(render_sheet(a_report(job=job.to_table()), IMAGES, a_setup(job), a_trace()))
    text = " ".join(page.text.split())
    assert "82.7 in/min" in text
    assert "5.512 in × 4.331 in × 0.709 in" in text
    assert "within travel ✓ holds 4.724 in 23.622 in" in text
    assert "0.0002 in" in text
    assert "1.91 in³, about 0.5 oz of chips" in text  # 14.06 g; 1 lb = 453.59237 g (1959), 16 oz
    held = check("part held", measured=72.8, limit=0.0, unit="mm²")
    page = Page(render_sheet(a_report(job=job.to_table(), checks=(held,)), IMAGES, a_setup(job), a_trace()))
    assert "part held ✓ holds 0.113 in²" in " ".join(page.text.split())  # 72.8 / 25.4²


HOSTILE = '<script>alert("1")</script>&\'</style><img src=x onerror=alert(1)>'


def test_every_text_is_escaped() -> None:
    """Names from files and shop come out as text, wherever they stand."""
    report = a_report(
        job=a_job(picture=HOSTILE, material=HOSTILE).to_table(),
        checks=(check(HOSTILE, holds=False, message=HOSTILE, unit=HOSTILE),),
        notes=(HOSTILE,),
        relief_version=HOSTILE,
    )
    material = SOFTWOOD.__class__(**{**vars(SOFTWOOD), "name": HOSTILE, "cautions": (HOSTILE,)})
    setup = a_setup(material=material, machine=Machine(name=HOSTILE))
    stages = tuple(Stage(HOSTILE, stage.surface) for stage in a_scene(setup))
    page = Page(render_sheet(report, IMAGES, setup, a_trace(), stages))
    assert page.open == []
    assert len(page.all("script")) == 3  # surfaces, library, view
    assert len(page.all("img")) == 6
    assert page.text.count('<script>alert("1")') >= 7


def test_hand_set_spindle_and_missing_parts() -> None:
    """A spindle set by hand is said to be; a sheet without trace, cautions and scallop map is whole too."""
    machine = Machine(name="router", spindle="by hand")
    material = SOFTWOOD.__class__(**{**vars(SOFTWOOD), "cautions": ()})
    images = dict.fromkeys(("carved.png", "deviation.png"), PNG)
    report = a_report(programs=a_report().programs[1:])
    page = Page(render_sheet(report, images, a_setup(machine=machine, material=material), None))
    text = " ".join(page.text.split())
    assert "spindle speed set by hand" in text
    assert "nothing special" in text
    assert len(page.all("img")) == 2
    assert not page.all("polyline")
    assert page.open == []


def test_a_place_is_told_by_its_side() -> None:
    """No length below nothing: a clamp left of the corner is left of it."""
    clamps = (Clamp(x=-16, y=20, width=10, length=10, height=3, name="clamp 1"),)
    text = " ".join(Page(render_sheet(a_report(), IMAGES, a_setup(clamps=clamps), a_trace())).text.split())
    assert "its near left corner 16 mm left of and 20 mm beyond the relief's near left corner" in text
    assert "-16 mm" not in text


def test_words_of_the_workshop() -> None:
    """Neither nodes nor blocks: what only those who made it need to know is not on the sheet."""
    names = ("scallop holds between points", "controller keeps up")
    checks = tuple(check(name, message="all is well", unit="blocks/s") for name in names)
    text = a_page(checks=checks).text
    assert "scallop holds between points" in text
    assert "lines/s" in text
    assert not re.search("nodes|blocks|planned for|looked at", text, re.IGNORECASE)


# ---- view in 3-D ----------------------------------------------------------------------------------------


def test_scripts_are_whole() -> None:
    """Neither the library nor the view can end its script element early; the library brings its licence."""
    viewer = Path(relief.sheet.__file__).parent / "viewer"
    for name in ("three.min.js", "view.js"):
        text = (viewer / name).read_text(encoding="utf-8")
        assert not re.search("</script|<!--", text, re.IGNORECASE), name
    library = (viewer / "three.min.js").read_text(encoding="utf-8")
    assert "The MIT License" in library[:2000]
    assert "Permission is hereby granted" in library[:2000]
    assert len(library) < 700_000


def test_a_view_for_each_stage() -> None:
    """The slider has a place for each program and starts at the last; each has a picture of its own."""
    page = a_page()
    slider = next(i for i in page.all("input") if i.get("type") == "range")
    assert (slider["min"], slider["max"], slider["value"]) == ("0", "1", "1")
    assert "1. after 1-roughing.nc" in page.text
    assert "2. after 2-finishing.nc" in page.text
    assert len(page.all("img")) == len(IMAGES) + 2


def test_one_stage_needs_no_slider() -> None:
    """A job of one cutting program is shown without slider and without a row of pictures."""
    page = Page(render_sheet(a_report(), IMAGES, a_setup(), a_trace(), a_scene()[1:]))
    assert not [i for i in page.all("input") if i.get("type") == "range"]
    assert "What each program leaves" not in page.text


def test_no_stage_no_script() -> None:
    """Without stages the page holds no script at all."""
    assert not Page(render_sheet(a_report(), IMAGES, a_setup(), a_trace())).all("script")


def unpacked(text: str, kind: str, table: dict) -> np.ndarray:
    """Return an array of the view's table."""
    return np.frombuffer(base64.b64decode(text), kind).reshape(table["rows"], table["columns"])


def test_surfaces_of_the_view() -> None:
    """Heights come back as they were, deviations as numbers of colours; outside nothing is judged."""
    setup = a_setup()
    stages = a_scene(setup)
    table = json.loads(scene_json(stages, stages[-1].surface, setup))
    surface = stages[-1].surface
    assert (table["rows"], table["columns"]) == surface.heights.shape
    assert table["step"] == [1.0, 1.0]
    heights = unpacked(table["stages"][1]["heights"], "<u2", table) * ((table["high"] - table["low"]) / 65535)
    assert np.abs(heights + table["low"] - surface.heights).max() < 2e-4
    colours = unpacked(table["deviation"], "u1", table)
    assert (colours[:9] == 239).all()
    assert (colours[12:-12, 12:-12] == int((0.019 / 0.02 / 2 + 0.5) * 239)).all()
    assert len(base64.b64decode(table["palette"])) == 3 * 239


def test_view_of_a_large_job_stays_small() -> None:
    """However fine the grid, the view has at most 400 nodes a side; one bad node still shows."""
    relief = Heightfield(np.full((1201, 1201), -3.0), 0.1)
    target = surround(relief, (10.0, 10.0), "open")
    setup = a_setup(relief=relief, target=target, region=relief.region)
    carved = target.heights.copy()
    carved[700, 650] -= 0.5
    surface = target.with_heights(carved)
    text = scene_json([Stage("after", surface)], surface, setup)
    table = json.loads(text)
    assert max(table["rows"], table["columns"]) == 400
    assert table["step"][0] * (table["columns"] - 1) == pytest.approx(target.width)
    colours = unpacked(table["deviation"], "u1", table)
    assert colours.min() == 0
    assert len(text) < 1_000_000


# ---- set-up drawing -------------------------------------------------------------------------------------


def test_drawing_is_to_scale() -> None:
    """Stock, relief, trace and levels stand where they are, far side on top, millimetre for millimetre."""
    drawing = set_up_drawing(a_setup(), a_trace()[1:], NO_TEXTS)
    assert (drawing.stock.left, drawing.stock.near) == (-10.0, -100.0)
    assert (drawing.stock.width, drawing.stock.length) == (140.0, 110.0)
    assert (drawing.relief.left, drawing.relief.near, drawing.relief.far) == (0.0, -90.0, 0.0)
    assert drawing.trace.startswith("-3.2,3.2 123.2,3.2 123.2,-93.2")
    assert drawing.section.box.length == 18.0
    assert drawing.section.cut - drawing.section.box.near == pytest.approx(6.0)
    assert drawing.section.box.near - drawing.section.clear == pytest.approx(5.0)
    assert drawing.zero == (0.0, 0.0)
    assert drawing.section.zero_level == drawing.section.box.near


def test_drawing_of_other_zeros() -> None:
    """A zero in the middle and on the bed is drawn there."""
    job = a_job(zero={"xy": "centre", "z": "bed"})
    drawing = set_up_drawing(a_setup(job, zero=(-60.0, -45.0, 18.0)), None, NO_TEXTS)
    assert drawing.zero == (60.0, -45.0)
    assert drawing.section.zero_level == drawing.section.box.far


@pytest.mark.parametrize("clearance", [0.5, 40.0])
def test_drawing_holds_all(clearance: float) -> None:
    """Whatever the sizes, nothing lies outside the drawing and no two labels overlap."""
    texts = Beside("first approach 5 mm up", "Z0: stock top", "cut 6 mm deep", "bed, 18 mm down")
    setup = a_setup(machine=Machine(name="router", clearance=clearance))
    trace = np.array([(-30.0, -20.0), (150.0, 130.0)])
    drawing = set_up_drawing(setup, trace, texts)
    bottom = drawing.top + drawing.height
    assert drawing.left < -30
    assert drawing.left + drawing.width > 150
    assert drawing.top < -130
    assert drawing.section.box.far < bottom
    heights = [label.y for label in drawing.section.labels]
    assert np.diff(heights).min() >= drawing.text * 1.1
    assert heights[-1] < bottom
    assert drawing.section.clear > drawing.stock.far


def label_of(drawing: Drawing, text: str) -> Label:
    """Return the label that holds a text."""
    return next(label for label in drawing.section.labels if text in label.text)


@pytest.mark.parametrize("z", ["stock top", "bed"])
def test_labels_stand_at_what_they_name(z: str) -> None:
    """The top's label leads to the top and the bed's to the bottom, wherever Z0 is, and Z0's to the mark."""
    job = a_job(zero={"z": z})
    setup = a_setup(job)
    drawing = set_up_drawing(setup, None, _levels(setup, "mm"))
    section = drawing.section.box
    assert label_of(drawing, "stock top").level == section.near
    assert label_of(drawing, "bed, 18 mm down").level == section.far
    assert label_of(drawing, "cut 6 mm deep").level == pytest.approx(section.near + 6)
    assert label_of(drawing, "first approach").level == pytest.approx(section.near - 5)
    assert label_of(drawing, "Z0: ").level == drawing.section.zero_level
    assert label_of(drawing, "Z0: ").text.startswith(f"Z0: {z}")


@pytest.mark.parametrize(
    ("job", "zero", "place"),
    [
        ({}, (0.0, 0.0, 0.0), ("10 mm", "10 mm")),
        ({"zero": {"xy": "centre"}}, (-60.0, -45.0, 0.0), ("70 mm", "55 mm")),
        ({"output": {"units": "in"}}, (0.0, 0.0, 0.0), ("0.394 in", "0.394 in")),
    ],
)
def test_zero_is_measured_from_the_edges_of_the_stock(job, zero, place) -> None:
    """Drawing, header and checklist say how far X0 Y0 lies from the edges; the lines are as long as that."""
    setup = a_setup(a_job(**job), zero=zero)
    drawing = set_up_drawing(setup, a_trace()[1:], NO_TEXTS)
    x, y, to_x, to_y = drawing.from_left
    assert (y, to_y) == (y, y)
    assert (x, to_x) == (drawing.stock.left, drawing.zero[0])
    assert to_x - x == {0.0: 10.0, -60.0: 70.0}[zero[0]]
    x, y, to_x, to_y = drawing.from_near
    assert (x, y, to_y) == (to_x, drawing.stock.far, drawing.zero[1])
    assert y - to_y == {0.0: 10.0, -45.0: 55.0}[zero[1]]
    report = a_report(job=setup.job.to_table())
    text = " ".join(Page(render_sheet(report, IMAGES, setup, a_trace())).text.split())
    assert f" {place[0]} {place[1]} stock " in text
    assert f"{place[0]} from the left and {place[1]} from the near edge of the stock" in text
    assert "right of the stock's left edge" in text


def a_part(setup: Setup) -> Part:
    """Return a part: a ring of 80 mm with a hole of 20 mm in the middle of the relief."""
    outline = shapely.Point(60, 45).buffer(40).difference(shapely.Point(60, 45).buffer(10))
    x, y = np.meshgrid(setup.target.x, setup.target.y)
    return Part(outline, shapely.contains_xy(outline, x, y), FLAT, Cutout(shape="ellipse"))


def test_drawing_of_a_cutout() -> None:
    """The outlines of the part, its hole's too, stand where they are, and so do the tabs."""
    setup = a_setup()
    drawing = set_up_drawing(replace(setup, part=a_part(setup)), None, NO_TEXTS, [(100.0, 45.0)])
    outer, hole = (np.array([p.split(",") for p in line.split()], dtype=float) for line in drawing.part)
    for line, radius in ((outer, 40), (hole, 10)):
        assert np.hypot(line[:, 0] - 60, line[:, 1] + 45) == pytest.approx(radius, abs=0.02)
    assert drawing.tabs == ((100.0, -45.0),)
    page = Page(render_sheet(a_report(), IMAGES, replace(setup, part=a_part(setup)), tabs=[(100.0, 45.0)]))
    assert len(page.all("polygon")) == 2
    assert "squares: tabs" in page.text
    assert "squares: tabs" not in a_page().text


def test_a_cutout_is_told_and_drawn_to_below_the_board() -> None:
    """The section shows the cut at both sides, down into what lies below; the checklist asks for that."""
    job = a_job(cutout={"shape": "ellipse", "through": 0.8})
    setup = replace(a_setup(job), part=a_part(a_setup()))
    drawing = set_up_drawing(setup, None, _levels(setup, "mm"))
    wide = FLAT.diameter
    assert [(k.left, k.right) for k in drawing.section.kerfs] == [(20 - wide, 20.0), (100.0, 100 + wide)]
    assert [k.far - drawing.section.box.far for k in drawing.section.kerfs] == pytest.approx([0.8, 0.8])
    assert label_of(drawing, "cutout 0.8 mm below").level == pytest.approx(drawing.section.box.far + 0.8)
    assert drawing.section.labels[-1].y < drawing.top + drawing.height
    text = Page(render_sheet(a_report(job=job.to_table()), IMAGES, setup)).text
    assert "The cutout goes 0.8 mm below the board: lay it on a flat sacrificial board thicker" in text
    assert "sacrificial" not in a_page().text


def test_view_of_a_cutout_judges_the_part_alone() -> None:
    """Outside the part the view shows no deviation."""
    setup = a_setup()
    part = a_part(setup)
    stages = a_scene(setup)
    table = json.loads(scene_json(stages, stages[-1].surface, replace(setup, part=part)))
    assert ((unpacked(table["deviation"], "u1", table) == 239) == ~part.nodes).all()


@pytest.mark.parametrize("travel", [(600.0, 600.0, 100.0), (300.0, 900.0, 80.0), (1200.0, 400.0, 80.0)])
def test_drawing_shows_the_travel(travel: tuple[float, float, float]) -> None:
    """Stock and travel stand beside each other to one scale, inside the drawing and clear of the stock."""
    drawing = set_up_drawing(a_setup(machine=Machine(name="router", travel=travel)), a_trace()[1:], NO_TEXTS)
    box, inner = drawing.travel, drawing.travel_stock
    assert box is not None
    assert inner is not None
    assert box.width / travel[0] == pytest.approx(box.length / travel[1])
    assert inner.width / box.width == pytest.approx(140 / travel[0])
    assert inner.length / box.length == pytest.approx(110 / travel[1])
    assert (inner.left + inner.right) / 2 == pytest.approx((box.left + box.right) / 2)
    assert box.left > drawing.stock.right
    assert box.right < drawing.left + drawing.width
    assert box.far < drawing.section.box.near


# ---- contrast -------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Return the relative luminance of WCAG 2.2."""
    coded = [int(colour[n : n + 2], 16) / 255 for n in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in coded)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        ("ink", "paper"), ("ink", "leaf"), ("ink", "go-pale"), ("ink", "stop-pale"), ("ink", "mind-pale"),
        ("soft", "paper"), ("soft", "leaf"), ("soft", "go-pale"), ("soft", "stop-pale"),
        ("go", "go-pale"), ("go", "leaf"), ("stop", "stop-pale"), ("mind", "mind-pale"), ("stop", "leaf"),
    ],
)  # fmt: skip
def test_contrast(ink: str, ground: str) -> None:
    """Text stands out from its ground by 4.5 to 1 at least (WCAG 2.2, success criterion 1.4.3, level AA)."""
    page = render_sheet(a_report(), IMAGES, a_setup(), a_trace()).decode()
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", page))
    light, dark = sorted((luminance(colours[ink]), luminance(colours[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


@pytest.mark.parametrize(
    ("relief", "words"),
    [
        ({}, "The face that will be seen lies up; white stands highest."),
        ({"mirror": True, "style": "sunk"}, "The BACK of the piece lies up: the picture is cut reversed"),
    ],
)
def test_the_sheet_says_which_face_is_up(relief, words):
    """See-through stock is carved from its back, with the picture reversed."""
    job = a_job()
    job = replace(job, relief=replace(job.relief, **relief))
    page = Page(render_sheet(a_report(job=job.to_table()), IMAGES, a_setup(job), a_trace()))

    assert words in page.text
