"""What the project's own papers say holds: commands, cautions, example config, versions."""

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from logger.config.load import loads_config
from logger.registry import DriverOptions
from logger.safety import CAUTIONS

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_example_config_can_be_used() -> None:
    (text,) = blocks("toml")
    config = loads_config(text, "README.md", DriverOptions())
    assert [p.driver for p in config.probes] == ["ess", "ess"]


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_cautions_are_those_of_the_program(caution: str) -> None:
    assert flat(caution) in flat(README)


def test_continuous_integration_runs_the_second_command() -> None:
    command = "bash tests/run"
    assert command in [block.strip() for block in blocks("sh")]
    script = (ROOT / ".ci/run").read_text(encoding="utf-8")
    assert [line for line in script.splitlines() if line.startswith("exec ")] == [f"exec {command}"]


def test_every_command_of_the_readme_is_there() -> None:
    from logger.cli import cli

    known = {c.name or c.callback.__name__ for c in cli.registered_commands if c.callback}
    known |= {group.name for group in cli.registered_groups}
    known |= set(PROJECT["project"]["entry-points"]["riselog.commands"])
    named = set(re.findall(r"^riselog (\w+)", "\n".join(blocks("sh")), re.MULTILINE))
    named |= set(re.findall(r"^\| `riselog (\w+)", README, re.MULTILINE))
    assert named == known


def requirements() -> list[Requirement]:
    groups = [PROJECT["project"]["dependencies"], *PROJECT["dependency-groups"].values()]
    return [Requirement(text) for group in groups for text in group]


@pytest.mark.parametrize("requirement", requirements(), ids=lambda r: r.name)
def test_every_dependency_has_one_exact_version_in_its_range(requirement: Requirement) -> None:
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = dict(line.split("==") for line in lines if not line.startswith("#"))
    by_name = {canonicalize_name(name): version for name, version in pins.items()}
    assert by_name[canonicalize_name(requirement.name)] in requirement.specifier


def test_constraints_name_no_place() -> None:
    """Neither an index nor a folder of one machine: only names and versions."""
    for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines():
        assert line.startswith("# ") or re.fullmatch(r"[A-Za-z0-9_.-]+==[A-Za-z0-9.]+", line), line
