"""How kernels are compiled, in one place.

What numba makes around a kernel costs as much time as a short kernel itself: an entry for other languages,
which nothing here needs, and an entry for Python, which only those need that Python calls.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import njit

Loop = TypeVar("Loop", bound=Callable[..., Any])

_ALL: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

# Counts handed to kernels, or begun with: a bare 0 or 1 would be a type of its own, and compiled apart.
NONE: Any = np.int64(0)
ONE: Any = np.int64(1)


def kernel(loop: Loop) -> Loop:
    """Compile a kernel that Python calls; other kernels may too."""
    return _compiled(loop)


def inner(loop: Loop) -> Loop:
    """Compile a part of kernels, which Python cannot call."""
    return _compiled(loop, no_cpython_wrapper=True)


def inlined(loop: Loop) -> Loop:
    """Compile a part of one kernel as if it were written there; it stands alone for the reader."""
    return _compiled(loop, inline="always")


def _compiled(loop: Loop, **further: Any) -> Loop:
    compiled: Loop = njit(**_ALL, **further)(loop)
    return compiled
