"""Every number of the plant and its probes has a source, or is said to be assumed."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import simulators

FOLDER = Path(simulators.__file__).parent
MODULES = sorted(path for path in FOLDER.glob("*.py") if path.stem not in {"__init__", "driver"})
SAID = re.compile(
    r"assumed|invented|recalled|exact|derived|ASHRAE|EIA|Dittus|common practice|same eqs?\.|rounded|NIST|cost"
)


def _is_number(node: ast.expr | None) -> bool:
    if isinstance(node, ast.Tuple):
        return bool(node.elts) and all(map(_is_number, node.elts))
    if isinstance(node, ast.UnaryOp):
        return _is_number(node.operand)
    if isinstance(node, ast.BinOp):
        return _is_number(node.left) or _is_number(node.right)
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, (int, float))
        and not isinstance(node.value, bool)
    )


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_constants(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    bare = []
    for node in ast.parse("\n".join(lines)).body:
        if isinstance(node, ast.Assign) and _is_number(node.value):
            beside = " ".join(lines[node.lineno - 2 : node.end_lineno])  # its own line, or the one above
            if not SAID.search(beside):
                bare.append(lines[node.lineno - 1])
    assert bare == []


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_defaults_of_what_a_plant_is_made_of(path: Path) -> None:
    """A default other than 0 or 1 is said to be assumed, by its class or itself."""
    text = path.read_text(encoding="utf-8")
    lines, bare = text.splitlines(), []
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.ClassDef) or "assumed" in (ast.get_docstring(node) or ""):
            continue
        for field in node.body:
            if isinstance(field, ast.AnnAssign) and _is_number(field.value):
                value = ast.literal_eval(field.value) if field.value is not None else 0
                if value not in (0, 0.0, 1.0) and not SAID.search(lines[field.lineno - 1]):
                    bare.append(f"{node.name}: {lines[field.lineno - 1].strip()}")
    assert bare == []
