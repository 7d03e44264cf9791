"""Parts of kernels that Python cannot call: a call would end the interpreter, and raise nothing."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
KERNELS = ROOT / "relief" / "kernels"
COMPILED = {"kernel", "inner", "inlined"}


def marks(function: ast.FunctionDef) -> set[str]:
    """Return the bare names that decorate a function."""
    return {mark.id for mark in function.decorator_list if isinstance(mark, ast.Name)}


def parsed(path: Path) -> ast.Module:
    """Return a file's syntax tree."""
    return ast.parse(path.read_text(encoding="utf-8"))


PARTS = {
    (path.stem, node.name)
    for path in KERNELS.glob("*.py")
    for node in ast.walk(parsed(path))
    if isinstance(node, ast.FunctionDef) and "inner" in marks(node)
}


def interpreted(tree: ast.AST) -> Iterator[ast.AST]:
    """Yield all that Python itself runs of a file: nothing in the body of what is compiled."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef) and marks(node) & COMPILED:
            continue
        yield node
        yield from interpreted(node)


def misuses(tree: ast.Module, module: str) -> Iterator[str]:
    """Yield each place of a file at which Python names a part of kernels: itself, or through its module.

    To import a part is right in the kernels' own room alone, where other kernels need it.
    """
    mine = {name: name for kernel, name in PARTS if kernel == module}
    modules: dict[str, str] = {}
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("relief.kernels"):
            continue
        source = (node.module or "").removeprefix("relief.kernels").removeprefix(".")
        for alias in node.names:
            if not source:
                modules[alias.asname or alias.name] = alias.name
            elif (source, alias.name) in PARTS:
                mine[alias.asname or alias.name] = alias.name
                if not module:
                    yield f"line {node.lineno} imports {alias.name}"
    for node in interpreted(tree):
        if isinstance(node, ast.Name) and node.id in mine and isinstance(node.ctx, ast.Load):
            yield f"line {node.lineno} names {mine[node.id]}"
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and (modules.get(node.value.id, ""), node.attr) in PARTS
        ):
            yield f"line {node.lineno} names {node.attr}"


FILES = [path for folder in ("relief", "tests", "shared") for path in sorted((ROOT / folder).rglob("*.py"))]


def test_python_calls_no_part_of_a_kernel():
    """Neither the kernels' own plain functions nor any other file so much as names one."""
    assert len(PARTS) > 40  # they are found at all
    found = {}
    for path in FILES:
        module = path.stem if path.parent == KERNELS else ""
        faults = list(misuses(parsed(path), module))
        if faults:
            found[str(path.relative_to(ROOT))] = faults
    assert not found


@pytest.mark.parametrize(
    ("text", "module", "fault"),
    [
        ("from relief.kernels.finish import {part}", "", "line 1 imports {part}"),
        ("from relief.kernels import finish\nfinish.{part}(1)", "", "line 2 names {part}"),
        ("def plain():\n    return {part}(1)", "finish", "line 2 names {part}"),
        ("from relief.kernels.finish import {part} as p\np(1)", "cover", "line 2 names {part}"),
        ("@kernel\ndef loop():\n    return {part}(1)", "finish", ""),
    ],
)
def test_a_misuse_is_seen(text, module, fault):
    """The search itself: each way to reach a part from Python is told, and what kernels do is let pass."""
    part = min(name for kernel, name in PARTS if kernel == "finish")

    found = list(misuses(ast.parse(text.format(part=part)), module))
    assert found == ([fault.format(part=part)] if fault else [])
