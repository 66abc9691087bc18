"""What the service manager is told of a run: ready, alive, stopping (sd_notify(3), sd_watchdog_enabled(3)).

One datagram to ``$NOTIFY_SOCKET`` says it all; without that variable nothing is said.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress

BEAT_S = 10.0  # wall time between words on the state; assumed
_SHARE = 0.5  # of the watchdog's time: sd_watchdog_enabled(3) recommends half of it
_US_PER_S = 1e6
_TEXT_LIMIT = 200  # characters of a state; assumed: one line of `systemctl status`


class Notifier:
    """Speaks to the service manager that the environment names, or to nobody.

    A manager that does not listen is no reason for anything: errors are dropped.
    """

    def __init__(self, environment: Mapping[str, str] | None = None, pid: int | None = None) -> None:
        env = os.environ if environment is None else environment
        self._address = _address(env.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(env, os.getpid() if pid is None else pid)

    @property
    def wanted(self) -> bool:
        """Whether anybody listens."""
        return bool(self._address)

    def send(self, *lines: str) -> None:
        """One datagram of ``NAME=value`` lines; never waits."""
        family = getattr(socket, "AF_UNIX", None)
        if not self._address or family is None:
            return
        with suppress(OSError), socket.socket(family, socket.SOCK_DGRAM) as channel:
            channel.settimeout(0)
            channel.sendto("\n".join(lines).encode(), self._address)


def _address(name: str) -> str:
    """The socket's address: a path, or an abstract name, which a leading @ stands for."""
    if name.startswith("@"):
        return "\0" + name[1:]
    return name if name.startswith("/") else ""


def _watchdog_s(env: Mapping[str, str], pid: int) -> float | None:
    """Time after which silence counts as a hang; None where nobody watches this process."""
    try:
        watched = int(env.get("WATCHDOG_PID", pid)) == pid
        time_s = int(env.get("WATCHDOG_USEC", "0")) / _US_PER_S
    except ValueError:
        return None
    return time_s if watched and time_s > 0.0 else None


def state_line(text: str) -> str:
    """A state in words, as one line."""
    return "STATUS=" + " ".join(text.split())[:_TEXT_LIMIT]


async def heartbeat(
    notifier: Notifier,
    *,
    alive: Callable[[], bool],
    state: Callable[[], str],
    pause: Callable[[float], Awaitable[None]] = asyncio.sleep,
) -> None:
    """Tell the state again and again, and that all is well only while ``alive`` says so."""
    if not notifier.wanted:
        return
    beat_s = min(BEAT_S, BEAT_S if notifier.watchdog_s is None else _SHARE * notifier.watchdog_s)
    notifier.send("READY=1", state_line(state()))
    while True:
        well = ("WATCHDOG=1",) if notifier.watchdog_s is not None and alive() else ()
        notifier.send(state_line(state()), *well)
        await pause(beat_s)
