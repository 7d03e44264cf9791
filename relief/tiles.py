"""Small pictures side by side on one sheet, each with a few lines of text below it."""

from __future__ import annotations

import io
from collections.abc import Sequence

from PIL import Image, ImageDraw, ImageFont

# Pixels: tiles side by side, the space for one, the space between, and lines of text below it.
ACROSS, CELL, GAP, TEXT, LINE = 4, 520, 28, 25, 33


def tile_sheet(title: str, tiles: Sequence[bytes], texts: Sequence[Sequence[str]]) -> bytes:
    """Return a sheet of small pictures as a PNG.

    Parameters
    ----------
    title : one line on top
    tiles : PNG files, at most 520 pixels wide
    texts : for each tile the lines below it, the first of them its name; long ones are broken
    """
    images = [Image.open(io.BytesIO(tile)).convert("RGB") for tile in tiles]
    wrapped = [[line for text in lines for line in _wrapped(text)] for lines in texts]
    tall = max(image.height for image in images)
    step = tall + max(len(lines) for lines in wrapped) * LINE + 2 * GAP
    head, down = GAP + 2 * LINE, -(-len(images) // ACROSS)
    sheet = Image.new("RGB", (ACROSS * (CELL + GAP) + GAP, head + down * step), "white")
    draw = ImageDraw.Draw(sheet)
    draw.text((GAP, GAP // 2), title, fill="black", font=ImageFont.load_default(TEXT + 6))
    for number, (image, lines) in enumerate(zip(images, wrapped, strict=True)):
        left, top = GAP + number % ACROSS * (CELL + GAP), head + number // ACROSS * step
        sheet.paste(image, (left + (CELL - image.width) // 2, top + tall - image.height))
        for row, line in enumerate(lines):
            font = ImageFont.load_default(TEXT + 4 * (row == 0))
            text, ink = (f"{number + 1}  {line}", "black") if row == 0 else (line, "#3a3a3a")
            draw.text((left, top + tall + 10 + row * LINE), text, fill=ink, font=font)
    file = io.BytesIO()
    sheet.quantize(224, dither=Image.Dither.NONE).save(file, "PNG")
    return file.getvalue()


def _wrapped(text: str) -> list[str]:
    """Break a text into lines as wide as a tile."""
    font, lines = ImageFont.load_default(TEXT), [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and float(font.getlength(longer)) > CELL:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
