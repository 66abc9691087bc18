"""One thermometer with two channels does the whole job over a Bluetooth stack, `check` to `report`.

The stack is a mock of the system's Bluetooth service on a private D-Bus, time is real. The answer is the
plant's own truth, not worked out by the logger. Bytes: GATT Specification Supplement, Temperature (sint16,
0.01 degC); Core Specification vol 3 part G 3.3.3.2, Characteristic User Description 0x2901.
"""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterable
from typing import Any

import pytest

from logger.core.readings import Quantity
from logger.store import StoreReader
from simulators.plant import simulate
from tests.e2e.test_play import JOB, QUICK, air, bluez_process, done, private_bus  # noqa: F401 - fixtures

pytestmark = pytest.mark.bluetooth
TEMPERATURE, DESCRIPTION = 0x2A6E, 0x2901
CHANNELS = ((TEMPERATURE, 1), (TEMPERATURE, 2))
PROBES = """
[probes.ret]
role = "return"
driver = "ess"
adapter = "hci0"
address = "{0}"
temperature = "return"
[probes.sup]
role = "supply"
driver = "ess"
adapter = "hci0"
address = "{0}"
temperature = "supply"
"""


def celsius(value: float) -> bytes:
    return round(value * 100).to_bytes(2, "little", signed=True)


@pytest.fixture
async def device(air: Any, program: Any) -> Any:  # noqa: F811 - the fixture
    remote = await air.remote()
    await remote.serve(
        air.Char(TEMPERATURE, celsius(21.0), ("read", "notify"), descriptors=((DESCRIPTION, b"return"),)),
        air.Char(TEMPERATURE, celsius(21.3), ("read", "notify"), descriptors=((DESCRIPTION, b"supply"),)),
    )
    await remote.advertise(name="two")
    job = JOB[: JOB.index("[probes.sup]")] + PROBES.format(remote.address)
    (program.folder / "job.toml").write_text(job, encoding="utf-8")
    return remote


@contextlib.asynccontextmanager
async def sending(remote: Any, values: Iterable[tuple[float, float]]) -> AsyncIterator[None]:
    """Both channels, once a second, from when both are listened to."""

    async def go() -> None:
        await remote.subscribed(*CHANNELS)
        for pair in values:
            for channel, value in zip(CHANNELS, pair, strict=True):
                remote.notify(channel, celsius(value))
            await asyncio.sleep(1.0)

    task = asyncio.create_task(go())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def test_check_and_match_take_the_channels_for_two_probes(program: Any, device: Any) -> None:
    checking = await program.begin("check", "job.toml", "--json")
    document, said = await done(checking)
    assert checking.returncode == 0, said
    told = [each["text"] for each in document["checks"] if each["code"] == "probe"]
    assert [text.split(";")[0] for text in told] == ["ret: 69.8 °F", "sup: 70.3 °F"]
    same = ((21.0 + 0.01 * (n % 2), 21.3 - 0.01 * (n % 2)) for n in range(100))
    matching = await program.begin("match", "job.toml", "--for", "30s", "--write", "--json")
    async with sending(device, same):
        document, said = await done(matching)
    assert matching.returncode == 0, (document, said)
    offsets = {each["probe"]: each["offset"] for each in document["probes"]}
    assert offsets["sup"] - offsets["ret"] == pytest.approx(0.29, abs=0.01)
    assert "matched" in (program.folder / "job.toml").read_text(encoding="utf-8")


async def test_the_whole_job_is_done_with_one_device(program: Any, device: Any) -> None:
    run = simulate(QUICK.plant, QUICK.timeline)
    signals = [run.signals(place)[Quantity.TEMPERATURE] for place in ("return", "supply")]
    step = round(1.0 / float(run.t_s[1] - run.t_s[0]))
    said_in_turn = zip(*(signal[::step].tolist() for signal in signals), strict=True)
    running = await program.begin("run", "job.toml", "--headless", "--json", "--for", "78 s")
    async with sending(device, said_in_turn):
        document, said = await done(running)
    assert running.returncode == 0, said
    firing = document["firing"]
    assert abs(firing["output_w"] - QUICK.truth.output_w) < firing["output_u95_w"]
    assert firing["output_w"] == pytest.approx(QUICK.truth.output_w, rel=0.01)
    with StoreReader(program.store) as reader:
        stored = {
            name: sum(
                block.channels[c] == (name, Quantity.TEMPERATURE)
                for block in reader.blocks(document["run"])
                for c in block.channel
            )
            for name in ("ret", "sup")
        }
    assert min(stored.values()) > 60
    assert max(stored.values()) < 85  # each reading once
    reporting = await program.begin("report", document["run"], "--output", "report.html")
    await asyncio.wait_for(reporting.communicate(), 60.0)
    page = (program.folder / "report.html").read_text(encoding="utf-8")
    assert all(f">{name}<" in page for name in ("ret", "sup"))
