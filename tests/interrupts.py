"""Runs of the command that end before their time, and what they leave behind."""

from __future__ import annotations

import hashlib
import json
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from tests import fields

ROOT = Path(__file__).parent.parent
# How a run may end: killed, Ctrl-C, asked to end; each at any moment or while the folder is written; a full
# disk is played by a limit on the size of files, or is one, where this user may mount a small one.
WAYS = ("kill", "interrupt", "end", "kill in writing", "interrupt in writing", "full", "full disk")
SIGNALS = {"kill": signal.SIGKILL, "interrupt": signal.SIGINT, "end": signal.SIGTERM}
LONGEST = 1800.0
# A job folder of the small job takes about as much, bytes; and a disk on which there is room for several.
FOLDER_BYTES, LARGE_DISK = 1_400_000, 50_000_000


def interrupted(
    rng: random.Random, folder: Path, way: str, *, earlier: bool, seconds: float = 5.0
) -> tuple[str, str]:
    """Run the command in a folder and end it; return what is wrong afterwards, and how it ended.

    `seconds` are those of a run that nothing ends: the moment lies anywhere in them.
    """
    if way == "full disk":
        with _small_disk(folder):
            return _interrupted(rng, folder, way, earlier, seconds)
    return _interrupted(rng, folder, way, earlier, seconds)


def _interrupted(
    rng: random.Random, folder: Path, way: str, earlier: bool, seconds: float
) -> tuple[str, str]:
    np.save(folder / "target.npy", fields.terrain(10.0, 3.0, 0.5).heights)
    before = {}
    if earlier:
        assert _ended(_start(folder))[0] == 0
        before = _contents(folder / "job")
    limit = rng.choice([0, 100, 20_000, 100_000, 900_000]) if way == "full" else None
    if way == "full disk":
        used = sum(path.stat().st_size for path in folder.rglob("*"))
        _resize(folder, used + rng.randrange(FOLDER_BYTES))
    run = _start(folder, limit, extra=("--set", "zero.z=bed"))
    if not way.startswith("full"):
        _wait(rng, run, folder, "writing" in way, seconds)
        run.send_signal(SIGNALS[way.split()[0]])
    code, error = _ended(run)
    if way == "full disk":
        _resize(folder, LARGE_DISK)
    left = "whole" if (folder / "job").exists() else "nothing"
    fault = _fault(folder, before, code) or ("a traceback" if "Traceback" in error else "")
    return fault or _next_run(folder), f"exit {code}, {'earlier and ' if earlier else ''}{left}"


@contextmanager
def _small_disk(folder: Path) -> Iterator[None]:
    """Mount a disk in memory over a folder."""
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={LARGE_DISK}", "tmpfs", folder], check=True)
    try:
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


def _resize(folder: Path, size: int) -> None:
    subprocess.run(["mount", "-o", f"remount,size={size}", folder], check=True)


def may_mount(folder: Path) -> bool:
    """Return whether this user may mount a disk over a folder."""
    try:
        with _small_disk(folder):
            return True
    except (OSError, subprocess.CalledProcessError):
        return False


def usual_seconds(folder: Path) -> float:
    """Return how long a run takes that nothing ends."""
    np.save(folder / "target.npy", fields.terrain(10.0, 3.0, 0.5).heights)
    _ended(_start(folder))  # the first of all compiles
    began = time.monotonic()
    code, error = _ended(_start(folder))
    assert code == 0, error
    return time.monotonic() - began


def _start(folder: Path, limit: int | None = None, extra: tuple[str, ...] = ()) -> subprocess.Popen[bytes]:
    def bounded() -> None:
        # what a shell starts in the background inherits deaf ears for Ctrl-C
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        if limit is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    options = ("--pitch", "0.5", "--scallop", "0.25", "--replace", "--quiet", *extra)
    return subprocess.Popen(
        [sys.executable, "-c", RUN, "carve", "target.npy", "-o", "job", *options],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stderr=subprocess.PIPE,
        preexec_fn=bounded,
    )


def _ended(run: subprocess.Popen[bytes]) -> tuple[int, str]:
    """Wait for a run to end; return its exit code and what it said of errors."""
    with run:
        try:
            _, error = run.communicate(timeout=LONGEST)
        finally:
            run.kill()
    return run.returncode, error.decode()


RUN = "from relief.cli import main; main()"


def _wait(
    rng: random.Random, run: subprocess.Popen[bytes], folder: Path, writing: bool, seconds: float
) -> None:
    """Wait for a random moment of the run, or of its writing."""
    if not writing:
        time.sleep(rng.uniform(0.0, seconds))
        return
    deadline = time.monotonic() + LONGEST
    seen = {path.name for path in folder.glob(".relief-*")}
    while run.poll() is None and time.monotonic() < deadline:
        new = [path for path in folder.glob(".relief-*") if path.name not in seen]
        if any(any(path.glob("*")) for path in new):
            break
        time.sleep(0.0005)
    time.sleep(rng.uniform(0.0, 0.03))


def _contents(folder: Path) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in sorted(folder.iterdir())}


def _fault(folder: Path, before: dict[str, str], code: int) -> str:
    """Return what is wrong with what a run has left."""
    job = folder / "job"
    loose = [
        path for path in folder.rglob("*.nc") if path.parent != job and not path.parent.name.startswith(".")
    ]
    if loose:
        return f"{loose[0].name} lies about"
    if not job.exists():
        hidden = list(folder.glob(".relief-*.before"))
        return "the earlier folder is gone" if before and not hidden else ""
    now = _contents(job)
    if now == before:
        return "said to be done, and nothing is new" if code == 0 else ""
    try:
        report = json.loads((job / "report.json").read_bytes())
    except (OSError, ValueError):
        return "a job folder without a whole report"
    wrong = [name for name, digest in report["sha256"].items() if now.get(name) != digest]
    stops = [c["name"] for c in report["checks"] if c["severity"] == "stop" and not c["holds"]]
    programs = [name for name in now if name.endswith(".nc")]
    if wrong or set(now) - set(report["sha256"]) - {"report.json"}:
        return f"{wrong or sorted(now)} is not what the report answers for"
    return f"programs in spite of {stops}" if stops and programs else ""


def _next_run(folder: Path) -> str:
    """Return what keeps the next run from working."""
    code, error = _ended(_start(folder))
    if code != 0:
        return f"the next run ends with {code}: {error}"
    return _fault(folder, {}, 0)
