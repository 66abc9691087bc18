"""Maps that can be meant and do not fit the probe: what `check` and a run say of them.

Values: 118 °F is 47.8 °C and 118 K is -155.15 °C, by the definitions of the scales.
"""

import asyncio
import json
import signal
from typing import Any

import pytest

from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.store import StoreReader
from tests.e2e.test_over_bluetooth import air, bluez_process, private_bus  # noqa: F401 - fixtures
from tests.shell.stand_ins import job_head

pytestmark = pytest.mark.bluetooth
GUARD_S = 60.0  # a hang fails the test
PROBE = """
[probes.{name}]
role = "{role}"
driver = "gatt-map"
map = "{name}.toml"
adapter = "hci0"
address = "{address}"
"""
MAP = """schema = "riselog.gatt-map/1"
title = "invented"
[[value]]
quantity = "temperature"
unit = "{unit}"
service = "fff0"
characteristic = "fff1"
format = "sint16"
length = {length}
"""


@pytest.fixture
async def remotes(program: Any, air: Any) -> list[Any]:  # noqa: F811
    job, made = job_head("maps"), []
    for name, role, unit, length in (("ret", "return", "K", 8), ("sup", "supply", "degF", 9)):
        remote = await air.remote()
        await remote.serve(air.Char("0000fff1-0000-1000-8000-00805f9b34fb", (118).to_bytes(8, "little"),
                                    ("read", "notify"), "0000fff0-0000-1000-8000-00805f9b34fb"))  # fmt: skip
        await remote.advertise()
        (program.folder / f"{name}.toml").write_text(MAP.format(unit=unit, length=length), encoding="utf-8")
        job += PROBE.format(name=name, role=role, address=remote.address)
        made.append(remote)
    (program.folder / "job.toml").write_text(job, encoding="utf-8")
    return made


async def test_check_names_the_cause_by_the_maps_file_and_line(program: Any, remotes: Any) -> None:
    process = await program.begin("check", "job.toml", "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    assert process.returncode == 4
    ret, sup = [each for each in json.loads(out)["checks"] if each["code"] == "probe"]
    assert (ret["ok"], sup["ok"]) == (False, False)
    assert (
        "its temperature of -155.1 °C (-247.3 °F) cannot be (-60 to 150 °C): the map reads 118 K"
        in ret["text"]
    )
    assert "47.8 °C (118.0 °F) as " in ret["text"]
    assert ret["next"] == "ret.toml:5: correct unit, scale, offset or format of the map"
    assert sup["text"].endswith(
        "but the map says length = 9 for the temperature, and the probe sends 8 bytes"
    )
    assert sup["next"].startswith("sup.toml:9: if the probe's packets have 8 bytes, write length = 8")


async def test_a_run_says_the_same_once_and_stores_the_value_with_its_flag(
    program: Any, remotes: Any
) -> None:
    process = await program.begin("run", "job.toml", "--headless", "--json")
    assert process.stderr is not None
    wanted = {"probe-note ret", "probe-refused sup"}
    async with asyncio.timeout(GUARD_S):
        while wanted:
            line = (await process.stderr.readline()).decode()
            assert line, f"the run ended before {wanted} were told"
            wanted = {each for each in wanted if each not in line}
    for _ in range(3):
        remotes[0].notify("0000fff1-0000-1000-8000-00805f9b34fb", (119).to_bytes(8, "little"))
    await asyncio.sleep(0)
    process.send_signal(signal.SIGTERM)
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    document = json.loads(out)
    told = [each["text"] for each in document["events"]]
    assert sum("cannot be (-60 to 150 °C): the map reads 118 K" in text for text in told) == 1
    assert (
        sum("the map says length = 9 for the temperature, and the probe sends 8 bytes" in t for t in told)
        == 1
    )
    with StoreReader(program.store) as reader:
        stored = {
            (block.channels[channel], FLAG_CODES[flag])
            for block in reader.blocks(document["run"])
            for channel, flag in zip(block.channel, block.flag, strict=True)
        }
    assert (("ret", Quantity.TEMPERATURE), Flag.OUT_OF_RANGE) in stored
    assert ("sup", Quantity.TEMPERATURE) not in {channel for channel, _ in stored}
