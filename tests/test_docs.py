"""What the documents promise: commands that exist, keys that are known, files that are there."""

from __future__ import annotations

import re
import shlex
from dataclasses import replace
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from PIL import Image

import relief
from relief.cli import SUMMARIES
from relief.cli import relief as program
from relief.commands.options import SHORT_NAMES
from relief.job import Job, job_from_source, job_keys
from relief.sections import Lettering
from relief.setup import set_up
from relief.shop.load import Shop
from relief.shop.records import Cutter, Machine, Material
from relief.tables import keys_of
from shared import make_readme_pictures, make_reference
from tests.test_architecture import EMPTY, FACE, MODULES

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```\w*\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
SAID = sorted(set(re.findall(rf"`(relief (?:{'|'.join(SUMMARIES)})[^`]*)`", README)))


def test_the_readme_holds_two_commands_of_one_line_each() -> None:
    """First the line that installs and carves, then the line that tests; each can be pasted whole."""
    assert len(BLOCKS) == 2
    assert all(block.count("\n") == 1 and len(block.strip()) > 0 for block in BLOCKS)


def test_both_commands_bring_their_own_environment() -> None:
    """Neither line installs outside a virtual environment, which Debian's Python refuses (PEP 668)."""
    for block in BLOCKS:
        assert block.startswith("python3 -m venv .venv && ")
        assert all(step.startswith(".venv/bin/") for step in block.split(" && ")[1:])


def test_the_first_command_carves_a_demo_picture_with_its_defaults() -> None:
    """It names a picture that is in the repository, and no option."""
    command, verb, picture = BLOCKS[0].split(" && ")[-1].split()
    assert (command, verb) == (".venv/bin/relief", "carve")
    assert (ROOT / picture).is_file()


def test_the_second_command_runs_the_tests() -> None:
    """It ends by running every test there is."""
    assert BLOCKS[1].strip().endswith("&& .venv/bin/python -m pytest")


def _command(name: str) -> click.Command:
    found = program.get_command(click.Context(program), name)
    assert found is not None
    return found


@pytest.mark.parametrize("line", SAID)
def test_each_relief_line_in_the_readme_is_understood(line: str) -> None:
    """Every call of `relief` in the text parses: command, options and settings exist."""
    _, name, *arguments = shlex.split(line)
    if arguments == ["--help"]:
        return  # test_each_command_has_help_with_an_example asks for it
    settings = _command(name).make_context(name, arguments).params.get("settings", ())
    assert {text.partition("=")[0] for text in settings} <= {key.name for key in job_keys()}


def test_the_readme_speaks_of_every_command() -> None:
    """No command is left for the reader to find by chance."""
    assert {shlex.split(line)[1] for line in SAID} == set(SUMMARIES)


@pytest.mark.parametrize("name", SUMMARIES)
def test_each_command_has_help_with_an_example(name: str) -> None:
    """`--help` says what the command does, what each option means, and shows a line to copy."""
    result = CliRunner().invoke(program, [name, "--help"])
    assert result.exit_code == 0, result.output
    assert f"Example: relief {name}" in " ".join(result.output.split())
    undescribed = [
        option.name
        for option in _command(name).params
        if isinstance(option, click.Option) and not option.help
    ]
    assert undescribed == []


@pytest.mark.parametrize("name", SUMMARIES)
def test_each_example_in_the_help_is_understood(name: str) -> None:
    """The line to copy parses."""
    command = _command(name)
    assert command.epilog is not None
    example = shlex.split(command.epilog.removeprefix("Example: "))
    assert example[:2] == ["relief", name]
    command.make_context(name, example[2:])


def test_the_short_options_are_job_keys() -> None:
    """Each short option of carve stands for a key of the job file."""
    assert set(SHORT_NAMES.values()) <= {key.name for key in job_keys()}


@pytest.mark.parametrize("name", make_reference.PAGES)
def test_the_reference_pages_are_those_of_the_code(name: str) -> None:
    """`python shared/make_reference.py` writes what is there: every key, default, limit and meaning."""
    committed = (ROOT / "shared" / name).read_text(encoding="utf-8")
    assert committed == make_reference.PAGES[name](), "run `python shared/make_reference.py`"


def test_the_reference_pages_hold_every_key() -> None:
    """Each key of the job, of texts and clamps, and of the shop has a row of its own."""
    text = "\n".join(page() for page in make_reference.PAGES.values())
    for record in (Job, Lettering, Cutter, Material, Machine):
        for key in keys_of(record):
            assert f"\n| `{key.name.rpartition('.')[2]}` | " in text, key.name


def test_the_readme_shows_the_pictures_that_its_script_makes() -> None:
    """Every picture on the page is there, made by the script, and small enough for a slow line."""
    shown = re.findall(r"!\[[^\]]+\]\((\S+)\)", README)
    assert {Path(path).name for path in shown} == set(make_readme_pictures.NAMES)
    for name in make_readme_pictures.NAMES:
        path = ROOT / "shared" / "pictures" / name
        assert path.stat().st_size < 400_000
        with Image.open(path) as picture:
            assert picture.width <= make_readme_pictures.WIDE


def test_links_in_the_readme_lead_somewhere() -> None:
    """Files that the page links to are in the repository."""
    linked = re.findall(r"\]\(([\w./-]+)\)", README)
    assert linked
    assert [path for path in linked if not (ROOT / path).exists()] == []


def test_the_sample_shop_is_one(tmp_path: Path) -> None:
    """The file to copy is read, lies over the starter shop, and a job may be set up with all of it."""
    shop = Shop.read(ROOT / "shared" / "my-shop.toml")
    assert len(shop.cutters) == len(Shop.read(None).cutters) + 1
    asked = {
        "relief.width": 60.0,
        "output.pitch": 0.5,
        "finishing.cutter": "my fine ball",
        "material": "lime from the yard",
        "machine": "my router",
    }
    setup = set_up(job_from_source(ROOT / "demo_images" / "garden_rows.png", asked), shop)
    assert setup.machine.name == "my router"


def test_the_sample_job_is_one() -> None:
    """The gate sign's job file is read, and its picture, letters and cutout are set up."""
    job = Job.read(ROOT / "shared" / "gate-sign.toml")
    assert [text.text for text in job.lettering] == ["Bean Row", "ALLOTMENTS"]
    setup = set_up(replace(job, output=replace(job.output, pitch=0.5)), Shop.read(None))
    assert setup.part is not None
    assert not any("too fine" in note for note in setup.notes)


def test_each_job_key_says_what_it_means() -> None:
    """Every key carries the sentence that help and job files show."""
    assert [key.name for key in job_keys() if not key.meaning] == []


@pytest.mark.parametrize("module", [name for name in MODULES if name not in (FACE, *EMPTY)])
def test_the_developers_guide_knows_every_module(module: str) -> None:
    """Each module's file is named in the guide, so that nobody has to guess what it is for."""
    name = module.rpartition(".")[2]
    told = any(f"{before}{name}{after}`" in DEVELOPERS for before in "`/" for after in (".py", "/"))
    assert told, f"DEVELOPERS.md says nothing of {MODULES[module].relative_to(ROOT)}: give it a word there"


def test_the_guide_names_no_module_that_is_gone() -> None:
    """Files named in the guide as `relief/…` or `tests/…` exist."""
    named = set(re.findall(r"`((?:relief|tests|demo_images|\.ci)/[\w./]*)`", DEVELOPERS))
    assert [path for path in sorted(named) if not (ROOT / path).exists()] == []


def test_help_tells_the_version() -> None:
    """`relief --version` answers with the package's version."""
    result = CliRunner().invoke(program, ["--version"])
    assert result.output.strip() == f"relief {relief.__version__}"
