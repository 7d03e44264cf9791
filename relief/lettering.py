"""Text laid on the relief, raised or sunk, with walls as steep as asked."""

from __future__ import annotations

import io
import math
from importlib import resources
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from relief.errors import JobError
from relief.files import whole_file
from relief.heightfield import Heightfield
from relief.sections import Lettering
from relief.units import Units, format_length

Distances = npt.NDArray[np.float64]
Font = ImageFont.FreeTypeFont

FINE = 4  # pixels a node, along each side, at which letters are drawn
LARGEST_FONT = 2**27  # bytes
MEASURED = 200  # size in pixels at which a font's proportions are measured
CAPITAL = "H"  # its height is the height of the text
# Source Sans Semibold, under the SIL Open Font License 1.1: Latin, Greek and Cyrillic, strokes of even width.
FONT_PACKAGE, FONT_FILE = "font_source_sans_pro", "files/SourceSansPro-Semibold.ttf"
NO_CHARACTER = "\uffff"  # Unicode promises that no letter has this number: a font draws its empty box
NARROW = 10.0  # percentile of the strokes' widths that counts as the narrowest


def lettered(
    relief: Heightfield, texts: tuple[Lettering, ...], ball: float, units: Units = "mm"
) -> tuple[Heightfield, tuple[str, ...]]:
    """Lay texts on a relief.

    Parameters
    ----------
    relief : Heightfield, its near left node at (0, 0)
    texts : in the order in which they are laid
    ball : mm, radius of the finishing cutter's round end
    units : in which notes and refusals tell lengths

    Returns
    -------
    The relief with its letters, and a note for each text that it cannot show as asked.

    Raises
    ------
    JobError
        A font that cannot be read or lacks a letter, a text without letters in it, or one that leaves the
        relief.
    """
    heights, notes = relief.heights.astype(np.float64), []
    for text in texts:
        inside, window = _laid_out(text, relief, units)
        heights[window], capped = _carved(heights[window], inside, text)
        notes += _told(text, inside, capped, ball, units)
    return relief.with_heights(heights.astype(np.float32)), tuple(notes)


def _laid_out(text: Lettering, relief: Heightfield, units: Units) -> tuple[Distances, tuple[slice, slice]]:
    """Return how far each node lies inside the letters, mm (negative outside), and which nodes they are."""
    drawn = _drawn(text, relief.pitch)
    rows, columns = (size // FINE for size in drawn.shape)
    x, y = (middle if asked is None else asked for asked, middle in _middles(text, relief))
    first_i, first_j = round(x / relief.pitch - (columns - 1) / 2), round(y / relief.pitch - (rows - 1) / 2)
    if min(first_i, first_j) < 0 or first_i + columns > relief.columns or first_j + rows > relief.rows:
        wide, tall = (format_length(round(size * relief.pitch, 1), units) for size in (columns, rows))
        message = (
            f"lettering {text.text!r} is {wide} × {tall} and leaves the relief of"
            f" {format_length(relief.width, units)} × {format_length(relief.length, units)};"
            " make it smaller or move it"
        )
        raise JobError(message)
    reach = _lean(text) * text.depth if text.relief == "raised" else 0.0
    around = math.ceil(reach / relief.pitch) + 2
    distance = _distance(np.pad(drawn, around * FINE), relief.pitch / FINE)
    first_i, first_j = first_i - around, first_j - around
    i0, j0 = max(first_i, 0), max(first_j, 0)
    i1 = min(first_i + distance.shape[1], relief.columns)
    j1 = min(first_j + distance.shape[0], relief.rows)
    part = distance[j0 - first_j : j1 - first_j, i0 - first_i : i1 - first_i]
    return part, (slice(j0, j1), slice(i0, i1))


def _drawn(text: Lettering, pitch: float) -> npt.NDArray[np.bool_]:
    """Return the pixels of the letters, FINE a node along each side, row 0 near, with no empty margin."""
    font = _font(text, pitch)
    _check_letters(text)
    left, top, right, bottom = (round(edge) for edge in font.getbbox(text.text))
    spare = round(text.height / pitch * FINE / 4) + 1  # slanted letters lean out of their box
    page = Image.new("L", (max(right - left, 1) + 2 * spare, max(bottom - top, 1) + 2 * spare), 0)
    ImageDraw.Draw(page).text((spare - left, spare - top), text.text, fill=255, font=font)
    ink = np.asarray(page)[::-1] >= 128
    if not ink.any():
        message = f"lettering {text.text!r}: the font has nothing to draw for it; write letters or digits"
        raise JobError(message)
    rows, columns = np.flatnonzero(ink.any(axis=1)), np.flatnonzero(ink.any(axis=0))
    ink = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    short = [(-size) % FINE for size in ink.shape]  # pixels short of whole nodes, shared between both sides
    return np.pad(ink, [(size // 2, size - size // 2) for size in short])


def _middles(text: Lettering, relief: Heightfield) -> tuple[tuple[float | None, float], ...]:
    return (text.x, relief.width / 2), (text.y, relief.length / 2)


def _font(text: Lettering, pitch: float) -> Font:
    """Return the font at the size at which a capital is as tall as asked."""
    wanted = text.height / pitch * FINE
    _, top, _, bottom = _sized(text, MEASURED).getbbox(CAPITAL)
    if bottom <= top:
        message = f"{text.font}: the font has no capital {CAPITAL} to measure; choose another"
        raise JobError(message)
    return _sized(text, MEASURED * wanted / (bottom - top))


def _sized(text: Lettering, size: float) -> Font:
    """Load the text's font, or the default one."""
    try:
        if text.font is None:
            with resources.as_file(resources.files(FONT_PACKAGE) / FONT_FILE) as path:
                return ImageFont.truetype(str(path), size)
        return ImageFont.truetype(io.BytesIO(whole_file(Path(text.font), LARGEST_FONT)), size)
    except (OSError, ModuleNotFoundError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        named = text.font or "the default font"
        message = f"{named}: cannot be read as a TrueType or OpenType font ({reason}); name another file"
        raise JobError(message) from None


def _check_letters(text: Lettering) -> None:
    """Refuse letters that the font has not got: it would draw an empty box for each."""
    font = _sized(text, MEASURED)
    box = bytes(font.getmask(NO_CHARACTER))
    missing = [
        letter for letter in dict.fromkeys(text.text) if letter.strip() and bytes(font.getmask(letter)) == box
    ]
    if missing:
        named = text.font or "the default font"
        lacks = " ".join(missing)
        message = f"lettering {text.text!r}: {named} has no {lacks}; name another file as its font"
        raise JobError(message)


def _distance(inside: npt.NDArray[np.bool_], fine: float) -> Distances:
    """Return how far each node lies inside an outline that is drawn on finer pixels, mm.

    A pixel's centre lies half a pixel from the outline between it and its neighbour; a node lies in the
    middle of its block of pixels, so the four around it are averaged.
    """
    depth = np.where(
        inside, ndimage.distance_transform_edt(inside) - 0.5, 0.5 - ndimage.distance_transform_edt(~inside)
    )
    middle = FINE // 2
    around = [depth[middle - 1 + a :: FINE, middle - 1 + b :: FINE] for a in (0, 1) for b in (0, 1)]
    return np.asarray(sum(around) / 4 * fine)


def _lean(text: Lettering) -> float:
    """Return how far a wall leans out for each mm of its height."""
    return math.tan(math.radians(text.draft))


def _carved(heights: Distances, inside: Distances, text: Lettering) -> tuple[Distances, bool]:
    """Return heights with the letters on them, and whether the stock top cut them short.

    The outline is that of the letters' upper edge: raised walls lean outward from it, sunk ones inward.
    """
    lean = _lean(text)
    if text.relief == "sunk":
        amount = np.clip(inside / lean if lean > 0 else np.where(inside >= 0, np.inf, 0.0), 0, text.depth)
        return heights - amount, False
    outside = np.maximum(-inside, 0)
    fall = outside / lean if lean > 0 else np.where(outside > 0, np.inf, 0.0)
    raised = heights + np.clip(text.depth - fall, 0, text.depth)
    return np.minimum(raised, 0.0), bool((raised > 1e-6).any())


def _told(text: Lettering, inside: Distances, capped: bool, ball: float, units: Units) -> list[str]:
    """Return what the text's reader should know: cut short by the stock top, or too fine for the cutter."""
    notes = []
    if capped:
        notes.append(
            f"lettering {text.text!r} would stand above the stock top and is cut off there; leave room for it"
            f" with shaping.levels or feather, or make it sunk"
        )
    stroke = _narrowest(inside if text.relief == "sunk" else -inside)
    needed = _groove(ball, text.depth)
    if stroke < needed:
        what = "strokes" if text.relief == "sunk" else "gaps"
        have, need, high = (
            format_length(float(f"{size:.2g}"), units)
            for size in (stroke, needed, text.height * needed / max(stroke, 1e-3))
        )
        notes.append(
            f"lettering {text.text!r} is too fine for the finishing cutter: its {what} are {have} wide, a"
            f" groove {format_length(text.depth, units)} deep is {need}; a height of {high} would do, or a"
            " finer cutter"
        )
    return notes


def _narrowest(inside: Distances) -> float:
    """Return the width of the narrow strokes, mm: twice the distance along their middle lines."""
    ridge = (inside > 0) & (inside >= ndimage.maximum_filter(inside, 3) - 1e-12)
    return 2 * float(np.percentile(inside[ridge], NARROW)) if ridge.any() else 0.0


def _groove(ball: float, depth: float) -> float:
    """Return how wide a round end of radius R cuts at its depth: 2√(2R·depth − depth²), or 2R."""
    sunk = min(depth, ball)
    return 2 * math.sqrt(2 * ball * sunk - sunk * sunk)
