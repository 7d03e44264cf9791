"""How programs go down into the stock: by ramps, or at plunge feed with cutters that may."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from relief.carving import rapid_contact
from relief.heightfield import Heightfield
from relief.moves import Moves
from relief.shop.records import Cutter

# mm: a ramp may fall so much more than the rule, by the roundings of its ends and the points left out
# of it; what takes off no more than TRIFLE enters nothing.
ROUNDING, TRIFLE = 0.02, 0.05
# A plunge may be fed so much faster, and so many mm/min, by the roundings of its F word.
FASTER, ROUNDED = 1.01, 0.5
# The middle of a cutter whose edges do not reach it, as a share of its diameter; common practice, no source.
CORE = 1 / 3


class EntryRule(NamedTuple):
    """How a program may go down into the stock.

    Parameters
    ----------
    angle : degrees, the steepest ramp
    plunge : mm/min, the fastest way down that is steeper
    follows : whether its passes follow a surface, however steep: then only the way down from a rapid counts
    """

    angle: float
    plunge: float
    follows: bool


class Entry(NamedTuple):
    """The deepest cut of a way down that breaks the rule: mm, 0 if there is none, and its line."""

    depth: float
    block: int


def deepest_entry(stock: Heightfield, moves: Moves, cutter: Cutter, rule: EntryRule) -> Entry:
    """Find the way down into the stock that breaks the rule and cuts deepest.

    Parameters
    ----------
    stock : the surface before the first move
    moves : in the coordinates of the stock
    cutter : what turns
    rule : what its entries keep to

    Notes
    -----
    Steeper than the ramp, no part of the cutter may meet stock faster downward than at plunge feed; and the
    middle of a cutter that does not cut there may meet none at any feed.
    """
    steps = np.nan_to_num(np.diff(moves.points, axis=0))
    run, fall = np.hypot(steps[:, 0], steps[:, 1]), -steps[:, 2]
    steep = ~moves.rapid & (fall > math.tan(math.radians(rule.angle)) * run + ROUNDING)
    if rule.follows:
        steep &= np.append(True, moves.rapid[:-1])[: len(steep)]
    downward = moves.feed * fall / np.maximum(np.hypot(run, fall), 1e-12)
    fast = steep & (downward > rule.plunge * FASTER + ROUNDED)
    found = [rapid_contact(stock, replace(moves, rapid=fast), cutter, TRIFLE)]
    if not cutter.plunges:
        middle = Cutter("flat", CORE * cutter.diameter)
        found.append(rapid_contact(stock, replace(moves, rapid=steep), cutter, TRIFLE, middle))
    worst = max(found, key=lambda contact: contact.depth)
    return Entry(worst.depth, worst.block)
