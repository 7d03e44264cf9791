"""How kernels are compiled, in one place.

What numba makes around a kernel costs as much time as a short kernel itself: an entry for other languages,
which nothing here needs, and an entry for Python, which only those need that Python calls.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

_ALL: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "no_cfunc_wrapper": True}

kernel = njit(**_ALL)
"""A kernel that Python calls, and other kernels may."""

inner = njit(no_cpython_wrapper=True, **_ALL)
"""A part of kernels: Python cannot call it."""

inlined = njit(inline="always", **_ALL)
"""A part of one kernel, of its own for the reader alone."""

# Counts handed to kernels, or begun with: a bare 0 or 1 would be a type of its own, and compiled apart.
NONE: Any = np.int64(0)
ONE: Any = np.int64(1)
