"""Trouble of the radio itself, as a user reads it: off, and without room for all probes.

The texts that BlueZ gives for both are made by the mock (``tests/drivers/bluez_mock.py``); exit codes and
sentences are the program's own.
"""

import asyncio
import contextlib
import json
import signal
from collections.abc import AsyncIterator
from typing import Any

import pytest

from tests.e2e.test_over_bluetooth import air, bluez_process, private_bus, probes  # noqa: F401 - fixtures

pytestmark = pytest.mark.bluetooth
GUARD_S = 60.0  # a hang fails the test
OFF = "the Bluetooth adapter is switched off"
SWITCH_ON = "switch Bluetooth on"


async def said(program: Any, *arguments: str) -> tuple[int, str, str]:
    process = await program.begin(*arguments, "--json")
    out, err = await asyncio.wait_for(process.communicate(), GUARD_S)
    assert b"Traceback" not in err
    return process.returncode, out.decode(), err.decode()


@contextlib.asynccontextmanager
async def running(program: Any) -> AsyncIterator[Any]:
    """A run, and a way to wait for a line of it that has all these words."""
    process = await program.begin("run", "job.toml", "--headless", "--json")
    seen: list[str] = []

    async def line(*words: str) -> str:
        async with asyncio.timeout(GUARD_S):
            while True:
                text = str((await process.stderr.readline()).decode())
                if all(word in text for word in words):
                    return text
                assert text, f"the run ended before {words}: {seen}"
                seen.append(text)

    try:
        yield line
    finally:
        with contextlib.suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
        _, err = await asyncio.wait_for(process.communicate(), GUARD_S)
        assert b"Traceback" not in err


def bad_probes(out: str) -> list[tuple[str, str]]:
    return [(c["text"], c["next"]) for c in json.loads(out)["checks"] if c["code"] == "probe" and not c["ok"]]


async def test_an_adapter_that_is_off_at_the_start_is_said_and_nothing_begins(
    program: Any,
    air: Any,  # noqa: F811
    probes: Any,  # noqa: F811
) -> None:
    await air.power(on=False)
    try:
        code, _, err = await said(program, "scan", "--for", "1s", "--adapter", "hci0")
        assert code == 4
        assert f"{OFF}; {SWITCH_ON}" in err
        code, out, _ = await said(program, "check", "job.toml")
        assert code == 4
        assert [text for text, _ in bad_probes(out)] == [f"{name}: {OFF}" for name in ("ret", "sup")]
        assert all(step.startswith(SWITCH_ON) for _, step in bad_probes(out))
        code, _, err = await said(program, "run", "job.toml", "--headless")
        assert code == 4
        assert err.splitlines()[-1].startswith(f"riselog: scanning for probes failed: {OFF}; {SWITCH_ON}")
    finally:
        await air.power(on=True)


async def test_an_adapter_that_is_switched_off_in_a_run_is_said_and_what_comes_back_is_read(
    program: Any,
    air: Any,  # noqa: F811
    probes: Any,  # noqa: F811
) -> None:
    async with running(program) as line:
        for _ in range(2):
            await line("probe-live")
        await air.power(on=False)
        try:
            for _ in range(2):
                assert SWITCH_ON in await line(OFF)
        finally:
            await air.power(on=True)
        for _ in range(2):
            await line("probe-live")


async def test_an_adapter_without_room_for_all_is_found_by_check_and_a_run_lets_one_wait(
    program: Any,
    air: Any,  # noqa: F811
    probes: Any,  # noqa: F811
) -> None:
    await air.room(1)
    try:
        code, out, _ = await said(program, "check", "job.toml")
        assert code == 4
        ((text, step),) = bad_probes(out)
        assert text.endswith(": the adapter has no room for another connection")
        assert step == "use fewer probes with this adapter, or add an adapter"
        async with running(program) as line:
            first = "ret" if "ret:" in await line("probe-live") else "sup"
            other = "sup" if first == "ret" else "ret"
            waiting = await line("probe-lost", "waiting for a free connection")
            assert f'probe "{other}"' in waiting
            assert "no room beside the 1 it holds for this program" in waiting
            remote = probes[first == "sup"]
            await remote.hide()
            await remote.drop()
            await line("probe-live", f'probe "{other}"')
    finally:
        await air.room(None)
