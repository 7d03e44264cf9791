"""What each cutter of the rack would make of one relief: the detail it loses, and the time it takes."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
from scipy import ndimage

from relief.checks.warns import LOST_SHARE
from relief.comparison import CHANGE, Choice, Comparison, percent
from relief.cutters import profile
from relief.errors import JobError, PlanError, ShopError
from relief.estimate import (
    Sample,
    finishing_estimate,
    path_cutter,
    roughing_estimate,
    sample_finishing,
)
from relief.feeds import choose_feeds
from relief.firstrun import compile_kernels
from relief.heightfield import Heightfield
from relief.job import Job
from relief.kernels.bands import core_count
from relief.measures import LostDetail, lost_detail
from relief.planning.spacing import stepover
from relief.progress import Progress
from relief.report import format_time
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_from, tip_inside
from relief.units import Units, format_length

ROUND = ("ball", "taper", "bull")
# Two cutters share the work only where the round end of one is so much larger.
COARSER = 1.5
# Nodes on which the rest that a coarse cutter leaves is looked at.
REST_NODES = 250_000
# A cutter that loses no more than this share of the area beside another counts as showing as much.
AS_GOOD = 0.005


def compare(job: Job, shop: Shop, progress: Progress) -> Comparison:
    """Hold every cutter of the rack against a job's relief.

    Parameters
    ----------
    job : picture, sizes, stock and scallop; its own cutters only set the grid
    shop : the rack
    progress : told what is being done

    Raises
    ------
    ReliefError
        The job itself is refused. A cutter that is not for it stands in the table with the reason.
    """
    progress.stage("reading the picture and the shop")
    setup = set_up(job, shop)
    compile_kernels(progress)
    progress.stage("what each cutter can reach")
    finer = [c for c in shop.cutters.values() if c.kind in (*ROUND, "vee")]
    surfaces = dict(zip((c.name for c in finer), _each(lambda c: _reachable(setup, c), finer), strict=True))
    progress.stage("planning the finishing")
    finishing = _finishing_choices(setup, finer, surfaces, progress)
    pairs = _pairs(setup, {c.name: c for c in finer}, finishing, surfaces)
    progress.stage("planning the roughing")
    flats = [c for c in shop.cutters.values() if c.kind == "flat"]
    roughing = _by_time(_each(lambda c: _roughing_choice(setup, c, shop), flats))
    advice = tuple(_advice(setup, shop, finishing, pairs, roughing))
    return Comparison(setup.job, finishing, pairs, roughing, advice, surfaces)


_Item = TypeVar("_Item")
_Result = TypeVar("_Result")


def _each(work: Callable[[_Item], _Result], items: Sequence[_Item]) -> list[_Result]:
    """Do the same for all items, as many at a time as there are cores; the results keep their order."""
    with ThreadPoolExecutor(core_count()) as pool:
        return list(pool.map(work, items))


def _by_time(choices: Sequence[Choice]) -> tuple[Choice, ...]:
    return tuple(sorted(choices, key=lambda c: (c.time, c.name)))


def _reachable(setup: Setup, cutter: Cutter) -> Heightfield:
    return reachable_from(tip_inside(setup.target, setup.region, cutter), cutter)


def _finishing_choices(
    setup: Setup, cutters: Sequence[Cutter], surfaces: dict[str, Heightfield], progress: Progress
) -> tuple[Choice, ...]:
    """Return each cutter's loss and time; cutters with the same round end share one path."""
    rounds = [c for c in cutters if c.kind in ROUND]
    paths = dict(zip((c.name for c in rounds), _each(lambda c: path_cutter(setup, c), rounds), strict=True))
    done: list[int] = []

    def sample(cutter: Cutter) -> Sample | str:
        try:
            return sample_finishing(setup, cutter)
        except (PlanError, ShopError) as error:
            return str(error)
        finally:
            done.append(1)
            progress.fraction(len(done) / len(order))

    # the widest ends take longest: begun first, they keep all cores at work
    order = sorted(set(paths.values()), key=lambda c: (-c.diameter, c.kind))
    samples = dict(zip(order, _each(sample, order), strict=True))
    choices = []
    for cutter in cutters:
        lost = lost_detail(setup.relief.heights, surfaces[cutter.name].heights, setup.job.finishing.scallop)
        choices.append(_finishing_choice(setup, cutter, lost, samples.get(paths.get(cutter.name, cutter))))
    return _by_time(choices)


def _finishing_choice(setup: Setup, cutter: Cutter, lost: LostDetail, sample: Sample | str | None) -> Choice:
    if sample is None:
        return _vee_choice(setup, cutter, lost)
    if isinstance(sample, str):
        return Choice((cutter.name,), None, lost, note=sample, fits=False)
    try:
        estimate = finishing_estimate(sample, cutter)
    except ShopError as error:
        return Choice((cutter.name,), None, lost, note=str(error), fits=False)
    short = _too_short(setup, cutter, setup.depth)
    return Choice((cutter.name,), estimate.seconds, lost, estimate.planned, short, not short)


def _vee_choice(setup: Setup, cutter: Cutter, lost: LostDetail) -> Choice:
    """Return what a vee would take at the least, at full feed; nothing of it is planned.

    On level ground passes p apart leave ridges of h = p / (2 tan(half angle)), plane geometry.
    """
    scallop, note = setup.job.finishing.scallop, "at least; not planned, a vee leaves no even scallop"
    spacing = 2 * scallop * math.tan(math.radians(cutter.angle) / 2)
    try:
        feeds = choose_feeds(cutter, setup.material, setup.machine, scallop, spacing)
    except ShopError as error:
        return Choice((cutter.name,), None, lost, note=str(error), fits=False)
    area = setup.region.width * setup.region.length
    return Choice((cutter.name,), area / spacing / feeds.cut * 60.0, lost, note=note, fits=False)


def _too_short(setup: Setup, cutter: Cutter, depth: float) -> str:
    """Return why a cutter does not go deep enough, or an empty text (as the checks judge it)."""
    clear = cutter.cutting_length if cutter.shank > cutter.diameter else cutter.reach
    clear = min(clear, cutter.cutting_length)
    if clear >= depth:
        return ""
    units = setup.job.output.units
    return f"too short: {format_length(clear, units)} for {format_length(round(depth, 3), units)} of depth"


def _roughing_choice(setup: Setup, cutter: Cutter, shop: Shop) -> Choice:
    try:
        estimate = roughing_estimate(setup, cutter, shop)
    except (PlanError, ShopError, JobError) as error:
        return Choice((cutter.name,), None, note=str(error), fits=False)
    left = _reachable(setup, cutter).heights + np.float32(setup.job.roughing.allowance)
    standing = lost_detail(setup.relief.heights, left, setup.job.finishing.scallop)
    short = _too_short(setup, cutter, setup.depth - setup.job.roughing.allowance)
    return Choice((cutter.name,), estimate.seconds, standing, estimate.planned, short, not short)


def _pairs(
    setup: Setup,
    cutters: dict[str, Cutter],
    finishing: Sequence[Choice],
    surfaces: dict[str, Heightfield],
) -> tuple[Choice, ...]:
    """Return the pairs that take less time than the fine one alone, for each fine one the quickest."""
    usable = [c for c in finishing if c.able]
    best = []
    for fine in usable:
        tried = [
            _pair(setup, coarse, fine, surfaces)
            for coarse in usable
            if _round_end(cutters[coarse.name]) >= COARSER * _round_end(cutters[fine.name])
        ]
        quickest = min(tried, key=lambda c: c.time, default=None)
        if quickest and quickest.time < fine.time:
            best.append(quickest)
    return _by_time(best)


def _round_end(cutter: Cutter) -> float:
    return profile(cutter).corner_radius


def _pair(setup: Setup, coarse: Choice, fine: Choice, surfaces: dict[str, Heightfield]) -> Choice:
    """Estimate the time of a coarse cutter all over and a fine one where that leaves too much."""
    rest, patches = _rest(setup, surfaces[coarse.name], surfaces[fine.name])
    link = 2 * (setup.clearance + setup.depth) / setup.machine.max_feed[2] * 60.0
    seconds = coarse.time + fine.time * rest + patches * link + CHANGE
    note = f"{100 * rest:.0f} % of the area is left to the fine one"
    planned = min(coarse.planned, fine.planned)
    return Choice((coarse.name, fine.name), seconds, fine.lost, planned, note)


def _rest(setup: Setup, coarse: Heightfield, fine: Heightfield) -> tuple[float, int]:
    """Return the share of the area that a coarse cutter leaves too high, and in how many patches."""
    every = max(1, math.ceil(math.sqrt(fine.heights.size / REST_NODES)))
    standing = coarse.heights[::every, ::every] - fine.heights[::every, ::every]
    slope = Heightfield(np.ascontiguousarray(fine.heights[::every, ::every]), fine.pitch * every).slope()
    element = np.sqrt(1.0 + slope**2)
    left = standing / element > setup.job.finishing.scallop / 2.0
    # a path does not stop for a gap that is narrower than two of its passes
    spacing = stepover(setup.job.finishing.scallop * 8, setup.job.finishing.scallop)
    left = ndimage.binary_closing(left, iterations=max(1, round(spacing / fine.pitch / every)))
    return float(element[left].sum() / element.sum()), int(ndimage.label(left)[1])


def _advice(
    setup: Setup,
    shop: Shop,
    finishing: Sequence[Choice],
    pairs: Sequence[Choice],
    roughing: Sequence[Choice],
) -> Iterator[str]:
    """Yield what we would choose, why, and the command that does it."""
    able = [c for c in finishing if c.able]
    if not able:
        yield "No finishing cutter of this rack is for this relief."
        return
    chosen, reason = _chosen(able, [*able, *pairs], setup.job.output.units, setup.job.finishing.scallop)
    yield f"We would finish with {chosen.name}: {reason}"
    keys, total = [f"--finish {shlex.quote(name)}" for name in chosen.cutters], chosen.time
    rule = setup.material.stepdown * shop.cutter(chosen.cutters[0]).diameter
    rough, deepest = _roughing_chosen(roughing, rule), format_length(round(rule, 2), setup.job.output.units)
    if rough:
        yield (
            f"We would rough with {rough.name}: the quickest that leaves the first finishing cutter"
            f" no more than the {deepest} that it may take in {setup.material.name}."
        )
        keys, total = [f"--rough {shlex.quote(rough.name)}", *keys], total + rough.time
    command = f"relief carve {shlex.quote(setup.job.picture)} {' '.join(keys)}"
    yield f"Cutting takes about {format_time(total)}: {command}"


def _roughing_chosen(roughing: Sequence[Choice], rule: float) -> Choice | None:
    """Return the quickest that leaves no more than `rule` mm nearly everywhere, else what leaves least."""
    able = [c for c in roughing if c.able]
    low = [c for c in able if c.lost and c.lost.p99 <= rule]
    return low[0] if low else min(able, key=lambda c: c.lost.p99 if c.lost else math.inf, default=None)


def _chosen(
    able: Sequence[Choice], choices: Sequence[Choice], units: Units, scallop: float
) -> tuple[Choice, str]:
    """Return the quickest choice that shows enough, and the reason."""
    limit, least = format_length(scallop, units), min(c.share for c in able)
    enough = LOST_SHARE if least <= LOST_SHARE else least + AS_GOOD
    chosen = min((c for c in choices if c.share <= enough), key=lambda c: c.time)
    loses = f"it loses more than {limit} on {percent(chosen.share)} of the area"
    if least > LOST_SHARE:
        return chosen, f"{loses}, and no other of the rack loses less; a finer cutter would show more."
    faster = [c for c in able if c.time < chosen.time and c.share > enough]
    quicker = max(faster, key=lambda c: c.time, default=None)
    if quicker is None:
        return chosen, f"{loses}, and no other is quicker."
    saved = format_time(chosen.time - quicker.time)
    return (
        chosen,
        f"{loses}; {quicker.name} would save {saved} and lose that much on {percent(quicker.share)}.",
    )
