"""Whether the kernels have been compiled on this machine before.

numba keeps compiled kernels beside their source, or in the user's cache folder where that cannot be written.
A mark is left in the same place once all of them have run, so that the user can be told before the wait.
"""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path

import numba

from relief.kernels.sweep import swept_height


def kernels_compiled() -> bool:
    """Return whether every kernel was compiled before, by this numba and from this source."""
    mark = _mark()
    sources = Path(__file__).parent.glob("*.py")
    return mark.exists() and all(source.stat().st_mtime <= mark.stat().st_mtime for source in sources)


def mark_compiled() -> None:
    """Remember that every kernel has been compiled; where that cannot be written, the user is told again."""
    with contextlib.suppress(OSError):
        _mark().touch()


def _mark() -> Path:
    python = f"{sys.version_info.major}{sys.version_info.minor}"
    return Path(str(swept_height.stats.cache_path)) / f"compiled-numba{numba.__version__}-py{python}"
