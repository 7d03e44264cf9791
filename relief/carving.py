"""What moves leave of the stock, and what they meet on the way.

Every move is swept exactly at the nodes; nothing is sampled along a move.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from relief.cutters import profile
from relief.heightfield import Heightfield, Heights, Region
from relief.kernels.bands import in_bands
from relief.kernels.sweep import depths_below, depths_in_turn, sweep
from relief.moves import Moves
from relief.shop.records import Cutter

BATCH = 1 << 19  # moves swept at once: bounds the memory
CHUNK = 1 << 12  # moves between two looks at the stock
FEW = 1 << 8  # moves that are followed one by one
WINDOW = 1 << 7  # nodes along a window that is searched for the deepest cut
NEIGHBOURS = 1 << 5  # moves in a row that are near a place, or not, together

Points = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class RapidContact:
    """The rapids of a program that cut into the stock as it stands at their moment.

    Parameters
    ----------
    depth : mm, of the deepest contact; 0 if there is none
    block : 1-based line of that rapid; 0 if there is none
    moves : (k,) int64, numbers of all rapids in contact
    depths : (k,) mm, of each
    """

    depth: float
    block: int
    moves: npt.NDArray[np.int64]
    depths: npt.NDArray[np.float64]


@dataclass(frozen=True)
class DeepestCut:
    """The most that one move takes off below the stock as it stands at its moment.

    Parameters
    ----------
    depth : mm
    block : 1-based line of a cut that deep (to the tolerance asked for); 0 if nothing is cut
    """

    depth: float
    block: int


class _Carver:
    """Stock being carved by the moves of one program, in running order."""

    def __init__(self, stock: Heightfield, moves: Moves, cutter: Cutter) -> None:
        self.heights: Heights = stock.heights.copy()
        self.pitch = stock.pitch
        self.shape = np.array(profile(cutter), dtype=np.float64)
        self.points: Points = moves.points - (*stock.origin, 0.0)  # measured from node (0, 0)

    def carve(self, first: int, last: int) -> None:
        """Carve the moves first ≤ k < last."""
        for start in range(first, last, BATCH):
            end = min(start + BATCH, last)
            sweep(
                self.heights, self.pitch, self.shape, self.points[start:end], self.points[start + 1 : end + 1]
            )

    def window(self, first: int, last: int) -> tuple[slice, slice]:
        """Return the (rows, columns) that the moves first ≤ k < last can reach."""
        ends = self.points[first : last + 1, :2]
        ends = ends[np.isfinite(ends.sum(axis=1))]
        if not len(ends):
            return slice(0, 0), slice(0, 0)
        radius = self.shape[3]
        low = np.clip(np.floor((ends.min(axis=0) - radius) / self.pitch), 0, self.heights.shape[::-1])
        high = np.clip(np.ceil((ends.max(axis=0) + radius) / self.pitch) + 1, 0, self.heights.shape[::-1])
        return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))

    def local(self, window: tuple[slice, slice], first: int, last: int) -> tuple[Heights, Points]:
        """Return a copy of a part of the stock and points first ≤ k ≤ last measured from its corner."""
        corner = (window[1].start * self.pitch, window[0].start * self.pitch, 0.0)
        return self.heights[window].copy(), self.points[first : last + 1] - corner


def carve_stock(stock: Heightfield, moves: Moves, cutter: Cutter) -> Heightfield:
    """Return what all moves, rapids too, leave of the stock.

    Parameters
    ----------
    stock : Heightfield
        The surface before the first move.
    moves : Moves
        In the coordinates of the stock. A move with an end not told yet (NaN) removes nothing.
    cutter : Cutter

    Returns
    -------
    Heightfield, the stock's grid

    Notes
    -----
    The order of moves does not matter here: what is left is the least of all swept envelopes.
    """
    carver = _Carver(stock, moves, cutter)
    carver.carve(0, len(moves))
    return stock.with_heights(_finished(carver.heights))


def carve_windows(windows: Sequence[Heightfield], moves: Moves, cutter: Cutter) -> list[Heightfield]:
    """Return what all moves leave of several small pieces of stock, each on a grid of its own.

    Parameters
    ----------
    windows : the surfaces before the first move
    moves : Moves, in the coordinates of the stock
    cutter : Cutter

    Notes
    -----
    What `carve_stock` would leave there; but each piece looks only at moves that come near it.
    """
    shape = np.array(profile(cutter), dtype=np.float64)
    points, boxes = moves.points, _boxes(moves.points)
    left = list(windows)

    def carve(first: int, last: int) -> None:
        for k in range(first, last):
            window = windows[k]
            heights, corner = window.heights.copy(), (*window.origin, 0.0)
            near = _moves_near(boxes, window.region.grown(float(shape[3])), len(moves))
            sweep(heights, window.pitch, shape, points[near] - corner, points[near + 1] - corner)
            left[k] = window.with_heights(_finished(heights))

    in_bands(carve, len(windows), 1)
    return left


def _boxes(points: Points) -> tuple[Points, Points]:
    """Return the low and the high corner, seen from above, of each run of NEIGHBOURS moves."""
    firsts = np.arange(0, max(len(points) - 1, 1), NEIGHBOURS)
    places = points[:, :2]
    beyond = places[np.minimum(firsts + NEIGHBOURS, len(points) - 1)]  # where the run's last move ends
    low = np.fmin(np.fmin.reduceat(places, firsts), beyond)
    high = np.fmax(np.fmax.reduceat(places, firsts), beyond)
    return low, high


def _moves_near(boxes: tuple[Points, Points], region: Region, count: int) -> Numbers:
    """Return the numbers of all moves that come into a box, and of some of their neighbours."""
    low, high = boxes
    met = (low <= (region.right, region.far)).all(axis=1) & (high >= (region.left, region.near)).all(axis=1)
    numbers = np.flatnonzero(met)[:, None] * NEIGHBOURS + np.arange(NEIGHBOURS)
    return numbers[numbers < count]


def _finished(heights: Heights) -> Heights:
    heights.flags.writeable = False  # so that the Heightfield keeps it as it is
    return heights


def rapid_contact(
    stock: Heightfield,
    moves: Moves,
    cutter: Cutter,
    tolerance: float = 1e-3,
    part: Cutter | None = None,
) -> RapidContact:
    """Find the rapids that cut deeper than `tolerance`, mm, into the stock as it stands at their moment.

    Parameters
    ----------
    stock : Heightfield, the surface before the first move
    moves : Moves, in the coordinates of the stock
    cutter : Cutter
    tolerance : mm
    part : what of the cutter must not touch the stock; None: all of it

    Notes
    -----
    Exact at the nodes, in running order. Most rapids are cleared without carving: those above all of the
    stock, and those straight up from where the tip has just been. The rest first meet the stock as it stood
    at most 4096 moves earlier, which can only be higher; only the few that touch that are looked at with the
    moves in between carved around them.
    """
    carver = _Carver(stock, moves, cutter)
    shape = np.array(profile(part), dtype=np.float64) if part else carver.shape
    suspects = _suspects(carver.points, moves.rapid, float(stock.heights.max()) - tolerance)
    found, depths = [], []
    carved = 0
    for chunk in np.unique(suspects // CHUNK):
        first = int(chunk) * CHUNK
        carver.carve(carved, first)
        carved = first
        members = suspects[suspects // CHUNK == chunk]
        deep = depths_below(
            carver.heights, carver.pitch, shape, carver.points[members], carver.points[members + 1]
        )
        for k in members[deep > tolerance]:
            depth = _depth_at(carver, first, int(k), shape)
            if depth > tolerance:
                found.append(int(k))
                depths.append(depth)
    worst = int(np.argmax(depths)) if depths else -1
    return RapidContact(
        depth=depths[worst] if depths else 0.0,
        block=int(moves.block[found[worst]]) if depths else 0,
        moves=np.array(found, dtype=np.int64),
        depths=np.array(depths, dtype=np.float64),
    )


def _suspects(points: Points, rapid: npt.NDArray[np.bool_], top: float) -> npt.NDArray[np.int64]:
    """Return the numbers of the rapids that might meet stock no higher than `top`."""
    starts, ends = points[:-1], points[1:]
    told = np.isfinite(points.sum(axis=1))
    low = rapid & told[:-1] & told[1:] & (np.minimum(starts[:, 2], ends[:, 2]) < top)
    # Straight up from a place that the move before has cut free.
    lifts = np.all(starts[:, :2] == ends[:, :2], axis=1) & (ends[:, 2] >= starts[:, 2])
    lifts &= np.append(False, told[:-2])[: len(lifts)]
    return np.flatnonzero(low & ~lifts)


def _depth_at(carver: _Carver, first: int, k: int, shape: npt.NDArray[np.float64]) -> float:
    """Return how deep a shape cuts in move k once moves first ≤ m < k are carved; the stock stays."""
    window = carver.window(k, k + 1)
    local, points = carver.local(window, first, k + 1)
    sweep(local, carver.pitch, carver.shape, points[:-2], points[1:-1])
    return float(depths_below(local, carver.pitch, shape, points[-2:-1], points[-1:])[0])


def deepest_cut(
    stock: Heightfield, moves: Moves, cutter: Cutter, within: float = 0.02, left: Heightfield | None = None
) -> DeepestCut:
    """Find the most that one feed move takes off below the stock as it stands at its moment.

    Parameters
    ----------
    stock : Heightfield, the surface before the first move
    moves : Moves, in the coordinates of the stock
    cutter : Cutter
    within : mm
        The depth returned is never less than the true one, and more by no more than this.
    left : what `carve_stock` leaves of the stock, where that is known already

    Notes
    -----
    What a run of moves takes off together bounds each of them, node by node. So only nodes where a run takes
    off more than the deepest cut found so far (and `within`) are looked at again, in halves of the run, and
    in short ones move by move. Places where all moves together take off most come first.
    """
    if not len(moves):
        return DeepestCut(0.0, 0)
    search = _CutSearch(_Carver(stock, moves, cutter), moves.rapid, within)
    search.run((left or carve_stock(stock, moves, cutter)).heights)
    block = int(moves.block[search.move]) if search.move >= 0 else 0
    return DeepestCut(max(search.depth, search.bound), block)


def deepest_move(moves: Moves, cutter: Cutter, x: float, y: float) -> int:
    """Return the number of the move that cuts deepest below z = 0 at (x, y); -1 if none comes there."""
    carver = _Carver(Heightfield(np.zeros((1, 1), np.float32), 1.0, (x, y)), moves, cutter)
    depths = depths_below(carver.heights, 1.0, carver.shape, carver.points[:-1], carver.points[1:])
    return int(np.argmax(depths)) if depths.max(initial=0.0) > 0 else -1


@dataclass(frozen=True, eq=False)
class _Run:
    """Some moves, and what they do in a window of the stock.

    Parameters
    ----------
    numbers : of the moves, in running order
    corner : (row, column) of the window's first node
    before, after : (rows, columns) mm, the window before and after them
    """

    numbers: Numbers
    corner: tuple[int, int]
    before: Heights
    after: Heights

    @property
    def drops(self) -> Heights:
        """What the moves take off together, mm."""
        return self.before - self.after

    def around(self, nodes: npt.NDArray[np.bool_]) -> _Run:
        """Return the run in the smallest window with all of some nodes."""
        rows, columns = (np.flatnonzero(nodes.any(axis=axis)) for axis in (1, 0))
        part = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
        corner = self.corner[0] + int(rows[0]), self.corner[1] + int(columns[0])
        return _Run(self.numbers, corner, self.before[part], self.after[part])


class _CutSearch:
    """The deepest single cut found so far, and a bound on those that were not looked at one by one."""

    def __init__(self, carver: _Carver, rapid: npt.NDArray[np.bool_], within: float) -> None:
        self.carver = carver
        self.rapid = rapid
        self.within = within
        self.depth, self.bound, self.move = 0.0, 0.0, -1

    def run(self, after: Heights) -> None:
        """Search all moves, which leave `after`."""
        runs = sorted(self._windows(after), key=lambda run: -float(run.drops.max()))
        self._follow(runs[0].around(runs[0].drops == runs[0].drops.max()))
        for run in runs:
            self._search(run)

    def _windows(self, after: Heights) -> Iterator[_Run]:
        """Yield all moves window by window, in each only those that come near it."""
        carver = self.carver
        boxes = _boxes(carver.points)
        for j, i in product(*(range(0, count, WINDOW) for count in after.shape)):
            window = slice(j, j + WINDOW), slice(i, i + WINDOW)
            before = carver.heights[window]
            far, right = (j + before.shape[0]) * carver.pitch, (i + before.shape[1]) * carver.pitch
            region = Region(i * carver.pitch, j * carver.pitch, right, far).grown(float(carver.shape[3]))
            yield _Run(_moves_near(boxes, region, len(self.rapid)), (j, i), before, after[window])

    def _search(self, run: _Run) -> None:
        """Look closer at a run where it may hold the deepest cut: by halves, and at last move by move."""
        deeper, drops = self.depth + self.within, run.drops
        deep = drops > deeper
        if self.rapid[run.numbers].all():
            return
        self.bound = max(self.bound, float(drops.max(initial=0.0, where=~deep)))
        if deep.any() and len(run.numbers) > FEW:
            for half in self._halves(run.around(deep)):
                self._search(half)
        elif deep.any():
            self._follow(run.around(deep))

    def _halves(self, run: _Run) -> Iterator[_Run]:
        """Yield the first half of a run and then, as it leaves the stock, the second."""
        middle = len(run.numbers) // 2
        between = run.before.copy()
        sweep(between, self.carver.pitch, self.carver.shape, *self._ends(run.numbers[:middle], run.corner))
        yield _Run(run.numbers[:middle], run.corner, run.before, between)
        yield _Run(run.numbers[middle:], run.corner, between, run.after)

    def _ends(self, numbers: Numbers, corner: tuple[int, int]) -> tuple[Points, Points]:
        """Return where moves start and end, measured from a node."""
        node = (corner[1] * self.carver.pitch, corner[0] * self.carver.pitch, 0.0)
        return self.carver.points[numbers] - node, self.carver.points[numbers + 1] - node

    def _follow(self, run: _Run) -> None:
        depths = depths_in_turn(
            run.before.copy(), self.carver.pitch, self.carver.shape, *self._ends(run.numbers, run.corner)
        )
        depths[self.rapid[run.numbers]] = 0.0
        if depths.max(initial=0.0) > self.depth:
            self.depth, self.move = float(depths.max()), int(run.numbers[depths.argmax()])
