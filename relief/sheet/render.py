"""Fill the job sheet's template."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

import jinja2
import markupsafe
import numpy as np
import numpy.typing as npt

from relief.colours import diverging
from relief.heightfield import Heightfield
from relief.hints import bed_note, below_board, depth_note, touching_off, zero_place, zero_sentence
from relief.measures import percent
from relief.pictures import deviation_limit, stage_png
from relief.report import ProgramRun, Report, brief
from relief.ridges import scallop_meaning
from relief.setup import Setup
from relief.sheet.drawing import Beside, set_up_drawing
from relief.sheet.scene import Stage, final_deviation, scene_json
from relief.times import format_time
from relief.units import MM_PER_INCH, Units, format_length


def render_sheet(
    report: Report,
    images: Mapping[str, bytes],
    setup: Setup,
    trace: npt.NDArray[np.float64] | None = None,
    stages: Sequence[Stage] = (),
    finished: Heightfield | None = None,
    tabs: Sequence[tuple[float, float]] = (),
) -> bytes:
    """Return the job sheet: one HTML page that needs no network and prints on paper.

    Parameters
    ----------
    report : Report
    images : PNG files by name: carved.png, deviation.png, and scallop.png and lost.png if there are such
    setup : Setup
    trace : (n, 2) mm, what the trace program walks, in the relief's coordinates
    stages : the stock after each program that cuts, for the view in 3-D and its pictures; none: no view
    finished : the surface of the stages that is compared with the target; None: the last stage's
    tabs : (x, y) mm of the tabs that hold the part, in the relief's coordinates

    Returns
    -------
    bytes, UTF-8; every text in it is escaped
    """
    units = report.units
    if trace is not None:
        trace = trace[np.isfinite(trace).all(axis=1)]
    page = _template(report).render(
        report=report,
        setup=setup,
        units=units,
        images={name: _data_uri(content) for name, content in images.items()},
        drawing=set_up_drawing(setup, trace, _levels(setup, units), tabs),
        checks=sorted(report.checks, key=lambda check: (check.holds, check.severity)),
        span=_span(trace),
        zero_place=zero_place(setup),
        zero_sentence=zero_sentence(setup),
        touching_off=touching_off(setup),
        clearance=setup.clearance,
        bed_note=bed_note(setup),
        depth_note=depth_note(setup),
        cutters=list(dict.fromkeys(run.cutter for run in report.programs if run.cutter)),
        scallop_meaning=scallop_meaning(setup.finishing_cutter),
        rough_places=report.rough_places(setup.zero[:2]),
        stages=[(stage.name, _data_uri(stage_png(stage.surface))) for stage in stages],
        view=_view(stages, finished or stages[-1].surface, setup) if stages else None,
    )
    return page.encode("utf-8")


def _template(report: Report) -> jinja2.Template:
    units = report.units
    source = resources.files("relief.sheet").joinpath("sheet.html.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters.update(
        length=lambda mm: format_length(_rounded(mm, units), units),
        aside=lambda mm, above, below: _aside(mm, above, below, units),
        plain=_plain,
        feed=lambda mm: _feed(mm, units),
        feeds=lambda run: _feeds(run, units),
        volume=lambda mm3: _volume(mm3, units),
        weight=lambda mm3, density: _weight(mm3 * density * 1e-9, units),
        whole=_whole,
        time=format_time,
        percent=percent,
        brief=brief,
        number=_number,
        measure=lambda value, unit: _measure(value, unit, report),
    )
    return environment.from_string(source)


def _view(stages: Sequence[Stage], finished: Heightfield, setup: Setup) -> dict[str, Any]:
    """Return what the view in 3-D needs: its library, its script, its surfaces, and its scale of colours."""
    folder = resources.files("relief.sheet").joinpath("viewer")
    library, script = (
        markupsafe.Markup(folder.joinpath(name).read_text(encoding="utf-8"))
        for name in ("three.min.js", "view.js")
    )
    units = setup.job.output.units
    deviation = final_deviation(finished, setup)
    limit = deviation_limit(deviation, units)
    colours = diverging(9)
    return {
        "library": library,
        "script": script,
        "surfaces": markupsafe.Markup(scene_json(stages, finished, setup)),
        "beyond": [
            " or more" if past else "" for past in (deviation.min() < -limit, deviation.max() > limit)
        ],
        "limit": format_length(_rounded_fine(limit, units), units),
        "colours": ", ".join(f"#{r:02x}{g:02x}{b:02x}" for r, g, b in colours.tolist()),
    }


def _data_uri(png: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}"


def _levels(setup: Setup, units: Units) -> Beside:
    """Return what stands beside the levels of the section."""
    high, deep, thick, below = (
        format_length(_rounded(size, units), units)
        for size in (setup.clearance, setup.depth, setup.job.stock.thickness, below_board(setup))
    )
    top, bed = ("Z0: ", "") if setup.job.zero.z == "stock top" else ("", "Z0: ")
    what = "cutout" if below_board(setup, "cutout") >= below_board(setup) else "holes"
    return Beside(
        f"first approach {high} up",
        f"{top}stock top",
        f"cut {deep} deep",
        f"{bed}bed, {thick} down",
        f"{what} {below} below" if below_board(setup) else "",
    )


def _span(trace: npt.NDArray[np.float64] | None) -> tuple[float, float] | None:
    """Return how much of X and Y travel the trace uses, mm."""
    if trace is None or not len(trace):
        return None
    width, length = np.ptp(trace, axis=0)
    return float(width), float(length)


def _rounded(length: float, units: Units) -> float:
    """Round to a hundredth of a millimetre or a thousandth of an inch."""
    return round(length, 2) if units == "mm" else round(length / MM_PER_INCH, 3) * MM_PER_INCH


def _rounded_fine(length: float, units: Units) -> float:
    """Round to a micrometre or a tenth of a thousandth of an inch."""
    return round(length, 3) if units == "mm" else round(length / MM_PER_INCH, 4) * MM_PER_INCH


def _aside(mm: float, above: str, below: str, units: Units) -> str:
    """Return how far to which of two sides something lies."""
    return f"{format_length(_rounded(abs(mm), units), units)} {below if mm < 0 else above}"


def _plain(text: str) -> str:
    """Return a check's unit in words that need no knowledge of controllers."""
    return text.replace("blocks", "lines")


def _feeds(run: ProgramRun, units: Units) -> str:
    """Return the chosen feed, and between which feeds the cuts go where those go by what is cut."""
    low, high = run.feed_range
    chosen = _feed(run.feed, units)
    if not run.shaped:
        return chosen
    return f"{chosen} ({_feed(low, units).rsplit(' ', 1)[0]} to {_feed(high, units).rsplit(' ', 1)[0]})"


def _feed(feed: float, units: Units) -> str:
    return f"{_whole(feed)} mm/min" if units == "mm" else f"{feed / MM_PER_INCH:.1f} in/min"


def _volume(volume: float, units: Units) -> str:
    return f"{volume / 1000:.1f} cm³" if units == "mm" else f"{volume / MM_PER_INCH**3:.2f} in³"


def _weight(kilograms: float, units: Units) -> str:
    """Write a weight to two digits: nothing of its density is known better."""
    # 1 lb = 0.45359237 kg by definition: international yard and pound agreement of 1959
    ounces = kilograms / 0.45359237 * 16
    small, number = (ounces < 16, ounces) if units == "in" else (kilograms < 1, kilograms * 1000)
    name = ("oz" if small else "lb") if units == "in" else ("g" if small else "kg")
    number = number if small else number / (16 if units == "in" else 1000)
    return f"{float(f'{number:.2g}'):g} {name}"


def _whole(number: float) -> str:
    """Write a whole number with thin spaces between thousands."""
    return f"{number:,.0f}".replace(",", "\u202f")


def _measure(value: float, unit: str, report: Report) -> str:
    """Write what a check measured; lengths in the user's unit."""
    if report.units == "in" and np.isfinite(value):
        if unit == "mm":
            return report.length(value)
        if unit == "mm²":
            return f"{_number(value / MM_PER_INCH**2)} in²"
    return f"{_number(value)} {unit}".strip()


def _number(value: float) -> str:
    """Write a measured number with four significant digits at most, never with an exponent."""
    number = float(value)
    if not np.isfinite(number):
        return "none"
    places = 0 if abs(number) >= 1000 else 3
    text = f"{number:.{places}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text).replace("-", "−") or "0"
