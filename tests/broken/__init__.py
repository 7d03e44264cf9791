"""Inputs that must be refused, each with the words that its one line must hold.

A case builds its files in an empty folder and returns the arguments of `relief`. What is asked of every case:
exit code 1, one line on the error stream that holds the words, and nothing in the folder that was not there.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

JOB_FOLDER = "job"  # where every case asks for its job folder, unless that is what is wrong with it


@dataclass(frozen=True)
class Case:
    """One bad input.

    Parameters
    ----------
    name : what is wrong
    build : folder → arguments of `relief`
        Makes the files of the case in the folder, which is empty.
    words : texts that the line must hold: what came, where, how to mend it
    """

    name: str
    build: Callable[[Path], list[str]]
    words: tuple[str, ...]


def png(columns: int, rows: int, raw: bytes, *, depth: int = 16, colour: int = 0) -> bytes:
    """Return a PNG with these unfiltered scan lines (W3C PNG, Third Edition, clauses 5.2 to 5.6 and 11.2)."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + content))
        return struct.pack(">I", len(content)) + kind + content + check

    header = struct.pack(">IIBBBBB", columns, rows, depth, colour, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(raw))
        + chunk(b"IEND", b"")
    )


def good_picture(folder: Path) -> Path:
    """Write a small, sound picture: a 16-bit slope."""
    path = folder / "slope.png"
    codes = np.linspace(0, 65535, 24 * 16).reshape(16, 24).astype(np.uint16)
    Image.fromarray(codes).save(path)
    return path


def _carve(source: Path, *options: str) -> list[str]:
    return ["carve", str(source), "-o", str(source.parent / JOB_FOLDER), *options]


def _file(name: str, content: bytes, *options: str) -> Callable[[Path], list[str]]:
    """Return a case's builder: one file with this content, carved."""

    def build(folder: Path) -> list[str]:
        (folder / name).write_bytes(content)
        return _carve(folder / name, *options)

    return build


def _array(content: object) -> Callable[[Path], list[str]]:
    """Return a case's builder: one height file that holds this array."""

    def build(folder: Path) -> list[str]:
        np.save(folder / "heights.npy", np.asarray(content))
        return _carve(folder / "heights.npy")

    return build


def _ground(*options: str) -> Callable[[Path], list[str]]:
    """Return a case's builder: a file of ground heights, carved with these options."""

    def build(folder: Path) -> list[str]:
        np.save(folder / "hill.npy", np.add.outer(np.arange(12.0), np.arange(20.0)) * 10)
        return _carve(folder / "hill.npy", *options)

    return build


def _huge_array(folder: Path) -> list[str]:
    with (folder / "heights.npy").open("wb") as file:
        shape = {"descr": "<f4", "fortran_order": False, "shape": (1_000_000, 1_000_000)}
        np.lib.format.write_array_header_1_0(file, shape)
        file.write(b"\0" * 4000)
    return _carve(folder / "heights.npy")


def _options(*options: str) -> Callable[[Path], list[str]]:
    """Return a case's builder: a sound picture, carved with these options."""
    return lambda folder: _carve(good_picture(folder), *options)


def _job(text: str) -> Callable[[Path], list[str]]:
    """Return a case's builder: a job file with this text beside a sound picture."""

    def build(folder: Path) -> list[str]:
        good_picture(folder)
        (folder / "sign.toml").write_text(text, encoding="utf-8")
        return _carve(folder / "sign.toml")

    return build


def _shop(text: str) -> Callable[[Path], list[str]]:
    """Return a case's builder: a sound picture, carved with a shop file of this text."""

    def build(folder: Path) -> list[str]:
        (folder / "shop.toml").write_text(text, encoding="utf-8")
        return _carve(good_picture(folder), "--shop", str(folder / "shop.toml"))

    return build


def _truncated(folder: Path) -> list[str]:
    whole = good_picture(folder).read_bytes()
    path = folder / "sunflower.png"
    path.write_bytes(whole[: len(whole) // 2])
    return _carve(path)


def _misspelt(folder: Path) -> list[str]:
    good_picture(folder)
    return _carve(folder / "slop.png")


def _a_folder(folder: Path) -> list[str]:
    (folder / "pictures").mkdir()
    return _carve(folder / "pictures")


def _floating_point(folder: Path) -> list[str]:
    Image.fromarray(np.full((8, 8), np.nan, dtype=np.float32)).save(folder / "heights.tif")
    return _carve(folder / "heights.tif")


def _out_under_a_file(folder: Path) -> list[str]:
    (folder / "notes").write_text("a file, not a folder")
    return ["carve", str(good_picture(folder)), "-o", str(folder / "notes" / "job")]


def _out_in_no_folder(folder: Path) -> list[str]:
    return ["carve", str(good_picture(folder)), "-o", str(folder / "nowhere" / "job")]


def _out_taken(folder: Path) -> list[str]:
    (folder / JOB_FOLDER).mkdir()
    (folder / JOB_FOLDER / "letters.txt").write_text("not ours")
    return _carve(good_picture(folder))


def _out_not_ours(folder: Path) -> list[str]:
    return [*_out_taken(folder), "--replace"]


PICTURES = (
    Case("a picture cut short", _truncated, ("sunflower.png", "cut short", "export it again")),
    Case("an empty picture", _file("sign.png", b""), ("sign.png", "empty", "again")),
    Case("text called a picture", _file("sign.png", b"not a picture"), ("sign.png", "not a picture", "PNG")),
    Case(
        "a picture with a huge claim",
        _file("sign.png", png(200_000, 200_000, b"")),
        ("sign.png", "more pixels", "million pixels"),
    ),
    Case(
        "a picture too large to be meant",
        _file("sign.png", png(9000, 9000, b"")),
        ("sign.png", "9000 × 9000", "50 million pixels"),
    ),
    Case("a picture of one column", _file("sign.png", png(1, 3, b"\0" * 9)), ("sign.png", "1 × 3", "2 × 2")),
    Case("a picture whose name is misspelt", _misspelt, ("slop.png", "no such file", "slope.png")),
    Case("a folder for a picture", _a_folder, ("pictures", "folder", "name a picture")),
    Case("values that are no numbers", _floating_point, ("heights.tif", "finite", "export it again")),
)

MESHES = (
    Case(
        "a mesh without triangles",
        _file("bust.stl", b"solid bust\nendsolid bust\n"),
        ("bust.stl", "triangles"),
    ),
    Case("no mesh at all", _file("bust.ply", b"hello"), ("bust.ply", "no whole mesh file", "binary STL")),
    Case(
        "a mesh that stands on edge",
        _file("fin.obj", b"v 0 0 0\nv 0 1 0\nv 0 0 1\nf 1 2 3\n"),
        ("fin.obj", "on edge", "Z is up"),
    ),
)

HEIGHTS = (
    Case("no array in a height file", _file("h.npy", b"\x93NUMPY\x01\x00\x05\x00"), ("h.npy", "numpy.save")),
    Case("a height file with a huge claim", _huge_array, ("heights.npy", "not a whole", "numpy.save")),
    Case("objects in a height file", _array([[None, {}], [1, 2]]), ("heights.npy", "numpy.save")),
    Case("a height file of three dimensions", _array(np.zeros((4, 4, 3))), ("heights.npy", "4 × 4 × 3")),
    Case("nothing but holes in a height file", _array(np.full((3, 3), np.nan)), ("heights.npy", "finite")),
    Case("heights above the stock", _array([[1.5, 0.0], [-1.0, 0.0]]), ("1.5 mm", "stock top", "subtract")),
    Case("heights through the stock", _array([[-99.0, 0.0], [0.0, 0.0]]), ("99 mm", "18 mm", "thickness")),
)

GROUNDS = (
    Case(
        "an exaggeration of nothing",
        _ground("--set", "terrain.exaggeration=2"),
        ("terrain.exaggeration", "terrain.spacing"),
    ),
    Case(
        "a mountain higher than the board",
        _ground("--set", "terrain.spacing=0.001"),
        ("stock.thickness", "terrain.exaggeration"),
    ),
    Case("land below the sea", _ground("--set", "terrain.sea_level=900"), ("terrain.sea_level", "900")),
    Case(
        "a depth and an exaggeration",
        _ground("--set", "terrain.spacing=30", "--set", "terrain.exaggeration=2", "--depth", "4"),
        ("relief.depth", "terrain.exaggeration", "leave one"),
    ),
)

JOBS = (
    Case("broken TOML", _job('picture = "slope.png\n[relief'), ("sign.toml", "TOML", "line 1", "mend")),
    Case("a job file that is no text", _file("sign.toml", b"\xff\xfe\x00"), ("sign.toml", "UTF-8")),
    Case(
        "an unknown key",
        _job('picture = "slope.png"\n[relief]\nwidht = 100\n'),
        ("sign.toml", "widht", 'did you mean "', "width"),
    ),
    Case(
        "a board as long as a country",
        _job('picture = "slope.png"\n[stock]\nlength = 1e9\n'),
        ("stock", "million", "output.pitch"),
    ),
    Case("a job without a picture", _job("[relief]\nwidth = 100\n"), ("sign.toml", "picture", "missing")),
    Case(
        "levels the wrong way round",
        _job('picture = "slope.png"\n[shaping]\nlevels = [0.9, 0.1]\n'),
        ("shaping.levels", "[0.9, 0.1]", "below"),
    ),
    Case(
        "terraces where there are none", _options("--set", "shaping.unstep=true"), ("65536", "leave it out")
    ),
    Case(
        "nothing left of a picture", _options("--set", "shaping.crop=[50, 49, 0, 0]"), ("shaping.crop", "49")
    ),
    Case("nothing to lift", _options("--set", "shaping.lift=0.5"), ("silhouette", "shaping.mask")),
    Case(
        "a frame that leaves nothing",
        _options("--set", "shaping.border=cove", "--set", "shaping.border_width=60"),
        ("border_width", "narrower"),
    ),
    Case(
        "a lamp behind an unmeasured sheet",
        _options("--set", "shaping.back_lit=clear"),
        ("attenuation", "measured"),
    ),
    Case(
        "letters that leave the relief",
        _options("--set", 'lettering=[{text="Allotments", height=40}]'),
        ("Allotments", "leaves the relief", "smaller"),
    ),
    Case(
        "letters without a height",
        _options("--set", 'lettering=[{text="Allotments"}]'),
        ("lettering", "height", "missing"),
    ),
    Case(
        "a mask that is not there", _options("--set", "shaping.mask=none.png"), ("none.png", "no such file")
    ),
    Case("a negative width", _options("--width", "-100"), ("relief.width", "-100", "greater than 0")),
    Case("a width that is no length", _options("--width", "6 furlings"), ("furlings", "1/8 in")),
    Case(
        "a feed that is none", _options("--set", "roughing.feed=60 in"), ("roughing.feed", "60 in", "in/min")
    ),
    Case(
        "a depth not below the thickness",
        _options("--depth", "18", "--thickness", "18"),
        ("relief.depth", "18 mm", "stock.thickness", "thicker"),
    ),
    Case(
        "a relief larger than the machine's travel",
        _options("--width", "2000", "--pitch", "2"),
        ("along X", "travels 600 mm", "machine"),
    ),
    Case(
        "a scallop not below the ball's radius",
        _options("--scallop", "2", "--pitch", "1"),
        ("finishing.scallop", "2 mm", "1.58", "lower"),
    ),
    Case(
        "finishing with a sharp vee",
        _options("--finish", "vee 60"),
        ("finishing.cutter", "vee 60", "flanks of two passes", "0.058 mm apart", "choose a ball"),
    ),
    Case(
        "a cutter beside passes that end with another",
        _options("--set", 'finishing.passes=["ball 1/4 in", "ball 1/8 in"]', "--set", "finishing.cutter=22"),
        ("finishing.cutter", "22", "ball 1/8 in", "leave one"),
    ),
    Case(
        "passes from fine to coarse",
        _options("--finish", "ball 1/8 in", "--finish", "ball 1/4 in"),
        ("finishing.passes", "ball 1/8 in", "ball 1/4 in", "coarse to fine"),
    ),
    Case("a grid too fine to hold", _options("--pitch", "0.005"), ("0.005 mm", "million points", "pitch")),
    Case(
        "passes closer than the points of the relief",
        _options("--set", "roughing.stepover=0.1", "--pitch", "0.5", "--width", "20"),
        ("roughing.stepover = 0.1 mm", "points of the relief", "0.5 mm apart", "larger stepover"),
    ),
    Case("a pitch wider than the relief", _options("--pitch", "500"), ("pitch", "500", "finer")),
    Case(
        "a clamp on the relief",
        _options("--set", "clamps=[{x=50, y=20, width=9, length=9, height=9}]"),
        ("clamp 1", "stands on the relief", "waste"),
    ),
    Case(
        "a clamp without a height",
        _options("--set", "clamps=[{x=-20, y=20, width=9, length=9}]"),
        ("clamps", "height", "missing"),
    ),
    Case("a style that does not exist", _options("--set", "relief.style=rised"), ("relief.style", "rised")),
    Case("a setting that does not exist", _options("--set", "relief.dpeth=3"), ("dpeth", "relief.depth")),
)

SHOPS = (
    Case("a cutter not in the shop", _options("--finish", "ball 5/8 in"), ("ball 5/8 in", "nearest")),
    Case("a material not in the shop", _options("--material", "softwod"), ("softwod", "softwood")),
    Case(
        "a machine not in the shop", _options("--machine", "benchtop ruoter"), ("ruoter", "benchtop router")
    ),
    Case(
        "an unknown key of a cutter",
        _shop('[[cutter]]\nname = "mine"\nkind = "ball"\ndiamter = 3\n'),
        ("shop.toml", "diamter", "diameter"),
    ),
    Case(
        "a cutter of no size",
        _shop('[[cutter]]\nname = "mine"\nkind = "ball"\ndiameter = 0\n'),
        ("shop.toml", "mine", "diameter", "greater than 0"),
    ),
    Case(
        "a shop file that is missing", _options("--shop", "no-such-shop.toml"), ("no-such-shop.toml", "TOML")
    ),
    Case("roughing with a ball", _options("--rough", "ball 1/8 in"), ("roughing.cutter", "flat")),
    Case(
        "rest roughing with a ball",
        _options("--set", "roughing.rest=ball 1/8 in"),
        ("roughing.rest", "ball", "flat end mill"),
    ),
    Case(
        "rest roughing with the same cutter",
        _options("--set", "roughing.rest=flat 1/4 in"),
        ("roughing.rest", "no smaller", "leave it out"),
    ),
)

FOLDERS = (
    Case("a job folder under a file", _out_under_a_file, ("notes", "is a file", "choose another")),
    Case("a job folder in no folder", _out_in_no_folder, ("nowhere", "does not exist", "choose another")),
    Case("a job folder that is taken", _out_taken, ("job", "already there", "--replace")),
    Case("a folder that is not ours to replace", _out_not_ours, ("job", "not be replaced", "--out")),
)

CASES = PICTURES + MESHES + HEIGHTS + GROUNDS + JOBS + SHOPS + FOLDERS
