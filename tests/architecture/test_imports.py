"""The import contracts hold, and each of them breaks on a planted fault."""

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("logger", "drivers", "simulators")
LINT = "from importlinter.cli import lint_imports_command as c; c(['--no-cache'])"

ALLOWED = {
    "logger.driver_api",
    "logger.mqtt_link",
    "logger.mqtt_reasons",
    "logger.core.readings",
    "logger.core.errors",
    "logger.core.quantity_units",
    "logger.core.texts",
    "logger.core.units",
}
"""All that a driver or simulator may import of the logger."""


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(folder), "NO_COLOR": "1", "COLUMNS": "200"}
    return subprocess.run(
        [sys.executable, "-c", LINT],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_the_contracts_hold(copy: Path) -> None:
    done = lint(copy)
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("module", "line", "contract"),
    [
        ("logger/core/air.py", "import sqlite3", "core is pure"),
        ("logger/core/readings.py", "import logger.clock", "logger: imports point down"),
        ("logger/core/snapshot.py", "import psychrolib", "one module knows the moist-air library"),
        ("logger/core/heat.py", "import logger.core.pipeline", "core: imports point down"),
        ("logger/core/brand_new.py", "import logger.core.air", "core: imports point down"),
        ("logger/registry.py", "import drivers", "logger names no driver, simulator or radio"),
        ("logger/collect.py", "import bleak", "logger names no driver, simulator or radio"),
        ("logger/brand_new.py", "import logger.core", "logger: imports point down"),
        ("drivers/__init__.py", "import logger.clock", "drivers see the driver interface alone"),
        (
            "simulators/__init__.py",
            "import logger.core.air",
            "simulators see the driver interface alone, and no radio",
        ),
        ("simulators/__init__.py", "import drivers", "drivers and simulators do not know each other"),
    ],
)
def test_a_planted_fault_is_caught(copy: Path, module: str, line: str, contract: str) -> None:
    path = copy / module
    text = path.read_text(encoding="utf-8") if path.exists() else '"""New."""\n'
    future = "from __future__ import annotations\n"
    where = text.index(future) + len(future) if future in text else len(text)
    path.write_text(f"{text[:where]}{line}\n{text[where:]}", encoding="utf-8")
    done = lint(copy)
    assert done.returncode != 0
    assert f"{contract} BROKEN" in " ".join(done.stdout.split())


@pytest.mark.parametrize("package", ["drivers", "simulators"])
def test_the_lists_of_closed_modules_are_complete(package: str) -> None:
    """A new module of the logger is closed to drivers and simulators unless it is opened here."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]
    (contract,) = [c for c in contracts if c["type"] == "forbidden" and c["source_modules"] == [package]]
    shell = {f"logger.{p.stem}" for p in (ROOT / "logger").glob("*.py")}
    shell |= {f"logger.{p.parent.name}" for p in (ROOT / "logger").glob("*/__init__.py")}
    core = {f"logger.core.{p.stem}" for p in (ROOT / "logger/core").glob("*.py")}
    modules = {m for m in shell | core if not m.endswith("__init__")} - {"logger.core"}
    assert modules - ALLOWED <= set(contract["forbidden_modules"])
    assert not ALLOWED & set(contract["forbidden_modules"])
