"""A grid fine enough for the scallop, where the choice of its pitch is ours."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from relief.finer import Lens, noise_floor, spread_out
from relief.job import Job
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.sources import default_pitch
from relief.units import format_length

# Nodes of the finer grid that may be worked through to find the noise: a fraction of a second.
WORK = 6e5
# Noise above this share of the scallop leaves a plan too little room, measured on terrain and photographs …
HIGHEST = 0.85
# … and a grid is made fine enough for this share.
AIM = 0.75
# A grid that gains less than this is not worth its nodes.
GAIN = 0.95


def resolved(setup: Setup, job: Job, shop: Shop) -> Setup:
    """Return the set-up on a grid whose noise lies well below the scallop, where one is affordable.

    Parameters
    ----------
    setup : on the grid that the scallop's height alone asks for
    job : as asked; a pitch of its own stays, and so do the nodes of a height file
    shop : as the set-up was made with
    """
    asked, pitch = job.finishing.scallop, setup.relief.pitch
    if job.output.pitch is not None or Path(job.picture).suffix.lower() == ".npy":
        return setup
    noise = _noise(setup)
    if noise <= HIGHEST * asked:
        return setup
    wanted = AIM * pitch * asked / noise
    finer = default_pitch(wanted / 2, setup.finishing_cutter, setup.relief.width, setup.relief.length)
    if finer > GAIN * pitch:
        return setup
    units = setup.job.output.units
    told, closer, left = (format_length(size, units) for size in (pitch, finer, noise))
    note = (
        f"in the creases of this relief passes {told} apart would leave ridges of {left}, so"
        f" points are taken closer, {closer} apart, which takes longer to compute (output.pitch sets it)"
    )
    made = set_up(dataclasses.replace(job, output=dataclasses.replace(job.output, pitch=finer)), shop)
    if _noise(made) >= noise:  # it comes from walls, which lie otherwise to every grid
        return setup
    return dataclasses.replace(made, notes=(*made.notes, note))


def _noise(setup: Setup) -> float:
    """Return what 99.9 % of the densest raster stays below, mm, from windows all over the relief."""
    lens = Lens.over(setup.target, setup.region, setup.finishing_cutter)
    windows = lens.windows()
    return noise_floor(lens.look(spread_out(windows, lens.affordable(windows, WORK)))).p999
