"""Times as people read them: on the terminal, on the sheet and in the head of a program alike."""

from __future__ import annotations

import math
from collections.abc import Sequence


def format_time(seconds: float) -> str:
    """Write a time for people.

    Examples
    --------
    >>> format_time(42), format_time(125), format_time(4000), format_time(3599)
    ('42 s', '2 min', '1 h 07 min', '1 h 00 min')
    """
    if seconds <= 59:
        return f"{math.ceil(seconds)} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def format_times(parts: Sequence[float]) -> tuple[str, ...]:
    """Write times for people so that they add up to what is written for their sum.

    Minutes that rounding would lose or add go to the parts whose remainders are largest.

    Examples
    --------
    >>> format_times([629, 2549]), format_time(629 + 2549)
    (('11 min', '42 min'), '53 min')
    """
    long = [k for k, seconds in enumerate(parts) if seconds > 59]
    brief_ones = sum(seconds for seconds in parts if seconds <= 59)
    minutes = {k: max(int(parts[k] // 60), 1) for k in long}
    spare = round(sum(parts) / 60) - round(brief_ones / 60) - sum(minutes.values())
    for k in sorted(long, key=lambda k: minutes[k] * 60 - parts[k])[: max(spare, 0)]:
        minutes[k] += 1
    return tuple(format_time(60.0 * minutes.get(k, 0) or seconds) for k, seconds in enumerate(parts))
