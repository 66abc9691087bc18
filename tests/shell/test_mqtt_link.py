"""A connection that is cancelled at any moment, and then once more, leaves nothing open."""

import asyncio
import ssl
import threading
from typing import Any

import pytest

from logger.mqtt_link import LinkClient
from logger.mqtt_reasons import trouble
from tests.shell.fake_broker import FakeBroker


class Slow(LinkClient):
    """Opens its socket when it may."""

    may = threading.Event()

    def _client_connect(self) -> None:
        assert self.may.wait(20.0)
        super()._client_connect()


def nothing_is_open(client: LinkClient) -> bool:
    return client._client.socket() is None and asyncio.all_tasks() == {asyncio.current_task()}


async def cancel_twice(task: "asyncio.Task[Any]", steps: int, more: int) -> None:
    for count in (steps, more):
        for _ in range(count):
            await asyncio.sleep(0)
        task.cancel()
    await asyncio.wait({task}, timeout=20.0)
    assert task.done()


async def test_cancelled_twice_while_the_socket_is_being_opened() -> None:
    Slow.may.clear()
    async with FakeBroker() as broker:
        client = Slow("127.0.0.1", broker.port, version="5")
        task = asyncio.create_task(client.enter())
        for _ in range(3):  # the second and third come while it waits for the thread
            for _ in range(5):
                await asyncio.sleep(0)
            task.cancel()
        asyncio.get_running_loop().call_soon(Slow.may.set)
        await asyncio.wait({task}, timeout=20.0)
        assert task.cancelled()
        await broker.close()
        assert nothing_is_open(client)
        await broker.open()


@pytest.mark.parametrize("with_will", [False, True])
@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_cancelled_at_each_step(version: str, with_will: bool) -> None:  # noqa: FBT001
    for steps in range(30):
        async with FakeBroker() as broker:
            client = LinkClient("127.0.0.1", broker.port, version=version)

            async def whole(client: LinkClient = client) -> None:
                await client.enter()
                await client.leave(with_will=with_will)

            await cancel_twice(asyncio.create_task(whole()), steps, 1 + steps % 4)
            await broker.close()
            assert nothing_is_open(client), steps
            await broker.open()


@pytest.mark.parametrize("with_will", [False, True])
@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_cancelled_while_leaving(version: str, with_will: bool) -> None:  # noqa: FBT001
    for steps in range(1, 9):  # before the first step nothing of ours has begun
        async with FakeBroker() as broker:
            client = LinkClient("127.0.0.1", broker.port, version=version)
            await client.enter()
            await cancel_twice(asyncio.create_task(client.leave(with_will=with_will)), steps, 1)
            await broker.close()
            assert nothing_is_open(client), steps
            await broker.open()


# MQTT 5.0, 3.14.2.1: 0x00 normal, 0x04 with will; MQTT 3.1.1, 3.1.2.5: DISCONNECT drops the will
@pytest.mark.parametrize(
    ("version", "with_will", "left"),
    [("5", False, 0), ("5", True, 4), ("3.1.1", False, 0), ("3.1.1", True, None)],
)
async def test_what_the_broker_hears(version: str, with_will: bool, left: int | None) -> None:  # noqa: FBT001
    async with FakeBroker() as broker:
        client = LinkClient("127.0.0.1", broker.port, version=version)
        await client.enter()
        await client.leave(with_will=with_will)
        await broker.until(lambda: not broker.connections)
        assert broker.logins[-1].get("left") == left


@pytest.mark.parametrize(
    "error", [ConnectionResetError(104, "Connection reset by peer"), ssl.SSLEOFError(8, "unexpected eof")]
)
def test_tls_spoken_to_a_broker_without_it_names_the_key(error: OSError) -> None:
    found = trouble(error, "[mqtt] ")
    assert "closes the connection before it answers" in found.what
    assert "tls (false for a broker without it)" in found.step
