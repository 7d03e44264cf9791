"""What is kept of compiled kernels, and whether they have been compiled on this machine before.

numba keeps compiled kernels beside their source, or in the user's cache folder where that cannot be written.
It asks only whether a kernel's own file has changed, but a compiled kernel holds what it calls in other files
too: after an upgrade, old and new would run mixed. So all are dropped together when any source has changed.
A mark is left in the same place once all of them have run, so that the user can be told before the wait.
"""

from __future__ import annotations

import contextlib
import hashlib
import sys
from pathlib import Path
from typing import Any

import numba

from relief.kernels.sweep import swept_height

PRINT = "sources.sha256"


def forget_stale() -> None:
    """Drop every compiled kernel unless all were compiled from the sources as they are now."""
    if not hasattr(swept_height, "stats"):  # the compiler is off
        return
    folder, told = _folder(), _fingerprint()
    with contextlib.suppress(OSError):
        if (folder / PRINT).exists() and (folder / PRINT).read_text() == told:
            return
        for old in (*folder.glob("*.nb[ic]"), *folder.glob("compiled-*")):
            old.unlink(missing_ok=True)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / PRINT).write_text(told)


def kernels_compiled() -> bool:
    """Return whether every kernel was compiled before, by this numba and from this source."""
    return _mark().exists()


def mark_compiled() -> None:
    """Remember that every kernel has been compiled; where that cannot be written, the user is told again."""
    with contextlib.suppress(OSError):
        _mark().touch()


def _fingerprint() -> str:
    """Return the digest of all kernels' sources."""
    digest = hashlib.sha256()
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.name.encode() + b"\0" + source.read_bytes() + b"\0")
    return digest.hexdigest()


def _folder() -> Path:
    compiled: Any = swept_height
    return Path(compiled.stats.cache_path)


def _mark() -> Path:
    python = f"{sys.version_info.major}{sys.version_info.minor}"
    return _folder() / f"compiled-numba{numba.__version__}-py{python}"
