"""The whole program with a probe of the Health Thermometer service, from `scan` to a stored run.

Bytes: GATT Specification Supplement, Temperature Measurement (flags 0x01 °F, 0x02 time stamp, 0x04 type);
IEEE 11073-20601, FLOAT-Type: mantissa of 24 bits, exponent of 8, 0x007FFFFF NaN, 0x00800000 NRes, 0x007FFFFE
+INFINITY, 0x00800001 reserved (`recalled`).
"""

import asyncio
import contextlib
import json
import signal
from collections.abc import AsyncIterator
from typing import Any

import pytest

from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.store import StoreReader
from tests.e2e.test_over_bluetooth import air, bluez_process, private_bus  # noqa: F401 - fixtures
from tests.shell.stand_ins import job_head

pytestmark = pytest.mark.bluetooth
GUARD_S = 60.0  # a hang fails the test
MEASUREMENT, INTERMEDIATE, TYPE, INTERVAL, SERVICE = 0x2A1C, 0x2A1E, 0x2A1D, 0x2A21, 0x1809
PROBES = """
[probes.{name}]
role = "{role}"
driver = "ess"
adapter = "hci0"
address = "{address}"
"""


@contextlib.asynccontextmanager
async def sending(remote: Any, payload: bytes) -> AsyncIterator[None]:
    """It indicates a value every while."""

    async def go() -> None:
        while True:
            remote.notify(MEASUREMENT, payload)
            await asyncio.sleep(0.3)

    task = asyncio.create_task(go())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.fixture
async def probes(air: Any, program: Any) -> tuple[Any, Any]:  # noqa: F811 - the fixture
    made = []
    job = job_head("thermometers")
    for name, role in (("ret", "return"), ("sup", "supply")):
        remote = await air.remote()
        await remote.serve(
            air.Char(MEASUREMENT, b"", ("indicate",), SERVICE),
            air.Char(INTERMEDIATE, b"", ("notify",), SERVICE),
            air.Char(TYPE, b"\x02", ("read",), SERVICE),
            air.Char(INTERVAL, b"\x01\x00", ("read", "indicate"), SERVICE),
            air.Char(0x2A19, b"\x0c", ("read",), 0x180F),  # battery level, 12 %
        )
        await remote.advertise(name=name, services=(SERVICE,))
        made.append(remote)
        job += PROBES.format(name=name, role=role, address=remote.address)
    (program.folder / "job.toml").write_text(job, encoding="utf-8")
    return made[0], made[1]


async def said(program: Any, *arguments: str) -> tuple[int, Any]:
    process = await program.begin(*arguments, "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    return process.returncode, json.loads(out)


def lines(document: Any, code: str) -> list[tuple[bool, str]]:
    return [(each["ok"], each["text"]) for each in document["checks"] if each["code"] == code]


async def test_a_scan_knows_them_by_their_service_and_says_that_their_values_come_by_themselves(
    program: Any, probes: Any
) -> None:
    _, document = await said(program, "scan", "--for", "5s", "--adapter", "hci0")
    assert [(d["driver"], d["readable"]) for d in document["devices"]] == [("ess", True)] * 2
    for device in document["devices"]:
        assert [(v["quantity"], v["value"]) for v in device["values"]] == [("battery", 12.0)]
        assert device["note"] == "it sends its values by itself; `riselog check` waits for them"


async def test_check_waits_for_an_indication_and_names_a_code_in_place_of_a_value(
    program: Any, probes: Any
) -> None:
    ret, sup = probes
    # 214 x 10^-1 °C is 70.5 °F; 1200 x 10^-1 °F with a time stamp and a type, as its flags say
    with_all = bytes.fromhex("07b00400ffea070b1a0c000002")
    async with sending(ret, bytes.fromhex("00d60000ff")), sending(sup, with_all):
        code, document = await said(program, "check", "job.toml")
    assert code == 0
    told = [text for _, text in lines(document, "probe")]
    assert told[0].startswith("ret: 70.5 °F, battery 12 %; found (")
    assert told[1].startswith("sup: 120.0 °F, battery 12 %; found (")
    assert lines(document, "battery") == [
        (True, f"{name}: its battery is at 12 %") for name in ("ret", "sup")
    ]
    async with sending(ret, bytes.fromhex("00ffff7f00")), sending(sup, bytes.fromhex("00feff7f00")):
        code, document = await said(program, "check", "job.toml")
    assert code == 4
    (ret_ok, ret_said), (sup_ok, sup_said) = lines(document, "probe")
    assert (ret_ok, sup_ok) == (False, False)
    assert "in place of a temperature it sends the code NaN" in ret_said
    assert "in place of a temperature it sends the code +INFINITY" in sup_said


PACKETS = [  # of the return probe, and the value in °C with its flag; None: no reading comes of it
    ("00d60000ff", (21.4, Flag.OK)),
    ("01d40300ff", (36.667, Flag.OK)),  # 98.0 °F
    ("02d70000ffea070b1a0c0000", (21.5, Flag.OK)),  # with a time stamp
    ("04d80000ff02", (21.6, Flag.OK)),  # with a type
    ("07bb0200ffea070b1a0c000002", (21.056, Flag.OK)),  # 69.9 °F with both
    ("00ffff7f00", (0x7FFFFF, Flag.NOT_KNOWN)),
    ("0000008000", (-0x800000, Flag.NOT_KNOWN)),
    ("0001008000", (-0x7FFFFF, Flag.NOT_KNOWN)),
    ("00feff7f00", (0x7FFFFE, Flag.OUT_OF_RANGE)),
    ("00d60000", None),  # one byte short
    ("02d60000ff", None),  # says a time stamp and has none
    ("00d90000ff", (21.7, Flag.OK)),
]


async def test_a_run_stores_each_indication_and_says_once_what_is_no_value(program: Any, probes: Any) -> None:
    ret, sup = probes
    process = await program.begin("run", "job.toml", "--headless", "--json")
    await ret.subscribed(MEASUREMENT)
    await sup.subscribed(MEASUREMENT)
    err: list[str] = []
    for payload, _ in PACKETS:
        ret.notify(MEASUREMENT, bytes.fromhex(payload))
    async with asyncio.timeout(GUARD_S):
        while "such packets are left out" not in (line := (await process.stderr.readline()).decode()):
            assert line, err
            err.append(line)
    process.send_signal(signal.SIGTERM)
    out, rest = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in rest
    document = json.loads(out)
    with StoreReader(program.store) as reader:
        stored = [
            (float(value), FLAG_CODES[flag])
            for block in reader.blocks(document["run"])
            for channel, value, flag in zip(block.channel, block.value, block.flag, strict=True)
            if block.channels[channel] == ("ret", Quantity.TEMPERATURE)
        ]
    wanted = [each for _, each in PACKETS if each is not None]
    assert [flag for _, flag in stored] == [flag for _, flag in wanted]
    assert [value for value, _ in stored] == pytest.approx([value for value, _ in wanted], abs=5e-4)
    told = [e["text"] for e in document["events"] if e["code"] == "probe-note"]
    assert sum("the code NaN" in text for text in told) == 1
    assert sum("the code +INFINITY" in text for text in told) == 1
    assert document["readings"]["flagged"] == 4
