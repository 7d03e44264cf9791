"""Files from elsewhere: nothing in them runs code, reaches beyond the named folders, or goes on for ever."""

from __future__ import annotations

import ast
import builtins
import io
import os
import pickle
import re
from pathlib import Path

import numpy as np
import pytest
import trimesh
from click.testing import CliRunner, Result

from relief.cli import relief
from relief.errors import ReliefError
from relief.heightfile import read_heights
from relief.job import Job, job_from_source
from relief.program.read import read_program
from relief.shop.load import Shop
from relief.solids import read_solid
from relief.workflow import carve
from tests import fields
from tests.program.standard import violations
from tests.test_architecture import MODULES, imports

# What could turn data into code, or fetch something: standard library, and general-purpose packages.
RUNNERS = {
    "pickle", "marshal", "shelve", "dill", "yaml", "code", "codeop", "runpy", "imp", "ctypes", "cffi", "pty",
    "socket", "ssl", "http", "urllib", "ftplib", "smtplib", "telnetlib", "xmlrpc", "requests", "httpx",
    "webbrowser",
}  # fmt: skip
CALLS = {"eval", "exec", "compile", "__import__", "system", "popen", "spawnl", "spawnv", "execv", "execl"}


def run(*arguments: str) -> Result:
    """Run the command line inside this process."""
    return CliRunner().invoke(relief, list(arguments), prog_name="relief")


# --- code


@pytest.mark.parametrize("module", MODULES)
def test_no_module_can_turn_data_into_code_or_fetch_anything(module: str) -> None:
    """No interpreter, no pickle, no network: neither imported nor called."""
    assert not {name.split(".")[0] for name in imports(module)} & RUNNERS
    tree = ast.parse(MODULES[module].read_text(encoding="utf-8"))
    called = {
        node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and not _of_re(node.func)
    }
    assert not called & CALLS


def _of_re(function: ast.expr) -> bool:
    """Whether it is `re.compile`, which compiles a pattern."""
    return isinstance(function, ast.Attribute) and getattr(function.value, "id", "") == "re"


def test_only_one_module_starts_a_process_and_it_runs_ourselves() -> None:
    """The compiling of the kernels is shared with a second Python; nothing from a file is in its command."""
    starters = [name for name in MODULES if "subprocess" in imports(name)]
    assert starters == ["firstrun"]


def test_every_array_file_is_read_without_unpickling() -> None:
    """`numpy.load` is told so wherever it stands (its documentation warns of arbitrary code)."""
    for path in MODULES.values():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "load":
                told = {word.arg: getattr(word.value, "value", None) for word in node.keywords}
                assert getattr(node.func, "value", None) is not None
                assert told.get("allow_pickle", False) is False


class Trap:
    """Makes a file when it is unpickled."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __reduce__(self) -> tuple:
        return (open, (str(self.path), "w"))


@pytest.mark.parametrize("form", ["object array", "bare pickle", "archive"])
def test_a_height_file_never_unpickles(tmp_path: Path, form: str) -> None:
    """Neither an array of objects, nor a pickle, nor an archive that calls itself a .npy."""
    sprung, path = tmp_path / "sprung", tmp_path / "heights.npy"
    trap = np.array([[Trap(sprung)]], dtype=object)
    if form == "object array":
        np.save(path, trap, allow_pickle=True)
    elif form == "bare pickle":
        path.write_bytes(pickle.dumps(Trap(sprung)))
    else:
        buffer = io.BytesIO()
        np.savez(buffer, a=trap)
        path.write_bytes(buffer.getvalue())
    with pytest.raises(ReliefError):
        read_heights(path)
    assert not sprung.exists()


# --- places


def everything(folder: Path) -> dict[str, bytes]:
    """Return all files in and below a folder."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_a_job_writes_its_folder_and_nothing_else(tmp_path: Path) -> None:
    """Whatever its keys name: a picture elsewhere is read; no text of a job says where a file is written."""
    (tmp_path / "pictures").mkdir()
    (tmp_path / "work").mkdir()
    np.save(tmp_path / "pictures" / "target.npy", fields.dome(pitch=0.5).heights)
    (tmp_path / "work" / "job.toml").write_text(
        'picture = "../pictures/target.npy"\nmaterial = "../../softwood"\nshop = "shop.toml"\n'
        '[output]\npitch = 0.5\n[finishing]\nscallop = 0.25\ncutter = "../../../etc/ball"\n'
    )
    (tmp_path / "work" / "shop.toml").write_text(
        Shop.read(None)
        .text()
        .replace('name = "softwood"', 'name = "../../softwood"')
        .replace('name = "ball 1/8 in"', 'name = "../../../etc/ball"')
    )
    before = everything(tmp_path)
    result = run("carve", str(tmp_path / "work" / "job.toml"), "-o", str(tmp_path / "work" / "made"))

    assert result.exit_code == 0, result.output
    after = everything(tmp_path)
    assert {name: after[name] for name in before} == before
    assert all(Path(name).parent == Path("work", "made") for name in after if name not in before)


def test_a_mesh_file_draws_no_other_file_in(tmp_path, monkeypatch):
    """An OBJ may name a library of materials anywhere: only the mesh itself is opened."""
    text = trimesh.creation.icosphere(1).export(file_type="obj")
    secret = tmp_path / "secret.mtl"
    secret.write_text("newmtl a\nmap_Kd /etc/passwd\n")
    (tmp_path / "mesh.obj").write_text(f"mtllib {secret}\nusemtl a\n{text}")
    opened: list[str] = []
    real = io.open

    def noting(file, *rest, **more):
        opened.append(str(file))
        return real(file, *rest, **more)

    monkeypatch.setattr(io, "open", noting)
    monkeypatch.setattr(builtins, "open", noting)
    read_solid(tmp_path / "mesh.obj")

    assert str(secret) not in opened
    assert "/etc/passwd" not in opened


# --- texts

HOSTILE = "a)G0Z-50(<script>alert(1)<\\script><img src=x onerror=alert(2)>%\u202e"


def test_hostile_names_change_no_block_and_no_page(tmp_path: Path) -> None:
    """File, cutter, material and machine called by code: same blocks, same number of scripts and pictures."""
    heights = fields.dome(pitch=0.5).heights
    made = {}
    for kind, name in (("plain", "plain"), ("hostile", HOSTILE)):
        home = tmp_path / kind
        home.mkdir()
        np.save(home / f"{name}.npy", heights)
        text = Shop.read(None).text()
        for known in ("softwood", "benchtop router", "ball 1/8 in", "flat 1/4 in"):
            text = text.replace(f'name = "{known}"', f"name = '{known} {name}'")
        (home / "shop.toml").write_text(text, encoding="utf-8")
        asked = {
            "output.pitch": 0.5, "finishing.scallop": 0.25, "shop": str(home / "shop.toml"),
            "material": f"softwood {name}", "machine": f"benchtop router {name}",
            "finishing.cutter": f"ball 1/8 in {name}", "roughing.cutter": f"flat 1/4 in {name}",
        }  # fmt: skip
        job = job_from_source(home / f"{name}.npy", asked)
        assert carve(job, Shop.read(Path(asked["shop"])), home / "job").ready
        made[kind] = home / "job"
    for path in sorted(made["plain"].glob("*.nc")):
        plain, hostile = path.read_text("ascii"), (made["hostile"] / path.name).read_text("ascii")
        assert _code(hostile) == _code(plain)
        assert violations(hostile) == []
    plain, hostile = ((folder / "sheet.html").read_text("utf-8") for folder in made.values())
    for tag in ("<script", "<img", "onerror=alert(2)>"):
        assert _markup(hostile, tag) == _markup(plain, tag), tag


def _code(text: str) -> list[str]:
    return [line for line in text.splitlines() if not line.startswith("(")]


def _markup(page: str, tag: str) -> int:
    """Count a tag outside of the data that scripts hold."""
    return len(
        re.findall(
            re.escape(tag), re.sub(r"<script[^>]*>.*?</script>", "<script></script>", page, flags=re.S)
        )
    )


@pytest.mark.parametrize("arguments", [["esc\x1b[2Jape.png"], ["a.png", "--set", "\x1b]0;title\x07=3"]])
def test_a_terminal_is_told_nothing_it_would_act_upon(arguments: list[str]) -> None:
    """Escape sequences in names are shown, not sent (ECMA-48 begins them with ESC)."""
    result = run("carve", *arguments)

    assert result.exit_code == 1
    assert all(c.isprintable() or c == "\n" for c in result.output)


# --- what does not end


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no named pipes here")
@pytest.mark.parametrize(
    "arguments",
    [
        ["carve", "{}.png"], ["carve", "{}.npy"], ["carve", "{}.stl"], ["carve", "{}.toml"],
        ["looks", "{}.png"], ["new", "{}.png"], ["shop", "--shop", "{}.toml"],
        ["carve", "good.npy", "--shop", "{}.toml"], ["carve", "good.npy", "--set", "shaping.mask={}.png"],
        ["carve", "good.npy", "--set", "lettering=[{{text=\"A\", font='{}.ttf'}}]"],
        ["check", "{}.nc", "--thickness", "18", "--cutter", "flat 1/4 in"],
        ["check", "a.nc", "--job", "{}.toml"], ["resume", "{}.nc", "--at", "3"],
    ],
)  # fmt: skip
@pytest.mark.parametrize("endless", ["pipe", "device"])
def test_a_pipe_or_a_device_is_refused_at_once(tmp_path, monkeypatch, arguments, endless):
    """Nobody writes into the pipe, and /dev/zero never ends: reading either would hang."""
    monkeypatch.chdir(tmp_path)
    np.save("good.npy", fields.dome(pitch=0.5).heights)
    for ending in ("png", "npy", "stl", "toml", "nc", "ttf"):
        if endless == "pipe":
            os.mkfifo(f"endless.{ending}")
        else:
            Path(f"endless.{ending}").symlink_to("/dev/zero")
    result = run(*(word.format("endless") for word in arguments))

    assert result.exit_code == 1, result.output
    assert "a fault inside" not in result.stderr


DEEP = {
    "lists": f"a = {'[' * 20_000}{']' * 20_000}",
    "tables": f"[a{'.b' * 20_000}]\nx = 1",
    "keys": f"a{'.b' * 20_000} = 1",
    "braces": f"a = {'{b=' * 20_000}1{'}' * 20_000}",
}


@pytest.mark.parametrize("kind", DEEP)
@pytest.mark.parametrize("reader", [Job.read, Shop.read])
def test_tables_inside_tables_are_refused(tmp_path, kind, reader):
    """However deep, there is one line of refusal, and the stack holds."""
    (tmp_path / "deep.toml").write_text(DEEP[kind])
    with pytest.raises(ReliefError, match=r"deep\.toml"):
        reader(tmp_path / "deep.toml")


LONG = {
    "key": "x" * 1_000_000 + " = 1",
    "blanks": 'picture = "a"\nrelief.width = "' + " " * 1_000_000 + 'x"',
    "fraction": 'picture = "a"\nrelief.width = "' + "1/" * 500_000 + '"',
    "power": 'picture = "a"\nrelief.width = "1e999999999 mm"',
    "digits": 'picture = "a"\nrelief.width = ' + "9" * 1_000_000,
    "cutter": 'name = "a"\n[[cutter]]\nname = "a"\nkind = "' + "flat" * 250_000 + '"',
}


@pytest.mark.parametrize("kind", LONG)
@pytest.mark.parametrize("reader", [Job.read, Shop.read])
def test_long_texts_are_refused_in_a_short_line(tmp_path, kind, reader):
    """A megabyte of one word takes no time to refuse, and the refusal does not repeat it."""
    (tmp_path / "long.toml").write_text(LONG[kind])
    with pytest.raises(ReliefError) as told:
        reader(tmp_path / "long.toml")
    assert len(str(told.value)) < 3000


def test_blank_lines_take_no_memory_that_the_file_has_not() -> None:
    """Ten million empty lines are read like none (each move needs three bytes of text at least)."""
    assert len(read_program(b"G21\nG0 Z5\n" + b"\n" * 10_000_000 + b"M2\n")) == 1
