"""The ``bthome`` driver: probes that broadcast BTHome v2, heard without a connection."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, ClassVar

from drivers.adverts import Listener, NotUsableError, Pace, Station, reach
from drivers.ble_errors import Trouble
from drivers.bthome.bindkey import seal_of
from drivers.bthome.decode import choose, decode, encrypted
from drivers.bthome.form import BthomeForm
from drivers.bthome.options import BthomeOptions, key_of
from drivers.bthome.seal import Seal
from drivers.bthome.table import SERVICE_UUID
from drivers.heard import Sighting
from drivers.places import humidity_of_others
from drivers.probe import reached
from drivers.survey import bare, read, survey_broadcasts
from logger.driver_api import DecodeError, DriverContext, Look, ProbeRequest, Reach, Seen


class BthomeDriver:
    """Listens to all its probes with one scan."""

    name: ClassVar[str] = "bthome"
    Options: ClassVar[type[Any]] = BthomeOptions
    simulated: ClassVar[bool] = False
    pace: ClassVar[Pace] = Pace()

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        self._requests = probes
        self._context = context

    async def run(self) -> None:
        """Deliver until cancelled.

        Raises
        ------
        RadioError
            There is no radio to begin with. Later trouble is told by the context's ``link``.
        """
        await Listener(self._stations(), self._context, self.pace).run()

    def beforehand(self) -> Sequence[Reach]:
        """The probes whose bind key cannot be had."""
        keys = [(r, _seal(BthomeOptions.model_validate(dict(r.options)))) for r in self._requests]
        return [reached(r, key.text, key.next_step) for r, key in keys if isinstance(key, Trouble)]

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Listen for each probe and say what it broadcasts."""
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(reach(station, seconds)) for station in self._stations()]
        return [task.result() for task in tasks]

    @staticmethod
    async def survey(look: Look, seen: Callable[[Seen], None]) -> None:
        """Listen to all devices."""
        await survey_broadcasts(_read, look, seen)

    def _stations(self) -> list[Station]:
        stations = []
        others = humidity_of_others(self._requests)
        for request in self._requests:
            options = BthomeOptions.model_validate(dict(request.options))
            stations.append(
                Station(
                    request, options, BthomeForm(options.numbers, _seal(options), others.get(request.name))
                )
            )
        return stations


def _read(sighting: Sighting) -> Seen | None:
    """A packet of a device that no config speaks of; ``None`` where it is not of this format."""
    payload = sighting.service_data.get(SERVICE_UUID)
    if payload is None:
        return None
    if encrypted(payload):
        return bare(sighting, note="encrypted: give its bind key with bindkey_file or bindkey_env")
    try:
        choice = choose(decode(payload).values, {})
    except DecodeError as error:
        return bare(sighting, note=str(error))
    several = [q for q, count in choice.counts.items() if count > 1]
    seen = read(sighting, choice.values)
    more = [
        f"{choice.counts[q]} values of {q} in one packet, the first is shown; {key_of(q)} = 2 in a probe's "
        "table takes the second"
        for q in several
    ]
    return replace(seen, note="; ".join(each for each in (seen.note, *more) if each))


def _seal(options: BthomeOptions) -> Seal | Trouble | None:
    """A key that cannot be had is told when the probe is heard, as all that is wrong with one."""
    try:
        return seal_of(options)
    except NotUsableError as error:
        return error.trouble
