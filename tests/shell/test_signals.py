"""Signals of a run: the first ends it in order, a second one at once; one that is sent twice is one."""

import asyncio
import os
import signal

import pytest

from logger import signals
from logger.signals import ONE_SIGNAL_S, SECOND_SIGNAL_S


@pytest.mark.skipif(os.name != "posix", reason="no signals to send to oneself")
@pytest.mark.parametrize(
    ("apart_s", "at_once"),
    [(0.0, 0), (0.9 * ONE_SIGNAL_S, 0), (1.1 * ONE_SIGNAL_S, 1), (0.9 * SECOND_SIGNAL_S, 1), (5.1, 0)],
)
async def test_two_signals(apart_s: float, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[str] = []
    loop = asyncio.get_running_loop()
    now_s = 100.0
    monkeypatch.setattr(loop, "time", lambda: now_s)
    arrived = asyncio.Event()

    def stop() -> None:
        told.append("stop")
        arrived.set()

    with signals.signals(stop, lambda: told.append("at once"), terminal=False) as ask:
        os.kill(os.getpid(), signal.SIGINT)
        await arrived.wait()
        now_s += apart_s
        arrived.clear()
        os.kill(os.getpid(), signal.SIGINT)
        for _ in range(10):
            await asyncio.sleep(0)
        assert told.count("at once") == at_once
        ask()  # another way to ask for the same, as a key of the screen
        assert told.count("at once") == at_once + 1
