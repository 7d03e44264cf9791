"""Spans of rows, against a plain count."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from relief.planning.raster import main_rows, spans


@given(row=st.lists(st.booleans(), min_size=1, max_size=40))
def test_spans(row: list[bool]) -> None:
    """Each run of nodes that are in comes out once, from its first to after its last, left to right."""
    runs, at = [], 0
    for inside, group in itertools.groupby(row):
        count = len(list(group))
        if inside:
            runs.append((7, at, at + count))
        at += count
    mask = np.zeros((9, len(row)), dtype=bool)
    mask[7] = row
    assert [tuple(span) for span in spans(mask, 7)] == runs


def test_rows_lie_apart_as_far_as_they_may():
    """Evenly where that is the same everywhere; else each stretch by its own: 20 rows by 5, then 40 by 10."""
    low = np.ones((61, 8), dtype=bool)
    assert main_rows(low, np.full(61, 12), 0.2) == [0, 12, 24, 36, 48, 60]
    assert main_rows(low, np.full(61, 13), 0.2) == [0, 12, 24, 36, 48, 60]
    lines = np.where(np.arange(61) < 20, 5, 10)
    assert main_rows(low, lines, 0.2) == [0, 5, 10, 15, 20, 30, 40, 50, 60]


@given(lines=st.lists(st.integers(1, 9), min_size=2, max_size=40))
def test_rows_are_no_further_apart_than_any_row_between_allows(lines: list[int]) -> None:
    """Both ends are passed, and neighbours are no further apart than their rows allow on the mean."""
    apart = np.array(lines)
    rows = main_rows(np.ones((len(lines), 3), dtype=bool), apart, 0.2)
    assert (rows[0], rows[-1]) == (0, len(lines) - 1)
    for a, b in itertools.pairwise(rows):
        assert (1 / apart[a:b]).sum() <= 1 + 2 / apart[a:b].min()
