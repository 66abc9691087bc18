"""Every file in config/ loads."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.config.load import loads_config
from logger.registry import DriverOptions

FOLDER = Path(__file__).parents[2] / "config"
TEMPLATES = sorted(path.name for path in FOLDER.glob("*.toml") if not path.name.startswith("local"))


def text_of(name: str) -> str:
    return (FOLDER / name).read_text(encoding="utf-8")


def test_both_kinds_of_job_have_one() -> None:
    assert {"gas-rooftop.toml", "simulated.toml"} <= set(TEMPLATES)


@pytest.mark.parametrize("name", TEMPLATES)
def test_every_template_loads_with_the_drivers_own_checks(name: str) -> None:
    loaded = loads_config(text_of(name), name, DriverOptions())
    assert loaded.simulated == (name == "simulated.toml")
    assert loaded.job.unit.plate_output_w is not None


@pytest.mark.parametrize("name", TEMPLATES)
def test_keys_commented_out_are_keys_too(name: str) -> None:
    """Comments of the form ``# key = value`` are put to use, one table at a time."""
    lines = text_of(name).splitlines()
    used = [line[2:] if _is_commented_key(line) else line for line in lines]
    text = "\n".join(used)
    text = text.replace('derate = { done = true, factor = "0.90" }', "", 1)
    text = text.replace("outdoor_air_u95", "# outdoor_air_u95").replace('casing_loss = "300 W"', "")
    assert loads_config(text, name, DriverOptions()).job.name


def _is_commented_key(line: str) -> bool:
    head, equals, _ = line.removeprefix("# ").partition(" = ")
    is_key = bool(equals) and head.replace("_", "").isalnum() and head.islower()
    return line.startswith("# ") and (is_key or line.startswith("# ["))
