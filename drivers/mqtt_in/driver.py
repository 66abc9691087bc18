"""The ``mqtt-in`` driver: probes whose readings a gateway or a building system sends to an MQTT broker."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import functools
import random
from collections.abc import Callable, Sequence
from typing import Any, ClassVar

from drivers.mqtt_in.broker import Broker, BrokerError, Connection
from drivers.mqtt_in.intake import SILENT_STEP, Intake, refuse_twins
from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.subscribing import Subscribing
from drivers.probe import Rhythm, backoff_s, judge, reached
from logger.core.readings import NS_PER_S, USABLE_FLAGS
from logger.driver_api import DriverContext, ProbeRequest, Quantity, Reach, Sample


class MqttInDriver:
    """One connection for all the probes of a broker."""

    name: ClassVar[str] = "mqtt-in"
    Options: ClassVar[type[Any]] = MqttInOptions
    simulated: ClassVar[bool] = False

    silence_s: ClassVar[float] = 10.0  # s, least; see ``Rhythm``, assumed
    unknown_s: ClassVar[float] = 60.0  # s, the same before a probe's interval is known, assumed
    look_s: ClassVar[float] = 1.0  # s between two looks at who has fallen silent
    refused_s: ClassVar[float] = 60.0  # s until a broker that refused is asked again, assumed

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        self._context = context
        self._rng = random.Random()
        self._requests: dict[Broker, list[tuple[ProbeRequest, MqttInOptions]]] = {}
        for request in probes:
            options = MqttInOptions.model_validate(dict(request.options))
            self._requests.setdefault(Broker.of(options), []).append((request, options))
        self._intakes = {
            broker: [self._intake(request, options, context) for request, options in here]
            for broker, here in self._requests.items()
        }
        self._connections: dict[Broker, Connection] = {}
        # one for each: two keys may be one broker, which ends the older connection of an identifier
        self._identifiers = {
            broker: f"riselog-in-{self._rng.getrandbits(48):012x}" for broker in self._requests
        }
        for intakes in self._intakes.values():
            refuse_twins(intakes)

    async def run(self) -> None:
        """Deliver until cancelled; trouble is told by the context's ``link`` and tried again for ever."""
        async with asyncio.TaskGroup() as group:
            for broker, intakes in self._intakes.items():
                group.create_task(self._keep(broker, intakes))
            while True:
                await self._wait(self.look_s)
                for broker, intakes in self._intakes.items():
                    connection = self._connections.get(broker)
                    behind = connection is not None and connection.is_behind()
                    for intake in intakes:
                        intake.behind = behind
                        intake.look()

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Listen for each probe and say what it sends."""
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(self._reach(broker, seconds)) for broker in self._requests]
        found = {reach.probe: reach for task in tasks for reach in task.result()}
        return list(found.values())

    async def _keep(self, broker: Broker, intakes: Sequence[Intake]) -> None:
        """Connect again and again."""
        failures = 0
        for intake in intakes:
            intake.connecting(str(broker))
        while True:
            try:
                await self._listen(broker, intakes)
            except BrokerError as error:
                text, refused = str(error), error.refused
            was_live = [intake.connection_lost(text, refused=refused) for intake in intakes]
            failures = 1 if any(was_live) else failures + 1
            await self._wait(self.refused_s if refused else backoff_s(failures, self._rng))

    async def _listen(self, broker: Broker, intakes: Sequence[Intake]) -> None:
        """Hand messages over until the connection is lost: it always ends with a ``BrokerError``."""
        async with broker.connected(self._identifiers[broker]) as connection:
            for intake in intakes:
                intake.start()
            self._connections[broker] = connection
            await connection.listen(
                functools.partial(_hand_over, intakes), self._subscribe(connection, intakes)
            )

    async def _subscribe(self, connection: Connection, intakes: Sequence[Intake]) -> None:
        """Until the broker gives every topic."""
        subscribing = Subscribing(intakes)
        while True:
            await subscribing.ask(connection)
            if not subscribing.to_ask:
                return
            await self._wait(self.refused_s)

    async def _reach(self, broker: Broker, seconds: float) -> list[Reach]:
        looks = [
            _Look(request, functools.partial(self._intake, request, options), self._context)
            for request, options in self._requests[broker]
        ]
        try:
            async with broker.connected(self._identifiers[broker]) as connection:
                await _look(connection, looks, seconds)
        except BrokerError as error:
            return [reached(look.request, error.text, error.next_step) for look in looks]
        return [look.reach(seconds) for look in looks]

    def _intake(self, request: ProbeRequest, options: MqttInOptions, context: DriverContext) -> Intake:
        return Intake(request, options, context, Rhythm(least_s=self.silence_s, unknown_s=self.unknown_s))

    async def _wait(self, wait_s: float) -> None:
        await self._context.wait_until(self._context.now_ns() + round(wait_s * NS_PER_S))


def _hand_over(intakes: Sequence[Intake], topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001
    for intake in intakes:
        intake.take(topic, payload, retained=retained)


class _Look:
    """What ``check`` hears of one probe; nothing is delivered."""

    def __init__(
        self, request: ProbeRequest, intake: Callable[[DriverContext], Intake], context: DriverContext
    ) -> None:
        self.request = request
        self.intake = intake(dataclasses.replace(context, emit=self._emit, link=lambda *_: None))
        self._usable: set[Quantity] = set()

    @property
    def complete(self) -> bool:
        """Whether every value of the map has come, or cannot."""
        return bool(self.intake.refused) or self._usable >= {each.quantity for each in self.intake.maps}

    def reach(self, seconds: float) -> Reach:
        """The line of ``check``."""
        topics = self.intake.shown_topics
        if self.intake.refused:
            what, _, step = self.intake.refused.partition("; ")
            return reached(self.request, what, step)
        if self._usable:
            return judge(
                self.request, f"found on {topics} with {', '.join(sorted(self._usable))}", self._usable
            )
        if self.intake.trouble:
            return reached(self.request, self.intake.trouble, "see to the gateway and to the probe's table")
        return reached(self.request, f"no message in {seconds:g} s on {topics}", SILENT_STEP)

    def _emit(self, sample: Sample) -> None:
        if sample.flag in USABLE_FLAGS:
            self._usable.add(sample.quantity)


async def _look(connection: Connection, looks: Sequence[_Look], seconds: float) -> None:
    """Listen until every probe has spoken, or for so long."""
    intakes = [look.intake for look in looks]

    def received(topic: str, payload: bytes, retained: bool) -> None:  # noqa: FBT001 - ``Received``
        _hand_over(intakes, topic, payload, retained)
        end_early()

    def end_early() -> None:
        if all(look.complete for look in looks):
            deadline.reschedule(asyncio.get_running_loop().time())

    async def subscribe() -> None:
        await Subscribing(intakes).ask(connection)
        end_early()

    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds) as deadline:
            await connection.listen(received, subscribe())
