"""Word to the service manager, over real sockets: sd_notify(3) and sd_watchdog_enabled(3)."""

import asyncio
import socket
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.attendance import Attendance
from logger.notify import Notifier, heartbeat, state_line

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="service managers of Linux")


class Manager:
    """The other end, as a service manager binds it."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.settimeout(0)

    def heard(self) -> list[list[str]]:
        messages = []
        while True:
            try:
                messages.append(self.socket.recv(4096).decode().split("\n"))
            except BlockingIOError:
                return messages


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(str(tmp_path / "notify"))
    yield made
    made.socket.close()


def notifier(tmp_path: Path, **more: str) -> Notifier:
    return Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify"), **more}, pid=7)


def test_one_datagram_of_assignments(manager: Manager, tmp_path: Path) -> None:
    notifier(tmp_path).send("READY=1", "STATUS=well")
    assert manager.heard() == [["READY=1", "STATUS=well"]]


def test_a_leading_at_sign_is_a_null_byte(tmp_path: Path) -> None:
    """sd_notify(3): "@" stands for the abstract namespace."""
    manager = Manager(f"\0riselog-test-{tmp_path.name}")
    try:
        Notifier({"NOTIFY_SOCKET": f"@riselog-test-{tmp_path.name}"}).send("READY=1")
        assert manager.heard() == [["READY=1"]]
    finally:
        manager.socket.close()


@pytest.mark.parametrize("address", ["", "relative/path", "/nobody/listens/here", "vsock:2:1234"])
def test_nobody_who_listens_is_no_trouble(address: str) -> None:
    Notifier({"NOTIFY_SOCKET": address} if address else {}).send("READY=1")


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "7"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "8"}, None),  # meant for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_the_watchdogs_time(tmp_path: Path, given: dict[str, str], expected: float | None) -> None:
    assert notifier(tmp_path, **given).watchdog_s == expected


async def test_the_watchdog_is_fed_only_while_all_is_well(manager: Manager, tmp_path: Path) -> None:
    well = iter([True, False, True])
    waited: list[float] = []

    async def pause(seconds: float) -> None:
        waited.append(seconds)
        if len(waited) == 3:
            raise asyncio.CancelledError

    with pytest.raises(asyncio.CancelledError):
        await heartbeat(
            notifier(tmp_path, WATCHDOG_USEC="8000000"),
            alive=lambda: next(well),
            state=lambda: "off: rise 0.1 K\n",
            pause=pause,
        )
    status = "STATUS=off: rise 0.1 K"
    assert manager.heard() == [
        ["READY=1", status],
        [status, "WATCHDOG=1"],
        [status],
        [status, "WATCHDOG=1"],
    ]
    assert waited == [4.0] * 3  # half of the time: sd_watchdog_enabled(3)


def test_a_state_is_one_line() -> None:
    assert "\n" not in state_line("a\nWATCHDOG=1")


async def test_a_fault_beside_the_run_ends_neither_the_run_nor_the_heartbeat(
    manager: Manager, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    told: list[str] = []
    beating = False

    async def beat() -> None:
        nonlocal beating
        beating = True
        await asyncio.Event().wait()

    async def faulty() -> None:
        raise ZeroDivisionError("planted")

    async with Attendance(notifier(tmp_path), beat, [faulty], told.append) as attendance:
        for _ in range(3):
            await asyncio.sleep(0)
        assert beating
        await attendance.ending()
        assert manager.heard() == [["STOPPING=1"]]
    assert len(told) == 1
    assert "planted" in told[0]
