"""What stands round a picture: its margin, the bar of its scale, and its colours with their meaning."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from relief import colours
from relief.heightfield import Heightfield
from relief.units import MM_PER_INCH, Units, format_length

# A picture has one palette: the colours of its scale, then a ramp of ink from paper to black.
SCALE, INKS = 239, 16
PAPER = SCALE
# Pixels: the least width of the whole picture, its margin, and the height of its letters.
_LEAST_WIDTH, _MARGIN, _TEXT = 900, 24, 34

Indices = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Legend:
    """What stands below a picture: marks and words along its scale as (place 0..1, text), and a caption."""

    ticks: tuple[tuple[float, str], ...]
    words: tuple[tuple[float, str], ...]
    caption: str


def toned(tone: npt.NDArray[np.float64]) -> Indices:
    """Return the colours of a scale for tones 0..1."""
    return np.clip(tone * SCALE, 0, SCALE - 1).astype(np.uint8)


def framed_png(
    indices: Indices, scale: colours.Colours, legend: Legend, field: Heightfield, units: Units
) -> bytes:
    """Return a PNG file of a picture in its margin, with what stands below it.

    Parameters
    ----------
    indices : (rows, columns) colours by number
    scale : the colours
    legend : what stands below
    field : what the picture shows, for the scale bar
    units : the unit of that
    """
    rows, columns = indices.shape
    width = max(columns, _LEAST_WIDTH) + 2 * _MARGIN
    foot = _foot(width, legend, field.pitch * field.columns / columns, columns, units)
    canvas = np.full((rows + 2 * _MARGIN + foot.shape[0], width), PAPER, dtype=np.uint8)
    left = (width - columns) // 2
    canvas[_MARGIN - 1 : _MARGIN + rows + 1, left - 1 : left + columns + 1] = PAPER + 8
    canvas[_MARGIN : _MARGIN + rows, left : left + columns] = indices
    canvas[rows + 2 * _MARGIN :] = foot
    return png_file(canvas, scale)


def png_file(indices: Indices, scale: colours.Colours) -> bytes:
    """Return a PNG file of colours by number: those of a scale, then the ramp of ink."""
    picture = Image.fromarray(indices, mode="P")
    ramp = np.repeat(np.linspace(255, 0, INKS).round().astype(np.uint8)[:, None], 3, axis=1)
    picture.putpalette(np.concatenate([scale, ramp]).tobytes())
    file = io.BytesIO()
    picture.save(file, "PNG", compress_level=6)
    return file.getvalue()


def _foot(width: int, legend: Legend, size: float, columns: int, units: Units) -> Indices:
    """Return the strip below a picture: scale bar, caption and, for a map, its colours with their meaning."""
    lines = _wrapped(legend.caption, width - 2 * _MARGIN)
    bar_top = 152 if legend.ticks else 0
    paper = Image.new("L", (width, bar_top + 66 + len(lines) * 42 + _MARGIN // 2), 255)
    draw = ImageDraw.Draw(paper)
    if legend.ticks:
        _mark_scale(draw, width, legend)
    _draw_bar(draw, bar_top, size, columns, units)
    for number, line in enumerate(lines):
        draw.text((_MARGIN, bar_top + 58 + 42 * number), line, fill=0, font=_font())
    ink = PAPER + np.round((255 - np.asarray(paper, dtype=np.float64)) * (INKS - 1) / 255).astype(np.uint8)
    if legend.ticks:
        inside = slice(_MARGIN + 1, width - _MARGIN - 1)
        ink[3:37, inside] = toned(np.linspace(0, 1, width - 2 * _MARGIN - 2))
    return np.asarray(ink, dtype=np.uint8)


def _mark_scale(draw: ImageDraw.ImageDraw, width: int, legend: Legend) -> None:
    left, right = _MARGIN, width - _MARGIN - 1
    draw.rectangle((left, 2, right, 37), outline=0)
    for place, _ in legend.ticks:
        x = left + place * (right - left)
        draw.line((x, 37, x, 46), fill=0, width=2)
    for texts, top, ink in ((legend.ticks, 48, 0), (legend.words, 90, 70)):
        for start, text in _apart(texts, left, right):
            draw.text((start, top), text, fill=ink, font=_font())


def _apart(texts: tuple[tuple[float, str], ...], left: float, right: float) -> list[tuple[float, str]]:
    """Return where each text starts, the ends' first; one that would touch another is left out."""
    kept: list[tuple[float, str]] = []
    for place, text in (*texts[:1], *texts[1:][-1:], *texts[1:-1]):
        start = min(max(left + place * (right - left) - _wide(text) / 2, left), right - _wide(text))
        clear = all(
            start + _wide(text) + _TEXT / 2 <= other or other + _wide(words) + _TEXT / 2 <= start
            for other, words in kept
        )
        if clear:
            kept.append((start, text))
    return kept


def _draw_bar(draw: ImageDraw.ImageDraw, top: int, size: float, columns: int, units: Units) -> None:
    """Draw a scale bar of a round length, about a fifth of the picture, in five fields."""
    unit = 1.0 if units == "mm" else MM_PER_INCH
    length = _round_down(columns * size / unit / 4) * unit
    pixels = length / size
    for field in range(5):
        box = (_MARGIN + field * pixels / 5, top + 16, _MARGIN + (field + 1) * pixels / 5, top + 34)
        draw.rectangle(box, fill=0 if field % 2 == 0 else 255, outline=0, width=2)
    draw.text((_MARGIN + pixels + 16, top + 4), format_length(length, units), fill=0, font=_font())


def _font() -> Any:
    return ImageFont.load_default(_TEXT)


def _wide(text: str) -> float:
    return float(_font().getlength(text))


def _wrapped(text: str, width: float) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if _wide(longer) > width and lines[-1]:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _round_down(value: float) -> float:
    """Return the largest 1, 2 or 5 × 10ⁿ that is not above the value."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-9)
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9))
