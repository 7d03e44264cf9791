"""Speeds and feeds: choices against every limit and published worked examples."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from relief.cutting import chip_thinning, cutting_power, removal_rate
from relief.errors import ShopError
from relief.feeds import Speeds, choose_feeds, round_down
from relief.planning.spacing import scallop_height, stepover
from relief.sections import Finishing
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine

SHOP = Shop.read(None)
ROUTER = SHOP.machine("benchtop router")


class TestPublished:
    def test_the_edge_is_judged_where_it_cuts(self) -> None:
        """A ball at a small depth: the speed told is that at D_eff, which falls to 0 (geometry)."""
        ball, foam = Cutter("ball", 6.0), SHOP.material("foam XPS")
        feeds = [choose_feeds(ball, foam, ROUTER, depth, 0.5, Speeds(18000)) for depth in (3.0, 0.3, 1e-6)]
        assert feeds[0].surface_speed == pytest.approx(339.292, abs=5e-4)
        assert feeds[1].surface_speed == pytest.approx(math.pi * 2.615339 * 18, rel=1e-6)
        assert feeds[2].surface_speed < 0.001 * feeds[0].surface_speed

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
            Speeds(15000, 500 * inch),
        )
        assert math.isclose(feeds.chip_load / inch, 0.016667, abs_tol=1e-6)

    def test_two_flutes(self) -> None:
        """2 flutes × 18000 rev/min × 0.05 mm is 1800 mm/min (textbook)."""
        feeds = choose_feeds(
            SHOP.cutter("flat 1/4 in"),
            SHOP.material("softwood"),
            ROUTER,
            3,
            6.35,
            Speeds(18000, 1800),
        )
        assert math.isclose(feeds.chip_load, 0.05)

    def test_the_charts_feed(self) -> None:
        """0.010 in a tooth, two flutes, 18000 rev/min: 360 in/min, 9144 mm/min (the trade's chart)."""
        sheet, hardwood = SHOP.machine("full-sheet router"), SHOP.material("hardwood")
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), hardwood, sheet, 3, 6.35, Speeds(18000, 360 * 25.4))
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
        feeds = choose_feeds(knives, SHOP.material("softwood"), planer, 1.0, 12.7, Speeds(3600, 30 * 304.8))
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
        feeds = choose_feeds(cutter, material, machine, depth, width, Speeds(rpm, feed, plunge))  # type: ignore[arg-type]
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
        feeds = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(18000, 1000))
        assert feeds.sentences == (
            "Chip load 0.028 mm is below the range 0.056 to 0.132 mm: it will rub and burn; "
            "slow the spindle to 8900 rev/min or feed at 2020 mm/min.",
        )
        assert choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(8900, 1000)).chip_load_holds
        assert choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(18000, 2020)).chip_load_holds

    def test_above_the_range(self) -> None:
        """A chip too thick is told with what mends it, and the mending holds."""
        cutter, material = SHOP.cutter("flat 1/8 in"), SHOP.material("hardwood")
        feeds = choose_feeds(cutter, material, ROUTER, 1, 1.6, Speeds(12000, 2000))
        assert feeds.sentences == (
            "Chip load 0.083 mm is above the range 0.015 to 0.051 mm: it may break the cutter; "
            "feed at 1210 mm/min or speed the spindle up to 19700 rev/min.",
        )
        assert choose_feeds(cutter, material, ROUTER, 1, 1.6, Speeds(12000, 1210)).chip_load_holds
        assert choose_feeds(cutter, material, ROUTER, 1, 1.6, Speeds(19700, 2000)).chip_load_holds

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
        feeds = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(60000, 90000, 70000))
        assert (feeds.rpm, feeds.cut, feeds.plunge) == (24000, *ROUTER.max_feed[1:])
        for words in (
            "Spindle speed: you asked for 60000 rev/min; it turns at 24000 rev/min (8000 to 24000 is",
            f"Feed: you asked for 90000 mm/min; the machine does {feeds.cut:.0f} mm/min, the most that its X",
            f"Plunge feed: you asked for 70000 mm/min; the machine does {feeds.plunge:.0f} mm/min, the most",
        ):
            assert words in feeds.sentence
        slow = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(feed=200))
        assert "the feed that you asked for, 200 mm/min, it turns at 8000 rev/min instead of 18000" in (
            slow.sentence
        )
        usual = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(feed=4000))
        assert "asked" not in usual.sentence

    def test_inch_jobs_read_inches(self) -> None:
        """In an inch job every sentence tells inches, inches a minute and feet a minute.

        1 in = 25.4 mm, 1 ft = 304.8 mm (agreement of 1959): 1000 mm/min is 39.4, 2020 is 79.5, 5000 is 196.9.
        """
        cutter, material = SHOP.cutter("flat 1/4 in"), SHOP.material("softwood")
        feeds = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(18000.0, 1000.0), "in")
        assert feeds.sentences == (
            "Chip load 0.0011 in is below the range 0.0022 to 0.0052 in: it will rub and burn; "
            "slow the spindle to 8900 rev/min or feed at 79.5 in/min.",
        )
        fast = choose_feeds(cutter, material, ROUTER, 3, 3.175, Speeds(feed=90000, plunge=70000), units="in")
        assert "Feed: you asked for 3543.3 in/min; the machine does 196.9 in/min, the most" in fast.sentence
        assert "Plunge feed: you asked for 2755.9 in/min; the machine does 78.7 in/min" in fast.sentence
        wide, plastic = SHOP.cutter("flat 1/2 in"), SHOP.material("polycarbonate")
        told = choose_feeds(wide, plastic, ROUTER, 2, 3, units="in").sentence
        assert "runs at 1047 ft/min, above the 656 ft/min that suits polycarbonate" in told
        weak = replace(ROUTER, spindle_power=5.0)
        slow = choose_feeds(cutter, material, weak, 3.175, 2.54, Speeds(feed=200), units="in").sentence
        assert "for the feed that you asked for, 7.9 in/min, it turns at 8000 rev/min" in slow
        for sentence in (feeds.sentence, fast.sentence, told, slow):
            assert " mm" not in sentence
            assert " m/min" not in sentence

    def test_dial(self) -> None:
        """A spindle set by hand gets a step of its dial, the one below what would suit."""
        machine = SHOP.machine("small router with dial")
        feeds = choose_feeds(SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), machine, 3, 2.5)
        assert feeds.rpm == 14000
        asked = choose_feeds(
            SHOP.cutter("flat 1/4 in"), SHOP.material("softwood"), machine, 3, 2.5, Speeds(17000)
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
        feeds = choose_feeds(SHOP.cutter("drag point"), SHOP.material("brass"), ROUTER, 0.1, 1, Speeds(20000))
        assert feeds.rpm == 0
        assert feeds.chip_load_holds
        assert feeds.sentences == ('"drag point" does not turn: the spindle stays off.',)

    @pytest.mark.parametrize(
        ("value", "rounded"),
        [(3384.9, 3380), (100.0, 100), (99.9, 99), (10.0, 10), (9.97, 9.9), (0.05, 0.05)],
    )
    def test_round_down(self, value: float, rounded: float) -> None:
        """Feeds are rounded down, never up."""
        assert math.isclose(round_down(value), rounded)
