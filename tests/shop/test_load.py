"""The starter shop keeps its promises, a user's file overrides by name, faults are told in one line."""

from __future__ import annotations

import json
import math
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from relief.cutters import profile
from relief.errors import ShopError
from relief.shop.load import NO_SOURCE, Shop, value_sources
from relief.units import MM_PER_INCH

# Chip load per tooth, inches, at one diameter deep (common practice, no source): a chart that circulates
# in the trade without a name, for stiff industrial machines; an upper guide for a small router.
CHART_IN = {
    "hardwood": {0.125: (0.003, 0.005), 0.25: (0.009, 0.011), 0.375: (0.015, 0.018), 0.5: (0.019, 0.021)},
    "softwood": {0.125: (0.004, 0.006), 0.25: (0.011, 0.013), 0.375: (0.017, 0.020), 0.5: (0.021, 0.023)},
    "plywood": {0.125: (0.004, 0.006), 0.25: (0.011, 0.013), 0.375: (0.017, 0.020), 0.5: (0.021, 0.023)},
    "MDF": {0.125: (0.004, 0.007), 0.25: (0.013, 0.016), 0.375: (0.020, 0.023), 0.5: (0.025, 0.027)},
    "polycarbonate": {
        0.125: (0.003, 0.006),
        0.25: (0.007, 0.010),
        0.375: (0.010, 0.012),
        0.5: (0.012, 0.016),
    },
    "acrylic": {0.125: (0.003, 0.005), 0.25: (0.008, 0.010), 0.375: (0.010, 0.012), 0.5: (0.012, 0.015)},
    "aluminium": {0.125: (0.003, 0.004), 0.25: (0.005, 0.007), 0.375: (0.006, 0.008), 0.5: (0.008, 0.010)},
}
METALS = ("aluminium", "brass")
# What the starter shop takes of the chart for a small router: common practice, no source.
WOOD_SHARE, METAL_SHARE = (0.2, 0.4), (0.15, 0.3)


@pytest.fixture(scope="module")
def starter() -> Shop:
    """Return the shop that everybody has."""
    return Shop.read(None)


def _file(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "my-shop.toml"
    path.write_text(text, encoding="utf-8")
    return path


class TestStarter:
    def test_holds_the_defaults_of_a_job(self, starter: Shop) -> None:
        """The material, machine and cutters that a job takes when it names none are there."""
        assert starter.material("softwood").name == "softwood"
        assert starter.machine("benchtop router").travel == (600.0, 600.0, 100.0)
        assert starter.machine("benchtop router").rpm == (8000.0, 24000.0)
        assert math.isclose(starter.cutter("flat 1/4 in").diameter, 6.35)
        assert math.isclose(starter.cutter("ball 1/8 in").diameter, 3.175)

    def test_rack(self, starter: Shop) -> None:
        """The rack has the small set of flats, balls, tapers, vees and one drag point, each numbered."""
        kinds = [cutter.kind for cutter in starter.cutters.values()]
        assert {kind: kinds.count(kind) for kind in kinds} == {
            "flat": 5, "ball": 5, "taper": 3, "vee": 2, "drag": 1,
        }  # fmt: skip
        numbers = [cutter.number for cutter in starter.cutters.values()]
        assert 0 not in numbers
        assert len(set(numbers)) == len(numbers)

    def test_tips_of_tapers(self, starter: Shop) -> None:
        """A taper is called by the diameter of its tip, and reaches its widest diameter within its edges."""
        for part in (32, 16, 8):
            cutter = starter.cutter(f"taper 1/{part} in")
            assert math.isclose(2 * cutter.tip_radius, MM_PER_INCH / part)
            shape = profile(cutter)
            half = math.radians(cutter.angle / 2)
            full = shape.corner_radius * (1 - math.sin(half))
            full += (shape.radius - shape.corner_radius * math.cos(half)) * shape.cone_slope
            assert full <= cutter.cutting_length

    def test_vees_reach_their_width(self, starter: Shop) -> None:
        """The edges of a vee are long enough for its widest diameter: depth = radius / tan(half angle)."""
        for name, angle in (("vee 60", 60.0), ("vee 90", 90.0)):
            cutter = starter.cutter(name)
            assert cutter.angle == angle
            assert cutter.diameter / 2 / math.tan(math.radians(angle / 2)) <= cutter.cutting_length

    @pytest.mark.parametrize("name", CHART_IN)
    def test_chip_loads_are_the_charts_share(self, starter: Shop, name: str) -> None:
        """The chip loads are the stated share of the trade chart's, to the four decimals written."""
        share = METAL_SHARE if name in METALS else WOOD_SHARE
        for row in starter.material(name).chip_load:
            low, high = CHART_IN[name][round(row.diameter / MM_PER_INCH, 6)]
            assert math.isclose(row.low, low * MM_PER_INCH * share[0], abs_tol=5.1e-5)
            assert math.isclose(row.high, high * MM_PER_INCH * share[1], abs_tol=5.1e-5)
            assert row.high < low * MM_PER_INCH

    @pytest.mark.parametrize(
        ("name", "gravity"),
        [("softwood", 0.40), ("hardwood", 0.55)],
    )
    def test_wood_densities(self, starter: Shop, name: str, gravity: float) -> None:
        """Ponderosa pine and black walnut: Wood Handbook FPL-GTR-190 Table 5-3a, ρ = ρw G (1 + MC/100)."""
        assert math.isclose(starter.material(name).density, 1000 * gravity * 1.12)

    def test_foam_densities(self, starter: Shop) -> None:
        """XPS IV 1.55 and EPS I 0.90 lb/ft³ (ASTM C578-10); rigid PU 15 lb/ft³ (ASTM F1839, from memory)."""
        pound_per_cubic_foot = 0.45359237 / 0.3048**3
        for name, pounds in (("foam XPS", 1.55), ("foam EPS", 0.90), ("foam PU", 15.0)):
            density = starter.material(name).density
            assert math.isclose(density, pounds * pound_per_cubic_foot, rel_tol=0.05)

    def test_published_forces(self, starter: Shop) -> None:
        """Particleboard 37.6 N/mm² (Palubicki, Materials 14:2208, 2021); wood 10 to 60 from memory.

        Aluminium 0.52 J/mm³ at the least (Shaukat et al., AIMS Mater. Sci. 10:575-588, 2023).
        """
        assert starter.material("MDF").cutting_force == 37.6
        assert starter.material("aluminium").cutting_force >= 520
        assert all(10 <= starter.material(n).cutting_force <= 60 for n in ("softwood", "hardwood", "plywood"))

    def test_metal_speeds(self, starter: Shop) -> None:
        """At most twice (carbide) the general shop table's 500 and 450 ft/min for high-speed steel."""
        assert starter.material("aluminium").max_surface_speed <= 2 * 500 * 0.3048
        assert starter.material("brass").max_surface_speed <= 2 * 450 * 0.3048

    def test_metals_are_cut_lightly(self, starter: Shop) -> None:
        """Non-ferrous metals have the lightest stepdown."""
        light = max(starter.material(name).stepdown for name in METALS)
        assert all(m.stepdown > light for m in starter.materials.values() if m.name not in METALS)

    def test_every_value_has_its_source(self, starter: Shop) -> None:
        """Each group of values of each material says where it comes from, or that it is common practice."""
        asked = {"chip_load", "max_surface_speed", "stepdown", "stepover", "plunge", "cutting_force"}
        asked |= {"density", "entry_angle"}
        for material in starter.materials.values():
            assert asked <= set(value_sources(material)), material.name

    def test_cautions(self, starter: Shop) -> None:
        """Dust, styrene and formaldehyde are warned of where they arise."""
        for material in starter.materials.values():
            assert material.cautions, material.name
        assert "styrene" in " ".join(starter.material("foam XPS").cautions)
        assert "formaldehyde" in " ".join(starter.material("MDF").cautions)

    def test_read_only(self, starter: Shop) -> None:
        """Nobody can change the shop in force."""
        with pytest.raises(TypeError, match="does not support item assignment"):
            starter.cutters["mine"] = starter.cutter(1)  # type: ignore[index]


class TestCutter:
    @pytest.mark.parametrize(
        ("wanted", "name"),
        [
            ("flat 1/4 in", "flat 1/4 in"),
            ("FLAT  1/4 in", "flat 1/4 in"),
            ("2", "flat 1/4 in"),
            (2, "flat 1/4 in"),
            ("1/8 in ball", "ball 1/8 in"),
            ("1/8-in ball-nose", "ball 1/8 in"),
            ('ball 1/8"', "ball 1/8 in"),
            ("ball 3.175 mm", "ball 1/8 in"),
            ("ball 3.175", "ball 1/8 in"),
            ("6 mm flat end mill", "flat 6 mm"),
            ("taper 1/16 in", "taper 1/16 in"),
            ("tapered ball 1.5875 mm", "taper 1/16 in"),
            ("60 degree vee", "vee 60"),
            ("vee 90°", "vee 90"),
            ("drag", "drag point"),
        ],
    )
    def test_found(self, starter: Shop, wanted: str | int, name: str) -> None:
        """A cutter is found by its name, its number or a description."""
        assert starter.cutter(wanted).name == name

    @pytest.mark.parametrize(
        ("wanted", "told"),
        [
            ("ball 5 mm", r'no cutter "ball 5 mm" in the shop; the nearest is "ball 1/4 in" \(6.35 mm\)'),
            ("bal 1/8 in", 'did you mean "ball 1/8 in"'),
            ("vee 1/2 in", 'may be any of "vee 60", "vee 90"'),
            ("77", 'no cutter "77" in the shop; '),
            ("flat -3 mm", "no cutter"),
            ("", "no cutter"),
        ],
    )
    def test_not_found(self, starter: Shop, wanted: str, told: str) -> None:
        """What is not there is told in one line, with the nearest that is."""
        with pytest.raises(ShopError, match=told) as caught:
            starter.cutter(wanted)
        assert "\n" not in str(caught.value)

    def test_material_and_machine(self, starter: Shop) -> None:
        """Materials and machines are found by name; a typo is answered with the nearest."""
        assert starter.material(" Hardwood").name == "hardwood"
        with pytest.raises(ShopError, match='no material "softwod" in the shop; did you mean "softwood"'):
            starter.material("softwod")
        with pytest.raises(
            ShopError, match='no machine "benchtop" in the shop; did you mean "benchtop router"'
        ):
            starter.machine("benchtop")


class TestUserFile:
    def test_overrides_key_by_key(self, tmp_path: Path, starter: Shop) -> None:
        """A table of a known name changes the keys it gives and keeps the others; nothing else changes."""
        path = _file(tmp_path, '[[machine]]\nname = "benchtop router"\ntravel = ["24 in", 400, 80]\n')
        shop = Shop.read(path)
        assert shop.machine("benchtop router").travel == pytest.approx((609.6, 400.0, 80.0))
        assert shop.machine("benchtop router").max_feed == starter.machine("benchtop router").max_feed
        assert shop.cutters == starter.cutters
        assert shop.materials == starter.materials

    def test_adds(self, tmp_path: Path, starter: Shop) -> None:
        """A table of a new name is added after the starter's."""
        path = _file(tmp_path, '[[cutter]]\nkind = "ball"\ndiameter = "5/32 in"\nflutes = 3\n')
        shop = Shop.read(str(path))
        assert list(shop.cutters)[:-1] == list(starter.cutters)
        assert shop.cutter("5/32 in ball").flutes == 3

    def test_another_kind_starts_afresh(self, tmp_path: Path) -> None:
        """A cutter of a known name but another kind takes nothing from the one it replaces."""
        path = _file(tmp_path, '[[cutter]]\nname = "vee 60"\nkind = "flat"\ndiameter = 4\n')
        assert Shop.read(path).cutter("vee 60").angle == 0

    def test_own_numbers_win(self, tmp_path: Path) -> None:
        """A number that the user gives to a cutter is taken from the starter's."""
        path = _file(tmp_path, '[[cutter]]\nname = "mine"\nkind = "flat"\ndiameter = 4\nnumber = 2\n')
        shop = Shop.read(path)
        assert shop.cutter(2).name == "mine"
        assert shop.cutter("flat 1/4 in").number == 0

    def test_without_the_starter(self, tmp_path: Path) -> None:
        """`starter = false` leaves only what the file holds."""
        path = _file(tmp_path, 'starter = false\n[[cutter]]\nname = "mine"\nkind = "flat"\ndiameter = 4\n')
        shop = Shop.read(path)
        assert list(shop.cutters) == ["mine"]
        assert not shop.materials

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ('[[cuter]]\nname = "x"\n', 'my-shop.toml: unknown key "cuter"; did you mean "cutter"'),
            (
                "cutter = 3\n",
                r"my-shop.toml: cutter must be a list of tables; begin each with a line \[\[cutter",
            ),
            ("starter = 1\n", "my-shop.toml: starter = 1: write true or false"),
            (
                '[[cutter]]\nname = "a"\nkind = "ball"\ndiameter = 3\nflute = 3\n',
                r'my-shop.toml \[\[cutter\]\] 1 "a": unknown key "flute"; did you mean "flutes"',
            ),
            ('[[cutter]]\nkind = "ball"\ndiameter = -3\n', r"my-shop.toml \[\[cutter\]\] 1: diameter = -3"),
            ('[[cutter]]\nkind = "ball"\n', r'my-shop.toml \[\[cutter\]\] 1: key "diameter" is missing'),
            ('[[machine]]\nname = "benchtop router"\nrpm = [9, 1]\n', r"\[\[machine\]\] 1 .*rpm needs two"),
            (
                '[[cutter]]\nname="a"\nkind="flat"\ndiameter=3\n' * 2,
                r'\[\[cutter\]\] 2 "a": a second cutter named "a"; give it another name',
            ),
            (
                '[[cutter]]\nname="a"\nkind="flat"\ndiameter=3\nnumber=7\n'
                '[[cutter]]\nname="b"\nkind="flat"\ndiameter=3\nnumber=7\n',
                'my-shop.toml: cutters "a" and "b" both have number 7; change one',
            ),
            ("[[cutter]\n", "not valid TOML"),
            ("[[material]]\nname = 3\n", r"\[\[material\]\] 1: "),
        ],
    )
    def test_faults(self, tmp_path: Path, text: str, told: str) -> None:
        """A fault names file, table and key in one line."""
        with pytest.raises(ShopError, match=told) as caught:
            Shop.read(_file(tmp_path, text))
        assert "\n" not in str(caught.value)

    def test_no_such_file(self, tmp_path: Path) -> None:
        """A file that is not there is named."""
        with pytest.raises(ShopError, match=r"none\.toml"):
            Shop.read(tmp_path / "none.toml")


class TestText:
    def test_round_trip(self, tmp_path: Path, starter: Shop) -> None:
        """The written shop, read back, is the same shop, in the same order."""
        again = Shop.read(_file(tmp_path, starter.text()))
        assert again == starter
        assert list(again.cutters) == list(starter.cutters)
        assert again.text() == starter.text()

    def test_odd_texts_survive(self, tmp_path: Path) -> None:
        """Quotes, backslashes, accents and control characters come back as they were."""
        odd = 'a "b" \\ é ☃ \x7f \t end'
        chip = "chip_load = [{ diameter = 3, low = 0.01, high = 0.02 }]\nmax_surface_speed = 9.5\n"
        rest = "stepdown=1\nstepover=0.5\nplunge=0.5\ncutting_force=1\ndensity=1\n"
        text = f"[[material]]\nname = {json.dumps(odd[:9], ensure_ascii=False)}\n{chip}{rest}"
        text += 'cautions = ["a \\"b\\" \\\\ é ☃ \\u007f \\t end"]\n'
        shop = Shop.read(_file(tmp_path, text))
        again = Shop.read(_file(tmp_path, shop.text()))
        assert again == shop
        assert list(again.materials.values())[-1].cautions == (odd,)

    def test_every_value_says_where_from(self, starter: Shop) -> None:
        """Beside (or above) each value stand its meaning and its source."""
        text = starter.text()
        density = next(line for line in text.splitlines() if line.startswith("density = 448"))
        assert "Wood Handbook FPL-GTR-190 (2010) Table 5-3a" in density
        speed = next(line for line in text.splitlines() if line.startswith("max_feed"))
        assert NO_SOURCE in speed

    def test_source_without_keys_speaks_for_all(self, starter: Shop, tmp_path: Path) -> None:
        """A user's plain source text stands beside every value."""
        path = _file(tmp_path, '[[material]]\nname = "softwood"\nsource = "my own trials; 2 boards"\n')
        sources = value_sources(Shop.read(path).material("softwood"))
        assert set(sources.values()) == {"my own trials; 2 boards"}


def test_starter_file_is_plain_toml() -> None:
    """The starter shop is ASCII, like the programs whose heads quote its cautions."""
    text = resources.files("relief.shop").joinpath("starter.toml").read_text("ascii")
    assert set(tomllib.loads(text)) == {"cutter", "material", "machine"}
