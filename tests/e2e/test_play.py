"""`play` on one adapter and `run` on another: the main job over a Bluetooth stack, without a unit.

The stack is a mock of the system's Bluetooth service on a private D-Bus, time is real. The answer is the
scenario's own truth, worked out from its plant and not by the logger.
"""

import asyncio
import importlib.util
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.core.readings import FLAG_CODES, QUANTITIES, Flag, Quantity
from logger.store import StoreReader
from logger.tables import read_readings
from simulators.plant import simulate
from simulators.probes import Probe, Response, speak
from simulators.scenarios import SCENARIOS, UNIT
from simulators.unit import Timeline

pytestmark = pytest.mark.bluetooth

_SPEC = importlib.util.spec_from_file_location(
    "riselog_play_fixtures", Path(__file__).parents[1] / "drivers" / "conftest.py"
)
assert _SPEC is not None
assert _SPEC.loader is not None
_FIXTURES = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = _FIXTURES
_SPEC.loader.exec_module(_FIXTURES)
private_bus, bluez_process, air = _FIXTURES.private_bus, _FIXTURES.bluez_process, _FIXTURES.air

GUARD_S = 110.0  # a hang fails the test
TIMELINE = Timeline(duration_s=80.0, fan=((4.0, 78.0),), burner=((14.0, 74.0, 0),))
QUICK = replace(  # a unit that is warm in seconds, in a room too large to warm up
    SCENARIOS["standard"],
    name="quick",
    plant=replace(UNIT, time_constant_s=3.0, return_profile=((0.0, 21.0), (80.0, 21.0))),
    timeline=TIMELINE,
)
NOISE_K = 0.02

SCENE = """
readings = "quick.csv"
[probes.sup]
as = "ess"
source = "supply"
adapter = "hci1"
battery = 87
[probes.ret]
as = "bthome"
source = "return"
adapter = "hci2"
[probes.duct]
as = "bthome"
source = "velocity"
adapter = "hci3"
"""

JOB = """
[job]
name = "played"
altitude = "700 ft"
[unit]
input = "135000 Btu/h"
output = "109000 Btu/h"
tolerance = "10 %"
fan = "blow-through"
fan_heat = "460 W"
fan_drive = "constant-speed"
outdoor_air = "closed"
[airflow]
source = "fixed"
volume = "2120 cfm"
at = "return"
temperature = "70 °F"
humidity = "40 %"
u95 = "4 %"
[steady]
window = "10 s"
window_max = "20 s"
hold = "3 s"
time_constant = "3 s"
[probes.sup]
role = "supply"
driver = "ess"
adapter = "hci0"
name = "sim-sup"
[probes.ret]
role = "return"
driver = "bthome"
adapter = "hci0"
name = "sim-ret"
[probes.duct]
role = "velocity"
driver = "bthome"
adapter = "hci0"
name = "sim-duct"
"""


async def start(program: Any, *arguments: str) -> asyncio.subprocess.Process:
    return await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "logger",
        *arguments,
        env=program.environment,
        cwd=program.folder,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )


async def done(process: asyncio.subprocess.Process) -> tuple[Any, str]:
    """The document on stdout, and what was said."""
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err, err.decode()
    return json.loads(out) if out else None, err.decode()


def recording() -> str:
    """What quiet probes of the quick unit say, as a CSV of readings."""
    run = simulate(QUICK.plant, QUICK.timeline)
    air = Probe(responses=((Quantity.TEMPERATURE, Response(noise=NOISE_K)), (Quantity.HUMIDITY, Response())))
    probes = {"return": air, "supply": air, "velocity": Probe(responses=((Quantity.VELOCITY, Response()),))}
    rows = ["time,probe,quantity,value,unit,flag"]
    for signal, probe in probes.items():
        spoken = speak(probe, signal, 1, run.t_s, run.signals(signal))
        rows += [
            f"{t_ns / 1e9},{signal},{quantity},{value},{QUANTITIES[quantity].unit},"
            for t_ns, quantity, value in zip(spoken.t_ns, spoken.quantity, spoken.value, strict=True)
        ]
    return "\n".join([rows[0], *sorted(rows[1:], key=lambda row: float(row.partition(",")[0]))]) + "\n"


async def test_the_whole_job_is_done_over_the_air(air: Any, program: Any) -> None:
    (program.folder / "scene.toml").write_text(SCENE, encoding="utf-8")
    (program.folder / "job.toml").write_text(JOB, encoding="utf-8")
    (program.folder / "quick.csv").write_text(recording(), encoding="utf-8")
    truth = QUICK.truth
    playing = await start(program, "play", "scene.toml", "--json", "--output", "sent.csv")
    running = await start(program, "run", "job.toml", "--headless", "--json", "--for", "78 s")
    document, said = await done(running)
    played, told = await done(playing)
    assert (running.returncode, playing.returncode) == (0, 0), (said, told)
    firing = document["firing"]
    assert abs(firing["output_w"] - truth.output_w) < firing["output_u95_w"]
    assert firing["output_u95_w"] < 0.1 * truth.output_w  # the drift of half a minute is not known better
    assert firing["output_w"] == pytest.approx(truth.output_w, rel=0.01)  # the probes are nearly perfect
    assert document["verdict"] == "meets"  # 99.9 % of the plate's

    assert "simulation" in told
    assert played["probes"]["sup"]["name"] == "sim-sup"
    assert played["probes"]["sup"]["values"]["battery"] >= 1
    sent = read_readings(program.folder / "sent.csv")
    said_at_all = {
        (*block.channels[c], float(v))
        for block in sent.blocks
        for c, v in zip(block.channel, block.value, strict=True)
    }
    with StoreReader(program.store) as reader:
        heard = [
            (*block.channels[c], float(v))
            for block in reader.blocks(document["run"])
            for c, v, flag in zip(block.channel, block.value, block.flag, strict=True)
            if FLAG_CODES[flag] is Flag.OK and block.channels[c][1] is not Quantity.SIGNAL
        ]
    assert set(heard) <= said_at_all  # nothing is heard that was not sent, to the last bit
    assert len(heard) > 250
