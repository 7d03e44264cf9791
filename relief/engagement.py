"""How hard a cutter works along its way: what each stretch of it takes, in running order."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.feeds import Feeds
from relief.heightfield import Heightfield, Heights
from relief.kernels.load import loads_in_turn
from relief.moves import Moves
from relief.shop.records import Cutter

Doubles = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

# Stretches are at most this share of the cutter's radius long, and what a cutter takes is averaged over this
# share of it: less than the cutter itself feels at once.
STRETCH, WINDOW = 1 / 3, 0.5
# … and this share of that more: a move as long as one, which rounding of the text lengthens, stays one.
ABOUT = 0.05
# Nodes within a radius: fewer tell too little of what is cut, and more would tell nothing new.
COARSEST, FINEST = 8.0, 16.0
# They lie aside of the lattice that cutters run on, in pitches: a node just on a cutter's rim, which a
# rounding of the text takes in or leaves out, would count for much.
ASIDE = 0.381966
# mm: slivers between passes, which rounding leaves, make no chip.
SLIVER = 0.05
# Ways steeper than this (|dz| / length) are down or up, not along.
UPRIGHT = math.sin(math.radians(75.0))


@dataclass(frozen=True, eq=False)
class Engagement:
    """What a cutter takes, stretch by stretch; every feed move is one stretch or several.

    Parameters
    ----------
    move : (m,) number of the move that each is part of
    start, end : (m,) where it begins and ends along its move, 0 to 1
    section : (m,) mm², volume taken over length, averaged over a part of the cutter's radius
    chip : (m,) thickest chip as a share of the feed per edge, 0 to 1; 0 straight up or down; NaN for a cutter
        whose end is not flat: there it depends on the depth
    run : (m,) number of the run that each is part of: along, or up and down, with no rapid between
    length : (m,) mm
    """

    move: Counts
    start: Doubles
    end: Doubles
    section: Doubles
    chip: Doubles
    run: Counts
    length: Doubles


def engagement(
    stock: Heightfield,
    points: Doubles,
    rapid: npt.NDArray[np.bool_],
    cutter: Cutter,
    sliver: float = SLIVER,
    nodes: float = FINEST,
) -> Engagement:
    """Return how hard a cutter works along its way.

    Parameters
    ----------
    stock : the surface before the first move
    points : (n + 1, 3) float64, mm, in the coordinates of the stock
    rapid : (n,) which moves are rapids: those touch nothing
    cutter : what turns
    nodes : within a radius, of the grid that it is reckoned on, at most
    sliver : mm; what stands less than this above the cutter makes no chip

    Notes
    -----
    The chip of an edge is thickest where it cuts nearest to the cutter's line: √(1 − (d / R)²) of the feed
    per edge at a distance d beside it (geometry of a circle; `cutting.chip_thinning` is this at
    d = R − stepover).
    """
    shape = profile(cutter)
    radius = float(shape.radius)
    steps = np.nan_to_num(np.diff(points, axis=0))
    lengths = np.linalg.norm(steps, axis=1)
    counts = np.where(rapid, 0, np.ceil(lengths / (STRETCH * radius) - ABOUT)).astype(np.int64)
    move = np.repeat(np.arange(len(rapid)), counts)
    part = np.arange(len(move)) - np.repeat(np.cumsum(counts) - counts, counts)
    start, end = part / counts[move], (part + 1) / counts[move]
    heights, pitch = _suited(stock, radius, nodes)
    volumes, nearest = np.empty(len(move)), np.empty(len(move))
    corner = np.array([*(at + ASIDE * pitch for at in stock.origin), 0.0])
    loads_in_turn(
        heights, pitch, np.array(shape, dtype=np.float64),
        points[move] + start[:, None] * steps[move] - corner,
        points[move] + end[:, None] * steps[move] - corner,
        sliver, volumes, nearest,
    )  # fmt: skip
    upright = np.abs(steps[:, 2]) > UPRIGHT * np.maximum(lengths, 1e-12)
    changes = np.cumsum(rapid) * 2 + upright
    run = changes[move]
    length = lengths[move] / np.maximum(counts[move], 1)
    chip = np.sqrt(np.maximum(1.0 - (np.minimum(nearest, radius) / radius) ** 2, 0.0))
    chip[upright[move]] = 0.0
    if shape.flat_radius < radius:
        chip[:] = np.nan
    return Engagement(move, start, end, _averaged(volumes, length, run, WINDOW * radius), chip, run, length)


def nodes_for(feeds: Feeds) -> float:
    """Return how many nodes within a radius tell enough: fewer where feeds are only lowered."""
    return FINEST if feeds.hurry > 1.0 else COARSEST


def _suited(stock: Heightfield, radius: float, nodes: float) -> tuple[Heights, float]:
    """Return a stock's heights at nodes as near to each other as suits a cutter, and their pitch, mm.

    The first lies ASIDE pitches from the stock's own first node.
    """
    pitch = min(max(stock.pitch, radius / nodes), radius / COARSEST)
    rows, columns = (
        np.rint((np.arange(int((count - 1) * stock.pitch / pitch) + 1) + ASIDE) * pitch / stock.pitch)
        for count in stock.heights.shape
    )
    rows, columns = np.minimum(rows, stock.rows - 1), np.minimum(columns, stock.columns - 1)
    return stock.heights[np.ix_(rows.astype(np.int64), columns.astype(np.int64))], pitch


def may_exceed(stock: Heightfield, after: Heightfield, cutter: Cutter, feeds: Feeds) -> bool:
    """Return whether any cut may take more than feeds were chosen for, at a look.

    Parameters
    ----------
    stock, after : the surface before and after all moves, or one that they leave nowhere less of than it
    cutter : what turns
    feeds : what was chosen

    Notes
    -----
    No cut takes more than its depth times the cutter's width. A flat cutter, and one that is hurried where a
    cut is light, have other bounds as well.
    """
    if feeds.hurry > 1.0 or profile(cutter).flat_radius == profile(cutter).radius:
        return True
    return bool((stock.heights - after.heights).max() > feeds.section / cutter.diameter)


@dataclass(frozen=True)
class Hardest:
    """The feed that asks most of what the cut where it runs allows.

    Parameters
    ----------
    share : feed over the most that `Feeds.most` allows there; 0 where nothing is cut, or it was not looked at
    block : 1-based line of that move; 0 if there is none
    """

    share: float = 0.0
    block: int = 0


def hardest_feed(
    stock: Heightfield, after: Heightfield, moves: Moves, cutter: Cutter, feeds: Feeds
) -> Hardest:
    """Find the feed that asks most of what the stock, as it stands at that moment, allows.

    Parameters
    ----------
    stock, after : the surface before the first move, and after the last
    moves : in the coordinates of the stock
    cutter : what turns
    feeds : what was chosen, and for which cut
    """
    fast = bool((moves.feed[~moves.rapid] > feeds.cut).any())
    if not fast and not may_exceed(stock, after, cutter, feeds):
        return Hardest()
    taken = engagement(stock, moves.points, moves.rapid, cutter, nodes=nodes_for(feeds))
    if not len(taken.move):
        return Hardest()
    share = moves.feed[taken.move] / feeds.most(taken.section, taken.chip)
    worst = int(np.argmax(share))
    return Hardest(float(share[worst]), int(moves.block[taken.move[worst]]))


def _averaged(volumes: Doubles, length: Doubles, run: Counts, window: float) -> Doubles:
    """Return volume over length about the middle of each stretch, over a window or its run if that is less.

    A run of less than half a window counts as that long: rounding leaves descents of a thousandth.
    """
    if not len(volumes):
        return volumes
    ends = np.cumsum(length)
    total = np.concatenate([[0.0], np.cumsum(volumes)])
    places = np.concatenate([[0.0], ends])
    edges = np.flatnonzero(np.diff(run)) + 1
    firsts, lasts = np.append(0, edges), np.append(edges, len(run))
    number = np.repeat(np.arange(len(firsts)), lasts - firsts)
    low, high = places[firsts][number], places[lasts][number]
    middle = ends - length / 2
    half = np.maximum(window, length) / 2
    a = np.clip(middle - half, low, high)
    b = np.clip(middle + half, low, high)
    taken = np.interp(b, places, total) - np.interp(a, places, total)
    return np.asarray(np.maximum(taken, 0.0) / np.maximum(b - a, window / 2))
