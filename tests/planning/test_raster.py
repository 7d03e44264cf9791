"""Spans of rows, against a plain count."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from relief.planning.raster import spans


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
