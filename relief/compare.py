"""What each cutter of the rack would make of one relief: the detail it loses, and the time it takes."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np

from relief.checks.warns import LOST_SHARE
from relief.comparison import CHANGE, Choice, Comparison
from relief.cutters import profile
from relief.errors import JobError, PlanError, ShopError
from relief.estimate import (
    Sample,
    finishing_estimate,
    path_cutter,
    rest_area,
    roughing_estimate,
    sample_finishing,
    sample_rest,
)
from relief.feeds import choose_feeds
from relief.firstrun import compile_kernels
from relief.heightfield import Heightfield
from relief.job import Job
from relief.kernels.bands import core_count
from relief.measures import LostDetail, lost_detail, percent
from relief.progress import Progress
from relief.setup import Setup, set_up
from relief.shop.load import Shop
from relief.shop.records import Cutter
from relief.surfaces import reachable_from, tip_inside
from relief.times import format_time
from relief.units import Units, format_length

ROUND = ("ball", "taper", "bull")
# Two cutters share the work only where the round end of one is so much larger.
COARSER = 1.5
# The rest takes a fine cutter so many times longer, for its area, than all of the relief does: it turns
# round all the time, the more so the deeper a much larger cutter leaves it. That guess is 5 % too high at
# most beside plans, and mostly too low (45 pairs on three pictures): planned are the likeliest so many for
# each fine one, and none that seems to take so much longer than the first, or longer than the fine one alone.
SETTING_OUT, BY_RATIO, DOUBT, TRIED = 0.45, 0.27, 1.15, 2
COARSELY = 4  # that is looked at on every fourth node
# A coarse cutter takes longer where a finer one comes after it, being held to what that could leave (it was
# 2 % shorter to 11 % longer in full plans of two pictures).
SERVES = 1.05
# A cutter that loses no more than this share of the area beside another counts as showing as much.
AS_GOOD = 0.005


def compare(job: Job, shop: Shop, progress: Progress, asked: Sequence[str] = ()) -> Comparison:
    """Hold every cutter of the rack against a job's relief.

    Parameters
    ----------
    job : picture, sizes, stock and scallop; its own cutters only set the grid
    shop : the rack
    progress : told what is being done
    asked : words of a command line that ask for the job, cutters apart; default: its picture

    Raises
    ------
    ReliefError
        The job itself is refused. A cutter that is not for it stands in the table with the reason.
    """
    progress.stage("reading the picture and the shop")
    setup = set_up(job, shop)
    compile_kernels(progress)
    progress.stage("what each cutter can reach")
    rack = _held(setup, [c for c in shop.cutters.values() if c.kind in (*ROUND, "vee")])
    progress.stage("planning with every cutter")
    flats = [c for c in shop.cutters.values() if c.kind == "flat"]
    finishing, roughing = _singles(setup, shop, rack, flats, progress)
    progress.stage("planning a fine cutter after a coarse one")
    pairs = _pairs(setup, rack, finishing, progress)
    advice = tuple(_advice(setup, shop, finishing, pairs, roughing, asked or [job.picture]))
    return Comparison(setup.job, finishing, pairs, roughing, advice, rack.surfaces)


@dataclass(frozen=True, eq=False)
class _Rack:
    """The finishing cutters beside the relief.

    Parameters
    ----------
    cutters : by name
    surfaces : the best that each can leave
    paths : the cutter whose path stands for that of each; vees have none
    """

    cutters: dict[str, Cutter]
    surfaces: dict[str, Heightfield]
    paths: dict[str, Cutter]


def _held(setup: Setup, cutters: Sequence[Cutter]) -> _Rack:
    surfaces = _each(lambda c: _reachable(setup, c), cutters)
    rounds = [c for c in cutters if c.kind in ROUND]
    paths = _each(lambda c: path_cutter(setup, c), rounds)
    return _Rack(
        {c.name: c for c in cutters},
        {c.name: surface for c, surface in zip(cutters, surfaces, strict=True)},
        {c.name: path for c, path in zip(rounds, paths, strict=True)},
    )


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


def _singles(
    setup: Setup, shop: Shop, rack: _Rack, flats: Sequence[Cutter], progress: Progress
) -> tuple[tuple[Choice, ...], tuple[Choice, ...]]:
    """Return loss and time of each finishing cutter, and of each roughing cutter.

    Cutters with the same round end share one path.
    """
    # the widest ends take longest: begun first, they keep all cores at work
    order = sorted(set(rack.paths.values()), key=lambda c: (-c.diameter, c.kind))
    with ThreadPoolExecutor(core_count()) as pool:
        # in turns: one kind waits where the other runs in kernels
        finishing, roughing, ahead = [], [], list(flats)
        for path in order:
            finishing.append(pool.submit(_sample, setup, path))
            if ahead:
                roughing.append(pool.submit(_roughing_choice, setup, ahead.pop(0), shop))
        roughing += [pool.submit(_roughing_choice, setup, cutter, shop) for cutter in ahead]
        _tell(progress, [*finishing, *roughing])
        samples = dict(zip(order, (planned.result() for planned in finishing), strict=True))
        rough = _by_time([choice.result() for choice in roughing])
    choices = _each(lambda c: _finishing_choice(setup, rack, c, samples), list(rack.cutters.values()))
    return _by_time(choices), rough


def _tell(progress: Progress, begun: Sequence[Future[Any]]) -> None:
    for count, _ in enumerate(as_completed(begun), start=1):
        progress.fraction(count / len(begun))


def _sample(setup: Setup, cutter: Cutter) -> Sample | str:
    try:
        return sample_finishing(setup, cutter)
    except (PlanError, ShopError) as error:
        return str(error)


def _finishing_choice(
    setup: Setup, rack: _Rack, cutter: Cutter, samples: dict[Cutter, Sample | str]
) -> Choice:
    surface = rack.surfaces[cutter.name].heights
    lost = lost_detail(setup.relief.heights, surface, setup.job.finishing.scallop)
    if cutter.name not in rack.paths:
        return _vee_choice(setup, cutter, lost)
    sample = samples[rack.paths[cutter.name]]
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
    if cutter.cutting_length >= depth:
        return ""
    edges, deep = (
        format_length(round(size, 3), setup.job.output.units) for size in (cutter.cutting_length, depth)
    )
    return f"too short: {edges} for {deep} of depth"


def _roughing_choice(setup: Setup, cutter: Cutter, shop: Shop) -> Choice:
    try:
        estimate = roughing_estimate(setup, cutter, shop)
    except (PlanError, ShopError, JobError) as error:
        return Choice((cutter.name,), None, note=str(error), fits=False)
    left = _reachable(setup, cutter).heights + np.float32(setup.job.roughing.allowance)
    standing = lost_detail(setup.relief.heights, left, setup.job.finishing.scallop)
    short = _too_short(setup, cutter, setup.depth - setup.job.roughing.allowance)
    return Choice((cutter.name,), estimate.seconds, standing, estimate.planned, short, not short)


def _pairs(setup: Setup, rack: _Rack, finishing: Sequence[Choice], progress: Progress) -> tuple[Choice, ...]:
    """Return the pairs that take less time than the fine one alone, for each fine one the quickest."""
    usable = [c for c in finishing if c.able]
    likely = [(coarse, fine) for fine in usable for coarse in _likely(setup, rack, usable, fine)]
    # cutters with the same round end share one path here too
    ends = {(rack.paths[a.name], rack.paths[b.name]): (a, b) for a, b in likely}
    with ThreadPoolExecutor(core_count()) as pool:
        begun = [pool.submit(_rest_sample, setup, rack, *pair) for pair in ends.values()]
        _tell(progress, begun)
        samples = dict(zip(ends, (planned.result() for planned in begun), strict=True))
    best: dict[str, Choice] = {}
    for coarse, fine in likely:
        sample = samples[rack.paths[coarse.name], rack.paths[fine.name]]
        pair = _pair(setup, rack, coarse, fine, sample)
        if pair.time < best.get(fine.name, fine).time:
            best[fine.name] = pair
    return _by_time(list(best.values()))


def _likely(setup: Setup, rack: _Rack, usable: Sequence[Choice], fine: Choice) -> list[Choice]:
    """Return the coarse cutters that may make the quickest pair with a fine one, the likeliest first."""
    end = _round_end(rack.cutters[fine.name])
    guessed = []
    for coarse in usable:
        ratio = _round_end(rack.cutters[coarse.name]) / end
        if ratio < COARSER or coarse.time + CHANGE >= fine.time:
            continue
        rest = _rest_share(setup, rack, coarse, fine) * (SETTING_OUT + BY_RATIO * ratio)
        guessed.append((coarse.time + fine.time * rest + CHANGE, coarse))
    guessed.sort(key=lambda each: each[0])
    most = min([fine.time, *(DOUBT * guess for guess, _ in guessed)])
    return [coarse for guess, coarse in guessed[:TRIED] if guess < most]


def _round_end(cutter: Cutter) -> float:
    return profile(cutter).corner_radius


def _rest_share(setup: Setup, rack: _Rack, coarse: Choice, fine: Choice) -> float:
    """Return the share of the area that a coarse cutter leaves to a fine one."""
    left, best = (
        Heightfield(np.ascontiguousarray(field.heights[::COARSELY, ::COARSELY]), field.pitch * COARSELY)
        for field in (rack.surfaces[coarse.name], rack.surfaces[fine.name])
    )
    area = rest_area(left, best, setup.job.finishing.scallop, math.inf)
    return float(area.sum() / np.sqrt(1 + best.slope() ** 2).sum())


def _rest_sample(setup: Setup, rack: _Rack, coarse: Choice, fine: Choice) -> Sample:
    return sample_rest(setup, rack.paths[fine.name], rack.surfaces[coarse.name], rack.surfaces[fine.name])


def _pair(setup: Setup, rack: _Rack, coarse: Choice, fine: Choice, sample: Sample) -> Choice:
    rest = finishing_estimate(sample, rack.cutters[fine.name])
    seconds = SERVES * coarse.time + rest.seconds + CHANGE
    share = _rest_share(setup, rack, coarse, fine)
    note = f"{100 * share:.0f} % of the area is left to the fine one"
    planned = min(coarse.planned, rest.planned)
    return Choice((coarse.name, fine.name), seconds, fine.lost, planned, note)


def _advice(
    setup: Setup,
    shop: Shop,
    finishing: Sequence[Choice],
    pairs: Sequence[Choice],
    roughing: Sequence[Choice],
    asked: Sequence[str],
) -> Iterator[str]:
    """Yield what we would choose, why, and the command that does it."""
    able = [c for c in finishing if c.able]
    if not able:
        yield "No finishing cutter of this rack is for this relief."
        return
    chosen, reason = _chosen(able, [*able, *pairs], setup.job.output.units, setup.job.finishing.scallop)
    yield f"We would finish with {chosen.name}: {reason}"
    keys, total = [word for name in chosen.cutters for word in ("--finish", name)], chosen.time
    rule = setup.material.stepdown * shop.cutter(chosen.cutters[0]).diameter
    rough, deepest = _roughing_chosen(roughing, rule), format_length(round(rule, 2), setup.job.output.units)
    if rough:
        yield (
            f"We would rough with {rough.name}: the quickest that leaves the first finishing cutter"
            f" no more than the {deepest} that it may take in {setup.material.name}."
        )
        keys, total = ["--rough", rough.name, *keys], total + rough.time
    yield f"Cutting takes about {format_time(total)}: {shlex.join(['relief', 'carve', *asked, *keys])}"


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
