"""The unit for systemd holds what the program and systemd's own checker ask of it."""

import configparser
import json
import shlex
import shutil
import subprocess
from pathlib import Path

import pytest

from logger import keeper, notify, outlet, session
from logger.cli import cli
from logger.config.quantities import Dimension, parse
from logger.core.errors import ConfigError

UNIT = Path(__file__).parents[2] / "config" / "riselog@.service"


def service(wanted: str = "[Service]") -> dict[str, list[str]]:
    """Keys of a section with all their values."""
    values: dict[str, list[str]] = {}
    section = ""
    for line in UNIT.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line
        elif section == wanted and line and not line.startswith("#"):
            key, _, value = line.partition("=")
            values.setdefault(key, []).append(value)
    return values


def seconds(key: str) -> float:
    (text,) = service()[key]
    return parse(text, Dimension.TIME)


def test_its_command_is_one_of_ours(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (command,) = service()["ExecStart"]
    program, *arguments = shlex.split(command.replace("%i", "hall").replace("/etc/riselog", str(tmp_path)))
    assert Path(program).name == "riselog"
    assert "--headless" in arguments
    assert cli(args=arguments, prog_name="riselog", standalone_mode=False) == ConfigError.exit_code
    said = json.loads(capsys.readouterr().err)  # past every option, to the file; in the form asked for
    assert said["level"] == "error"
    assert "hall.toml: cannot be read" in said["text"]


def test_the_watchdog_bites_after_what_counts_as_late() -> None:
    assert service()["Type"] == ["notify"]
    assert seconds("WatchdogSec") > keeper.FRESH_S + seconds("WatchdogSec") * notify._SHARE
    assert seconds("WatchdogSec") / 2 > notify.BEAT_S


def test_an_end_in_order_has_the_time_it_takes() -> None:
    assert seconds("TimeoutStopSec") > session.CLEAN_UP_S + keeper.SETTLE_S + outlet.LEAVE_S


def test_a_fault_of_the_config_is_not_tried_again() -> None:
    assert service()["RestartPreventExitStatus"] == [str(ConfigError.exit_code)]


def test_it_is_started_again_for_ever() -> None:
    """systemd.unit(5): StartLimitIntervalSec=0 turns the limit off; the default, 5 starts in 10 s, ends even
    Restart=always. systemd.service(5): RestartSec is 100 ms by default; RestartSteps counts every restart."""
    unit = service("[Unit]")
    assert service()["Restart"] == ["always"]
    assert (unit["StartLimitIntervalSec"], unit.keys() & {"StartLimitBurst", "StartLimitAction"}) == (
        ["0"],
        set(),
    )
    assert not service().keys() & {
        "StartLimitInterval",
        "StartLimitBurst",
        "RestartSteps",
        "RestartMaxDelaySec",
    }
    assert 5.0 <= seconds("RestartSec") <= 30.0


def test_it_is_one_file_that_any_reader_of_such_files_takes() -> None:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(UNIT, encoding="utf-8")
    assert set(parser) == {"DEFAULT", "Unit", "Service", "Install"}


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_finds_no_fault_in_it(tmp_path: Path) -> None:
    copy = tmp_path / UNIT.name
    true = shutil.which("true")
    copy.write_text(UNIT.read_text(encoding="utf-8").replace("/opt/riselog/bin/riselog", str(true)))
    done = subprocess.run(
        ["systemd-analyze", "verify", f"./{copy.name}"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    lines = [line for line in (done.stdout + done.stderr).splitlines() if copy.name in line]
    assert (done.returncode, lines) == (0, []), done.stderr
