"""Rows of a grid shared out over the machine's cores."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor


def core_count() -> int:
    """Return how many cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(len(os.sched_getaffinity(0)), 1)
    return os.cpu_count() or 1


def in_bands(work: Callable[[int, int], object], rows: int, height: int = 64) -> None:
    """Call `work(first, last)` for each band of rows, several at a time.

    Parameters
    ----------
    work : callable
        Writes rows first ≤ j < last and no other; gains by it only if it lets the interpreter go (`nogil`).
    rows : int
        Count of rows, or of anything else that can be numbered and done apart.
    height : int
        Rows of a band. It does not depend on the count of cores, so that neither do results.

    Notes
    -----
    An error raised in a band is raised here. Bands are started in order, each as soon as a core is free.
    """
    firsts = range(0, rows, height)
    if len(firsts) <= 1 or core_count() == 1:
        for first in firsts:
            work(first, min(first + height, rows))
        return
    with ThreadPoolExecutor(min(core_count(), len(firsts))) as pool:
        for done in [pool.submit(work, first, min(first + height, rows)) for first in firsts]:
            done.result()
