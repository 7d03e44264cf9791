"""The layer table, held: who may import whom, and where numba and program text are allowed to meet."""

from __future__ import annotations

import ast
import graphlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "relief"

# A file imports only from rows above its own; never from its own row. The kernels are one room: they may call
# each other, and nothing else of ours. Names end in .* for a whole folder.
ROWS: tuple[tuple[str, ...], ...] = (
    (
        "errors",
        "files",
        "progress",
        "times",
        "toolpath",
        "colours",
        "tones",
        "terraces",
        "body",
        "framing",
        "gaps",
        "kernels.*",
    ),
    ("units", "heightfield", "gradients"),
    ("tables", "moves"),
    ("shop.records", "sections", "stopped"),
    (
        "job",
        "shop.load",
        "picture",
        "cutters",
        "clamps",
        "tiling",
        "told",
        "program.words",
        "program.arcs",
    ),
    ("cutting",),
    (
        "shaping",
        "lettering",
        "planning.trail",
        "solids",
        "surfaces",
        "measures",
        "holding",
        "feeds",
        "lighting",
        "legends",
        "program.refused",
    ),
    (
        "heightfile",
        "limits",
        "engagement",
        "planning.linking",
        "planning.ground",
        "planning.slices",
        "finer",
        "ridges",
        "planning.spacing",
        "planning.outline",
        "planning.scoring",
        "planning.task",
    ),
    (
        "sources",
        "planning.pacing",
        "planning.between",
        "planning.raster",
        "planning.remains",
        "planning.repairs",
    ),
    ("planning.approach", "planning.turning"),
    (
        "part",
        "planning.passes",
        "planning.cuts",
        "planning.trace",
        "planning.tabs",
        "planning.shares",
    ),
    ("planning.order", "planning.layers"),
    ("planning.roughing", "planning.finishing", "planning.cutout"),
    ("planning.rest", "chosen"),
    ("room",),
    ("setup", "program.write", "program.read", "timing", "carving", "evidence"),
    ("checks.check", "closeup", "entries", "fineness", "hints", "operations"),
    ("checks.*", "plans"),
    ("checks", "texts"),
    ("tiled", "proof", "report", "mesh", "pictures", "tiles"),
    ("sheet.drawing", "sheet.scene"),
    ("sheet.render",),
    ("sheet",),
    ("endings",),
    ("jobfolder", "terminal", "firstrun", "estimate", "comparison", "sequence"),
    ("workflow", "newjob", "reference", "recheck", "looks", "compare"),
    ("resume",),
    ("commands.options",),
    ("commands.*",),
    ("cli",),
    ("__main__",),
)
# Folders' own __init__ files hold no code; the package's own face may import anything and tells its version.
EMPTY = ("commands", "kernels", "planning", "program", "shop")
FACE = "relief"

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "relief",
    "tests",
    "demo_images",
    "shared",
}
LEFT_BY_RUNS = {"build", "dist", "htmlcov", "__pycache__"}


def module_name(path: Path) -> str:
    """Return the name of a module inside the package, without `relief.`."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    if parts == ("__init__",):
        return FACE
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for path in sorted(PACKAGE.rglob("*.py"))}


def imports(module: str) -> set[str]:
    """Return everything that a module imports anywhere in it: functions and type-checking blocks included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively, at line {node.lineno}"
            found |= {_imported(node.module or "", alias.name) for alias in node.names}
    return found


def _imported(source: str, name: str) -> str:
    """Return the module that `from source import name` needs."""
    if source == FACE and name == "__version__":
        return ""
    return f"{source}.{name}" if f"{source}.{name}".removeprefix("relief.") in MODULES else source


def own_imports(module: str) -> set[str]:
    """Return the package's modules that a module imports, without `relief.`."""
    ours = {name for name in imports(module) if name.split(".")[0] == "relief"}
    return {FACE if name == "relief" else name.removeprefix("relief.") for name in ours}


GRAPH = {module: own_imports(module) for module in MODULES}


def row_of(module: str) -> int:
    """Return the row of a module in the table: its own entry, or its folder's."""
    for names in ((module,), (f"{module.rpartition('.')[0]}.*",)):
        for number, row in enumerate(ROWS):
            if any(name in row for name in names):
                return number
    pytest.fail(f"relief/{module.replace('.', '/')}.py has no row in the layer table: give it one")


def room_of(module: str) -> set[str]:
    """Return the modules that may be imported from the same row: a kernel's fellow kernels."""
    return (
        {name for name in MODULES if name.startswith("kernels.")} if module.startswith("kernels.") else set()
    )


def reachable(module: str) -> set[str]:
    """Return every module that a module needs, through any chain."""
    seen: set[str] = set()
    waiting = [module]
    while waiting:
        for name in GRAPH[waiting.pop()] - seen:
            seen.add(name)
            waiting.append(name)
    return seen


@pytest.mark.parametrize("module", [name for name in MODULES if name not in EMPTY and name != FACE])
def test_a_module_imports_only_from_rows_above_its_own(module: str) -> None:
    """No import points sideways or upward, wherever in the file it stands."""
    row = row_of(module)
    wrong = {name for name in GRAPH[module] - room_of(module) if name == FACE or row_of(name) >= row}
    assert not wrong, f"{module} (row {row}) must not import {sorted(wrong)}"


@pytest.mark.parametrize("folder", EMPTY)
def test_a_folders_own_file_holds_no_code(folder: str) -> None:
    """The `__init__` of a folder holds at most a docstring, so that importing one part loads no other.

    That of the kernels also drops stale ones, before any is loaded.
    """
    body = ast.parse(MODULES[folder].read_text(encoding="utf-8")).body
    code = [ast.unparse(node) for node in body if not isinstance(node, ast.Expr)]
    assert code == (["from relief.kernels.cache import forget_stale"] if folder == "kernels" else [])


def test_the_imports_hold_no_circle() -> None:
    """The graph of imports can be put in an order."""
    list(graphlib.TopologicalSorter(GRAPH).static_order())


def test_every_row_stands_for_files_that_exist() -> None:
    """The table names no ghosts."""
    named = {name for row in ROWS for name in row if not name.endswith(".*")}
    assert named - set(MODULES) == set()


@pytest.mark.parametrize("module", [name for name in MODULES if not name.startswith("kernels")])
def test_numba_stays_in_the_kernels(module: str) -> None:
    """Only kernels are compiled; everything else is plain Python."""
    assert not any(name.split(".")[0] in ("numba", "llvmlite") for name in imports(module))


@pytest.mark.parametrize("module", [name for name in MODULES if name.startswith("kernels.")])
def test_kernels_know_only_arrays(module: str) -> None:
    """A kernel needs numpy, numba (with llvmlite, its own code generator) and nothing of ours but kernels."""
    outside = {name.split(".")[0] for name in imports(module)} - set(sys.stdlib_module_names)
    assert outside <= {"numpy", "numba", "llvmlite", "relief"}
    assert all(name.startswith("kernels.") for name in GRAPH[module])


@pytest.mark.parametrize(
    "judge",
    [
        *("carving", "entries", "timing", "evidence", "measures", "program.read"),
        *(name for name in MODULES if name.startswith("checks")),
    ],
)
def test_what_judges_the_text_never_sees_a_toolpath(judge: str) -> None:
    """Carving, timing and checks take what the text says, not what the planner meant."""
    assert "toolpath" not in GRAPH[judge]


def test_the_reader_shares_nothing_with_the_writer() -> None:
    """`program.read` reaches neither writer, nor toolpaths, nor planning, through any chain of imports."""
    forbidden = {name for name in MODULES if name.startswith("planning")} | {
        "program.write",
        "toolpath",
        "plans",
    }
    assert reachable("program.read") & forbidden == set()
    assert "program.read" not in reachable("program.write")


def test_the_reader_and_the_writer_share_no_module_of_their_own() -> None:
    """What both need are errors, units and numbers' rounding laws at most: no shared table of words."""
    shared = reachable("program.read") & reachable("program.write")
    assert {name for name in shared if name.startswith(("program", "kernels.text"))} == set()


def test_the_running_reader_loads_no_writer() -> None:
    """The same, seen from outside: a fresh interpreter that reads programs has loaded none of the planner."""
    code = "import sys, relief.program.read; print(*[m for m in sys.modules if m.startswith('relief')])"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "relief.program.read" in loaded
    wrong = [
        name
        for name in loaded
        if name.startswith(("relief.planning", "relief.toolpath", "relief.program.write"))
    ]
    assert wrong == []


def test_the_top_level_holds_what_it_should() -> None:
    """No stray file or folder at the top of the repository."""
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    strays = {name for name in names - TOP_LEVEL - LEFT_BY_RUNS if not name.endswith((" job", ".egg-info"))}
    assert strays == set()
