"""Program text to moves, in bulk: the plain lines, which are nearly all of a long program.

A plain line holds nothing but N, G0, G1, X, Y, Z and F words, and breaks no rule. At anything else these
kernels stop before the line and leave it, and every refusal, to the strict reader.

Legend: `at` the next byte of the text, `line` its 1-based number, k the next free move.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from relief.kernels.compiled import inner, kernel

# Places in the state that is carried from line to line.
X, Y, Z, FEED = 0, 1, 2, 3  # of `held`: mm and mm/min; NaN = not told yet
LINE, COUNT, BLOCKS, MOTION = 0, 1, 2, 3  # of `tally`: next line, moves, blocks so far; 0 = G0, 1 = G1
# Whole digits that a float64 holds exactly; a number with more of them is not plain.
MOST_DIGITS = 15

Bytes = npt.NDArray[np.uint8]
Numbers = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]


@kernel
def plain_number(text: Bytes, at: int, end: int, parts: Whole) -> int:
    """Read a number at `at`; blanks inside it do not count (NISTIR 6556 s3.3).

    Parameters
    ----------
    parts : (3,) out: whole number without the point, decimals, whether it has a sign or a point

    Returns
    -------
    int, first byte after it, or -1 where no plain number stands
    """
    whole = 0
    decimals = -1
    digits = 0
    negative = False
    marked = 0
    while at < end:
        c = int(text[at])
        if 48 <= c <= 57:
            whole = whole * 10 + (c - 48)
            digits += 1
            if decimals >= 0:
                decimals += 1
            if digits > MOST_DIGITS:
                return -1
        elif c == 46:  # .
            if decimals >= 0:
                return -1
            decimals = 0
            marked = 1
        elif c == 45 or c == 43:  # - +
            if marked or digits or decimals >= 0:
                return -1
            negative = c == 45
            marked = 1
        elif c != 32 and c != 9:
            break
        at += 1
    if digits == 0:
        return -1
    parts[0] = -whole if negative else whole
    parts[1] = max(decimals, 0)
    parts[2] = marked
    return at


@kernel
def read_plain(
    text: Bytes,
    at: int,
    end: int,
    scale: float,
    absolute: bool,
    longest: int,
    farthest: float,
    power: Numbers,
    held: Numbers,
    tally: Whole,
    points: Numbers,
    rapid: npt.NDArray[np.bool_],
    feed: Numbers,
    block: Whole,
) -> int:
    """Read plain lines until the first that is not, or the end.

    Parameters
    ----------
    text, at, end : bytes at ≤ … < end are read; `at` is the start of a line
    scale : mm in one unit of the text
    absolute : G90 (else G91)
    longest : most bytes of a line
    farthest : mm, coordinates beyond it are not plain
    power : (MOST_DIGITS + 1,) 10^k
    held : (4,) in and out: x, y, z, feed
    tally : (4,) in and out: line, moves, blocks, motion word (anything but 0 and 1 ends at the first move)
    points, rapid, feed, block : out, rows for all moves to come; points[k + 1] is where move k ends

    Returns
    -------
    int, start of the first line that is not plain, or `end`

    Notes
    -----
    whole / 10^decimals with both exact is rounded once, so numbers equal Python's float() to the bit
    (Clinger, "How to read floating point numbers accurately", 1990). Cost: about 3 steps a byte.
    """
    parts = np.zeros(3, np.int64)
    word = np.zeros(4)
    while at < end:
        here = at
        stop = here
        while stop < end and text[stop] != 10:
            stop += 1
        after = min(stop + 1, end)
        if stop > here and text[stop - 1] == 13:
            stop -= 1
        if stop - here > longest:
            return here
        seen = 0
        motion = tally[MOTION]
        while at < stop:
            c = int(text[at])
            if c == 32 or c == 9:
                at += 1
                continue
            if c >= 97:
                c -= 32
            if 88 <= c <= 90:  # X Y Z
                place = c - 88
            elif c == 70:  # F
                place = FEED
            elif c == 71:  # G
                place = 4
            elif c == 78 and seen == 0:  # N
                place = 5
            else:
                return here
            if seen >> place & 1:
                return here
            at = plain_number(text, at + 1, stop, parts)
            if at < 0:
                return here
            seen |= 1 << place
            if place < 4:
                word[place] = parts[0] / power[parts[1]] * scale + 0.0
            elif place == 4:
                if parts[2] or parts[0] > 1:
                    return here
                motion = parts[0]
            elif parts[2] or parts[0] > 99999 or not short_label(text, here, at):
                return here
        if seen & 7 == 0:
            if seen & 16:
                return here
        elif motion != 0 and motion != 1:
            return here
        speed = word[FEED] if seen & 8 else held[FEED]
        if speed < 0.0:
            return here
        if seen & 7:
            k = tally[COUNT]
            for axis in range(3):
                value = held[axis]
                if seen >> axis & 1:
                    value = word[axis] if absolute else value + word[axis]
                    if abs(value) > farthest:
                        return here
                if motion == 1 and not (np.isfinite(value) and np.isfinite(held[axis])):
                    return here
                points[k + 1, axis] = value
            if motion == 1 and speed == 0.0:
                return here
            for axis in range(3):
                held[axis] = points[k + 1, axis]
            rapid[k] = motion == 0
            feed[k] = speed if motion == 1 else 0.0
            block[k] = tally[LINE]
            tally[COUNT] = k + 1
            tally[MOTION] = motion
        held[FEED] = speed
        tally[BLOCKS] += 1 if seen & 31 else 0
        tally[LINE] += 1
        at = after
    return at


@inner
def short_label(text: Bytes, at: int, end: int) -> bool:
    """Return whether at most five digits stand in text[at:end] (NISTIR 6556 s3.3.1)."""
    digits = 0
    while at < end:
        if 48 <= text[at] <= 57:
            digits += 1
        at += 1
    return digits <= 5
