"""Plug-ins: lazily loaded, a broken one named and harmless to the others."""

import sys
from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest
from pydantic import BaseModel

import logger.plugins
from logger import registry
from logger.core.errors import ConfigError, UsageError
from logger.plugins import find_command, known_commands

GOOD = """
from pydantic import BaseModel
class Options(BaseModel): ...
class Good:
    name = "good"
    simulated = False
    Options = Options
    async def run(self): ...
    async def reach(self, seconds): ...
class Half:
    name = "half"
    Options = dict
class Loose(Good):
    Options = dict
class Bare(Good):
    Options = BaseModel
class Undecided:
    def __bool__(self): raise RuntimeError("no bool")
class Moody(Good):
    simulated = Undecided()
class Meta(type):
    def __getattr__(cls, name): raise RuntimeError(f"asked for {name}")
class Secret(metaclass=Meta): ...
"""


@pytest.fixture
def plugins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A real distribution on the import path: one good driver, and broken ones."""
    info = tmp_path / "odd_plugin-1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: odd-plugin\nVersion: 1\n")
    (info / "entry_points.txt").write_text(
        "[riselog.drivers]\ngood = odd_good:Good\nbroken = odd_broken:Driver\n"
        "gone = odd_nowhere:Driver\nshapeless = odd_good:__name__\n"
        "quits = odd_quits:Driver\nhalf = odd_good:Half\nloose = odd_good:Loose\nbare = odd_good:Bare\n"
        "moody = odd_good:Moody\nsecret = odd_good:Secret\n"
        "[riselog.commands]\nextra = odd_good:Good\nbad = odd_broken:app\n"
        "[riselog.scenarios]\nodd = odd_broken:SCENARIOS\n"
    )
    (tmp_path / "odd_good.py").write_text(GOOD)
    (tmp_path / "odd_quits.py").write_text("raise SystemExit('no radio here')\n")
    (tmp_path / "odd_broken.py").write_text("raise RuntimeError('no such radio library')\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield tmp_path
    for name in ("odd_good", "odd_broken", "odd_quits"):
        sys.modules.pop(name, None)


def test_names_are_known_without_importing(plugins: Path) -> None:
    assert {"good", "broken", "gone", "shapeless", "ess", "bthome", "sim"} <= set(registry.known_drivers())
    assert "odd_good" not in sys.modules


def test_a_good_driver_loads_beside_broken_ones(plugins: Path) -> None:
    assert registry.load_driver("good").__name__ == "Good"
    assert issubclass(registry.DriverOptions()["good"], BaseModel)


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("broken", ("'broken'", "odd-plugin", "no such radio library", "repair or remove")),
        ("gone", ("'gone'", "odd_nowhere")),
        ("shapeless", ("'shapeless'", "it is no class")),
        ("half", ("'half'", "no driver class: simulated, run, reach missing")),
        ("bare", ("'bare'", "Options is no pydantic model")),
        ("loose", ("'loose'", "Options is no pydantic model")),
        ("moody", ("'moody'", "RuntimeError: no bool")),
        ("secret", ("'secret'", "RuntimeError: asked for")),
        ("quits", ("'quits'", "SystemExit: no radio here")),
        ("godo", ("'godo' is not installed", "did you mean 'good'")),
    ],
)
def test_what_cannot_be_used_is_one_sentence(plugins: Path, name: str, parts: tuple[str, ...]) -> None:
    with pytest.raises(ConfigError) as caught:
        registry.load_driver(name)
    assert caught.value.exit_code == 2
    assert "\n" not in str(caught.value)
    for part in parts:
        assert part in str(caught.value)


def test_all_drivers_are_listed_the_broken_ones_with_their_reason(plugins: Path) -> None:
    listed = {driver.name: driver for driver in registry.listed_drivers()}
    assert {name for name, driver in listed.items() if driver.trouble} == {
        "bare",
        "broken",
        "gone",
        "half",
        "loose",
        "moody",
        "quits",
        "secret",
        "shapeless",
    }
    assert {name: listed[name].simulated for name in ("ess", "mqtt-in", "sim", "good", "broken")} == {
        "ess": False,
        "mqtt-in": False,
        "sim": True,
        "good": False,
        "broken": None,
    }
    assert (listed["good"].package, listed["good"].version) == ("odd-plugin", "1")
    assert listed["broken"].trouble == "RuntimeError: no such radio library"
    assert list(listed) == sorted(listed)


def test_of_two_drivers_of_one_name_both_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    points = [EntryPoint("twin", f"{m}:SimDriver", registry.DRIVERS) for m in ("zz_mod", "simulators.driver")]
    monkeypatch.setattr(logger.plugins, "entry_points", lambda group: points)
    first, second = registry.listed_drivers()
    assert (first.trouble, second.trouble) == ("", "the driver of that name of an unknown package is used")


@pytest.mark.usefixtures("plugins")
def test_a_broken_driver_does_not_keep_a_config_from_being_read() -> None:
    """A report or a replay opens no driver, and a run has other probes too."""
    options = registry.DriverOptions()["broken"].model_validate({"any": 1})
    assert options.model_dump() == {"any": 1}


def test_options_of_an_unknown_driver_are_a_plain_key_error(plugins: Path) -> None:
    options = registry.DriverOptions()
    assert "godo" not in options
    with pytest.raises(KeyError):
        options["godo"]
    assert set(options) == set(registry.known_drivers())
    assert len(options) == len(registry.known_drivers())


@pytest.mark.usefixtures("plugins")
def test_commands_of_plug_ins() -> None:
    assert {"bad", "extra"} <= set(known_commands())
    assert find_command("nothing") is None
    assert find_command("extra") is not None
    with pytest.raises(UsageError, match="no such radio library"):
        find_command("bad")


def test_a_broken_scenario_group_is_named_and_skipped(plugins: Path) -> None:
    _, troubles = registry.load_scenarios()
    assert any("'odd'" in text and "odd-plugin" in text for text in troubles)


def test_of_two_of_one_name_the_first_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    points = [EntryPoint("twin", f"{m}:X", registry.DRIVERS) for m in ("zz_mod", "aa_mod")]
    monkeypatch.setattr(logger.plugins, "entry_points", lambda group: points)
    with pytest.raises(ConfigError, match="aa_mod"):
        registry.load_driver("twin")


def test_our_own_driver_cannot_be_replaced_by_a_package_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    info = tmp_path / "a_like-1.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: a-like\nVersion: 1\n")
    (info / "entry_points.txt").write_text("[riselog.drivers]\ness = a_like:Driver\n")
    (tmp_path / "a_like.py").write_text("raise RuntimeError('planted')\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    assert registry.load_driver("ess").__module__ == "drivers.ess.driver"
    both = [d for d in registry.listed_drivers() if d.name == "ess"]
    assert [d.trouble for d in both] == ["", "the driver of that name of riselog is used"]
