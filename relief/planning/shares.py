"""Which stretches of a ring are cut from one position of the board, where a job is carved in tiles.

Every place of a ring belongs to one tile. Where two stretches meet, both are cut a little further, so that
nothing is left between them; and they never meet in a tab, which is cut from one position as a whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from relief.planning.outline import Floats, Gap, Ring
from relief.tiling import SEAM

# Stretches of neighbouring tiles overlap by this share of the cutter's radius on either side, at most `SEAM`.
LAP = 0.5


class Cell(NamedTuple):
    """A tile's share of the board, boundless where no other tile lies beside it.

    Parameters
    ----------
    seams : places at which tiles meet, mm, along x and along y, rising
    at : its column and row among them
    """

    seams: tuple[tuple[float, ...], tuple[float, ...]]
    at: tuple[int, int]


def reach(radius: float, flare: float, tab_width: float) -> float:
    """Return how far beyond a seam the cutter's axis comes at most, mm.

    It goes on a radius where a ring comes over a seam by no more than that, round half a tab that stands on
    the seam and the room beside it, and over the lap.

    Parameters
    ----------
    radius : mm, of the cutter
    flare : mm, how much further than the wall is cut its layers go at the end of a stretch
    tab_width : mm, of the widest tab; 0 where there is none
    """
    over = (tab_width + 2 * radius + 2 * flare) / 2 + _room(radius, flare) if tab_width else 0.0
    return radius + over + _lap(radius) + flare


def _lap(radius: float) -> float:
    return min(SEAM, LAP * radius)


def _room(radius: float, flare: float) -> float:
    """Return how far from a tab stretches meet, mm: room to come down in."""
    return _lap(radius) + flare + radius / 2


def gaps_beyond(
    ring: Ring, tabs: Sequence[Gap], cell: Cell, radius: float, flare: float
) -> tuple[Gap, ...] | None:
    """Return the stretches of a ring that are cut from other positions of the board.

    Parameters
    ----------
    ring : way of the cutter's axis
    tabs : gaps over its tabs
    cell : the tile
    radius, flare : as for `reach`

    Returns
    -------
    empty where all of the ring is cut with this tile; None where nothing of it is
    """
    starts, owners = _owned(ring, cell.seams, radius)
    if len(starts) < 2:
        return () if owners[0] == cell.at else None
    met = [_off_tabs(ring, start, tabs, _room(radius, flare)) for start in starts]
    lap = _lap(radius)
    mine = [
        (start - lap, end + lap)
        for (start, end), owner in zip(pairwise([*met, met[0] + ring.length]), owners, strict=True)
        if owner == cell.at and end > start + 1e-6
    ]
    if not mine:
        return None
    following = [*mine[1:], (mine[0][0] + ring.length, 0.0)]
    least = 2 * flare + radius
    return tuple(
        Gap(end, start, beyond=True)
        for (_, end), (start, _) in zip(mine, following, strict=True)
        if start > end + least
    )


def _owned(
    ring: Ring, seams: tuple[tuple[float, ...], tuple[float, ...]], poke: float
) -> tuple[list[float], list[tuple[int, int]]]:
    """Return where each tile's stretch of a ring starts, rising, and which tile that is.

    A stretch that comes over a seam by no more than `poke` is its neighbour's.
    """
    starts = _crossings(ring, seams) or [0.0]
    ends = [*starts[1:], starts[0] + ring.length]
    owners = [_owner(ring.at((a + b) / 2), seams) for a, b in zip(starts, ends, strict=True)]
    starts, owners = _joined(starts, owners)
    while len(starts) > 1:
        given = _given_away(ring, seams, poke, starts, owners)
        if given is None:
            break
        number, owner = given
        owners[number] = owner
        starts, owners = _joined(starts, owners)
    return starts, owners


def _crossings(ring: Ring, seams: tuple[tuple[float, ...], tuple[float, ...]]) -> list[float]:
    """Return the places at which a ring goes over a seam, rising."""
    found: list[float] = []
    for axis, lines in enumerate(seams):
        along = ring.closed[:, axis]
        for line in lines:
            side = along >= line
            over = np.flatnonzero(side[1:] != side[:-1])
            share = (line - along[over]) / (along[over + 1] - along[over])
            found += list(ring.places[over] + share * np.diff(ring.places)[over])
    return sorted({float(place) for place in found})


def _owner(place: Floats, seams: tuple[tuple[float, ...], tuple[float, ...]]) -> tuple[int, int]:
    column, row = (int(np.searchsorted(lines, at, "right")) for lines, at in zip(seams, place, strict=True))
    return column, row


def _joined(starts: list[float], owners: list[tuple[int, int]]) -> tuple[list[float], list[tuple[int, int]]]:
    """Return the stretches with those on end that have one owner made one."""
    first = [k for k in range(len(starts)) if owners[k] != owners[k - 1]]
    return ([starts[k] for k in first], [owners[k] for k in first]) if first else (starts[:1], owners[:1])


def _given_away(
    ring: Ring,
    seams: tuple[tuple[float, ...], tuple[float, ...]],
    poke: float,
    starts: list[float],
    owners: list[tuple[int, int]],
) -> tuple[int, tuple[int, int]] | None:
    """Return the shortest stretch that a neighbour can cut as well, and the neighbour; None: no such one."""
    ends = [*starts[1:], starts[0] + ring.length]
    for k in sorted(range(len(starts)), key=lambda k: ends[k] - starts[k]):
        way = ring.between(starts[k], ends[k])
        for owner in (owners[k - 1], owners[(k + 1) % len(owners)]):
            if _outside(way, seams, owner) <= poke:
                return k, owner
    return None


def _outside(
    way: Floats, seams: tuple[tuple[float, ...], tuple[float, ...]], owner: tuple[int, int]
) -> float:
    """Return how far a way comes out of a tile's share of the board, mm."""
    out = 0.0
    for axis, (lines, number) in enumerate(zip(seams, owner, strict=True)):
        edges = (-np.inf, *lines, np.inf)
        low, high = edges[number], edges[number + 1]
        out = max(out, float(low - way[:, axis].min()), float(way[:, axis].max() - high))
    return out


def _off_tabs(ring: Ring, place: float, tabs: Sequence[Gap], room: float) -> float:
    """Return the place nearest to one that stands off every tab: in the middle where two stand close."""
    if not tabs:
        return place
    nearest = []
    for tab, following in zip(tabs, (*tabs[1:], tabs[0]), strict=True):
        free = (following.start - tab.end) % ring.length
        aside = min(room, free / 2)
        # from the middle of what is free between two tabs, the place may go so far either way
        middle, half = tab.end + free / 2, free / 2 - aside
        off = (place - middle + ring.length / 2) % ring.length - ring.length / 2
        nearest.append(place - off + min(max(off, -half), half))
    return min(nearest, key=lambda found: abs(found - place))
