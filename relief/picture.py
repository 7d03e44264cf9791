"""From a picture file to its brightness.

Nothing here knows about depth, stock or grids; `relief.shaping` turns brightness into heights.
Rows are turned over on the way in: row 0 is the near side of the table, so the picture's top lies far away.
"""

from __future__ import annotations

import contextlib
import difflib
import errno
import io
import logging
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageCms, ImageOps

from relief.errors import PictureError
from relief.files import whole_file
from relief.gaps import without_gaps
from relief.tones import coded, light_of
from relief.units import MM_PER_INCH

Brightness = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FORMATS = ("PNG", "TIFF", "JPEG", "WEBP", "BMP", "PPM", "GIF")
LARGEST = 50_000_000  # pixels; float64 brightness of this size takes 400 MB
LARGEST_ALLOWED = 178_000_000  # pixels, when asked for; the decoder itself takes no more
HEAVIEST = 2 * 10**9  # bytes of a file
COLOUR_MODES = ("P", "PA", "LA", "La", "RGB", "RGBA", "RGBa", "RGBX")
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear red, green and blue; ITU-R BT.709
LEAST_DOTS, MOST_DOTS = 5.0, 20_000.0  # per inch; a file that tells of fewer or more means something else
FINE = 2**24  # levels that a 32-bit floating-point number can tell apart


@dataclass(frozen=True, eq=False)
class Picture:
    """What a picture file says, before anyone asks for a depth.

    Parameters
    ----------
    brightness : (rows, columns) float64, 0 (black) to 1 (white), row 0 at the near side
        Code value divided by the largest code value, with no smoothing and no tone curve.
    opacity : (rows, columns) float64, 0 to 1, row 0 at the near side, or None
        How opaque each pixel is; None where all of them are wholly so.
    levels : int
        How many different brightnesses the file can hold: 256, 65536, …
    notes : tuple of str
        What the reader decided on the user's behalf, one sentence each.
    pixel : (width, length) mm of a pixel, as the file tells; None where it tells nothing
    """

    brightness: Brightness
    opacity: Brightness | None
    levels: int
    notes: tuple[str, ...] = ()
    pixel: tuple[float, float] | None = None

    @property
    def mask(self) -> Mask | None:
        """(rows, columns) bool, True where at least half opaque; None where there is no opacity."""
        return None if self.opacity is None else self.opacity >= 0.5

    @property
    def rows(self) -> int:
        """Pixels along y."""
        return int(self.brightness.shape[0])

    @property
    def columns(self) -> int:
        """Pixels along x."""
        return int(self.brightness.shape[1])

    def length_for(self, width: float) -> float:
        """Return the length, mm, that keeps the picture's shape; the outermost pixels lie on the edges."""
        tall = self.pixel[1] / self.pixel[0] if self.pixel else 1.0
        return width * tall * (self.rows - 1) / (self.columns - 1)


def read_picture(path: Path, allow_large: bool = False) -> Picture:
    """Read a picture file as brightness.

    Greyscale of up to 16 bits keeps every code value. A colour becomes the grey of the same luminance: its
    sRGB values turned to linear light, weighed as ITU-R BT.709 says, and coded again. Values without a fixed
    white (floating point, 32-bit integers) are spread from black to white, those that are not finite made up
    from their neighbours. Transparent parts count as black; a camera's turn mark (EXIF orientation) is
    obeyed.

    Parameters
    ----------
    path : Path
        PNG, TIFF, JPEG, WebP, BMP, portable greymap or GIF; of several frames the first.
    allow_large : bool
        Whether 178 million pixels are taken instead of 50.

    Returns
    -------
    Picture

    Raises
    ------
    PictureError
        The file is missing, a folder, empty, no picture, cut short, too large, or holds values that have no
        plain brightness.
    """
    largest = LARGEST_ALLOWED if allow_large else LARGEST
    image, layout = _decoded(path, file_content(path, "a picture"), largest)
    grey = _grey(path, image, layout)
    brightness, opacity, notes = grey.brightness, None, _frame_notes(image) + grey.notes
    if grey.opacity is not None and bool((grey.opacity < 1).any()):
        brightness = brightness * grey.opacity
        opacity = np.ascontiguousarray(grey.opacity[::-1])
        notes += ("transparent parts of the picture count as black",)
    return Picture(np.ascontiguousarray(brightness[::-1]), opacity, grey.levels, notes, _pixel(image))


def read_values(path: Path, allow_large: bool = False) -> Brightness:
    """Read a picture file as the numbers that it holds, one a pixel, its first row first.

    Raises
    ------
    PictureError
        As `read_picture`, or its pixels are colours.
    """
    image, layout = _decoded(
        path, file_content(path, "a height file"), LARGEST_ALLOWED if allow_large else LARGEST
    )
    if image.mode not in ("F", "I", "L") and not image.mode.startswith("I;16"):
        message = f"{path}: its {layout} pixels are no heights; ground heights are one number a pixel"
        raise PictureError(message)
    return np.asarray(image).astype(np.float64)


def file_content(path: Path, expected: str) -> bytes:
    """Read the whole file, or say in one line why that cannot be done.

    Parameters
    ----------
    path : Path
    expected : what should be there, as in "a picture"

    Raises
    ------
    PictureError
        The file is missing, a folder, empty, too large or cannot be read.
    """
    try:
        content = whole_file(path, HEAVIEST)
    except OSError as fault:
        raise PictureError(_unread(path, fault, expected)) from fault
    if not content:
        message = f"{path}: the file is empty (0 bytes); copy or export {expected} again"
        raise PictureError(message)
    return content


def _unread(path: Path, fault: OSError, expected: str) -> str:
    """Return why a file could not be read, in one line."""
    if isinstance(fault, FileNotFoundError):
        return f"{path}: there is no such file{_nearest(path)}"
    if isinstance(fault, IsADirectoryError):
        return f"{path}: this is a folder; name {expected} inside it"
    if fault.errno in (errno.EINVAL, errno.EFBIG):
        return f"{path}: this is no ordinary file of less than {HEAVIEST // 10**9} GB; name {expected}"
    return f"{path}: cannot be read ({fault.strerror}); check its name and permissions"


def _nearest(path: Path) -> str:
    """Name the file beside `path` whose name comes nearest, if there is one."""
    try:
        names = [entry.name for entry in path.parent.iterdir()]
    except OSError:
        return f"; the folder {path.parent} does not exist either"
    near = difflib.get_close_matches(path.name, names, n=1)
    return f"; did you mean {path.parent / near[0]}?" if near else "; check its name and folder"


def _decoded(path: Path, content: bytes, largest: int) -> tuple[Image.Image, str]:
    """Decode the first frame; return it with the name of the pixel layout that the file itself holds."""
    try:
        with _quietly():  # oversize is refused below, with a line of our own
            image = Image.open(io.BytesIO(content), formats=FORMATS)
    except Image.DecompressionBombError as fault:
        message = (
            f"{path}: the picture has more pixels than are safe to open; scale it down to {_ceiling(largest)}"
        )
        raise PictureError(message) from fault
    except Exception as fault:  # damaged files make a decoder raise nearly anything; it all means the same
        message = f"{path}: this is not a picture that can be read ({', '.join(FORMATS)}); export it as a PNG"
        raise PictureError(message) from fault
    check_size(path, *image.size, largest)
    layout = _layout(image)
    try:
        with _quietly():  # odd metadata does not touch the pixels
            image.load()
            ImageOps.exif_transpose(image, in_place=True)
    except Exception as fault:  # as above
        reason = str(fault).partition("\n")[0] or type(fault).__name__
        message = f"{path}: the picture is damaged or cut short ({reason}); copy or export it again"
        raise PictureError(message) from fault
    return image, layout


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """Keep the decoder from speaking past us: what is wrong with a file is told in one line of ours."""
    log = logging.getLogger("PIL")
    level = log.level
    log.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        log.setLevel(level)


def _pixel(image: Image.Image) -> tuple[float, float] | None:
    """Return the width and length of a pixel, mm, from the dots per inch in the file, if it tells them."""
    try:
        dots = [float(number) for number in image.info["dpi"]]
    except (KeyError, TypeError, ValueError, ZeroDivisionError):
        return None
    if len(dots) != 2 or not all(LEAST_DOTS <= number <= MOST_DOTS for number in dots):
        return None
    return MM_PER_INCH / dots[0], MM_PER_INCH / dots[1]


def _ceiling(largest: int) -> str:
    wider = ", or set shaping.allow_large = true" if largest == LARGEST else ""
    return f"at most {largest // 1_000_000} million pixels{wider}"


def check_size(path: Path, columns: int, rows: int, largest: int = LARGEST) -> None:
    """Refuse what is too small to have two edges or too large to be meant.

    Raises
    ------
    PictureError
    """
    if min(columns, rows) < 2:
        message = f"{path}: {columns} × {rows} pixels are too few; a relief needs at least 2 × 2"
        raise PictureError(message)
    if columns * rows > largest:
        message = f"{path}: {columns} × {rows} pixels are too many; scale it down to {_ceiling(largest)}"
        raise PictureError(message)


def _layout(image: Image.Image) -> str:
    """Return the raw pixel layout in the file, e.g. "I;16B" or "RGB;16B"; ask before loading the pixels."""
    tiles = getattr(image, "tile", [])
    args = tiles[0][3] if tiles else image.mode
    first = args[0] if isinstance(args, tuple) and args else args
    return first if isinstance(first, str) else image.mode


def _frame_notes(image: Image.Image) -> tuple[str, ...]:
    try:
        several = getattr(image, "n_frames", 1) > 1
    except Exception:  # a frame that is broken comes after the first, which is whole
        several = True
    if several:
        return ("the file holds several frames; the first one is used",)
    return ()


class _Grey(NamedTuple):
    """Greyscale pixels in the picture's own row order."""

    brightness: Brightness
    opacity: Brightness | None
    levels: int
    notes: tuple[str, ...] = ()


def _grey(path: Path, image: Image.Image, layout: str) -> _Grey:
    """Turn the decoded pixels into brightness by their kind."""
    if image.mode == "1":
        return _Grey(np.asarray(image).astype(np.float64), None, levels=2)
    if image.mode == "L":
        return _from_codes(image, 255)
    if image.mode.startswith("I;16"):
        grey = _from_codes(image, 4095 if layout == "I;12" else 65535)
        return grey._replace(brightness=1.0 - grey.brightness) if _white_is_zero(image) else grey
    if (
        image.mode == "I" and image.format == "PPM"
    ):  # a portable greymap's 16-bit codes come as 32-bit integers
        return _from_codes(image, 65535)
    if image.mode in ("F", "I"):
        return _from_values(path, image)
    if image.mode in COLOUR_MODES:
        return _from_colours(image, layout)
    if image.mode in ("CMYK", "YCbCr", "LAB", "HSV"):
        grey = _from_colours(_as_rgb(image), layout)
        return grey._replace(
            notes=(*grey.notes, f"{image.mode} colours are turned to red, green and blue first")
        )
    message = (
        f"{path}: its {layout} pixels have no plain black and white; save it as an 8- or 16-bit greyscale PNG"
    )
    raise PictureError(message)


def _from_codes(image: Image.Image, largest: int) -> _Grey:
    """Divide greyscale codes by the largest one; the code marked as transparent, if any, is not opaque."""
    codes = np.asarray(image)
    clear = image.info.get("transparency")
    opacity = (codes != clear).astype(np.float64) if isinstance(clear, int) else None
    return _Grey(codes / np.float64(largest), opacity, largest + 1)


def _white_is_zero(image: Image.Image) -> bool:
    """Whether a TIFF says that code 0 is white (TIFF 6.0, PhotometricInterpretation = 0, tag 262).

    The decoder turns such pictures over at 8 bits, but not at 16.
    """
    return bool(getattr(image, "tag_v2", {}).get(262) == 0)


def _as_rgb(image: Image.Image) -> Image.Image:
    """Return a picture in ink or in device-independent colours as red, green and blue, by formula."""
    if image.mode != "LAB":
        return image.convert("RGB")
    transform = ImageCms.buildTransform(
        ImageCms.createProfile("LAB"), ImageCms.createProfile("sRGB"), "LAB", "RGB"
    )
    turned = ImageCms.applyTransform(image, transform)
    return image.convert("RGB") if turned is None else turned


def _from_values(path: Path, image: Image.Image) -> _Grey:
    """Spread values that have no fixed white from the lowest (black) to the highest (white)."""
    values = np.asarray(image).astype(np.float64)
    known = np.isfinite(values)
    if not known.any():
        message = f"{path}: none of its floating-point values is a finite number; export it again"
        raise PictureError(message)
    gapless = without_gaps(values)
    low, high = float(values[known].min()), float(values[known].max())
    spread = (gapless.values - low) / ((high - low) or 1.0)
    notes = (
        f"its values have no fixed white: {low:g} is taken as black, {high:g} as white",
        *gapless.notes(),
    )
    opacity = (~gapless.outside).astype(np.float64) if gapless.outside.any() else None
    return _Grey(spread, opacity, FINE, notes)


def _from_colours(image: Image.Image, layout: str) -> _Grey:
    """Turn colours to the greys of the same luminance; greys stay as they are.

    IEC 61966-2-1 (sRGB): values to linear light, the luminance of ITU-R BT.709's primaries, and coded again.
    """
    codes = np.asarray(image.convert("RGBA"))
    light = light_of(np.arange(256) / 255)
    red, green, blue = (codes[..., channel] for channel in range(3))
    brightness = red / 255.0
    coloured = (red != green) | (green != blue)
    notes: tuple[str, ...] = ()
    if bool(coloured.any()):
        of_each = (light[channel[coloured]] for channel in (red, green, blue))
        luminance = sum(weight * of_one for weight, of_one in zip(LUMINANCE, of_each, strict=True))
        brightness[coloured] = np.clip(coded(np.asarray(luminance)), 0.0, 1.0)
        notes += ("the picture is in colour; its luminance is used (sRGB, weights of ITU-R BT.709)",)
    if ";16" in layout:
        notes += (
            "16-bit colour is read at 8 bits a channel; save it as 16-bit greyscale to keep every step",
        )
    return _Grey(brightness, codes[..., 3] / 255.0, 256, notes)
