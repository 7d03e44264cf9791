"""What a larger roughing cutter left standing that a smaller one can clear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import ndimage

from relief.kernels.tip import reach_grid, tip_grid
from relief.planning.ground import NOWHERE, Ground, Mask, Rules, disc_mask

# What hangs together is worth going to if it is as much as a full cut takes over this way, mm.
WORTH = 20.0
# What stands no higher than so many ridges is left to the finishing cutter.
HIGH = 2.0


def only_remains(ground: Ground, rules: Rules, overrun: float) -> Ground:
    """Return the ground with the tip's domain where it lowers what was left of the relief by some ridges.

    Parameters
    ----------
    ground : what stands, and where the tip may go
    rules : of the smaller cutter
    overrun : mm, how far the box of the ground reaches beyond the relief
    """
    disc = np.where(disc_mask(rules.radius, ground.pitch), np.float32(0), np.float32(np.inf))
    there = np.where(ground.domain, ground.tip, np.float32(np.inf)).astype(np.float32)
    stock = np.maximum(ground.stock, np.float32(NOWHERE))
    excess = stock - np.minimum(reach_grid(there, disc), stock)
    excess[~_relief(ground, overrun)] = 0.0
    labels, count = ndimage.label(excess > HIGH * rules.ridge, structure=np.ones((3, 3)))
    volume = ndimage.sum_labels(excess, labels, np.arange(count + 1)) * ground.pitch**2
    worth = volume >= WORTH * rules.stepdown * rules.stepover
    worth[0] = False
    wanted = np.where(worth[labels], np.float32(0), np.float32(-1))
    near = tip_grid(np.ascontiguousarray(wanted, dtype=np.float32), disc) > -0.5
    lowers = tip_grid(ground.stock, disc) > ground.tip + rules.ridge
    return replace(ground, domain=ground.domain & near & lowers, whole=False)


def _relief(ground: Ground, overrun: float) -> Mask:
    """Return the nodes of the relief itself."""
    inside = np.zeros(ground.domain.shape, dtype=bool)
    beyond = round(overrun / ground.pitch)
    inside[tuple(slice(side.start + beyond, side.stop - beyond) for side in ground.inner)] = True
    return inside
