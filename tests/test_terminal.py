"""Progress on a terminal and in a log: each stage once, time left on long ones, no bars in a log."""

from __future__ import annotations

import contextlib
import io
import os
import pty
import re
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from relief.terminal import Bars, Lines
from tests.broken import good_picture


class Terminal(io.StringIO):
    """A terminal that remembers what was written to it."""

    def isatty(self) -> bool:
        return True


class Clock:
    """A clock that stands still until it is moved on."""

    now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """Return a terminal of 90 columns."""
    monkeypatch.setenv("COLUMNS", "90")
    monkeypatch.setenv("TERM", "xterm")
    return Terminal()


def shown(terminal: Terminal) -> str:
    """Return what was written, without the terminal's control sequences (ECMA-48, 5.4)."""
    return re.sub(r"\x1b\[[0-?]*[ -/]*[@-~]", "", terminal.getvalue())


def test_time_left_on_a_long_stage(terminal: Terminal) -> None:
    """After 60 s, a quarter done, three times as long is left; a stage that ended tells how long it took."""
    clock = Clock()
    with Bars(terminal, clock) as bars:
        bars.stage("planning the finishing")
        clock.now += 60
        bars.fraction(0.25)
        bars._bars.refresh()
        assert "1 min, about 3 min left" in shown(terminal)
        clock.now += 1
        bars.stage("writing the programs")
    last = shown(terminal).splitlines()[-2:]
    assert last[0].split() == ["planning", "the", "finishing", "━" * 20, "1", "min"]
    assert last[1].startswith("writing the programs")


def test_no_guess_early_or_without_a_fraction(terminal: Terminal) -> None:
    """In its first three seconds, and where nothing is known of how far it is, no time left is told."""
    clock = Clock()
    with Bars(terminal, clock) as bars:
        bars.stage("reading")
        clock.now += 2
        bars.fraction(0.5)
        bars._bars.refresh()
        bars.stage("planning")
        clock.now += 600
        bars._bars.refresh()
    assert "left" not in shown(terminal)


def test_notes_stand_above_the_bars_as_they_are(terminal: Terminal) -> None:
    """A note is shown letter by letter: brackets in it are no markup."""
    with Bars(terminal) as bars:
        bars.stage("reading [the] picture")
        bars.note("note: [bold]levels[/bold] = 256")
    assert "note: [bold]levels[/bold] = 256" in shown(terminal)
    assert "reading [the] picture" in shown(terminal)


def test_a_stage_that_broke_off_is_not_shown_as_done(terminal: Terminal) -> None:
    """When an error passes through, the bar stays where it was, and the terminal is left in order."""
    with pytest.raises(KeyboardInterrupt), Bars(terminal) as bars:  # noqa: PT012
        bars.stage("planning")
        bars.fraction(0.3)
        raise KeyboardInterrupt
    assert "━" * 20 not in shown(terminal).splitlines()[-1]
    assert terminal.getvalue().rstrip("\n").endswith("\x1b[?25h")  # the cursor is shown again (DECTCEM)


def test_lines_in_a_log() -> None:
    """A log holds one plain line for each stage and note; fractions leave no trace."""
    log = io.StringIO()
    with Lines(log) as lines:
        lines.stage("reading")
        for done in range(100):
            lines.fraction(done / 100)
        lines.note("note: 8 bits")
        lines.stage("planning")
    assert log.getvalue() == "reading\nnote: 8 bits\nplanning\n"


def small_job(folder: Path) -> list[str]:
    """Return a command line that carves a small picture quickly."""
    sizes = ["--width", "12", "--depth", "2", "--pitch", "0.5", "--scallop", "0.25"]
    return [
        sys.executable,
        "-m",
        "relief",
        "carve",
        str(good_picture(folder)),
        "-o",
        str(folder / "job"),
        *sizes,
    ]


def test_piped_it_is_plain(tmp_path: Path) -> None:
    """With nobody watching: lines of summary on one stream, plain stages on the other, no codes."""
    run = subprocess.run(small_job(tmp_path), capture_output=True, text=True, timeout=300, check=True)
    starts = ("Ready: ", "At the machine: ", "Smoothness: ", "Detail lost: ", "Warning", "Look first at: ")
    lines = run.stdout.splitlines()
    told = [next((start for start in starts if line.startswith(start)), line) for line in lines]
    assert tuple(dict.fromkeys(told)) == starts, run.stdout
    assert [start for start in starts if told.count(start) > 1] in ([], ["Warning"])
    assert "reading the picture" in run.stderr
    assert "\x1b" not in run.stdout + run.stderr


def test_quiet_says_nothing(tmp_path: Path) -> None:
    """With --quiet a job that goes well is silent."""
    run = subprocess.run([*small_job(tmp_path), "--quiet"], capture_output=True, timeout=300, check=True)
    assert run.stdout + run.stderr == b""


def test_bars_on_a_real_terminal(tmp_path: Path) -> None:
    """On a pseudo-terminal the same command draws bars and still ends with the summary."""
    here, there = pty.openpty()
    environment = os.environ | {"TERM": "xterm", "COLUMNS": "90"}
    seen: list[bytes] = []
    # a terminal holds few bytes until somebody reads them: on a slow machine the command would wait for that
    reader = threading.Thread(target=lambda: seen.extend(_all_of(here)), daemon=True)
    reader.start()
    with os.fdopen(there, "wb", buffering=0) as end:
        run = subprocess.run(
            small_job(tmp_path), stdout=subprocess.PIPE, stderr=end, env=environment, timeout=300, check=True
        )
    reader.join(30)
    assert "━".encode() in b"".join(seen)
    assert run.stdout.startswith(b"Ready: ")


def _all_of(terminal: int) -> Iterator[bytes]:
    """Yield what is written to a terminal until its other end is closed."""
    with contextlib.suppress(OSError):
        while part := os.read(terminal, 65536):
            yield part
