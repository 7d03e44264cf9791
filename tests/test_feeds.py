"""Speeds and feeds: formulas against published values, choices against every limit."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from relief.cutters import profile, profile_height
from relief.errors import ShopError
from relief.feeds import (
    Feeds,
    chip_range,
    chip_thinning,
    choose_feeds,
    cutting_power,
    deepest_layer,
    effective_diameter,
    nominal_diameter,
    removal_rate,
    round_down,
    surface_speed,
)
from relief.limits import eased_feeds, limit_feeds
from relief.planning.spacing import scallop_height, stepover
from relief.sections import Finishing
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine
from relief.toolpath import CUT, PLUNGE, RAPID

SHOP = Shop.read(None)
ROUTER = SHOP.machine("benchtop router")


class TestFormulas:
    @pytest.mark.parametrize(
        ("diameter", "rpm", "speed"),
        [(6.0, 18000, 339.292), (6.35, 18000, 359.084), (12.7, 16000, 638.372)],
    )
    def test_surface_speed(self, diameter: float, rpm: float, speed: float) -> None:
        """Surface speed = π D n (textbook)."""
        assert math.isclose(surface_speed(diameter, rpm), speed, abs_tol=5e-4)

    def test_shop_rule_for_rpm(self) -> None:
        """The shop's rule rpm ≈ 3.8 × ft/min ÷ inches is 12/π rounded (general shop table)."""
        feet_per_minute = surface_speed(25.4, 1.0) / 0.3048
        assert math.isclose(1 / feet_per_minute, 3.8197, abs_tol=5e-5)

    @pytest.mark.parametrize(
        ("diameter", "depth", "effective"),
        [
            (6, 0.3, 2.615339), (6, 0.5, 3.316625), (6, 1, 4.472136), (6, 3, 6.0), (6, 5, 6.0),
            (10, 0.5, 4.358899), (12, 0.2, 3.072458),
        ],
    )  # fmt: skip
    def test_effective_diameter_of_a_ball(self, diameter: float, depth: float, effective: float) -> None:
        """D_eff = 2 √(ap (D − ap)) (from memory and by geometry), D beyond the radius."""
        assert math.isclose(effective_diameter(Cutter("ball", diameter), depth), effective, abs_tol=1e-6)

    @pytest.mark.parametrize(
        ("diameter", "depth", "tilt_deg", "effective"),
        [(6, 0.3, 0, 2.615339), (6, 0.3, 15, 3.923847), (6, 0.3, 45, 5.667700)],
    )
    def test_effective_diameter_of_a_tilted_ball(
        self, diameter: float, depth: float, tilt_deg: float, effective: float
    ) -> None:
        """D sin(b + arccos((D − 2 ap)/D)) on a slope b (from memory and by geometry), from the profile.

        The furthest from the axis that the ball's underside stands in the stock, ap below a sloping face.
        """
        tilt, ball = math.radians(tilt_deg), profile(Cutter("ball", diameter))
        out = np.linspace(0.0, diameter / 2, 2_000_001)
        under = np.array(ball.corner_radius - np.sqrt(np.maximum(ball.corner_radius**2 - out**2, 0.0)))
        assert under[1000] == pytest.approx(float(profile_height(ball, float(out[1000]))), abs=1e-9)
        # the face, uphill of the axis: it lies ap − R beside the ball's middle, square to itself
        face = ball.corner_radius + (depth - ball.corner_radius) / math.cos(tilt) + out * math.tan(tilt)
        assert 2 * out[under <= face].max() == pytest.approx(effective, abs=2e-5)

    def test_the_edge_is_judged_where_it_cuts(self) -> None:
        """A ball at a small depth: the speed told is that at D_eff, which falls to 0 (geometry)."""
        ball, foam = Cutter("ball", 6.0), SHOP.material("foam XPS")
        feeds = [choose_feeds(ball, foam, ROUTER, depth, 0.5, rpm=18000) for depth in (3.0, 0.3, 1e-6)]
        assert feeds[0].surface_speed == pytest.approx(339.292, abs=5e-4)
        assert feeds[1].surface_speed == pytest.approx(math.pi * 2.615339 * 18, rel=1e-6)
        assert feeds[2].surface_speed < 0.001 * feeds[0].surface_speed

    @pytest.mark.parametrize(
        ("name", "depth"), [("flat 1/4 in", 3.175), ("ball 1/8 in", 1.5875), ("taper 1/16 in", 0.79375)]
    )
    def test_deepest_layer(self, name: str, depth: float) -> None:
        """Half the diameter in softwood; a tapered ball counts by its ball (common practice, no source)."""
        assert deepest_layer(SHOP.cutter(name), SHOP.material("softwood")) == depth

    @pytest.mark.parametrize("cutter", SHOP.cutters.values(), ids=lambda c: c.name)
    @pytest.mark.parametrize("depth", [0.05, 0.4, 1.7, 6.0])
    def test_effective_diameter_inverts_the_profile(self, cutter: Cutter, depth: float) -> None:
        """At half the effective diameter the underside stands at the depth, unless the cutter ends."""
        radius = effective_diameter(cutter, depth) / 2
        shape = profile(cutter)
        if radius < shape.radius and cutter.kind != "flat":
            assert math.isclose(float(profile_height(shape, radius)), depth, rel_tol=1e-9)
        else:
            assert math.isclose(radius, shape.radius)
            assert float(profile_height(shape, radius)) <= depth

    @pytest.mark.parametrize(
        ("stepover", "diameter", "share"),
        [(0.6, 6, 0.6), (1, 10, 0.6), (1.5, 6, 0.866025), (3, 6, 1.0), (5, 6, 1.0), (1.0, 0.0, 1.0)],
    )
    def test_chip_thinning(self, stepover: float, diameter: float, share: float) -> None:
        """Thickest chip = fz √(1 − (1 − 2 ae/D)²): published formula; D = 6, ae = 0.6 asks for fz/0.6."""
        assert math.isclose(chip_thinning(stepover, diameter), share, abs_tol=1e-6)

    @given(share=st.floats(1e-4, 0.02))
    def test_chip_thinning_approximation(self, share: float) -> None:
        """For light cuts h ≈ 2 fz √(ae/D) (El-Hofy, Fundamentals of Machining Processes, ch. 6)."""
        assert math.isclose(chip_thinning(share * 8, 8), 2 * math.sqrt(share), rel_tol=0.011)

    def test_power(self) -> None:
        """Q = ap ae vf and P = kc Q (textbook): 3 × 3 mm at 2000 mm/min, 32 N/mm²: 300 mm³/s, 9.6 W."""
        assert math.isclose(removal_rate(3, 3, 2000), 300)
        assert math.isclose(cutting_power(32, 300), 9.6)

    def test_feed_per_edge(self) -> None:
        """500 in/min at 15000 rev/min and two flutes is 0.017 in a tooth (published worked example)."""
        inch = 25.4
        material = SHOP.material("softwood")
        feeds = choose_feeds(
            Cutter("flat", inch / 2),
            material,
            SHOP.machine("full-sheet router"),
            3,
            12.7,
            rpm=15000,
            feed=500 * inch,
        )
        assert math.isclose(feeds.chip_load / inch, 0.016667, abs_tol=1e-6)

    def test_two_flutes(self) -> None:
        """2 flutes × 18000 rev/min × 0.05 mm is 1800 mm/min (textbook)."""
        feeds = choose_feeds(
            SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), ROUTER, 3, 6.35, rpm=18000, feed=1800
        )
        assert math.isclose(feeds.chip_load, 0.05)

    def test_the_charts_feed(self) -> None:
        """0.010 in a tooth, two flutes, 18000 rev/min: 360 in/min, 9144 mm/min (the trade's chart)."""
        sheet, hardwood = SHOP.machine("full-sheet router"), SHOP.material("hardwood")
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), hardwood, sheet, 3, 6.35, rpm=18000, feed=360 * 25.4)
        assert feeds.cut == pytest.approx(9144)
        assert feeds.chip_load == pytest.approx(0.010 * 25.4)
        # such a chart is for stiff machines: on a router it stands above the range
        assert feeds.chip_load > feeds.chip_high

    def test_knife_marks(self) -> None:
        """Marks an inch = rpm · knives ÷ (12 · ft/min): 3600, 2, 30 make 20 (FDM magazine).

        20 and more are called finished wood: 1.27 mm a cut, which is what `chip_load` tells.
        """
        planer = replace(ROUTER, rpm=(1000.0, 24000.0), max_feed=(20000.0,) * 3)
        knives = Cutter("flat", 12.7, flutes=2)
        feeds = choose_feeds(knives, SHOP.material("softwood"), planer, 1.0, 12.7, rpm=3600, feed=30 * 304.8)
        assert 25.4 / feeds.chip_load == pytest.approx(20.0)
        assert feeds.chip_load == pytest.approx(1.27)

    @pytest.mark.parametrize(("radius", "feed"), [(60.0, 1.27), (3.0, 0.1), (1.5875, 0.12)])
    def test_marks_along_the_feed(self, radius: float, feed: float) -> None:
        """A turning edge leaves waves fz²/(8 R) high (from memory, Koch): the cusps of circles fz apart."""
        assert scallop_height(radius, feed) == pytest.approx(feed**2 / (8 * radius), rel=1e-3)

    @pytest.mark.parametrize("material", SHOP.materials)
    def test_marks_along_the_feed_stay_below_the_scallop(self, material: str) -> None:
        """With every ball of the rack, fz²/(8 R) is less than a tenth of the scallop asked for by default."""
        scallop = Finishing().scallop
        for ball in (cutter for cutter in SHOP.cutters.values() if cutter.kind == "ball"):
            width = stepover(ball.diameter / 2, scallop)
            feeds = choose_feeds(ball, SHOP.material(material), ROUTER, scallop, width)
            per_edge = feeds.cut / (feeds.rpm * ball.flutes)
            assert per_edge**2 / (4 * ball.diameter) < scallop / 10


class TestChipRange:
    def test_at_the_tables_diameters(self) -> None:
        """At a diameter of the table the range is the table's."""
        for row in SHOP.material("hardwood").chip_load:
            assert chip_range(SHOP.material("hardwood"), row.diameter, 1.0) == (row.low, row.high)

    def test_between_and_beyond(self) -> None:
        """Linear in between, in proportion below, level above."""
        material = SHOP.material("hardwood")
        first, second, *_, last = material.chip_load
        low, high = chip_range(material, (first.diameter + second.diameter) / 2, 1.0)
        assert math.isclose(low, (first.low + second.low) / 2)
        assert math.isclose(high, (first.high + second.high) / 2)
        assert math.isclose(chip_range(material, first.diameter / 2, 0.5)[1], first.high / 2)
        assert math.isclose(chip_range(material, 25.4, 1.0)[1], last.high)

    def test_deep_cuts_take_less(self) -> None:
        """A quarter less at twice the diameter deep, half at three times (common practice, no source)."""
        material = SHOP.material("hardwood")
        full = chip_range(material, 6.0, 6.0)[1]
        assert math.isclose(chip_range(material, 6.0, 12.0)[1], 0.75 * full)
        assert math.isclose(chip_range(material, 6.0, 18.0)[1], 0.5 * full)
        assert math.isclose(chip_range(material, 6.0, 30.0)[1], 0.5 * full)


lengths = st.floats(0.05, 20)
maybe = st.none() | st.floats(1, 50000)
cutters = st.sampled_from(list(SHOP.cutters.values()))
materials = st.sampled_from(list(SHOP.materials.values()))


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    """Return a machine of the starter shop with limits of its own."""
    base = draw(st.sampled_from(list(SHOP.machines.values())))
    slowest = draw(st.floats(100, 12000))
    fastest = slowest + draw(st.floats(0, 20000))
    steps = tuple(sorted(draw(st.lists(st.floats(slowest, fastest), max_size=5))))
    feeds = draw(st.tuples(*[st.floats(100, 20000)] * 3))
    return replace(base, rpm=(slowest, fastest), rpm_steps=steps, max_feed=feeds)


class TestChoice:
    @given(
        cutter=cutters, material=materials, machine=machines(), depth=lengths, width=lengths,
        rpm=maybe, feed=maybe, plunge=maybe,
    )  # fmt: skip
    @settings(deadline=None, max_examples=300)
    def test_no_limit_is_exceeded(
        self, cutter: Cutter, material: object, machine: Machine, depth: float, width: float,
        rpm: float | None, feed: float | None, plunge: float | None,
    ) -> None:  # fmt: skip
        """Whatever is asked: spindle, cutter and axes keep their limits, and what is held back is told."""
        assume(cutter.max_rpm >= machine.rpm[0] or not cutter.turns)
        feeds = choose_feeds(cutter, material, machine, depth, width, rpm=rpm, feed=feed, plunge=plunge)  # type: ignore[arg-type]
        assert 0 < feeds.cut <= min(machine.max_feed[:2])
        assert 0 < feeds.plunge <= machine.max_feed[2]
        if not cutter.turns:
            assert feeds.rpm == feeds.power == feeds.surface_speed == 0
            return
        assert machine.rpm[0] <= feeds.rpm <= min(machine.rpm[1], cutter.max_rpm)
        told = feeds.sentence
        assert rpm is None or feeds.rpm == rpm or "Spindle speed" in told
        assert feed is None or feeds.cut == feed or "Feed" in told
        assert plunge is None or feeds.plunge == plunge or "Plunge feed" in told
        assert feeds.chip_load_holds == ("lies in the range" in feeds.sentences[0])
        assert feeds.power <= machine.spindle_power or "of the spindle" in told
        limit = material.max_surface_speed  # type: ignore[attr-defined]
        assert feeds.surface_speed <= limit * 1.001 or "above the" in told

    @pytest.mark.parametrize("machine", SHOP.machines.values(), ids=lambda m: m.name)
    @pytest.mark.parametrize("material", SHOP.materials.values(), ids=lambda m: m.name)
    @pytest.mark.parametrize("name", ["flat 1/4 in", "flat 1/8 in", "flat 6 mm"])
    def test_starter_shop_roughs_in_range(self, machine: Machine, material: object, name: str) -> None:
        """With the starter shop, roughing as the material asks keeps the chip load in its range."""
        cutter = SHOP.cutter(name)
        depth, width = (cutter.diameter * getattr(material, key) for key in ("stepdown", "stepover"))
        feeds = choose_feeds(cutter, material, machine, depth, width)  # type: ignore[arg-type]
        assert feeds.chip_load_holds, feeds.sentence
        assert feeds.power < machine.spindle_power

    def test_default_job(self) -> None:
        """Softwood and 1/4 in flat: 360 m/min is 18000 rev/min; two edges, the middle chip load."""
        material = SHOP.material("softwood")
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), material, ROUTER, 3.175, 0.5 * 6.35)
        row = material.chip_load[1]
        assert feeds.rpm == 18000
        assert feeds.cut == round_down(18000 * 2 * (row.low + row.high) / 2)
        assert math.isclose(feeds.plunge, round_down(0.3 * feeds.cut))
        assert feeds.sentences == (
            f"Chip load {feeds.chip_load:.3f} mm lies in the range 0.056 to 0.132 mm.",
        )

    def test_slow_axes_slow_the_spindle(self) -> None:
        """A machine that cannot feed fast enough turns slower, so that the chip keeps its thickness."""
        slow = replace(ROUTER, max_feed=(1800.0, 1800.0, 600.0))
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), slow, 3, 3.175)
        assert feeds.rpm < 18000
        assert feeds.chip_load_holds
        assert math.isclose(feeds.cut, 1800, rel_tol=0.02)

    def test_light_stepover_feeds_faster(self) -> None:
        """A light stepover thins the chip; the feed makes up for it, at most twice over."""
        cutter, material = SHOP.cutter("flat 1/4 in"), SHOP.material("hardwood")
        full = choose_feeds(cutter, material, SHOP.machine("full-sheet router"), 2, 3.2)
        light = choose_feeds(cutter, material, SHOP.machine("full-sheet router"), 2, 0.635)
        lightest = choose_feeds(cutter, material, SHOP.machine("full-sheet router"), 2, 0.05)
        assert math.isclose(light.cut / full.cut, 1 / 0.6, rel_tol=0.01)
        assert math.isclose(lightest.cut / full.cut, 2.0, rel_tol=0.01)
        assert math.isclose(light.chip_load, full.chip_load, rel_tol=0.01)
        assert math.isclose(lightest.chip_load, full.chip_load * 2 * chip_thinning(0.05, 6.35), rel_tol=0.01)
        assert "below the range" in lightest.sentences[0]

    def test_below_the_range(self) -> None:
        """A chip too thin is told with what mends it, and the mending holds."""
        cutter, material = SHOP.cutter("flat 1/4 in"), SHOP.material("softwood")
        feeds = choose_feeds(cutter, material, ROUTER, 3, 3.175, rpm=18000, feed=1000)
        assert feeds.sentences == (
            "Chip load 0.028 mm is below the range 0.056 to 0.132 mm: it will rub and burn; "
            "slow the spindle to 8900 rev/min or feed at 2020 mm/min.",
        )
        assert choose_feeds(cutter, material, ROUTER, 3, 3.175, rpm=8900, feed=1000).chip_load_holds
        assert choose_feeds(cutter, material, ROUTER, 3, 3.175, rpm=18000, feed=2020).chip_load_holds

    def test_above_the_range(self) -> None:
        """A chip too thick is told with what mends it, and the mending holds."""
        cutter, material = SHOP.cutter("flat 1/8 in"), SHOP.material("hardwood")
        feeds = choose_feeds(cutter, material, ROUTER, 1, 1.6, rpm=12000, feed=2000)
        assert feeds.sentences == (
            "Chip load 0.083 mm is above the range 0.015 to 0.051 mm: it may break the cutter; "
            "feed at 1210 mm/min or speed the spindle up to 19700 rev/min.",
        )
        assert choose_feeds(cutter, material, ROUTER, 1, 1.6, rpm=12000, feed=1210).chip_load_holds
        assert choose_feeds(cutter, material, ROUTER, 1, 1.6, rpm=19700, feed=2000).chip_load_holds

    def test_chips_that_cannot_be_mended_by_speed(self) -> None:
        """Where neither spindle nor axes can help, the cut or the cutter has to change."""
        slow = replace(ROUTER, max_feed=(300.0, 300.0, 300.0))
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), slow, 3, 3.175)
        assert "take a cutter with fewer flutes" in feeds.sentence
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), slow, 3, 0.05)
        assert "take a wider stepover" in feeds.sentence

    def test_what_was_asked_for_and_changed_is_told(self) -> None:
        """Each value that had to give way is told with what the machine does instead; no other is."""
        cutter, material = SHOP.cutter("flat 1/4 in"), SHOP.material("softwood")
        feeds = choose_feeds(cutter, material, ROUTER, 3, 3.175, rpm=60000, feed=90000, plunge=70000)
        assert (feeds.rpm, feeds.cut, feeds.plunge) == (24000, *ROUTER.max_feed[1:])
        for words in (
            "Spindle speed: you asked for 60000 rev/min; it turns at 24000 rev/min (8000 to 24000 is",
            f"Feed: you asked for 90000 mm/min; the machine does {feeds.cut:.0f} mm/min, the most that its X",
            f"Plunge feed: you asked for 70000 mm/min; the machine does {feeds.plunge:.0f} mm/min, the most",
        ):
            assert words in feeds.sentence
        slow = choose_feeds(cutter, material, ROUTER, 3, 3.175, feed=200)
        assert "the feed that you asked for, 200 mm/min, it turns at 8000 rev/min instead of 18000" in (
            slow.sentence
        )
        usual = choose_feeds(cutter, material, ROUTER, 3, 3.175, feed=4000)
        assert "asked" not in usual.sentence

    def test_dial(self) -> None:
        """A spindle set by hand gets a step of its dial, the one below what would suit."""
        machine = SHOP.machine("small router with dial")
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), machine, 3, 2.5)
        assert feeds.rpm == 14000
        asked = choose_feeds(
            SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), machine, 3, 2.5, rpm=17000
        )
        assert asked.rpm == 14000
        assert "the dial has 10000, 14000, 18000, 22000, 26000, 30000" in asked.sentence

    def test_too_fast_for_the_material(self) -> None:
        """Where even the slowest spindle is too fast for the edge, it is told."""
        feeds = choose_feeds(SHOP.cutter("flat 1/2 in"), SHOP.material("polycarbonate"), ROUTER, 2, 3)
        assert feeds.rpm == 8000
        assert "runs at 319 m/min, above the 200 m/min that suits polycarbonate" in feeds.sentence

    def test_cutter_slower_than_the_spindle(self) -> None:
        """A cutter that may not turn as fast as the slowest spindle speed is refused."""
        cutter = replace(SHOP.cutter("flat 1/2 in"), max_rpm=5000)
        with pytest.raises(
            ShopError, match=r"may turn at most 5000 rev/min .* at least 8000; choose another"
        ):
            choose_feeds(cutter, SHOP.material("softwood"), ROUTER, 2, 3)

    def test_power_is_told(self) -> None:
        """A cut beyond the spindle's power is told, with the feed that suits."""
        weak = replace(ROUTER, spindle_power=5.0)
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), weak, 3.175, 2.54)
        slower = float(feeds.sentences[-1].rsplit("feed at ", 1)[1].split()[0])
        rate = removal_rate(3.175, 2.54, slower)
        assert cutting_power(SHOP.material("softwood").cutting_force, rate) <= 5.0

    def test_drag(self) -> None:
        """A drag point never turns."""
        feeds = choose_feeds(SHOP.cutter("drag point"), SHOP.material("brass"), ROUTER, 0.1, 1, rpm=20000)
        assert feeds.rpm == 0
        assert feeds.chip_load_holds
        assert feeds.sentences == ('"drag point" does not turn: the spindle stays off.',)

    def test_cones_are_looked_up_by_their_mean_width(self) -> None:
        """A taper's chip load is that of half way up (common practice, no source)."""
        assert math.isclose(nominal_diameter(SHOP.cutter("taper 1/16 in")), (6.35 + 1.5875) / 2)
        assert math.isclose(nominal_diameter(SHOP.cutter("vee 60")), 6.35)
        assert math.isclose(nominal_diameter(SHOP.cutter("ball 1/8 in")), 3.175)

    @pytest.mark.parametrize(
        ("value", "rounded"),
        [(3384.9, 3380), (100.0, 100), (99.9, 99), (10.0, 10), (9.97, 9.9), (0.05, 0.05)],
    )
    def test_round_down(self, value: float, rounded: float) -> None:
        """Feeds are rounded down, never up."""
        assert math.isclose(round_down(value), rounded)


FEEDS = Feeds(18000, 3000.0, 900.0, 0.08, 0.05, 0.13, 359.0, 10.0, ())


def hasty_path(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return a path whose moves are long, then very short, then long, with a few rapids among them."""
    rng = np.random.default_rng(seed)
    lengths = np.concatenate([rng.uniform(2, 5, 80), rng.uniform(0.02, 0.1, 200), rng.uniform(2, 5, 80)])
    turns = np.cumsum(rng.normal(0, 0.2, len(lengths)))
    steps = np.column_stack([lengths * np.cos(turns), lengths * np.sin(turns), np.zeros(len(lengths))])
    points = np.vstack([[0, 0, 0], np.cumsum(steps, axis=0)])
    kinds = np.where(rng.random(len(points)) < 0.03, RAPID, CUT).astype(np.uint8)
    return points, kinds


class TestEasedFeeds:
    @pytest.mark.parametrize("seed", range(5))
    def test_no_run_of_blocks_is_too_fast(self, seed: int) -> None:
        """Any 50 moves on end, rapids taken as no time, last at least 50 / rate seconds."""
        points, kinds = hasty_path(seed)
        feed = limit_feeds(points, kinds, FEEDS, ROUTER)
        eased = eased_feeds(points, kinds, feed, 200.0)
        lengths = np.linalg.norm(np.diff(points, axis=0), axis=1)
        cut = kinds[1:] != RAPID
        spent = np.where(cut, lengths / np.where(cut, eased[1:], 1.0) * 60.0, 0.0)
        runs = np.convolve(spent, np.ones(50), "valid")
        assert (50 / runs).max() <= 200.0 * (1 + 1e-9)
        assert (eased <= feed).all()

    def test_what_is_slow_enough_stays_as_it_is(self) -> None:
        """Far from the short moves nothing is slowed, nor for a fast controller, nor in a short program."""
        points, kinds = hasty_path(1)
        feed = limit_feeds(points, kinds, FEEDS, ROUTER)
        eased = eased_feeds(points, kinds, feed, 200.0)
        assert (eased[:30] == feed[:30]).all()
        assert (eased[100:200] < feed[100:200]).any()
        assert (eased_feeds(points, kinds, feed, 1e6) == feed).all()
        assert (eased_feeds(points[:40], kinds[:40], feed[:40], 1.0) == feed[:40]).all()


class TestLimitFeeds:
    def test_kinds(self) -> None:
        """Rapids have no feed, level cuts the full feed, plunges the plunge feed."""
        points = np.array([[0, 0, 5], [9, 0, 5], [9, 0, -1], [20, 5, -1], [20, 5, 5]], dtype=float)
        kinds = np.array([RAPID, RAPID, PLUNGE, CUT, RAPID], np.uint8)
        assert limit_feeds(points, kinds, FEEDS, ROUTER).tolist() == [0, 0, 900, 3000, 0]

    def test_steep_cuts(self) -> None:
        """Up 60° a Z axis of 900 mm/min allows 900/sin 60° = 1039 mm/min along the slope: the rung below."""
        machine = replace(ROUTER, max_feed=(5000.0, 5000.0, 900.0))
        points = np.array([[0, 0, 0], [1, 0, math.tan(math.radians(60))]])
        fed = limit_feeds(points, np.array([RAPID, CUT], np.uint8), FEEDS, machine)[1]
        assert 0.9 * 1039.0 - 10 <= fed <= 1039.3

    def test_straight_down_is_a_plunge(self) -> None:
        """A cut that goes straight down is fed as a plunge; straight up as a cut."""
        points = np.array([[0, 0, 0], [0.1, 0, -2], [0.2, 0, 0]])
        fed = limit_feeds(points, np.array([RAPID, CUT, CUT], np.uint8), FEEDS, ROUTER)
        assert fed[1] == 900
        assert 900 < fed[2] <= 2000 / 0.998

    @given(
        seed=st.integers(0, 2**32 - 1),
        scale=st.sampled_from([0.004, 0.05, 1.0, 30.0]),
        machine=machines(),
        shift=st.floats(0, 1),
    )
    @settings(deadline=None, max_examples=150)
    def test_no_axis_is_asked_too_much(self, seed: int, scale: float, machine: Machine, shift: float) -> None:
        """However zero is set and the text is rounded, no axis is asked for more than it can do."""
        rng = np.random.default_rng(seed)
        points = np.cumsum(rng.normal(0, scale, (40, 3)) * rng.choice([0, 0.01, 1], (40, 3)), axis=0)
        kinds = rng.choice(np.array([RAPID, CUT, PLUNGE], np.uint8), 40)
        feeds = replace(FEEDS, cut=min(3000.0, *machine.max_feed[:2]), plunge=min(900.0, machine.max_feed[2]))
        fed = limit_feeds(points, kinds, feeds, machine)
        for unit in (10.0**-machine.decimals, 2.54 * 10.0**-machine.decimals):
            steps = np.diff(np.round((points + shift) / unit) * unit, axis=0)
            length = np.linalg.norm(steps, axis=1)
            moved = length > 0
            asked = fed[1:][moved, None] * np.abs(steps[moved]) / length[moved, None]
            assert np.all(asked <= np.array(machine.max_feed) * (1 + 1e-9))
        assert np.all((fed > 0) == (np.concatenate([[RAPID], kinds[1:]]) != RAPID))
        steps = np.diff(points, axis=0)
        falling = np.maximum(-steps[:, 2], 0) / np.maximum(np.linalg.norm(steps, axis=1), 1e-12)
        assert np.all((fed[1:] * falling)[kinds[1:] == PLUNGE] <= feeds.plunge * (1 + 1e-9))
        assert np.all(fed[kinds == CUT] <= max(feeds.cut, feeds.plunge))

    def test_few_different_feeds(self) -> None:
        """A hilly path has few different feeds, and gives away little more than a rung."""
        rng = np.random.default_rng(3)
        points = np.column_stack([np.arange(5000) * 0.2, np.zeros(5000), np.cumsum(rng.normal(0, 0.2, 5000))])
        machine = replace(ROUTER, max_feed=(5000.0, 5000.0, 1000.0))
        fed = limit_feeds(points, np.full(5000, CUT, np.uint8), FEEDS, machine)[1:]
        steps = np.abs(np.diff(points, axis=0))
        most = np.minimum(1000 * np.linalg.norm(steps, axis=1) / np.maximum(steps[:, 2], 1e-9), 3000)
        gentle = -np.diff(points[:, 2]) < 3 * steps[:, 0]
        assert len(np.unique(fed)) < 15
        assert np.all(fed[gentle] >= 0.85 * most[gentle] - 10)

    def test_no_points(self) -> None:
        """Nothing to do, nothing to feed."""
        assert len(limit_feeds(np.zeros((0, 3)), np.zeros(0, np.uint8), FEEDS, ROUTER)) == 0
