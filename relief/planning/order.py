"""In which order the passes of a layer are cut, and what of them is worth it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from relief.planning.ground import TALL, Doubles, Ground, Rules, Span
from relief.planning.passes import Part, cut_part, parts_of
from relief.planning.raster import neighbours
from relief.planning.slices import Slice

# What is not tall is worth a pass if it is as much as a full cut takes over this way, mm: the pass beside it
# turns round for it.
TURN = 24.0
# mm: what is tall over less than this is no more than a chip.
SHORTEST = 1.0


class Main:
    """The main passes of a region, each beside one that is already cut wherever there is one."""

    def __init__(self, ground: Ground, rules: Rules, whole: Sequence[Span], layer: Slice) -> None:
        self.ground, self.rules, self.layer = ground, rules, layer
        self.whole = list(whole)
        self.before, self.after = neighbours(whole, rules.widest)
        self.waiting = set(range(len(whole)))
        self.last, self.trend = -1, 0
        self.sweep = 0
        if rules.cut != "both ways":
            # With a clockwise spindle climb cutting has the material on the right of the way the cutter goes.
            self.sweep = -1 if (rules.cut == "climb") != ground.turned else 1

    def cut(self) -> None:
        """Cut them all."""
        while self.waiting:
            choice = self._candidates()
            number, backward = nearest(
                self.ground, [(k, self.whole[k]) for k in choice], both=self.sweep == 0
            )
            span = self.whole[number]
            parts = parts_of(self.ground, self.rules, span, self.layer.floor)
            parts = [part for part in parts if worth(self.ground, self.rules, self.layer, part)]
            self.waiting.remove(number)
            self.trend = 0 if self.last < 0 else int(np.sign(span.row - self.whole[self.last].row))
            self.last = number
            leave = self._left_to_the_next(number)
            for part in reversed(parts) if backward else parts:
                cut_part(self.ground, self.rules, part, backward, leave)

    def _left_to_the_next(self, number: int) -> float:
        """Return how high wedges may be that a pass leaves, mm: more where one beside it comes back.

        That one takes all of a wedge that lies over the relief, if it is no further away than the radius.
        """
        row, reach = self.whole[number].row, self.rules.radius / self.ground.pitch
        beside = [k for k in (*self.before[number], *self.after[number]) if k in self.waiting]
        comes = any(abs(self.whole[k].row - row) <= reach for k in beside)
        if comes and not self.sweep and self.ground.whole and not self.rules.core:
            return max(TALL * self.rules.stepdown, self.rules.ridge)
        return self.rules.ridge

    def _candidates(self) -> list[int]:
        """Return the passes that may come next: beside the last one if any are, else those at an end."""
        waiting, before, after, last = self.waiting, self.before, self.after, self.last
        if self.sweep:
            ahead, behind = (after, before) if self.sweep > 0 else (before, after)
            ready = [k for k in sorted(waiting) if not any(m in waiting for m in behind[k])]
            return [k for k in ready if last >= 0 and k in ahead[last]] or ready
        if last >= 0:
            for side in (after, before) if self.trend >= 0 else (before, after):
                beside_it = [k for k in side[last] if k in waiting]
                if beside_it:
                    return beside_it
        return [
            k
            for k in sorted(waiting)
            if not any(m in waiting for m in before[k]) or not any(m in waiting for m in after[k])
        ]


def worth(ground: Ground, rules: Rules, layer: Slice, part: Part) -> bool:
    """Return whether a part of a pass takes so much that it is worth turning round for."""
    stands = np.maximum(part.met - part.floors, 0.0)
    if stands_high(stands, rules.small, ground.pitch) or not ground.whole:
        return True
    volume = stands.sum() * layer.lines * ground.pitch**2
    return bool(volume >= TURN * rules.stepdown * rules.stepover)


def stands_high(stands: Doubles, limit: float, pitch: float) -> bool:
    """Return whether what stands along passes is higher than a limit over SHORTEST, or a third of them."""
    return bool(np.count_nonzero(stands > limit) >= max(min(SHORTEST / pitch, len(stands) / 3), 1))


def cut_nearest_first(ground: Ground, rules: Rules, spans: list[Span], floor: float) -> None:
    """Cut passes between the main ones."""
    waiting = dict(enumerate(spans))
    while waiting:
        number, backward = nearest(ground, list(waiting.items()), both=True)
        span = waiting.pop(number)
        if rules.cut != "both ways":
            backward = _wall_on_the_left(ground, span) == ((rules.cut == "climb") != ground.turned)
        parts = parts_of(ground, rules, span, floor)
        for part in reversed(parts) if backward else parts:
            cut_part(ground, rules, part, backward, rules.ridge)


def _wall_on_the_left(ground: Ground, span: Span) -> bool:
    """Whether the ground is higher on the left of a span that is cut forward."""
    row, columns = span.row, slice(span.first, span.last)
    left = ground.tip[min(row + 1, ground.tip.shape[0] - 1), columns]
    return bool(left.sum() > ground.tip[max(row - 1, 0), columns].sum())


def nearest(ground: Ground, choice: Sequence[tuple[int, Span]], *, both: bool) -> tuple[int, bool]:
    """Return the number of the span that begins nearest, and whether that is its far end."""
    table = np.array([span for _, span in choice], dtype=np.float64)
    x, y = (0.0, 0.0) if ground.here is None else ground.here[:2] / ground.pitch
    from_first = np.hypot(table[:, 1] - x, table[:, 0] - y)
    from_last = np.hypot(table[:, 2] - 1 - x, table[:, 0] - y) if both else np.full(len(table), np.inf)
    best = int(np.argmin(np.minimum(from_first, from_last)))
    return choice[best][0], bool(from_last[best] < from_first[best])


def distance(ground: Ground, group: Sequence[Span]) -> float:
    """Return how far the cutter is from where a group of passes may begin, in nodes."""
    rows = {min(span.row for span in group), max(span.row for span in group)}
    table = np.array([span for span in group if span.row in rows], dtype=np.float64)
    x, y = (0.0, 0.0) if ground.here is None else ground.here[:2] / ground.pitch
    return float(min(np.hypot(table[:, side] - x, table[:, 0] - y).min() for side in (1, 2)))
