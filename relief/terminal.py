"""How progress looks on a terminal, and in a log that nobody watches."""

from __future__ import annotations

import sys
from types import TracebackType
from typing import Self, TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn


class Bars:
    """One bar for each stage, on a terminal."""

    def __init__(self, stream: TextIO) -> None:
        self._bars = Progress(
            TextColumn("{task.description:<34}"),
            BarColumn(bar_width=30),
            TimeElapsedColumn(),
            console=Console(file=stream),
        )
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        self._bars.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self._end()
        self._bars.stop()

    def stage(self, name: str) -> None:
        """Finish the bar of the last stage and begin the next one."""
        self._end()
        self._task = self._bars.add_task(name, total=1.0)

    def fraction(self, done: float) -> None:
        """Move the current bar."""
        if self._task is not None:
            self._bars.update(self._task, completed=done)

    def note(self, text: str) -> None:
        """Show a line above the bars."""
        self._bars.console.print(text, markup=False, highlight=False)

    def _end(self) -> None:
        if self._task is not None:
            self._bars.update(self._task, completed=1.0)


class Lines:
    """One plain line for each stage, where no terminal is watching."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.flush()

    def stage(self, name: str) -> None:
        """Name the stage."""
        self.note(name)

    def fraction(self, done: float) -> None:
        """Say nothing: a log has no use for a moving bar."""

    def note(self, text: str) -> None:
        """Write one line."""
        self._stream.write(f"{text}\n")
        self._stream.flush()


def watching() -> Bars | Lines:
    """Return the way to show progress that suits standard error."""
    return Bars(sys.stderr) if sys.stderr.isatty() else Lines(sys.stderr)
