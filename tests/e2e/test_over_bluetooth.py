"""The whole program over a real Bluetooth stack: two probes by GATT, from `check` to a stored run.

The remote probes are those of the driver tests: characteristics on a mock of the system's
Bluetooth service, on a private D-Bus. Packet bytes follow the GATT Specification Supplement
(temperature: sint16, 0.01 degC; humidity: uint16, 0.01 %).
"""

import asyncio
import importlib.util
import json
import signal
import sys
from pathlib import Path
from typing import Any

import pytest

from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.store import StoreReader
from tests.shell.stand_ins import job_head

pytestmark = pytest.mark.bluetooth

_SPEC = importlib.util.spec_from_file_location(
    "riselog_bluetooth_fixtures", Path(__file__).parents[1] / "drivers" / "conftest.py"
)
assert _SPEC is not None
assert _SPEC.loader is not None
_FIXTURES = importlib.util.module_from_spec(_SPEC)
sys.modules[_SPEC.name] = _FIXTURES
_SPEC.loader.exec_module(_FIXTURES)
private_bus, bluez_process, air = _FIXTURES.private_bus, _FIXTURES.bluez_process, _FIXTURES.air

TEMPERATURE, HUMIDITY = 0x2A6E, 0x2A6F
GUARD_S = 60.0  # a hang fails the test


def celsius(value: float) -> bytes:
    return round(value * 100).to_bytes(2, "little", signed=True)


PROBES = """
[probes.ret]
role = "return"
driver = "ess"
adapter = "hci0"
address = "{ret}"
[probes.sup]
role = "supply"
driver = "ess"
adapter = "hci0"
address = "{sup}"
"""


@pytest.fixture
async def probes(air: Any, program: Any) -> tuple[Any, Any]:
    made = []
    for value in (21.37, 48.89):
        remote = await air.remote()
        await remote.serve(
            air.Char(TEMPERATURE, celsius(value), ("read", "notify")),
            air.Char(HUMIDITY, (4567).to_bytes(2, "little"), ("read",)),
            air.Char(0x2A24, b"Invented \x00", ("read",), 0x180A),  # device information: model
        )
        await remote.advertise()
        made.append(remote)
    job = program.folder / "job.toml"
    job.write_text(
        job_head("over-the-air") + PROBES.format(ret=made[0].address, sup=made[1].address), encoding="utf-8"
    )
    return made[0], made[1]


async def test_check_finds_both_probes(program: Any, probes: Any) -> None:
    process = await program.begin("check", "job.toml", "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert process.returncode == 0, err
    reached = [c for c in json.loads(out)["checks"] if c["code"] == "probe"]
    assert [(c["ok"], c["text"].split(":")[0]) for c in reached] == [(True, "ret"), (True, "sup")]


async def test_a_scan_reads_both_and_one_becomes_a_probe(program: Any, probes: Any) -> None:
    _, sup = probes
    job = program.folder / "job.toml"
    whole = job.read_text(encoding="utf-8")
    job.write_text(whole[: whole.index("[probes.sup]")], encoding="utf-8")
    process = await program.begin(
        "scan", "--for", "8s", "--adapter", "hci0", "--json", "--write", "job.toml",
        "--probe", "sup", "--role", "supply", "--address", sup.address.lower(), "--yes",
    )  # fmt: skip
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert process.returncode == 0, err
    assert b"Traceback" not in err
    document = json.loads(out)
    assert document["schema"] == "riselog.scan/1"
    values = {v["quantity"]: v["value"] for d in document["devices"] for v in d["values"]
              if d["address"] == sup.address}  # fmt: skip
    assert values == {"temperature": 48.89, "humidity": 45.67}
    assert [(d["driver"], d["readable"]) for d in document["devices"]] == [("ess", True)] * 2
    assert 'adapter = "hci0"' in job.read_text(encoding="utf-8").partition("[probes.sup]")[2]
    process = await program.begin("check", "job.toml", "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert process.returncode == 0, err
    assert [c["ok"] for c in json.loads(out)["checks"] if c["code"] == "probe"] == [True, True]


async def test_a_scan_on_an_adapter_that_is_not_there(program: Any, probes: Any) -> None:
    del probes
    process = await program.begin("scan", "--for", "1s", "--json", "--adapter", "hci99")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert process.returncode == 4, err
    assert json.loads(out)["devices"] == []
    assert err.decode().count("hci99") == 1
    assert b"Traceback" not in err


async def test_a_run_stores_what_the_probes_say(program: Any, probes: Any) -> None:
    ret, sup = probes
    process = await program.begin("run", "job.toml", "--headless", "--json")
    assert process.stderr is not None
    wanted = {f"{code} {name}" for code in ("probe-live", "probe-device") for name in ("ret", "sup")}
    async with asyncio.timeout(GUARD_S):
        while wanted:
            line = (await process.stderr.readline()).decode()
            assert line, f"the run ended before {wanted} were told"
            wanted = {each for each in wanted if each not in line}
    await ret.subscribed(TEMPERATURE)
    await sup.subscribed(TEMPERATURE)
    ret.notify(TEMPERATURE, celsius(21.5))
    sup.notify(TEMPERATURE, celsius(49.0))
    sup.notify(TEMPERATURE, bytes.fromhex("0080"))  # "value is not known"
    await sup.drop()
    async with asyncio.timeout(GUARD_S):
        while "probe-lost sup" not in (line := (await process.stderr.readline()).decode()):
            assert line, "the run ended before the loss was told"
    process.send_signal(signal.SIGTERM)
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    document = json.loads(out)
    assert process.returncode == 3
    assert (document["simulated"], document["stored"], document["end_reason"]) == (False, True, "stopped")
    assert {e["code"] for e in document["events"]} >= {"probe-live", "probe-lost"}
    assert {e["text"] for e in document["events"] if e["code"] == "probe-device"} == {
        f"probe '{name}' by its own word: model Invented" for name in ("ret", "sup")
    }
    with StoreReader(program.store) as reader:
        seen = {
            (channel[0], channel[1], float(value), FLAG_CODES[flag])
            for block in reader.blocks(document["run"])
            for channel, value, flag in zip(
                (block.channels[n] for n in block.channel), block.value, block.flag, strict=True
            )
        }
    temperature = Quantity.TEMPERATURE
    assert ("ret", temperature, 21.37, Flag.OK) in seen
    assert ("ret", temperature, 21.5, Flag.OK) in seen
    assert ("ret", Quantity.HUMIDITY, 45.67, Flag.OK) in seen
    assert ("sup", temperature, 49.0, Flag.OK) in seen
    assert ("sup", temperature, -327.68, Flag.NOT_KNOWN) in seen
    assert document["readings"]["flagged"] == 1


MAPPED = """
[probes.ret]
role = "return"
driver = "gatt-map"
adapter = "hci0"
map = "maps/broadcast-hygrometer.toml"
address = "{ret}"
[probes.sup]
role = "supply"
driver = "gatt-map"
adapter = "hci0"
map = "maps/duct-thermometer.toml"
address = "{sup}"
"""
EXAMPLES = Path(__file__).parents[2] / "config" / "maps"


async def test_mapped_probes_are_run_and_their_maps_are_kept_for_a_replay(program: Any, air: Any) -> None:
    """The two example maps; the packets are made by hand from what the maps say."""
    ret, sup = await air.remote(), await air.remote()
    await ret.advertise(maker={0xFFFF: bytes.fromhex("9cdaa15be01ae1")})  # 21.5 °C, 45.5 %, 988 hPa, 97 %
    ours = "7a1e000{}-5c3b-4f0e-9a57-2d6c8b90e1f4"
    service, values, target = ours.format(1), ours.format(2), ours.format(4)
    command = air.Char(target, b"", ("write",), service)
    await sup.serve(air.Char(values, b"", ("notify",), service), command)
    await sup.advertise()
    maps = program.folder / "maps"
    maps.mkdir()
    for example in EXAMPLES.glob("*.toml"):
        (maps / example.name).write_bytes(example.read_bytes())
    job = job_head("mapped") + MAPPED.format(ret=ret.address, sup=sup.address)
    (program.folder / "job.toml").write_text(job, encoding="utf-8")
    process = await program.begin("run", "job.toml", "--headless", "--json")
    assert process.stderr is not None
    await sup.subscribed(values)
    sup.notify(values, bytes.fromhex("0104a0f0aa000000"))  # 118.4 °F, 8.5 %
    async with asyncio.timeout(GUARD_S):
        live: set[str] = set()
        while live != {"ret", "sup"}:
            line = (await process.stderr.readline()).decode()
            assert line, "the run ended before both probes were live"
            live |= {name for name in ("ret", "sup") if f"probe-live {name}" in line}
    process.send_signal(signal.SIGTERM)
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    document = json.loads(out)
    assert command.written == [bytes.fromhex("0100")]
    with StoreReader(program.store) as reader:
        header = reader.header(document["run"])
        seen = {
            (channel[0], channel[1], round(float(value), 9))
            for block in reader.blocks(document["run"])
            for channel, value in zip((block.channels[n] for n in block.channel), block.value, strict=True)
        }
    assert seen >= {
        ("ret", Quantity.TEMPERATURE, 21.5),
        ("ret", Quantity.HUMIDITY, 45.5),
        ("ret", Quantity.PRESSURE, 98_800.0),
        ("sup", Quantity.TEMPERATURE, 48.0),
        ("sup", Quantity.HUMIDITY, 8.5),
    }
    for example in EXAMPLES.glob("*.toml"):
        assert header.files[f"maps/{example.name}"] == example.read_text(encoding="utf-8")
        (maps / example.name).unlink()  # a replay needs them no more
    process = await program.begin("replay", document["run"], "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert process.returncode == 3, err  # as the run: no steady stretch in a moment
    assert json.loads(out)["readings"] == document["readings"]
