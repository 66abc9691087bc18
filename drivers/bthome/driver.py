"""The ``bthome`` driver: probes that broadcast BTHome v2, heard without a connection."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Sequence
from typing import Any, ClassVar

from drivers.ble import shared_radio
from drivers.ble_errors import RadioError
from drivers.bthome.decode import Advert, RefusedError, Repeats, decode
from drivers.bthome.table import OLD_SERVICE_UUIDS, SERVICE_UUID
from drivers.heard import Sighting
from drivers.probe import (
    LinkReport,
    ProbeOptions,
    Rhythm,
    SignalReport,
    judge,
    not_found,
    reached,
    too_many,
)
from logger.core.readings import NS_PER_S
from logger.driver_api import DecodeError, DriverContext, Flag, LinkState, ProbeRequest, Reach, Sample

_REFUSED_STEP = "set the probe to unencrypted BTHome version 2, or use another probe"


class BthomeDriver:
    """Listens to all its probes with one scan."""

    name: ClassVar[str] = "bthome"
    Options: ClassVar[type[Any]] = ProbeOptions
    simulated: ClassVar[bool] = False

    silence_s: ClassVar[float] = 10.0  # s, least; see ``Rhythm``, assumed
    unknown_s: ClassVar[float] = 60.0  # s, the same before a probe's interval is known, assumed
    look_s: ClassVar[float] = 1.0  # s between two looks at who has fallen silent

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        self._context = context
        self._probes = [
            _Probe(request, context, Rhythm(least_s=self.silence_s, unknown_s=self.unknown_s))
            for request in probes
        ]

    async def run(self) -> None:
        """Deliver until cancelled.

        Raises
        ------
        RadioError
            There is no radio to begin with. Later trouble is told by the context's ``link``.
        """
        failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        async with contextlib.AsyncExitStack() as held:
            for probe in self._probes:
                radio = shared_radio(probe.options.adapter)
                await held.enter_async_context(radio.scanning())
            for probe in self._probes:
                probe.start(failed)
                held.enter_context(shared_radio(probe.options.adapter).listening(probe.hear))
            while True:
                await self._look(failed)

    async def _look(self, failed: asyncio.Future[None]) -> None:
        """Wait a moment, then see who is silent and whether the scan still works."""
        waited = asyncio.ensure_future(
            self._context.wait_until(self._context.now_ns() + round(self.look_s * NS_PER_S))
        )
        try:
            done, _ = await asyncio.wait([waited, failed], return_when=asyncio.FIRST_COMPLETED)
            for each in done:
                each.result()
        finally:
            waited.cancel()
        for probe in self._probes:
            if probe.look():
                try:
                    await shared_radio(probe.options.adapter).restart_if_deaf()
                except RadioError as error:
                    probe.no_radio(error)

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Listen for each probe and say what it broadcasts."""
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(probe.reach(seconds)) for probe in self._probes]
        return [task.result() for task in tasks]


class _Probe:
    """One probe: what it said last, and whether it still speaks."""

    def __init__(self, request: ProbeRequest, context: DriverContext, rhythm: Rhythm) -> None:
        self.options = ProbeOptions.model_validate(dict(request.options))
        self._request = request
        self._context = context
        self._wanted = self.options.wanted
        self._report = LinkReport(request.name, context.link)
        self._signal = SignalReport(request.name, context)
        self._rhythm = rhythm
        self._repeats = Repeats()
        self._address: str | None = None  # of the device that answers to the name
        self._silent = True

    def start(self, failed: asyncio.Future[None]) -> None:
        """Listening begins. What goes wrong inside ``hear`` goes to ``failed``."""
        self._failed = failed
        self._rhythm.start(self._context.now_ns())
        self._silent = False
        self._report.state(LinkState.SEARCHING, f"listening for {self._wanted}")

    def hear(self, sighting: Sighting) -> None:
        """A packet of any device. The radio's library would swallow what is raised here."""
        try:
            if self._wanted.matches(sighting.address, sighting.name):
                self._hear_it(sighting)
        except Exception as error:  # noqa: BLE001 - goes on to ``run``
            if not self._failed.done():
                self._failed.set_exception(error)

    def _hear_it(self, sighting: Sighting) -> None:
        payload = sighting.service_data.get(SERVICE_UUID)
        if payload is not None and self._is_the_one(sighting.address):
            self._take(payload, sighting.signal_dbm)
        elif payload is None and not sighting.service_data.keys().isdisjoint(OLD_SERVICE_UUIDS):
            self._report.state(
                LinkState.REFUSED,
                f"it broadcasts BTHome version 1, and only version 2 is read; {_REFUSED_STEP}",
            )

    def look(self) -> bool:
        """Whether the probe is silent now; says so when it has just become so."""
        if not self._silent and self._context.now_ns() >= self._rhythm.silent_at_ns():
            self._silent = True
            self._rhythm.silence()
            self._address = None  # another device of that name may take its place
            self._report.state(
                LinkState.LOST,
                f"no packet of it is heard ({self._wanted}); switch it on, bring it closer, check its "
                "battery and its address or name; still listening",
            )
        return self._silent

    def no_radio(self, error: RadioError) -> None:
        """The scan could not be started anew."""
        self._report.state(LinkState.LOST, f"{error}")

    def _is_the_one(self, address: str) -> bool:
        if self._address is None:
            self._address = address
        if self._address != address:
            text, next_step = too_many(self._wanted, [self._address, address])
            self._report.remark("name", f"{text}; the first one heard is used, {next_step}")
        return self._address == address

    def _take(self, payload: bytes, signal_dbm: float | None) -> None:
        now_ns = self._context.now_ns()
        if self._silent:
            self._rhythm.start(now_ns)
            self._silent = False
        self._rhythm.update(now_ns)
        try:
            advert = decode(payload)
        except RefusedError as error:
            self._report.state(LinkState.REFUSED, f"{error}; {_REFUSED_STEP}")
            return
        except DecodeError as error:
            self._report.remark("decode", f"{error}; such packets are left out")
            return
        self._report.state(LinkState.LIVE, "live by its broadcasts")
        self._remark(advert)
        self._signal.update(signal_dbm)
        again = self._repeats.update(advert.packet_id, now_ns)
        for quantity, value, flag in advert.values:
            self._context.emit(
                Sample(
                    probe=self._request.name,
                    quantity=quantity,
                    value=value,
                    flag=Flag.DUPLICATE if again else flag,
                )
            )

    def _remark(self, advert: Advert) -> None:
        for title in advert.passed_over:
            self._report.remark(f"over {title}", f"sends more than one {title}, only the first one is used")
        if advert.fault is not None:
            self._report.remark("fault", str(advert.fault))

    async def reach(self, seconds: float) -> Reach:
        """Listen for it and say what it broadcasts."""
        radio = shared_radio(self.options.adapter)
        try:
            async with radio.scanning():
                found = await radio.find_all(self._wanted, seconds, carrying=SERVICE_UUID)
        except RadioError as error:
            return reached(self._request, error.trouble.text, error.trouble.next_step)
        if not found:
            return reached(self._request, *not_found(self._wanted, seconds))
        if len(found) > 1:
            return reached(self._request, *too_many(self._wanted, [each.address for each in found]))
        if SERVICE_UUID not in found[0].service_data:
            return reached(self._request, "found, but it broadcasts no BTHome version 2", _REFUSED_STEP)
        try:
            advert = decode(found[0].service_data[SERVICE_UUID])
        except DecodeError as error:
            return reached(self._request, f"found, but {error}", _REFUSED_STEP)
        says = ", ".join(quantity for quantity, _, _ in advert.values) or "no value"
        text = f"found ({found[0].signal_dbm:.0f} dBm) with {says}"
        return judge(self._request, text, {quantity for quantity, _, _ in advert.values})
