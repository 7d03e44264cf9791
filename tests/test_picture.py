"""Reading pictures and height files, against encoders of our own and against the standards they follow."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import hypothesis
import hypothesis.strategies as st
import numpy as np
import pytest
import skimage.color
import skimage.data
import tifffile
from PIL import Image, ImageCms

from relief.errors import PictureError
from relief.heightfile import read_heights
from relief.picture import LARGEST, read_picture
from relief.tones import light_of, lightness_of
from tests.broken import HEIGHTS, PICTURES, Case, good_picture, png


def scan_lines(codes: np.ndarray[Any, Any]) -> bytes:
    """Return unfiltered scan lines: a filter byte of 0, then the samples, high byte first."""
    return b"".join(b"\0" + row.astype(codes.dtype.newbyteorder(">")).tobytes() for row in codes)


def written(folder: Path, content: bytes, name: str = "picture.png") -> Path:
    """Write a file and return its path."""
    path = folder / name
    path.write_bytes(content)
    return path


CODES_16 = np.array([[0, 1, 255, 256], [32767, 32768, 65534, 65535]], dtype=np.uint16)
CODES_8 = np.array([[0, 1, 2], [127, 254, 255]], dtype=np.uint8)


def test_a_16_bit_png_gives_code_over_65535_with_its_top_row_far_away(tmp_path: Path) -> None:
    """Every code value of a 16-bit greyscale PNG, made by hand from the standard, arrives exactly."""
    picture = read_picture(written(tmp_path, png(4, 2, scan_lines(CODES_16))))
    assert np.array_equal(picture.brightness, CODES_16[::-1] / 65535)
    assert (picture.rows, picture.columns, picture.levels) == (2, 4, 65536)
    assert picture.opacity is None
    assert picture.notes == ()


def test_an_8_bit_png_gives_code_over_255(tmp_path: Path) -> None:
    """Every code value of an 8-bit greyscale PNG arrives exactly."""
    picture = read_picture(written(tmp_path, png(3, 2, scan_lines(CODES_8), depth=8)))
    assert np.array_equal(picture.brightness, CODES_8[::-1] / 255)
    assert picture.levels == 256


def test_a_2_bit_and_a_1_bit_png_use_their_whole_range(tmp_path: Path) -> None:
    """Samples of 1 and 2 bits are packed from the high bit on; the largest one is white."""
    two = png(4, 2, b"\0" + bytes([0b00_01_10_11]) + b"\0" + bytes([0b11_10_01_00]), depth=2)
    picture = read_picture(written(tmp_path, two))
    assert picture.brightness == pytest.approx(np.array([[3, 2, 1, 0], [0, 1, 2, 3]]) / 3, abs=0)
    one = png(2, 2, b"\0" + bytes([0b01_000000]) + b"\0" + bytes([0b11_000000]), depth=1)
    assert np.array_equal(read_picture(written(tmp_path, one)).brightness, [[1, 1], [0, 1]])


@pytest.mark.parametrize("byteorder", ["<", ">"])
@pytest.mark.parametrize("codes", [CODES_8, CODES_16])
def test_a_greyscale_tiff_is_exact_in_both_byte_orders(
    tmp_path: Path, codes: np.ndarray[Any, Any], byteorder: Any
) -> None:
    """TIFF files from an independent writer (tifffile) give code over largest code."""
    path = tmp_path / "picture.tif"
    tifffile.imwrite(path, codes, byteorder=byteorder, photometric="minisblack")
    assert np.array_equal(read_picture(path).brightness, codes[::-1] / np.iinfo(codes.dtype).max)


@pytest.mark.parametrize("codes", [CODES_8, CODES_16])
def test_a_tiff_where_zero_is_white_is_turned_over(tmp_path: Path, codes: np.ndarray[Any, Any]) -> None:
    """TIFF 6.0, PhotometricInterpretation 0 (WhiteIsZero): code 0 is white."""
    path = tmp_path / "picture.tif"
    tifffile.imwrite(path, codes, photometric="miniswhite")
    largest = np.iinfo(codes.dtype).max
    assert read_picture(path).brightness == pytest.approx(1 - codes[::-1] / largest, abs=1e-15)


def test_a_portable_greymap_of_16_bits_is_exact(tmp_path: Path) -> None:
    """A plain-text greymap (P2) with a largest value of 65535 gives value over 65535."""
    path = written(tmp_path, b"P2 2 2 65535\n0 1\n65534 65535\n", "picture.pgm")
    assert np.array_equal(read_picture(path).brightness, np.array([[65534, 65535], [0, 1]]) / 65535)


def test_a_colour_becomes_the_grey_of_its_luminance(tmp_path: Path) -> None:
    """Linear red, green and blue weigh 0.2126, 0.7152 and 0.0722 (ITU-R BT.709-6), and a note says so."""
    pixels = np.array([[[255, 0, 0], [0, 255, 0]], [[0, 0, 255], [255, 128, 0]]], dtype=np.uint8)
    path = written(tmp_path, png(2, 2, scan_lines(pixels.reshape(2, 6)), depth=8, colour=2))
    picture = read_picture(path)
    # (255, 128, 0): 0.2126 + 0.7152 × 0.215861 = 0.366983, by IEC 61966-2-1
    expected = [[0.0722, 0.366983], [0.2126, 0.7152]]
    assert light_of(picture.brightness) == pytest.approx(np.array(expected), abs=1e-6)
    assert "BT.709" in " ".join(picture.notes)


def test_a_photograph_has_the_lightness_that_a_library_finds(tmp_path: Path) -> None:
    """CIE L* of the grey is that of scikit-image's rgb2lab, within 0.3 % of white (its white is rounded)."""
    colours = skimage.data.astronaut()
    Image.fromarray(colours).save(tmp_path / "photo.png")
    lightness = lightness_of(read_picture(tmp_path / "photo.png").brightness)
    assert lightness == pytest.approx(skimage.color.rgb2lab(colours)[::-1, :, 0] / 100, abs=3e-3)


def test_grey_stays_exact_in_a_colour_file(tmp_path: Path) -> None:
    """R = G = B = v gives v / 255 to the last bit, with no note about colour."""
    grey = np.repeat(np.arange(256, dtype=np.uint8).reshape(16, 16, 1), 3, axis=2)
    Image.fromarray(grey).save(tmp_path / "grey.png")
    picture = read_picture(tmp_path / "grey.png")
    assert np.array_equal(picture.brightness, grey[::-1, :, 0] / 255)
    assert picture.notes == ()


def test_a_palette_is_looked_up(tmp_path: Path) -> None:
    """A palette picture gives the brightness of its colours, not of its indices."""
    image = Image.fromarray(np.array([[0, 1], [2, 2]], dtype=np.uint8)).convert("P")
    image.putpalette([255, 255, 255, 0, 0, 0, 51, 51, 51])
    image.save(tmp_path / "palette.png")
    assert np.array_equal(read_picture(tmp_path / "palette.png").brightness, [[0.2, 0.2], [1.0, 0.0]])


def test_what_is_transparent_counts_as_black(tmp_path: Path) -> None:
    """Brightness is laid over black by its opacity; what is at least half opaque is inside the mask."""
    pixels = np.array([[[255, 255], [255, 0]], [[255, 51], [0, 255]]], dtype=np.uint8)
    path = written(tmp_path, png(2, 2, scan_lines(pixels.reshape(2, 4)), depth=8, colour=4))
    picture = read_picture(path)
    assert np.array_equal(picture.brightness, [[0.2, 0.0], [1.0, 0.0]])
    assert picture.opacity is not None
    assert np.array_equal(picture.opacity, [[0.2, 1.0], [1.0, 0.0]])
    assert picture.mask is not None
    assert np.array_equal(picture.mask, [[False, True], [True, False]])
    assert any("transparent" in note for note in picture.notes)


def test_an_opaque_alpha_changes_nothing(tmp_path: Path) -> None:
    """A picture that is opaque everywhere has no mask and no note."""
    Image.fromarray(CODES_8).convert("LA").save(tmp_path / "opaque.png")
    picture = read_picture(tmp_path / "opaque.png")
    assert np.array_equal(picture.brightness, CODES_8[::-1] / 255)
    assert (picture.opacity, picture.mask, picture.notes) == (None, None, ())


# Where the stored row 0 and column 0 lie in the picture as seen: Exif 2.32 (JEITA CP-3451), tag 0x0112.
STORED = {
    1: lambda seen: seen,  # top, left
    2: lambda seen: seen[:, ::-1],  # top, right
    3: lambda seen: seen[::-1, ::-1],  # bottom, right
    4: lambda seen: seen[::-1],  # bottom, left
    5: lambda seen: seen.T,  # left, top
    6: lambda seen: seen[:, ::-1].T,  # right, top
    7: lambda seen: seen[::-1, ::-1].T,  # right, bottom
    8: lambda seen: seen[::-1].T,  # left, bottom
}


@pytest.mark.parametrize("turn", STORED)
@pytest.mark.parametrize("codes", [CODES_8, CODES_16])
def test_a_cameras_turn_mark_is_obeyed(tmp_path: Path, turn: int, codes: np.ndarray[Any, Any]) -> None:
    """Whatever the EXIF orientation, the picture is carved as it is seen."""
    exif = Image.Exif()
    exif[0x0112] = turn
    Image.fromarray(np.ascontiguousarray(STORED[turn](codes))).save(tmp_path / "turned.png", exif=exif)
    brightness = read_picture(tmp_path / "turned.png").brightness
    assert np.array_equal(brightness, codes[::-1] / np.iinfo(codes.dtype).max)


def test_the_first_frame_of_several_is_used_and_told(tmp_path: Path) -> None:
    """An animation gives its first frame and a note."""
    first, second = (Image.new("L", (3, 3), code) for code in (51, 255))
    first.save(tmp_path / "moving.gif", save_all=True, append_images=[second])
    picture = read_picture(tmp_path / "moving.gif")
    assert np.array_equal(picture.brightness, np.full((3, 3), 0.2))
    assert any("first" in note for note in picture.notes)


def test_16_bit_colour_is_told_to_be_read_at_8_bits(tmp_path: Path) -> None:
    """A 16-bit colour PNG keeps its high bytes, and a note says so."""
    codes = np.full((2, 6), 0x8040, dtype=np.uint16)
    picture = read_picture(written(tmp_path, png(2, 2, scan_lines(codes), colour=2)))
    assert picture.brightness == pytest.approx(0x80 / 255, abs=1 / 255)
    assert any("16-bit greyscale" in note for note in picture.notes)


def test_floating_point_is_spread_from_black_to_white(tmp_path: Path) -> None:
    """A terrain of floating-point metres in a TIFF (by tifffile): lowest black, highest white, gaps open."""
    values = np.array([[100.0, 150.0, np.nan], [300.0, 200.0, np.inf]], dtype=np.float32)
    tifffile.imwrite(tmp_path / "terrain.tif", values)
    picture = read_picture(tmp_path / "terrain.tif")
    assert np.array_equal(picture.brightness, [[1, 0.5, 0], [0, 0.25, 0]])
    assert picture.mask is not None
    assert np.array_equal(picture.mask, [[True, True, False], [True, True, False]])
    assert picture.notes[0] == "its values have no fixed white: 100 is taken as black, 300 as white"
    assert picture.notes[1] == "warning: 2 missing values reach the edge; they become flat ground"


def test_printing_inks_become_the_grey_of_their_colour(tmp_path: Path) -> None:
    """No ink is white, all of them black, half of black ink the grey of half the code."""
    inks = np.array([[[0, 0, 0, 0], [255, 255, 255, 255]], [[0, 0, 0, 128], [0, 0, 0, 255]]], dtype=np.uint8)
    Image.fromarray(inks, mode="CMYK").save(tmp_path / "poster.tif")
    picture = read_picture(tmp_path / "poster.tif")
    assert picture.brightness == pytest.approx(np.array([[127 / 255, 0], [1, 0]]), abs=1 / 255)
    assert any("CMYK" in note for note in picture.notes)


@pytest.mark.parametrize(
    ("dots", "pixel"),
    [((254, 254), (0.1, 0.1)), ((254, 127), (0.1, 0.2)), ((0, 0), None), ((1, 1), None), (None, None)],
)
def test_dots_per_inch_give_the_size_of_a_pixel(tmp_path: Path, dots: Any, pixel: Any) -> None:
    """254 dots an inch are 0.1 mm each; no figure, or one of nonsense, tells nothing."""
    keys = {} if dots is None else {"dpi": dots}
    Image.fromarray(CODES_8).save(tmp_path / "scan.png", **keys)
    picture = read_picture(tmp_path / "scan.png")
    # a PNG holds whole dots a metre: 254 an inch are 10 000 (W3C PNG, 11.3.4.3)
    assert picture.pixel == (None if pixel is None else pytest.approx(pixel, rel=1e-4))
    tall = 1 if pixel is None else pixel[1] / pixel[0]
    assert picture.length_for(40.0) == pytest.approx(40 * tall * 1 / 2, rel=1e-4)


def test_a_broken_file_is_told_in_one_line_and_no_other(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    """A TIFF that claims more samples a pixel than there are makes the decoder log; only our line is seen."""
    tifffile.imwrite(tmp_path / "many.tif", np.zeros((4, 4, 3), np.uint8), photometric="rgb")
    content = bytearray((tmp_path / "many.tif").read_bytes())
    place = content.index(b"\x15\x01\x03\x00")  # TIFF 6.0: tag 277, SamplesPerPixel, a SHORT
    content[place + 8 : place + 10] = (9).to_bytes(2, "little")
    (tmp_path / "many.tif").write_bytes(content)
    with pytest.raises(PictureError, match=r"many\.tif: this is not a picture that can be read"):
        read_picture(tmp_path / "many.tif")
    assert capfd.readouterr() == ("", "")
    assert caplog.records == []


def test_a_large_picture_is_read_when_it_is_allowed(tmp_path: Path) -> None:
    """More than 50 million pixels are refused with the key that allows them, and read with it."""
    wide = LARGEST // 2000 + 1
    Image.new("1", (wide, 2000)).save(tmp_path / "large.png")
    with pytest.raises(PictureError, match=r"at most 50 million pixels, or set shaping.allow_large = true"):
        read_picture(tmp_path / "large.png")
    assert read_picture(tmp_path / "large.png", allow_large=True).columns == wide


KINDS = [
    (kind, mode)
    for kind, modes in {
        "PNG": ("1", "L", "LA", "P", "RGB", "RGBA", "I;16"),
        "TIFF": ("1", "L", "LA", "P", "RGB", "RGBA", "CMYK", "LAB", "YCbCr", "I;16", "I", "F"),
        "JPEG": ("1", "L", "RGB", "CMYK", "YCbCr"),
        "WEBP": ("L", "LA", "P", "RGB", "RGBA"),
        "BMP": ("1", "L", "P", "RGB", "RGBA"),
        "PPM": ("1", "L", "I;16", "RGB"),
        "GIF": ("1", "L", "P", "RGB"),
    }.items()
    for mode in modes
]


def grey_ramp(mode: str) -> Image.Image:
    """Return a picture of this mode whose grey rises in 16 equal steps, each 16 pixels wide."""
    codes = np.repeat(np.arange(16, dtype=np.uint8) * 17, 16)[None].repeat(32, axis=0)
    if mode in ("I;16", "I"):
        return Image.fromarray(codes.astype(np.uint16) * 257).convert(mode)
    if mode == "F":
        return Image.fromarray(codes.astype(np.float32))
    grey = Image.fromarray(codes)
    if mode == "1":
        return grey.point(lambda code: 255 * (code > 127)).convert("1")
    if mode == "LAB":
        profiles = (ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"))
        lab = ImageCms.profileToProfile(grey.convert("RGB"), *profiles, outputMode="LAB")
        assert lab is not None
        return lab
    return grey.convert("RGB").convert(mode) if mode in ("CMYK", "YCbCr") else grey.convert(mode)


def test_there_are_forty_kinds() -> None:
    """Every mode that the library writes in the formats that are read."""
    assert len(KINDS) >= 40


@pytest.mark.parametrize(("kind", "mode"), KINDS, ids=[f"{kind} {mode}" for kind, mode in KINDS])
def test_each_kind_of_picture_gives_its_grey_or_one_line(tmp_path: Path, kind: str, mode: str) -> None:
    """A ramp of 16 greys arrives to 8 bits, or is refused in one line that names the file."""
    path = tmp_path / f"ramp.{kind.lower()}"
    image = grey_ramp(mode)
    image.save(
        path, kind, **({"lossless": True} if kind == "WEBP" else {"quality": 100} if kind == "JPEG" else {})
    )
    expected = np.repeat(np.arange(16) / 15, 16)
    if mode == "1":
        expected = (expected > 0.5).astype(float)
    try:
        picture = read_picture(path)
    except PictureError as refusal:
        pytest.fail(f"refused: {refusal}")
    assert picture.brightness.shape == (32, 256)
    near = 2.5 / 255 if kind == "JPEG" or mode in ("LAB", "YCbCr") else 1e-6
    assert picture.brightness[7] == pytest.approx(expected, abs=near)


@pytest.mark.parametrize("case", PICTURES, ids=lambda case: case.name)
def test_a_bad_picture_is_refused_in_one_line(tmp_path: Path, case: Case) -> None:
    """The line says what came, where, and how to mend it."""
    source = Path(case.build(tmp_path)[1])
    with pytest.raises(PictureError) as refusal:
        read_picture(source)
    line = str(refusal.value)
    assert line.startswith(f"{source}: ")
    assert all(word in line for word in case.words), line
    assert "\n" not in line


@pytest.mark.parametrize("case", [case for case in HEIGHTS if "stock" not in case.name], ids=lambda c: c.name)
def test_a_bad_height_file_is_refused_in_one_line(tmp_path: Path, case: Case) -> None:
    """The line says what came, where, and how to mend it."""
    source = Path(case.build(tmp_path)[1])
    with pytest.raises(PictureError) as refusal:
        read_heights(source)
    line = str(refusal.value)
    assert line.startswith(f"{source}: ")
    assert all(word in line for word in case.words), line
    assert "\n" not in line


def test_heights_come_back_as_they_were_saved(tmp_path: Path) -> None:
    """A height file is a grid: row 0 is the near side, and nothing is turned over or scaled."""
    heights = np.array([[0.0, -1.25], [-3.5, -0.1], [-6.0, 0.0]])
    np.save(tmp_path / "heights.npy", heights)
    read, notes = read_heights(tmp_path / "heights.npy")
    assert notes == ()
    assert read.dtype == np.float32
    assert np.array_equal(read, heights.astype(np.float32))


def test_an_archive_of_arrays_is_refused(tmp_path: Path) -> None:
    """Several arrays in one file are no height file."""
    np.savez(tmp_path / "heights.npz", first=np.zeros((2, 2)))
    with pytest.raises(PictureError, match=r"heights\.npz: this holds several arrays; save the one array"):
        read_heights(tmp_path / "heights.npz")


@hypothesis.settings(max_examples=150, deadline=None)
@hypothesis.given(st.data())
def test_damage_anywhere_gives_a_picture_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """However a file is damaged, either a picture of that size comes out or one line of refusal."""
    folder = tmp_path_factory.mktemp("damage")
    kind = data.draw(st.sampled_from(["PNG", "TIFF", "JPEG", "WEBP", "BMP", "GIF", "PPM"]))
    buffer = io.BytesIO()
    Image.open(good_picture(folder)).convert("L" if kind in ("GIF", "BMP", "PPM") else "RGB").save(
        buffer, kind
    )
    content = bytearray(buffer.getvalue())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path = written(folder, bytes(content[: data.draw(st.integers(1, len(content)))]), "damaged")
    try:
        picture = read_picture(path)
    except PictureError as error:
        refusal = str(error)
    else:
        refusal = ""
        assert 0 <= picture.brightness.min() <= picture.brightness.max() <= 1
    assert len(refusal.splitlines()) <= 1
