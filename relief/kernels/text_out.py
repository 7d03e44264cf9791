"""Whole numbers of lattice steps to program text, in bulk.

Legend: k row, q a length in steps of 10^-decimals of the text's unit, at the next free byte of `out`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import NONE, ONE, kernel

# Most bytes that one move can take: "G1 ", three words and an F word of at most 20 digits each, end of line.
ROW_BYTES = 112
# A position that has not been written yet; no toolpath gets there.
UNTOLD = np.iinfo(np.int64).min

Whole = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]


@kernel
def put_number(q: int, decimals: int, least: int, digits: Bytes, out: Bytes, at: int) -> int:
    """Write q · 10^-decimals without exponent or trailing zeros, with at least `least` decimals.

    Zero has no sign. `digits` is (20,) scratch. Returns the next free byte. Cost: one division a digit.
    """
    if q < 0:
        out[at] = 45  # -
        at += 1
        q = -q
    count = 0
    while q > 0 or count <= decimals:
        digits[count] = 48 + q % 10
        q //= 10
        count += 1
    last = 0
    while last < decimals - least and digits[last] == 48:
        last += 1
    for d in range(count - 1, last - 1, -1):
        if d == decimals - 1:
            out[at] = 46  # .
            at += 1
        out[at] = digits[d]
        at += 1
    return at


@kernel
def put_moves(
    points: Whole,
    rapid: npt.NDArray[np.bool_],
    feed: Whole,
    decimals: int,
    feed_decimals: int,
    state: Whole,
    digits: Bytes,
    out: Bytes,
) -> int:
    """Write one block for each row that moves; words that already hold are not repeated.

    Parameters
    ----------
    points : (n, 3) positions, steps of 10^-decimals
    rapid : (n,) whether a rapid leads there
    feed : (n,) steps of 10^-feed_decimals a minute; not looked at for rapids
    state : (5,) in and out: x, y, z (UNTOLD before they are written), G word (-1 = none yet), feed
    digits : (20,) scratch
    out : (≥ ROW_BYTES · n,) text

    Returns
    -------
    int, bytes written. A row where nothing changes after rounding writes nothing.

    Notes
    -----
    Cost: about 60 byte stores a row.
    """
    at = 0
    for k in range(points.shape[0]):
        if points[k, 0] == state[0] and points[k, 1] == state[1] and points[k, 2] == state[2]:
            continue
        begin = at
        mode = 0 if rapid[k] else 1
        if mode != state[3]:
            state[3] = mode
            out[at] = 71  # G
            out[at + 1] = 48 + mode
            at += 2
        for axis in range(3):
            q = points[k, axis]
            if q != state[axis]:
                state[axis] = q
                if at > begin:
                    out[at] = 32
                    at += 1
                out[at] = 88 + axis  # X Y Z
                at = put_number(q, decimals, ONE, digits, out, at + 1)
        if mode == 1 and feed[k] != state[4]:
            state[4] = feed[k]
            out[at] = 32
            out[at + 1] = 70  # F
            at = put_number(feed[k], feed_decimals, NONE, digits, out, at + 2)
        out[at] = 10
        at += 1
    return at
