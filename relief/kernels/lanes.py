"""Sixteen nodes at a time: the innermost steps of the tip search, as vector instructions.

A loop over a row of a block of offsets, for four rows of nodes, keeps what is found in registers only if it
is written in LLVM's own vector types, which become whatever the machine has. The same steps as plain loops
stand beside: they run where the compiler is off, and say what must come out where it is on.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba import config, types
from numba.extending import intrinsic

BLOCK = 8  # offsets are tried by blocks of 8 × 8
TILE = 4  # rows of nodes settled together, so that one row of z serves four
LANES = 16  # nodes of a row settled together …
HALF = 8  # … as two vectors, the widest that most machines have

_FLOATS = ir.VectorType(ir.FloatType(), LANES)
_ROW = ir.VectorType(ir.FloatType(), BLOCK)
_HALF = ir.VectorType(ir.FloatType(), HALF)
_COUNTS = ir.VectorType(ir.IntType(32), HALF)


class _Array:
    """A C-contiguous array of 4-byte items as the code under construction sees it."""

    def __init__(self, context: Any, builder: Any, kind: Any, value: Any) -> None:
        self.builder = builder
        array = context.make_array(kind)(context, builder, value)
        self.first, self.columns = array.data, builder.extract_value(array.shape, 1)

    def item(self, row: Any, column: Any, more_rows: int = 0, more_columns: int = 0) -> Any:
        """Return a pointer to an item."""
        build = self.builder
        row = build.add(row, ir.Constant(row.type, more_rows))
        column = build.add(column, ir.Constant(column.type, more_columns))
        return build.gep(self.first, [build.add(build.mul(row, self.columns), column)])

    def lanes(self, kind: Any, *place: Any) -> Any:
        """Return a pointer to a vector of items of a row."""
        return self.builder.bitcast(self.item(*place), kind.as_pointer())


def _spread(builder: Any, value: Any, kind: Any) -> Any:
    """Return a vector with the value in every lane."""
    one = builder.insert_element(ir.Constant(kind, ir.Undefined), value, ir.Constant(ir.IntType(32), 0))
    nowhere = ir.Constant(ir.VectorType(ir.IntType(32), kind.count), [0] * kind.count)
    return builder.shuffle_vector(one, ir.Constant(kind, ir.Undefined), nowhere)


def _build_hopeful(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    """Build the code of `hopeful_plainly`."""
    high, q, i, least, b, height, c = arguments
    kinds = signature.args
    highs = _Array(context, builder, kinds[0], high)
    leasts = _Array(context, builder, kinds[3], least)
    heights = _Array(context, builder, kinds[5], height)
    zero = ir.Constant(c.type, 0)
    bound = builder.load(highs.lanes(_FLOATS, q, i), align=4)

    def any_above(rows: range) -> Any:
        hit = ir.Constant(ir.VectorType(ir.IntType(1), LANES), [0] * LANES)
        for j in rows:
            s = _spread(builder, builder.load(leasts.item(b, zero, 0, j)), _FLOATS)
            found = builder.load(heights.lanes(_FLOATS, zero, c, j), align=4)
            hit = builder.or_(hit, builder.fcmp_ordered(">", builder.fsub(bound, s), found))
        bits = builder.bitcast(hit, ir.IntType(LANES))
        return builder.icmp_unsigned("!=", bits, ir.Constant(bits.type, 0))

    # most blocks are passed over by the lowest of the rows, for a quarter of the work
    maybe, asked = any_above(range(TILE, TILE + 1)), builder.block
    with builder.if_then(maybe):
        hit, answered = any_above(range(TILE)), builder.block
    result = builder.phi(ir.IntType(1))
    result.add_incoming(maybe, asked)
    result.add_incoming(hit, answered)
    return result


def _build_raise(noting: bool, context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    """Build the code of `raise_plainly`; place stays as it is unless it is to be noted."""
    z, y, x, table, top, left, height, place, c, code = arguments
    kinds = signature.args
    nodes = _Array(context, builder, kinds[0], z)
    offsets = _Array(context, builder, kinds[3], table)
    heights = _Array(context, builder, kinds[6], height)
    places = _Array(context, builder, kinds[7], place)
    zero = ir.Constant(c.type, 0)
    halves = range(0, LANES, HALF)
    spots = [(j, half) for j in range(TILE) for half in halves]
    height_at = {spot: heights.lanes(_HALF, zero, c, *spot) for spot in spots}
    place_at = {spot: places.lanes(_COUNTS, zero, c, *spot) for spot in spots}
    before = {spot: builder.load(at, align=4) for spot, at in height_at.items()}
    # loaded ahead: a load beside its store becomes a masked store, which takes some machines very long
    noted = {spot: builder.load(at, align=4) for spot, at in place_at.items()}
    found = dict(before)
    for v in range(BLOCK):
        row = {half: builder.load(nodes.lanes(_HALF, y, x, 0, v + half), align=4) for half in halves}
        for j in range(TILE):
            s = _spread(builder, builder.load(offsets.item(top, left, -j, v)), _HALF)
            for half in halves:
                new = builder.fsub(row[half], s)
                higher = builder.fcmp_ordered(">", new, found[j, half])
                found[j, half] = builder.select(higher, new, found[j, half])
    for half in halves:
        lowest = found[0, half]
        for j in range(1, TILE):
            lower = builder.fcmp_ordered("<", found[j, half], lowest)
            lowest = builder.select(lower, found[j, half], lowest)
        builder.store(lowest, heights.lanes(_HALF, zero, c, TILE, half), align=4)
    for spot, at in height_at.items():
        builder.store(found[spot], at, align=4)
    if noting:
        here = _spread(builder, builder.trunc(code, ir.IntType(32)), _COUNTS)
        for spot, at in place_at.items():
            higher = builder.fcmp_ordered(">", found[spot], before[spot])
            builder.store(builder.select(higher, here, noted[spot]), at, align=4)
    return context.get_dummy_value()


def _build_first(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
    """Build the code of `first_plainly`."""
    z, n, m, table, r, left, height = arguments
    nodes = _Array(context, builder, signature.args[0], z)
    offsets = _Array(context, builder, signature.args[3], table)
    row = builder.load(nodes.lanes(_ROW, n, m), align=4)
    s = builder.load(offsets.lanes(_ROW, r, left), align=4)
    same = builder.fcmp_ordered("==", builder.fsub(row, s), _spread(builder, height, _ROW))
    bits = builder.zext(builder.bitcast(same, ir.IntType(BLOCK)), n.type)
    return builder.cttz(bits, ir.Constant(ir.IntType(1), 0))


@intrinsic
def _hopeful_lanes(
    _typing: Any, high: Any, _q: Any, _i: Any, least: Any, _b: Any, height: Any, _c: Any
) -> Any:
    """Do what `hopeful_plainly` does."""
    n = types.intp
    return types.boolean(high, n, n, least, n, height, n), _build_hopeful


@intrinsic
def _raise_lanes(
    _typing: Any, z: Any, _y: Any, _x: Any, s: Any, _r: Any, _l: Any, h: Any, at: Any, _c: Any, _n: Any
) -> Any:  # fmt: skip
    """Raise the heights as `raise_plainly` does, but note nothing."""
    n = types.intp
    return types.void(z, n, n, s, n, n, h, at, n, n), partial(_build_raise, False)


@intrinsic
def _raise_noting_lanes(
    _typing: Any, z: Any, _y: Any, _x: Any, s: Any, _r: Any, _l: Any, h: Any, at: Any, _c: Any, _n: Any
) -> Any:  # fmt: skip
    """Do what `raise_plainly` does."""
    n = types.intp
    return types.void(z, n, n, s, n, n, h, at, n, n), partial(_build_raise, True)


@intrinsic
def _first_lanes(_typing: Any, z: Any, _n: Any, _m: Any, s: Any, _r: Any, _l: Any, h: Any) -> Any:
    """Do what `first_plainly` does."""
    n = types.intp
    return n(z, n, n, s, n, n, h), _build_first


def hopeful_plainly(high: Any, q: int, i: int, least: Any, b: int, height: Any, c: int) -> bool:
    """Tell whether the bound exceeds what is found at any of LANES × TILE nodes.

    Parameters
    ----------
    high : (…, …) float32, highest z of windows; [q, i] on for the LANES nodes
    least : (blocks, TILE + 1) float32, least s in block b as each row sees it; the least of them last
    height : (TILE + 1, …) float32, what is found, columns c on; the lowest of the rows last
    """
    for j in range(TILE):
        for lane in range(LANES):
            if high[q, i + lane] - least[b, j] > height[j, c + lane]:
                return True
    return False


def raise_plainly(
    z: Any, y: int, x: int, table: Any, top: int, left: int, height: Any, place: Any, c: int, code: int
) -> None:
    """Raise what is found at LANES × TILE nodes by a row of a block's offsets, and note where it does.

    Parameters
    ----------
    z : float32, node (y, x) is that of the row's first offset for the first of the nodes
    table : float32, s of that offset is at (top, left); row j of the nodes sees it j rows before
    height : (TILE + 1, …) float32, what is found, columns c on; the lowest of the rows last
    place : (TILE, …) int32, columns c on: the code, where the row gives the height
    """
    for j in range(TILE):
        for v in range(BLOCK):
            for lane in range(LANES):
                h = z[y, x + v + lane] - table[top - j, left + v]
                if h > height[j, c + lane]:
                    height[j, c + lane] = h
                    place[j, c + lane] = code
    for lane in range(LANES):
        height[TILE, c + lane] = min([height[j, c + lane] for j in range(TILE)])


def first_plainly(z: Any, n: int, m: int, table: Any, r: int, left: int, height: float) -> int:
    """Return which of the BLOCK offsets of a row gives a height; one of them does.

    Parameters
    ----------
    z : float32, node (n, m) is that of the first offset; table : float32, s of it is at (r, left)
    """
    v = 0
    while z[n, m + v] - table[r, left + v] != height:
        v += 1
    return v


_JIT = not config.DISABLE_JIT  # type: ignore[attr-defined]
hopeful: Callable[..., Any] = _hopeful_lanes if _JIT else hopeful_plainly
raise_heights: Callable[..., Any] = _raise_lanes if _JIT else raise_plainly
raise_noting: Callable[..., Any] = _raise_noting_lanes if _JIT else raise_plainly
first_giving: Callable[..., Any] = _first_lanes if _JIT else first_plainly
