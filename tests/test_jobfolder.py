"""The job folder appears whole or not at all, whatever fails and wherever."""

from __future__ import annotations

import errno
import json
import os
import resource
import shutil
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from relief import jobfolder
from relief.errors import FolderError
from relief.jobfolder import check_file, check_folder, write_file, write_folder


def job_files(**contents: bytes) -> dict[str, bytes]:
    """Return the files of a small job folder, its report naming all of them."""
    files = {"job.toml": b"picture = 'a.png'\n", "1-roughing.nc": b"G21\nM2\n", **contents}
    report = {"relief_version": "0", "sha256": dict.fromkeys(files, "")}
    return {**files, "report.json": json.dumps(report).encode()}


def contents(folder: Path) -> dict[str, bytes]:
    """Return the files of a folder by name."""
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def made_earlier(folder: Path) -> dict[str, bytes]:
    """Make an earlier job folder and return what it holds."""
    files = job_files(**{"carved.stl": b"earlier"})
    write_folder(folder, files, replace=False)
    return files


def assert_nothing_beside(folder: Path, *names: str) -> None:
    """Hold that the parent holds these names alone."""
    assert sorted(path.name for path in folder.parent.iterdir()) == sorted(names)


def test_writes_every_file(tmp_path: Path) -> None:
    """The folder holds exactly the files given, byte for byte, and nothing is left beside it."""
    folder, files = tmp_path / "sunflower job", job_files()
    check_folder(folder, replace=False)
    write_folder(folder, files, replace=False)
    assert contents(folder) == files
    assert_nothing_beside(folder, "sunflower job")


def test_replaces_an_earlier_folder(tmp_path: Path) -> None:
    """With replace, the new folder stands in place of the earlier one; no old file stays among the new."""
    folder = tmp_path / "job"
    made_earlier(folder)
    write_folder(folder, job_files(), replace=True)
    assert contents(folder) == job_files()
    assert_nothing_beside(folder, "job")


def test_replaces_an_empty_folder(tmp_path: Path) -> None:
    """An empty folder holds nothing to lose."""
    folder = tmp_path / "job"
    folder.mkdir()
    write_folder(folder, job_files(), replace=True)
    assert contents(folder) == job_files()


def test_litter_of_file_browsers_does_not_hinder(tmp_path: Path) -> None:
    """A file that a file browser drops into every folder is not taken for the user's."""
    folder = tmp_path / "job"
    made_earlier(folder)
    (folder / ".DS_Store").write_bytes(b"")
    write_folder(folder, job_files(), replace=True)
    assert contents(folder) == job_files()


def refusal(action: Callable[[], object]) -> str:
    """Return the one line of a refusal."""
    with pytest.raises(FolderError) as caught:
        action()
    message = str(caught.value)
    assert "\n" not in message
    return message


@pytest.mark.parametrize("work", ["check", "write"])
@pytest.mark.parametrize(
    ("case", "replace", "said"),
    [
        ("earlier", False, "--replace"),
        ("photos", True, "no job folder made by relief"),
        ("report of something else", True, "no job folder made by relief"),
        ("broken report", True, "no job folder made by relief"),
        ("photo among ours", True, '"holiday.jpg"'),
        ("folder among ours", True, '"holiday"'),
        ("file", True, "is a file"),
        ("no parent", False, "does not exist"),
        ("parent is a file", False, "is a file"),
        ("name too long", False, "too long"),
        ("no name", False, "the whole disk"),
    ],
)
def test_refusals(tmp_path: Path, work: str, case: str, replace: bool, said: str) -> None:
    """What must not be written over is refused in one line that says how to mend it, and stays as it was."""
    folder = tmp_path / "job"
    if case in ("earlier", "photo among ours", "folder among ours", "broken report"):
        made_earlier(folder)
    if case == "photo among ours":
        (folder / "holiday.jpg").write_bytes(b"dear")
    elif case == "folder among ours":
        (folder / "holiday").mkdir()
    elif case == "broken report":
        (folder / "report.json").write_bytes(b'{"relief_version": "0", "sha')
    elif case in ("photos", "report of something else"):
        folder.mkdir()
        (folder / "holiday.jpg").write_bytes(b"dear")
        if case != "photos":
            (folder / "report.json").write_bytes(b'["sha256"]')
            (folder / "job.toml").write_bytes(b"")
    elif case == "file":
        folder.write_bytes(b"dear")
    elif case == "no parent":
        folder = tmp_path / "nowhere" / "job"
    elif case == "parent is a file":
        (tmp_path / "a").write_bytes(b"dear")
        folder = tmp_path / "a" / "job"
    elif case == "name too long":
        folder = tmp_path / ("n" * 300)
    elif case == "no name":
        folder = Path(tmp_path.anchor)
    before = tree(tmp_path)
    action = {
        "check": lambda: check_folder(folder, replace),
        "write": lambda: write_folder(folder, job_files(), replace),
    }[work]
    assert said in refusal(action)
    assert tree(tmp_path) == before


def tree(root: Path) -> dict[str, bytes | None]:
    """Return every path below a folder, with the content of each file."""
    return {
        str(path.relative_to(root)): None if path.is_dir() else path.read_bytes() for path in root.rglob("*")
    }


def test_a_parent_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A parent that refuses a new folder is found out before the long work, not after it."""

    def refuse(self: Path, *args: Any, **kwargs: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    assert "permission denied" in refusal(lambda: check_folder(tmp_path / "job", replace=False))
    assert tree(tmp_path) == {}


@pytest.mark.parametrize("name", ["", ".", "..", "../escape.nc", "a/b.nc", "/etc/motd", "a\0b"])
def test_only_plain_file_names(tmp_path: Path, name: str) -> None:
    """No file of a job can land outside its folder."""
    refusal(lambda: write_folder(tmp_path / "job", {"job.toml": b"", name: b"x"}, replace=False))
    assert tree(tmp_path) == {}


# ---- faults at every step -------------------------------------------------------------------------------

STEPS = ("mkdir", "open", "fsync", "rename")


def fail_at(monkeypatch: pytest.MonkeyPatch, step: str, call: int, fault: BaseException) -> list[int]:
    """Let the n-th call of a step fail; return a list whose length is the count of calls made so far."""
    calls: list[int] = []
    home = os if step == "fsync" else Path
    honest = getattr(home, step)

    def faulty(*args: Any, **kwargs: Any) -> Any:
        calls.append(len(calls))
        if calls[-1] == call:
            raise fault
        return honest(*args, **kwargs)

    monkeypatch.setattr(home, step, faulty)
    return calls


@pytest.mark.parametrize("replace", [False, True])
@pytest.mark.parametrize("fault", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("step", STEPS)
def test_any_step_may_fail(tmp_path: Path, step: str, fault: BaseException, replace: bool) -> None:
    """Wherever the disk fails or the user interrupts, the folder is the whole new one or all is as before."""
    folder = tmp_path / "job"
    for call in range(20):
        shutil.rmtree(folder, ignore_errors=True)
        earlier = made_earlier(folder) if replace else None
        with pytest.MonkeyPatch.context() as patch:
            calls = fail_at(patch, step, call, fault)
            failed: BaseException | None = None
            try:
                write_folder(folder, job_files(), replace)
            except (FolderError, KeyboardInterrupt) as error:
                failed = error
        if len(calls) <= call:
            assert failed is None
            assert call > 0
            return
        if isinstance(failed, FolderError):
            # a report that cannot be read makes its folder one that is not known to be ours
            assert "no space left" in str(failed) or "no job folder" in str(failed)
        whole = folder.exists() and contents(folder) == job_files()
        if not whole:
            assert (contents(folder) if folder.exists() else None) == earlier
        assert_nothing_beside(folder, *(["job"] if folder.exists() else []))
    pytest.fail("more calls than were expected")


def test_a_file_that_does_not_fit(tmp_path: Path) -> None:
    """A real limit of the system (RLIMIT_FSIZE) stops the writing; the earlier folder is untouched."""
    folder = tmp_path / "job"
    earlier = made_earlier(folder)
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, old[1]))
        files = job_files(**{"carved.stl": bytes(50_000)})
        assert "too large" in refusal(lambda: write_folder(folder, files, replace=True))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, handler)
    assert contents(folder) == earlier
    assert_nothing_beside(folder, "job")


KILLED = """
    import os, signal, sys
    from pathlib import Path
    from relief.jobfolder import write_folder
    sys.path.insert(0, {root!r})
    from tests.test_jobfolder import job_files
    home, step, number = (os, "fsync", {number}) if {step!r} == "fsync" else (Path, {step!r}, {number})
    honest, calls = getattr(home, step), []
    def deadly(*args, **kwargs):
        calls.append(1)
        if len(calls) > number:
            os.kill(os.getpid(), signal.SIGKILL)
        return honest(*args, **kwargs)
    setattr(home, step, deadly)
    write_folder(Path({folder!r}), job_files(), True)
"""


@pytest.mark.parametrize(
    ("step", "number"), [("mkdir", 0), ("open", 1), ("fsync", 2), ("rename", 0), ("rename", 1)]
)
def test_killed_outright(tmp_path: Path, step: str, number: int) -> None:
    """After SIGKILL no half folder stands there; the next run finds the earlier one and tidies up."""
    folder = tmp_path / "job"
    earlier = made_earlier(folder)
    root = str(Path(__file__).parent.parent)
    script = textwrap.dedent(KILLED.format(root=root, step=step, number=number, folder=str(folder)))
    done = subprocess.run([sys.executable, "-c", script], check=False, cwd=root)
    assert done.returncode == -signal.SIGKILL
    if folder.exists():
        assert contents(folder) == earlier
    check_folder(folder, replace=True)
    assert contents(folder) == earlier
    for left in tmp_path.glob(".relief-*"):
        os.utime(left, (0, 0))
    write_folder(folder, job_files(), replace=True)
    assert contents(folder) == job_files()
    assert_nothing_beside(folder, "job")


def test_a_run_at_work_is_left_alone(tmp_path: Path) -> None:
    """What another run is just writing beside is not swept away."""
    folder = tmp_path / "job"
    theirs = jobfolder._beside(folder, "making")
    theirs.mkdir()
    write_folder(folder, job_files(), replace=False)
    assert theirs.is_dir()


def test_other_folders_are_not_mistaken(tmp_path: Path) -> None:
    """A folder set aside for one name is never put back or removed under another."""
    aside = jobfolder._beside(tmp_path / "other", "before")
    aside.mkdir()
    (aside / "job.toml").write_bytes(b"dear")
    write_folder(tmp_path / "job", job_files(), replace=False)
    assert (aside / "job.toml").read_bytes() == b"dear"


def test_an_earlier_folder_that_cannot_be_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The new folder stands; the line names what is left to delete by hand."""
    folder = tmp_path / "job"
    made_earlier(folder)

    def refuse(*args: Any, **kwargs: Any) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(jobfolder.shutil, "rmtree", refuse)
    assert "delete it by hand" in refusal(lambda: write_folder(folder, job_files(), replace=True))
    assert contents(folder) == job_files()


def test_follows_a_link(tmp_path: Path) -> None:
    """A link to a job folder stays a link; the folder that it leads to is replaced."""
    real = tmp_path / "disk" / "job"
    real.parent.mkdir()
    made_earlier(real)
    link = tmp_path / "job"
    link.symlink_to(real)
    write_folder(link, job_files(), replace=True)
    assert link.is_symlink()
    assert contents(real) == job_files()


def test_single_file(tmp_path: Path) -> None:
    """A single file is written over an earlier one, or not at all."""
    path = tmp_path / "heights.npy"
    check_file(path)
    assert tree(tmp_path) == {}
    write_file(path, b"one")
    write_file(path, b"two")
    assert tree(tmp_path) == {"heights.npy": b"two"}
    with pytest.MonkeyPatch.context() as patch:
        fail_at(patch, "fsync", 1, OSError(errno.ENOSPC, "No space left on device"))
        assert "no space left" in refusal(lambda: write_file(path, b"three"))
    assert tree(tmp_path) == {"heights.npy": b"two"}


@pytest.mark.parametrize(
    ("name", "said"), [("", "is a folder"), ("nowhere/a.npy", "does not exist"), ("n" * 300, "too long")]
)
def test_single_file_refusals(tmp_path: Path, name: str, said: str) -> None:
    """A file that cannot be written is refused before the long work."""
    assert said in refusal(lambda: check_file(tmp_path / name))
    assert tree(tmp_path) == {}
