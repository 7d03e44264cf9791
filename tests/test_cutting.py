"""How a cutter meets its stock: formulas against published values, rules against the shop's tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from relief.cutters import profile, profile_height
from relief.cutting import (
    chip_range,
    chip_thinning,
    cutting_power,
    deepest_layer,
    effective_diameter,
    nominal_diameter,
    removal_rate,
    surface_speed,
)
from relief.shop.load import Shop
from relief.shop.records import Cutter

SHOP = Shop.read(None)


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

    def test_cones_are_looked_up_by_their_mean_width(self) -> None:
        """A taper's chip load is that of half way up (common practice, no source)."""
        assert math.isclose(nominal_diameter(SHOP.cutter("taper 1/16 in")), (6.35 + 1.5875) / 2)
        assert math.isclose(nominal_diameter(SHOP.cutter("vee 60")), 6.35)
        assert math.isclose(nominal_diameter(SHOP.cutter("ball 1/8 in")), 3.175)


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
