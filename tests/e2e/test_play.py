"""`play` on one adapter and `run` on another: the main job over a Bluetooth stack, without a unit.

The stack is a mock of the system's Bluetooth service on a private D-Bus, time is real. The answer is the
scenario's own truth, worked out from its plant and not by the logger.
"""

import asyncio
import importlib.util
import json
import os
import signal
import sys
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from logger.core.readings import FLAG_CODES, QUANTITIES, Flag, Quantity, ReadingBlock
from logger.store import StoreReader
from logger.tables import read_readings
from simulators.peripheral.bluez import on_bluez
from simulators.peripheral.formats import Kind
from simulators.peripheral.scene_file import load_scene
from simulators.peripheral.script import BATTERY_EVERY_S, Part
from simulators.peripheral.troubles import AirError
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
_FIXTURES.ADDRESSES = [f"00:00:00:00:00:{n:02X}" for n in range(1, 13)]  # of this copy: ten probes and more
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
    for looks_at, probe in probes.items():
        spoken = speak(probe, looks_at, 1, run.t_s, run.signals(looks_at))
        rows += [
            f"{t_ns / 1e9},{looks_at},{quantity},{value},{QUANTITIES[quantity].unit},"
            for t_ns, quantity, value in zip(spoken.t_ns, spoken.quantity, spoken.value, strict=True)
        ]
    return "\n".join([rows[0], *sorted(rows[1:], key=lambda row: float(row.partition(",")[0]))]) + "\n"


async def test_the_whole_job_is_done_over_the_air(air: Any, program: Any) -> None:
    (program.folder / "scene.toml").write_text(SCENE, encoding="utf-8")
    (program.folder / "job.toml").write_text(JOB, encoding="utf-8")
    (program.folder / "quick.csv").write_text(recording(), encoding="utf-8")
    truth = QUICK.truth
    playing = await program.begin("play", "scene.toml", "--json", "--output", "sent.csv")
    running = await program.begin("run", "job.toml", "--headless", "--json", "--for", "78 s")
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


def probe_table(n: int) -> str:
    """One of ten: half of them by connections, with silences and drop-outs of their own; s of the scene."""
    ess = n <= 5
    keys = [f"[probes.p{n}]", f'as = "{"ess" if ess else "bthome"}"', f'adapter = "hci{n}"']
    keys += [f'source = "{"supply" if n % 2 else "return"}"', f"battery = {90 - n}"]
    keys += [f'silences = [["{120 + 15 * n} s", "{210 + 15 * n} s"]]']
    keys += ['dropouts = [["420 s", "75 s"]]'] if n in DROPPED else []
    return "\n".join(keys)


DROPPED = (2, 4)
FAST = 15  # times: ten minutes of the scene in 40 s
EARLY_US = 200_000  # us: sending is written down when it is done
ESS_LATE_US = 800_000  # us from the end of a value's time on the air
BTHOME_LATE_US = 1_800_000  # us: the mock's scan makes a pass a second
PASS_US = 1_800_000  # us from a packet to the next: a pass of the scan is between, on a busy computer too
TOGETHER_US = 50_000  # us: values of one packet are written down so close together
PLAYED_US = 40_100_000  # us: the last packet is late too
COME_US = 4_000_000  # us for a pass and a connection
TEN = f'scenario = "standard"\nspeed = {FAST}\nevery = "2.4 s"\n' + "\n".join(
    probe_table(n) for n in range(1, 11)
)
TEN_JOB = JOB[: JOB.index("[probes.sup]")] + "\n".join(
    f'[probes.p{n}]\nrole = "{"supply" if n % 2 else "return"}"\n'
    f'driver = "{"ess" if n <= 5 else "bthome"}"\nadapter = "hci0"\nname = "sim-p{n}"'
    for n in range(1, 11)
)


async def test_ten_probes_with_faults_are_heard_as_they_were_played(air: Any, program: Any) -> None:
    (program.folder / "scene.toml").write_text(TEN, encoding="utf-8")
    (program.folder / "job.toml").write_text(TEN_JOB, encoding="utf-8")
    running = await program.begin("run", "job.toml", "--headless", "--json", "--for", "44 s")
    playing = await program.begin("play", "scene.toml", "--json", "--for", "40 s", "--output", "sent.csv")
    played, told = await done(playing)
    document, said = await done(running)
    assert playing.returncode == 0, told
    assert played["end_reason"] == "time"
    sent = by_probe(read_readings(program.folder / "sent.csv").blocks)
    began_us = start_of(sent)
    with StoreReader(program.store) as reader:
        heard = by_probe(reader.blocks(document["run"]))
    assert sorted(heard) == sorted(sent) == sorted(f"p{n}" for n in range(1, 11)), said
    for n in range(1, 11):
        probe, late_us = f"p{n}", ESS_LATE_US if n <= 5 else BTHOME_LATE_US
        spans = [(120 + 15 * n, 210 + 15 * n), *([(420, 495)] if n in DROPPED else [])]
        silences = [
            (began_us + start_s / FAST * 1e6, began_us + end_s / FAST * 1e6) for start_s, end_s in spans
        ]
        on_air = aired(sent[probe], late_us)
        for reading in heard[probe]:
            assert any(each.is_heard_in([reading]) for each in on_air), (probe, reading)
        for begins_us, ends_us in silences:
            inside = [t for t, _, _ in heard[probe] if begins_us + late_us < t < ends_us - EARLY_US]
            assert not inside, (probe, begins_us, inside)
        asked = {Quantity.BATTERY} if n <= 5 else set()  # once a minute, whatever is sent
        unheard = [
            each.from_us
            for each in on_air
            if each.quantity not in asked and not each.is_heard_in(heard[probe])
        ]
        excused = [(0.0, began_us + COME_US)]  # found, and connected to, after the first of them
        if n <= 5:  # a connection loses nothing
            excused += [(ends_us, ends_us + COME_US) for _, ends_us in silences if n in DROPPED]
        else:  # a pass of the scan may miss what is soon followed by another packet, or by silence
            ends = [*(t for t, _, _ in sent[probe]), *(begins_us for begins_us, _ in silences)]
            excused += [(end_us - PASS_US, end_us - TOGETHER_US) for end_us in (*ends, began_us + PLAYED_US)]
        missing = [t for t in unheard if not any(start <= t <= end for start, end in excused)]
        assert not missing, (probe, [(t - began_us) / 1e6 for t in missing])
    for words in ("was destroyed but it is pending", "was never retrieved"):  # of a task left behind
        assert words not in said
    lost = [e["probe"] for e in document["events"] if e["code"] == "probe-lost"]
    assert set(lost) >= {f"p{n}" for n in DROPPED}
    assert await left_over() == []


def start_of(sent: dict[str, list[tuple[int, Quantity, float]]]) -> int:
    """When the scene began, in us: levels of batteries are due each minute of it, and the first are late."""
    every_us = round(BATTERY_EVERY_S / FAST * 1e6)
    told = [t for said in sent.values() for t, quantity, _ in said if quantity is Quantity.BATTERY]
    return min(t - round((t - min(told)) / every_us) * every_us for t in told)


class Aired(NamedTuple):
    """A value, and from when until when it may be heard: until the next of its quantity, and a delay."""

    from_us: float
    to_us: float
    quantity: Quantity
    value: float

    def is_heard_in(self, readings: Iterable[tuple[int, Quantity, float]]) -> bool:
        wanted = (self.quantity, self.value)
        return any((q, v) == wanted and self.from_us - EARLY_US < t < self.to_us for t, q, v in readings)


def aired(sent: list[tuple[int, Quantity, float]], late_us: float) -> list[Aired]:
    found, next_us = [], dict[Quantity, int]()
    for t_us, quantity, value in reversed(sent):
        found.append(Aired(t_us, next_us.get(quantity, t_us) + late_us, quantity, value))
        next_us[quantity] = t_us
    return found


def by_probe(blocks: Iterable[ReadingBlock]) -> dict[str, list[tuple[int, Quantity, float]]]:
    """Usable readings with their wall time in us; signal strength is the radio's own."""
    found: dict[str, list[tuple[int, Quantity, float]]] = {}
    for block in blocks:
        for c, t, v, flag in zip(block.channel, block.utc_us, block.value, block.flag, strict=True):
            probe, quantity = block.channels[c]
            if FLAG_CODES[flag] is Flag.OK and quantity is not Quantity.SIGNAL:
                found.setdefault(probe, []).append((int(t), quantity, float(v)))
    return found


async def left_over() -> list[str]:
    """What is still connected, advertised or served on the bus of the test."""
    async with _FIXTURES.open_bus(os.environ["DBUS_SYSTEM_BUS_ADDRESS"]) as bus:
        reply = await _FIXTURES.call(bus, "/", "org.freedesktop.DBus.ObjectManager", "GetManagedObjects")
    left = []
    for path, interfaces in reply.body[0].items():
        if (device := interfaces.get("org.bluez.Device1")) and device["Connected"].value:
            left.append(f"{path} connected")
        if (adapter := interfaces.get("org.bluez.Adapter1")) and adapter["UUIDs"].value:
            left.append(f"{path} serves")
        if (adverts := interfaces.get("org.bluez.LEAdvertisingManager1")) and adverts[
            "ActiveInstances"
        ].value:
            left.append(f"{path} advertises")
    return left


def part(probe: str, kind: Kind, adapter: str | None = None) -> tuple[Part, list[Quantity]]:
    made = Part(probe=probe, kind=kind, source="return", advertised=f"sim-{probe}", adapter=adapter)
    return made, [Quantity.TEMPERATURE]


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ([part("a", Kind.ESS, "hci77")], "there is no adapter 'hci77'; there is hci0, hci1, hci2,"),
        ([part("a", Kind.ESS), part("b", Kind.ESS, "hci0")], "hci0 is one device .* both a and b; give one"),
        (
            [part(f"p{n}", Kind.BTHOME) for n in range(16)],
            "hci0 has room for 15 .* and 16 probes",
        ),
    ],
)
async def test_what_an_adapter_cannot_do_is_refused(air: Any, parts: Any, reason: str) -> None:
    with pytest.raises(AirError, match=reason) as refused:
        async with on_bluez(parts):
            pass
    assert refused.value.exit_code == 4
    assert await left_over() == []


async def test_an_adapter_that_is_off_is_told(air: Any) -> None:
    await air.power(on=False)
    try:
        with pytest.raises(AirError, match="hci0 is switched off; bluetoothctl power on"):
            async with on_bluez([part("a", Kind.ESS)]):
                pass
    finally:
        await air.power(on=True)


async def test_an_adapter_that_another_play_uses_is_told(air: Any, program: Any) -> None:
    parts = [part("a", Kind.BTHOME, "hci1")]
    async with on_bluez(parts) as first:
        await first.say(parts[0][0], 1, {Quantity.TEMPERATURE: 2100})
        assert first.beside == {}
        second = await program.begin("play", "standard", "--adapter", "hci1", "--for", "1 s", "--json")
        _, told = await done(second)
        assert second.returncode == 0
        assert "adapter hci1 sends an advertisement of another program already" in told
        other = await program.begin("play", "standard", "--adapter", "hci2", "--for", "1 s", "--json")
        _, told = await done(other)
        assert "another program" not in told
    assert await left_over() == []


async def test_a_bluetooth_service_that_ends_ends_the_play(air: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("simulators.peripheral.bluez.LOOK_S", 0.05)
    before = asyncio.all_tasks()
    try:
        async with on_bluez([part("a", Kind.ESS), part("b", Kind.BTHOME)]) as played:
            air.bluez.stop()
            with pytest.raises(AirError, match="is not running; start it with systemctl start"):
                await asyncio.wait_for(played.watch(), GUARD_S)
        with pytest.raises(AirError, match="is not running"):
            async with on_bluez([part("a", Kind.ESS)]):
                pass
    finally:
        air.bluez.start()
        await air.bluez.ready()
    assert asyncio.all_tasks() == before


async def test_without_a_bus_it_says_what_it_needs(program: Any) -> None:
    refused = program("play", "standard", env={"DBUS_SYSTEM_BUS_ADDRESS": f"unix:path={program.folder}/no"})
    assert refused.code == 4
    assert refused.err.startswith("riselog: play failed: the system's D-Bus cannot be reached (No such file")
    assert refused.err.count("\n") == 1


async def test_a_signal_takes_everything_off_the_air(air: Any, program: Any) -> None:
    playing = await program.begin(
        "play", "standard", "--adapter", "hci1", "--adapter", "hci2", "--units", "si"
    )
    assert playing.stdout is not None
    lines = []
    async with asyncio.timeout(GUARD_S):
        while not any(line.startswith("00:00 ") for line in lines):
            lines.append((await playing.stdout.readline()).decode())
            assert lines[-1], lines
    assert "simulation: " in lines[1]
    assert lines[2].startswith("return: temperature, humidity, battery, on hci1; ") or "on hci1" in lines[2]
    playing.send_signal(signal.SIGINT)
    out, err = await asyncio.wait_for(playing.communicate(), GUARD_S)
    assert (playing.returncode, err) == (0, b"")
    assert b"ended (stopped)" in out
    assert await left_over() == []


def test_a_stored_run_is_played_as_it_was_stored(demo: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    made, ran = demo
    monkeypatch.setenv("RISELOG_DATA_DIR", str(made.data))
    scene = load_scene(ran.document["run"], ["hci1"])
    with StoreReader(made.store) as reader:
        blocks = list(reader.blocks(ran.document["run"]))
    stored = {
        (block.channels[c][0], block.channels[c][1], float(v), int(t))
        for block in blocks
        for c, v, t in zip(block.channel, block.value, block.t_ns, strict=True)
        if block.channels[c][1] is not Quantity.SIGNAL
    }
    played = {(p.probe, s.quantity, s.value, s.t_ns) for p in scene.parts for s in scene.said[p.probe]}
    assert played == stored
    assert scene.title == f"run {ran.document['run']}"
    assert load_scene("last", ["hci1"]).title.startswith("run ")
