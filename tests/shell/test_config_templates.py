"""Every file in config/ loads, and is shipped."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from logger.config.load import loads_config
from logger.config.templates import template_names, template_text
from logger.core.errors import UsageError
from logger.registry import DriverOptions

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", template_names())
def test_every_template_loads_with_the_drivers_own_checks(name: str) -> None:
    loaded = loads_config(template_text(name), f"{name}.toml", DriverOptions())
    assert loaded.simulated == (name == "simulated")
    assert loaded.job.unit.plate_output_w is not None


def test_templates_are_the_files_of_the_checkout_and_all_are_shipped() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    shipped = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert shipped == {f"config/{name}.toml": f"logger/_config/{name}.toml" for name in template_names()}
    assert {"gas-rooftop", "simulated"} <= set(template_names())


@pytest.mark.parametrize("name", template_names())
def test_keys_commented_out_are_keys_too(name: str) -> None:
    """Comments of the form ``# key = value`` are put to use, one table at a time."""
    lines = template_text(name).splitlines()
    used = [line[2:] if _is_commented_key(line) else line for line in lines]
    text = "\n".join(used)
    text = text.replace('derate = { done = true, factor = "0.90" }', "", 1)
    text = text.replace("outdoor_air_u95", "# outdoor_air_u95").replace('casing_loss = "300 W"', "")
    assert loads_config(text, f"{name}.toml", DriverOptions()).job.name


def _is_commented_key(line: str) -> bool:
    head, equals, _ = line.removeprefix("# ").partition(" = ")
    is_key = bool(equals) and head.replace("_", "").isalnum() and head.islower()
    return line.startswith("# ") and (is_key or line.startswith("# ["))


def test_an_unknown_template_is_refused() -> None:
    with pytest.raises(UsageError, match=r"no template is called 'gas'; there are: gas-rooftop, simulated"):
        template_text("gas")
