"""How progress looks on a terminal, and in a log that nobody watches."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self, TextIO

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TaskID, TextColumn
from rich.text import Text

from relief.endings import printable
from relief.times import format_time

# A stage is long when it has run for so many seconds: from then on its time left is worth telling.
_LONG = 3.0


class _Time(ProgressColumn):
    """How long a stage took or has run so far and, on a long one, how long it will still take."""

    def render(self, task: Task) -> Text:
        """Write the time of one stage."""
        taken = format_time(task.elapsed or 0.0)
        if task.finished or not task.total or not task.completed or (task.elapsed or 0.0) < _LONG:
            return Text(taken)
        left = (task.elapsed or 0.0) * (task.total - task.completed) / task.completed
        return Text(f"{taken}, about {format_time(left)} left")


class Bars:
    """One bar for each stage, on a terminal.

    Parameters
    ----------
    stream : a terminal
    clock : seconds, as `time.monotonic`
    """

    def __init__(self, stream: TextIO, clock: Callable[[], float] = time.monotonic) -> None:
        self._bars = Progress(
            TextColumn("{task.description:<34}", markup=False),
            BarColumn(bar_width=20),
            _Time(),
            console=Console(file=stream),
            get_time=clock,
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
        # how long it will be is not known before it tells how far it is
        self._task = self._bars.add_task(name, total=None)

    def fraction(self, done: float) -> None:
        """Move the current bar."""
        if self._task is not None:
            self._bars.update(self._task, total=1.0, completed=done)

    def note(self, text: str) -> None:
        """Show a line above the bars."""
        self._bars.console.print(printable(text), markup=False, highlight=False)

    def _end(self) -> None:
        if self._task is not None:
            self._bars.update(self._task, total=1.0, completed=1.0)


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
        self._stream.write(f"{printable(text)}\n")
        self._stream.flush()


def watching() -> Bars | Lines:
    """Return the way to show progress that suits standard error."""
    return Bars(sys.stderr) if sys.stderr.isatty() else Lines(sys.stderr)
