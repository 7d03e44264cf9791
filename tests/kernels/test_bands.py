"""Every row is done once, on any count of cores, and errors are not lost."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.kernels import bands


@given(rows=st.integers(0, 300), height=st.integers(1, 100), cores=st.integers(1, 4))
def test_each_row_is_done_once(rows: int, height: int, cores: int) -> None:
    """The bands cover 0 … rows − 1 without a gap or an overlap, and only the last may be lower."""
    done: list[tuple[int, int]] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bands, "core_count", lambda: cores)
        bands.in_bands(lambda first, last: done.append((first, last)), rows, height)
    assert sorted(done) == [(j, min(j + height, rows)) for j in range(0, rows, height)]


def test_bands_run_side_by_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two bands wait for each other: with two cores both are under way at once."""
    monkeypatch.setattr(bands, "core_count", lambda: 2)
    meeting = threading.Barrier(2, timeout=30)
    bands.in_bands(lambda _first, _last: meeting.wait(), 2, 1)


@pytest.mark.parametrize("cores", [1, 2])
def test_an_error_in_a_band_is_raised(monkeypatch: pytest.MonkeyPatch, cores: int) -> None:
    """What goes wrong in a thread reaches the caller."""
    monkeypatch.setattr(bands, "core_count", lambda: cores)

    def work(first: int, _last: int) -> None:
        if first == 3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        bands.in_bands(work, 6, 1)


def test_there_is_a_core() -> None:
    """At least one core is counted."""
    assert bands.core_count() >= 1
