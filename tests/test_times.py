"""Times as people read them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from relief.times import format_time, format_times


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (0.2, "1 s"), (59.7, "1 min"), (90, "2 min"), (3570, "1 h 00 min"), (36000, "10 h 00 min")],
)
def test_times(seconds: float, text: str) -> None:
    """Times never read "60 s" or "60 min"."""
    assert format_time(seconds) == text


@given(parts=st.lists(st.floats(0, 20000), min_size=1, max_size=30))
@example(parts=[629.0, 2549.0])
@example(parts=[89.0] * 30)
@example(parts=[59.5, 59.9, 31.0])
@example(parts=[148.0, 1.5, 28.5])
def test_times_add_up(parts: list[float]) -> None:
    """Whatever is told of the parts adds up to what is told of all, and no part is off by more than a minute.

    Half a minute is what the whole is rounded by; a part under a minute is told in seconds, rounded up.
    """
    told = [told_seconds(text) for text in format_times(parts)]
    assert np.abs(np.array(told) - parts).max() <= 60
    if sum(parts) > 59 * len(parts):
        assert abs(sum(told) - told_seconds(format_time(sum(parts)))) <= 30 + sum(
            part <= 59 for part in parts
        )


def told_seconds(text: str) -> int:
    """Return how many seconds a time for people says."""
    units = {"s": 1, "min": 60, "h": 3600}
    words = text.split()
    return sum(int(number) * units[unit] for number, unit in zip(words[::2], words[1::2], strict=True))
