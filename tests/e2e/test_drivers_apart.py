"""Drivers of other packages in the program: one works, one cannot be imported, one breaks."""

import json
import shutil
import signal
import socket
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.shell.stand_ins import job_head

EXAMPLE = Path(__file__).parents[1] / "plugin_example"
BROKEN = "raise ImportError('no such radio library')"
BREAKS = """
from pydantic import BaseModel
class Options(BaseModel): ...
class Driver:
    name, simulated, Options = "breaks", False, Options
    def __init__(self, probes, context): ...
    async def run(self): raise KeyError("planted")
    async def reach(self, seconds): raise KeyError("planted")
"""
PROBE = """
[probes.{name}]
role = "{role}"
driver = "{driver}"
{more}
"""


@pytest.fixture
def line_probe(tmp_path: Path, install_driver: Callable[[str, str], None]) -> None:
    """The example, installed by what its own pyproject says, beside two that are no good."""
    install_driver("cannot", BROKEN)
    install_driver("breaks", BREAKS)
    project = tomllib.loads((EXAMPLE / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    info = tmp_path / "plug" / "line_probe-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
    )
    points = project["entry-points"]["riselog.drivers"]
    lines = [f"{name} = {where}" for name, where in points.items()]
    (info / "entry_points.txt").write_text("\n".join(["[riselog.drivers]", *lines]) + "\n")
    shutil.copytree(EXAMPLE / "line_probe", tmp_path / "plug" / "line_probe")


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def job(folder: Path, *probes: tuple[str, str, str, str]) -> Path:
    tables = [PROBE.format(name=n, role=r, driver=d, more=more) for n, r, d, more in probes]
    path = folder / "job.toml"
    path.write_text(job_head("apart") + "".join(tables), encoding="utf-8")
    return path


@pytest.mark.usefixtures("line_probe")
def test_broken_drivers_are_named_and_the_example_delivers(program: Any) -> None:
    ports = free_port(), free_port()
    config = job(
        program.folder,
        ("ret", "return", "line-probe", f"port = {ports[0]}"),
        ("sup", "supply", "line-probe", f"port = {ports[1]}"),
        ("outside", "outdoor", "cannot", 'any = "key"'),
        ("air", "pressure", "breaks", ""),
    )
    process = program.start("run", config, "--headless", "--json")
    program.wait_for(process, "KeyError: 'planted'); it is started again by itself, the others go on")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for probe, port in zip(("ret", "sup"), ports, strict=True):
            sender.sendto(b"T=21.50\n", ("127.0.0.1", port))
            program.wait_for(process, f"probe-live {probe}")
        sender.sendto(b"nonsense", ("127.0.0.1", ports[1]))
        program.wait_for(process, "probe-refused sup")
    process.send_signal(signal.SIGTERM)
    done = program.end(process)
    assert done.code == 3  # no firing, so no steady stretch
    assert done.document["readings"]["stored"] == 2
    told = {(event["code"], event["probe"]): event["text"] for event in done.document["events"]}
    assert "no such radio library" in told["probe-refused", "outside"]
    assert "outside gives nothing" in told["driver-failed", None]
    assert "'breaks' (air) broke" in told["driver-fault", None]


@pytest.mark.usefixtures("line_probe")
def test_check_has_a_line_for_each_probe_of_a_driver_that_cannot_be_imported(program: Any) -> None:
    config = job(
        program.folder,
        ("ret", "return", "line-probe", f"port = {free_port()}"),
        ("sup", "supply", "line-probe", f"port = {free_port()}"),
        ("outside", "outdoor", "cannot", ""),
    )
    done = program("check", config, "--json")
    assert done.code == 4
    lines = {c["text"].split(":")[0]: c for c in done.document["checks"] if c["code"] == "probe"}
    assert set(lines) == {"ret", "sup", "outside"}
    assert "no such radio library" in lines["outside"]["text"]
    assert lines["outside"]["next"] == "repair or remove that package"


@pytest.mark.usefixtures("line_probe")
def test_a_job_without_its_supply_air_is_refused(program: Any) -> None:
    config = job(
        program.folder,
        ("ret", "return", "line-probe", f"port = {free_port()}"),
        ("sup", "supply", "cannot", ""),
    )
    done = program("run", config, "--headless", "--json")
    assert (done.code, done.out) == (4, "")
    assert "no such radio library" in done.err
    assert "without sup there is no change of the air to measure" in done.err
    assert json.dumps(done.err).count("riselog: driver 'cannot'") == 1
    checked = program("check", config, "--json")
    assert checked.code == 4
    (bad,) = [c for c in checked.document["checks"] if not c["ok"]]
    assert bad["text"].endswith(
        "(ImportError: no such radio library); without sup there is no change of the air to measure"
    )
    assert bad["next"] == "repair or remove that package; then check again"


@pytest.mark.usefixtures("line_probe")
def test_a_check_without_a_look_names_a_driver_that_cannot_be_imported(program: Any) -> None:
    config = job(
        program.folder,
        ("ret", "return", "line-probe", f"port = {free_port()}"),
        ("sup", "supply", "line-probe", f"port = {free_port()}"),
        ("outside", "outdoor", "cannot", ""),
    )
    done = program("check", config, "--offline", "--json")
    assert done.code == 4
    (bad,) = [c for c in done.document["checks"] if not c["ok"]]
    assert bad["text"].startswith("outside: driver 'cannot' of cannot cannot be loaded")
    assert bad["next"] == "repair or remove that package"


def test_what_a_plug_in_prints_does_not_come_between_the_answer(
    program: Any, install_driver: Callable[[str, str], None]
) -> None:
    install_driver("chatty", "print('good morning')\n" + BREAKS.replace("breaks", "chatty"))
    done = program("scan", "--drivers", "--json")
    assert "chatty" in {driver["name"] for driver in done.document["drivers"] if driver["ok"]}
    assert "good morning" in done.err


def test_a_plug_in_that_interrupts_at_its_import_is_a_broken_one(
    program: Any, install_driver: Callable[[str, str], None]
) -> None:
    install_driver("rude", "raise KeyboardInterrupt")
    done = program("scan", "--drivers", "--json")
    assert done.code == 0
    (rude,) = [driver for driver in done.document["drivers"] if not driver["ok"]]
    assert (rude["name"], rude["why"]) == ("rude", "PluginBrokeError: it has raised KeyboardInterrupt")


def test_ctrl_c_during_an_import_is_a_ctrl_c(
    program: Any, install_driver: Callable[[str, str], None]
) -> None:
    install_driver("slow", "import os, signal, time\nos.kill(os.getpid(), signal.SIGINT)\ntime.sleep(60)\n")
    done = program("scan", "--drivers", "--json")
    assert (done.code, done.out) == (130, "")
    assert "ended by Ctrl-C" in done.err
