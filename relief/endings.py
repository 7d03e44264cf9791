"""How a run ends: the one place where errors become a line of text and an exit code.

Exit codes: 0 done, every check holds · 1 refused, nothing written · 2 wrong use of the command line ·
3 a check fell short, no program is left behind · 130 stopped by Ctrl-C.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NoReturn

import click

from relief.errors import ReliefError

REFUSED, SHORT, INTERRUPTED = 1, 3, 130


class Result:
    """What a run is going to leave on the disk; when it is stopped, the disk itself tells whether it did."""

    def __init__(self) -> None:
        self._path: Path | None = None
        self._before: tuple[int, int] | None = None

    def goes_to(self, path: Path) -> None:
        """Remember where the result is going to appear, and what stands there now."""
        self._path, self._before = path, _identity(path)

    def stands(self) -> Path | None:
        """Return where the result stands whole, None where it does not: it appears by a single renaming."""
        if self._path is None or _identity(self._path) in (None, self._before):
            return None
        return self._path


def _identity(path: Path) -> tuple[int, int] | None:
    """Return what tells a file or folder from one that took its place, None where there is none."""
    try:
        status = os.stat(path)  # noqa: PTH116 - also for what Path would expand
    except OSError:
        return None
    return status.st_dev, status.st_ino


@contextlib.contextmanager
def told_in_one_line() -> Iterator[Result]:
    """Turn whatever goes wrong inside into one line and an exit code."""
    result = Result()
    try:
        yield result
    except click.ClickException:
        raise
    except ReliefError as error:
        leave(" ".join(str(error).split()), REFUSED)
    except KeyboardInterrupt:
        stands = result.stands()
        done = f"{stands} had been finished and is whole" if stands else "nothing was written"
        leave(f"stopped; {done}", INTERRUPTED)
    except MemoryError:
        leave("not enough memory for so many points; use a wider --pitch", REFUSED)
    except Exception as error:  # a fault of ours, but the user still gets one line and no half-made file
        what = " ".join(f"{type(error).__name__}: {error}".split())
        leave(
            f"a fault inside relief ({what}); nothing was written; please report it with the job file",
            REFUSED,
        )


def leave(message: str, code: int) -> NoReturn:
    """Say one line on the error stream and end."""
    say(f"relief: {message}", err=True)
    sys.exit(code)


def say(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Print a text, less what a terminal would act upon."""
    click.echo(printable(text), err=err, nl=nl)


def printable(text: str) -> str:
    r"""Return a text without what a terminal would act upon: names of files and keys may hold anything.

    Examples
    --------
    >>> printable("a\x1b[31m.png\nb")
    'a?[31m.png\nb'
    """
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)
