"""Which rows the passes of a layer run along, and where along them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

import numpy as np
from scipy import ndimage

from relief.planning.ground import Counts, Mask, Span

# A part is cut the other way where passes are so much longer that way, and that saves turns. A turn takes as
# long as cutting TURN mm, going there and back as long as cutting DETOUR mm.
LONGER = 2.0
TURN, DETOUR = 20.0, 120.0
# A pass runs beside a wall along the rows that is at least so long, mm.
LEAST_WALL = 12.0


def other_way(low: Mask, lines: int, pitch: float, radius: float) -> Mask:
    """Return the part of a layer where passes along the columns are much longer than along the rows."""
    wanted = low & (LONGER * _runs(low) < _runs(low.T).T)
    size = 2 * round(radius / pitch) + 1
    part = low & (ndimage.uniform_filter(wanted.astype(np.float32), size, mode="constant") > 0.5)
    labels, _ = ndimage.label(part)
    for number, window in enumerate(ndimage.find_objects(labels), start=1):
        mine = labels[window] == number
        rows = low[window[0]]
        rest = rows.copy()
        rest[:, window[1]] &= ~mine
        saved = (_count(rows) - _count(rest) - _count(mine.T)) / lines * TURN
        if saved < DETOUR:
            part[window][mine] = False
    return np.asarray(part)


def _count(mask: Mask) -> int:
    """Return the number of runs along the rows."""
    return int((mask[:, 1:] & ~mask[:, :-1]).sum() + mask[:, 0].sum())


def _runs(mask: Mask) -> Counts:
    """Return the length of the run along the row that each node belongs to; 0 outside the mask."""
    padded = np.pad(mask, ((0, 0), (1, 1)))
    edges = np.flatnonzero(np.diff(padded.ravel().astype(np.int8)))
    lengths = edges[1::2] - edges[::2]
    runs = np.zeros(mask.shape, dtype=np.int64)
    runs[mask] = np.repeat(lengths, lengths)
    return runs


def main_rows(low: Mask, lines: Counts, pitch: float) -> list[int]:
    """Return the rows of the passes that cut a layer: one beside each long wall, others evenly between.

    Parameters
    ----------
    low : (rows, columns), what the layer takes
    lines : (rows,), how many rows apart passes lie at most, around each row
    pitch : mm
    """
    used = np.flatnonzero(low.any(axis=1))
    if not used.size:
        return []
    walls = walls_along(low, int(lines.min()), pitch)
    stops = sorted({int(used[0]), *walls, int(used[-1])})
    rows = {stops[0]}
    for a, b in itertools.pairwise(stops):
        passes = np.concatenate([[0.0], np.cumsum(1.0 / lines[a:b])])  # that would lie before each row
        count = max(math.ceil(passes[-1] - 1e-6), 1)
        places = np.interp(np.linspace(0.0, passes[-1], count + 1), passes, np.arange(a, b + 1))
        rows.update(np.rint(places).astype(int).tolist())
    return sorted(rows)


def walls_along(low: Mask, lines: int, pitch: float) -> list[int]:
    """Return rows along which a layer ends over a long way, the longest first, none close to another."""
    padded = np.pad(low, ((1, 1), (0, 0)))
    length = np.maximum((low & ~padded[:-2]).sum(axis=1), (low & ~padded[2:]).sum(axis=1)) * pitch
    found: list[int] = []
    for row in np.argsort(-length, kind="stable"):
        if length[row] < LEAST_WALL:
            break
        if all(abs(int(row) - other) > lines // 3 for other in found):
            found.append(int(row))
    return found


def fine_rows(main: Sequence[int], halvings: int) -> Iterator[list[tuple[int, int]]]:
    """Yield the rows half-way between passes and the step to these, then those half-way again, and so on."""
    known = list(main)
    for _ in range(halvings):
        between = [((a + b) // 2, (b - a) // 2) for a, b in itertools.pairwise(known) if b - a > 1]
        yield between
        known = sorted(known + [row for row, _ in between])


def spans(mask: Mask, row: int) -> Iterator[Span]:
    """Yield the spans of a row where a mask is true."""
    there = mask[row]
    edges = [*([0] if there[0] else []), *(np.flatnonzero(there[1:] != there[:-1]) + 1).tolist()]
    if there[-1]:
        edges.append(len(there))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        yield Span(row, first, last)


def joined(apart: Sequence[Span], domain: Mask, gap: int) -> list[Span]:
    """Return the spans of a row, those less than a gap apart as one where the cutter may go between them."""
    whole: list[Span] = []
    for span in apart:
        if whole and span.first - whole[-1].last <= gap and domain[whole[-1].last : span.first].all():
            whole[-1] = Span(span.row, whole[-1].first, span.last)
        else:
            whole.append(span)
    return whole


def neighbours(whole: Sequence[Span], apart: int) -> tuple[list[list[int]], list[list[int]]]:
    """Return for each span those of the passes before and after it, `apart` rows at most, beside it."""
    by_row: dict[int, list[int]] = {}
    for number, span in enumerate(whole):
        by_row.setdefault(span.row, []).append(number)
    before: list[list[int]] = [[] for _ in whole]
    after: list[list[int]] = [[] for _ in whole]
    for row, following in itertools.pairwise(sorted(by_row)):
        for k in by_row[row] if following - row <= apart else ():
            for m in by_row[following]:
                if whole[k].first < whole[m].last and whole[m].first < whole[k].last:
                    after[k].append(m)
                    before[m].append(k)
    return before, after


def groups(whole: Sequence[Span], apart: int) -> list[list[Span]]:
    """Return the spans in groups that hang together, side by side."""
    before, after = neighbours(whole, apart)
    left, found = set(range(len(whole))), []
    while left:
        reached = [min(left)]
        left.discard(reached[0])
        for k in reached:
            fresh = [m for m in (*before[k], *after[k]) if m in left]
            left.difference_update(fresh)
            reached.extend(fresh)
        found.append([whole[k] for k in sorted(reached)])
    return found
