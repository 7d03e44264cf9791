"""Random input for every way into `relief`: pictures, height files, job files, shop files, programs.

Each maker takes a source of chance, writes one input and hands it in; what is not read has to be refused by a
`ReliefError` of one line.
"""

from __future__ import annotations

import io
import random
import string
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import trimesh
from PIL import Image

from relief.errors import ReliefError
from relief.heightfile import read_heights
from relief.job import Job, job_keys
from relief.picture import read_picture
from relief.program.read import read_program
from relief.setup import set_up
from relief.shop.load import Shop
from relief.solids import read_solid, solid_picture

FORMATS = {"png": "PNG", "jpg": "JPEG", "tif": "TIFF", "bmp": "BMP", "gif": "GIF", "webp": "WEBP"}
MODES = ("1", "L", "P", "RGB", "RGBA", "LA", "I;16", "I", "F", "CMYK")
GOLDEN = (Path(__file__).parent / "program" / "golden.nc").read_bytes()
WORDS = "GMXYZFSTPIJKRNDHQLABC"


def outcome(maker: Callable[[random.Random, Path], None], rng: random.Random, folder: Path) -> str:
    """Return "read", or the line with which an input is refused."""
    try:
        maker(rng, folder)
    except ReliefError as error:
        line = str(error)
        assert line, "a refusal without a word"
        assert "\n" not in line, line
        return line
    return "read"


# --- bytes


def bent(rng: random.Random, content: bytes) -> bytes:
    """Return bytes with a few of them changed, lost, doubled or moved."""
    data = bytearray(content)
    for _ in range(rng.choice([1, 1, 2, 3, 10])):
        if not data:
            break
        at = rng.randrange(len(data))
        span = slice(at, at + rng.choice([1, 2, 4, 16, 200]))
        way = rng.randrange(6)
        if way == 0:
            data[at] = rng.randrange(256)
        elif way == 1:
            del data[span]
        elif way == 2:
            data[at:at] = data[span]
        elif way == 3:
            data[at:at] = rng.randbytes(rng.choice([1, 4, 30]))
        elif way == 4:
            del data[at:]
        else:
            data[at : at + 4] = struct.pack(">I", rng.choice([0, 1, 2**31 - 1, 2**31, 2**32 - 1, 65535]))
    return bytes(data)


def _with_sums(png: bytes) -> bytes:
    """Return a PNG with the checksum of every chunk put right (PNG specification, 5.3)."""
    out, at = bytearray(png[:8]), 8
    while at + 12 <= len(png):
        length = struct.unpack(">I", png[at : at + 4])[0]
        body = png[at + 4 : at + 8 + min(length, len(png))]
        out += png[at : at + 4] + body + struct.pack(">I", zlib.crc32(body))
        at += 12 + length
    return bytes(out)


def picture(rng: random.Random, folder: Path) -> None:
    """Hand in some picture, often a bent one."""
    mode, ending = rng.choice(MODES), rng.choice(list(FORMATS))
    size = rng.choice([1, 2, 3, 17, 40]), rng.choice([1, 2, 5, 33])
    image = Image.new(mode, size)
    buffer = io.BytesIO()
    try:
        image.save(buffer, FORMATS[ending])
    except (OSError, ValueError):
        Image.new("L", size, rng.randrange(256)).save(buffer, FORMATS[ending])
    content = buffer.getvalue()
    if rng.random() < 0.8:
        content = bent(rng, content)
    if ending == "png" and rng.random() < 0.7:
        content = _with_sums(content)
    path = folder / f"picture.{rng.choice([ending, ending, 'png', 'tif', 'svg', ''])}"
    path.write_bytes(content)
    read_picture(path)


def solid(rng: random.Random, folder: Path) -> None:
    """Hand in some mesh file, often a bent one; what can be read is also looked at from above."""
    ending = rng.choice(["stl", "stl", "ply", "obj", "off"])
    whole = trimesh.creation.icosphere(subdivisions=rng.choice([0, 1]), radius=rng.choice([1e-30, 1.0, 1e30]))
    content = whole.export(file_type=ending)
    content = content.encode() if isinstance(content, str) else content
    path = folder / f"mesh.{rng.choice([ending, ending, ending, 'stl', 'ply', 'obj', 'off'])}"
    path.write_bytes(bent(rng, content) if rng.random() < 0.8 else content)
    seen, _ = solid_picture(read_solid(path), 7, 9)
    assert np.isfinite(seen.brightness).all()


def heights(rng: random.Random, folder: Path) -> None:
    """Hand in some height file, often a bent one."""
    shape = tuple(rng.choice([0, 1, 2, 7, 30]) for _ in range(rng.choice([0, 1, 2, 2, 2, 3])))
    kind = rng.choice(["f4", "f8", "i2", "u1", "c8", "?", "f2", ">f4", "U3", "M8[s]"])
    array = np.zeros(shape, dtype=kind)
    if kind[-2:] in ("f4", "f8") and array.size:
        array.flat[rng.randrange(array.size)] = rng.choice([np.nan, np.inf, -1e30, -3.0])
    buffer = io.BytesIO()
    np.save(buffer, array)
    content = buffer.getvalue()
    (folder / "heights.npy").write_bytes(bent(rng, content) if rng.random() < 0.7 else content)
    read_heights(folder / "heights.npy")


# --- TOML


def _value(rng: random.Random) -> str:
    """Return some value as TOML writes it, or nearly."""
    return rng.choice(
        [
            lambda: str(rng.choice([0, 1, -1, 2, 5, 50, 10**9, -(10**9), 10**400])),
            lambda: str(rng.choice([0.0, 1e-9, -0.5, 0.3, 3.2, 1e9, 1e308])),
            lambda: rng.choice(["nan", "inf", "-inf", "true", "false", "1979-05-27", "07:32:00", "1e999"]),
            lambda: f'"{"".join(rng.choices(string.printable[:80], k=rng.randrange(12)))}"'.replace(
                "\\", "/"
            ),
            lambda: rng.choice(
                ['"1/8 in"', '"3 mm"', '"0 in"', '"1/0 in"', '"9e99 km"', '"-2 mm"', '"5 °C"', '"2 mm mm"']
            ),
            lambda: f"[{', '.join(_value(rng) for _ in range(rng.randrange(4)))}]",
            lambda: f"{{ {rng.choice(['x', 'low', 'a.b'])} = {_value(rng)} }}",
        ]
    )()


def _sound(rng: random.Random) -> str:
    """Return some value that many keys accept."""
    return rng.choice(["0", "1", "2", "0.3", "7.5", "20", "true", "false", '"1/4 in"', '"3 mm"', "[0, 1]"])


def job(rng: random.Random, folder: Path) -> None:
    """Hand in some job file beside a sound picture; what can be read is also set up."""
    Image.linear_gradient("L").resize((9, 7)).save(folder / "good.png")
    keys = job_keys()
    others = ["stok.width", "relief", "clamps", "finishing.scalop", "a", '"x y".z']
    lines = ['picture = "good.png"'] if rng.random() < 0.95 else []
    lines += ["relief.width = 20"] if rng.random() < 0.9 else []
    for _ in range(rng.choice([0, 1, 1, 2, 3, 6])):
        found = rng.choice(keys)
        value = f'"{rng.choice(found.choices)}"' if found.choices else _sound(rng)
        value = _value(rng) if rng.random() < 0.3 else value
        lines.append(f"{found.name if rng.random() < 0.95 else rng.choice(others)} = {value}")
    for number, table in enumerate(("clamps", "lettering")):
        if rng.random() < 0.1:
            lines += [f"[[{table}]]", *(f"{name} = {_sound(rng)}" for name in rng.sample("xy", 2 - number))]
            lines += [f"{rng.choice(['width', 'height', 'text', 'depth'])} = {_value(rng)}"]
    content = "\n".join(lines).encode("utf-8", "replace")
    path = folder / "job.toml"
    path.write_bytes(bent(rng, content) if rng.random() < 0.3 else content)
    read = Job.read(path)
    set_up(read, Shop.read(read.shop))


def shop(rng: random.Random, folder: Path) -> None:
    """Hand in some shop file: the starter shop with values changed, or bent."""
    lines = STARTER.splitlines()
    for _ in range(rng.choice([1, 1, 2, 5])):
        k = rng.randrange(len(lines))
        name, equals, _ = lines[k].partition(" = ")
        if equals and rng.random() < 0.7:
            lines[k] = f"{name} = {_value(rng)}"
        elif rng.random() < 0.5:
            lines[k] = lines[k].replace("[", rng.choice(["", "[", "[["]))
        else:
            lines.insert(k, f"{rng.choice(['x', 'diameter', 'name', '[machine]'])} = {_value(rng)}")
    content = "\n".join(lines).encode("utf-8", "replace")
    (folder / "shop.toml").write_bytes(bent(rng, content) if rng.random() < 0.3 else content)
    Shop.read(folder / "shop.toml").text()


STARTER = Shop.read(None).text()


# --- programs


def program(rng: random.Random, folder: Path) -> None:
    """Hand in some program: words at random, or a sound one bent."""
    if rng.random() < 0.4:
        content = bent(rng, GOLDEN)
    else:
        lines = ["G21 G90 G94" if rng.random() < 0.9 else ""]
        lines += [" ".join(_words(rng)) for _ in range(rng.randrange(30))]
        content = "\n".join([*lines, "M2"]).encode("utf-8", "surrogatepass")
    moves = read_program(content)
    assert len(moves.points) == len(moves.rapid) + 1
    assert np.all(moves.feed[~moves.rapid] > 0)


def _words(rng: random.Random) -> list[str]:
    found = []
    for _ in range(rng.choice([0, 1, 2, 3, 3, 4, 12])):
        letter = rng.choice(WORDS) if rng.random() < 0.5 else rng.choice("GXYZF")
        number = rng.choice(
            [str(rng.randrange(100)), f"{rng.uniform(-99, 99):.3f}", "-.5", "1.", "1e5", "", "--1"]
        )
        if letter == "G":
            number = rng.choice(
                ["0", "1", "1", "2", "3", "4", "17", "18", "20", "21", "53", "54", "90", "91", "28"]
            )
        found.append(
            rng.choice([f"{letter}{number}"] * 20 + ["(a", "b)", "(c)", "/", "%", ";x", "#1=2", "é"])
        )
    return found


MAKERS: dict[str, Callable[[random.Random, Path], None]] = {
    "picture": picture,
    "solid": solid,
    "heights": heights,
    "job": job,
    "shop": shop,
    "program": program,
}
