"""The life of probes over GATT: searched for, connected, delivering, lost and searched for again."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Sequence
from enum import Enum, auto
from functools import partial
from typing import Any, ClassVar, NamedTuple

from drivers.ble import DOUBT_S, Radio, shared_radio
from drivers.ble_errors import FULL, RadioError
from drivers.gatt.profile import Profile, claimed
from drivers.gatt.reach import Company, not_found_or_held, reach
from drivers.gatt.session import Pace, Session
from drivers.heard import Sighting
from drivers.links import Links
from drivers.namesakes import Namesakes
from drivers.probe import (
    LinkReport,
    ProbeOptions,
    Rhythm,
    SignalReport,
    Wanted,
    backoff_s,
    too_many,
)
from logger.core.readings import NS_PER_S
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Reach

QUEUE_S = 60.0  # s, assumed
NO_RADIO_S = 5.0  # s until a radio that is away is tried again, assumed: who switches it on need not wait
SLICE_S = 5.0  # s of a search between looks whether the scan still hears anybody, assumed


class Step(Enum):
    """What is being done about one probe."""

    SEARCH = auto()
    DELIVER = auto()
    WAIT = auto()
    QUEUE = auto()


class Outcome(Enum):
    """How a step ended."""

    FOUND = auto()
    NOT_FOUND = auto()
    ENDED = auto()  # a connection that failed, was refused or lost
    NO_RADIO = auto()
    NO_ROOM = auto()  # the adapter has no connection left
    WAITED = auto()


TRANSITIONS: dict[tuple[Step, Outcome], Step] = {
    (Step.SEARCH, Outcome.FOUND): Step.DELIVER,
    (Step.SEARCH, Outcome.NOT_FOUND): Step.SEARCH,
    (Step.SEARCH, Outcome.NO_RADIO): Step.WAIT,
    (Step.DELIVER, Outcome.ENDED): Step.WAIT,
    (Step.DELIVER, Outcome.NO_ROOM): Step.QUEUE,
    (Step.WAIT, Outcome.WAITED): Step.SEARCH,
    (Step.QUEUE, Outcome.WAITED): Step.SEARCH,
}


class Patience(NamedTuple):
    """How long is waited for what, in s."""

    search: float
    silence: float
    pace: Pace


class GattDriver:
    """Keeps every probe connected, each on its own. What kind of probe it is, its ``profile`` says."""

    name: ClassVar[str]
    Options: ClassVar[type[Any]]
    simulated: ClassVar[bool] = False

    search_s: ClassVar[float] = 20.0  # s until a probe is said not to be found, assumed
    silence_s: ClassVar[float] = 10.0  # s, least; see ``Rhythm``, assumed
    ask_after_s: ClassVar[float] = 3.0  # s, see ``Pace``; below the usual max_age of 5 s, assumed
    battery_every_s: ClassVar[float] = 60.0  # s, assumed

    def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
        self._rng, self._requests = random.Random(), probes
        self._probes = [self._probe(request, context) for request in probes]

    def profile(self, request: ProbeRequest, options: Any) -> Profile:  # noqa: ANN401 - its own ``Options``
        """The kind of that probe, by its options."""
        raise NotImplementedError

    async def run(self) -> None:
        """Deliver until cancelled.

        Raises
        ------
        RadioError
            There is no radio to begin with. Later trouble is told by the context's ``link``.
        """
        radios = {shared_radio(probe.options.adapter) for probe in self._probes}
        async with contextlib.AsyncExitStack() as beginning:
            for radio in radios:
                await beginning.enter_async_context(radio.scanning())
            async with asyncio.TaskGroup() as group:
                for probe in self._probes:
                    group.create_task(probe.supervise())
                await asyncio.sleep(0)  # now every probe holds the scanner for as long as it needs it
                await beginning.aclose()

    async def reach(self, seconds: float) -> Sequence[Reach]:
        """Look for each probe, connect to it and say what it has."""
        company = Company(probe.name for probe in self._probes)
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(probe.reach(seconds, company)) for probe in self._probes]
        return [task.result() for task in tasks]

    def _probe(self, request: ProbeRequest, context: DriverContext) -> GattProbe:
        options = self.Options.model_validate(dict(request.options))
        patience = Patience(
            search=self.search_s,
            silence=self.silence_s,
            pace=Pace(ask_after=self.ask_after_s, battery_every=self.battery_every_s),
        )
        profile = self.profile(request, options)
        return GattProbe(request, options, profile, context, patience=patience, rng=self._rng)


class GattProbe:
    """One probe: searched for, connected, lost and searched for again."""

    def __init__(
        self,
        request: ProbeRequest,
        options: ProbeOptions,
        profile: Profile,
        context: DriverContext,
        *,
        patience: Patience,
        rng: random.Random,
    ) -> None:
        self.options, self.name = options, request.name
        self._request = request
        self._profile = profile
        self._context = context
        self._patience = patience
        self._rng = rng
        self._rhythm = Rhythm(least_s=patience.silence, unknown_s=patience.silence)
        self._wanted = options.wanted
        self._report = LinkReport(request.name, context.link)
        self._signal = SignalReport(request.name, context)
        self._sighting: Sighting | None = None
        self._searched = False
        self._before: str | None = None  # address of the device that delivered
        self._missed = False  # a whole search did not find that one again
        self._connected: str | None = None  # address of the device that is connected and usable
        self._namesakes = Namesakes()
        self._deaf = False  # no radio at the last try
        self._failures = 0  # connections in a row that delivered nothing

    async def supervise(self) -> None:
        """Run the table of transitions until cancelled."""
        steps = {
            Step.SEARCH: self._search,
            Step.DELIVER: self._deliver,
            Step.WAIT: self._wait,
            Step.QUEUE: self._queue,
        }
        self._report.state(LinkState.SEARCHING, f"searching for {self._wanted}")
        step = Step.SEARCH
        with shared_radio(self.options.adapter).listening(self._hear):
            while True:
                step = TRANSITIONS[step, await steps[step]()]

    def _hear(self, sighting: Sighting) -> None:
        """A packet of any device: another one of the probe's name is told, and not used in its place."""
        if self._wanted.matches(sighting.address, sighting.name):
            self._namesakes.hear(sighting.address, probe=self._connected or self._before)
            self._tell_of_others()

    def _answers(self, address: str) -> None:
        self._connected = address
        self._namesakes.alive(address)
        self._tell_of_others()

    def _tell_of_others(self) -> None:
        used, others = self._connected or self._before, self._namesakes.others
        if self._connected is not None:
            others = others | self._namesakes.heard
        if used is not None and others:
            text, next_step = too_many(self._wanted, [used, *sorted(others)])
            self._report.remark("name", f"{text}; only the first is used, {next_step}")

    async def _search(self) -> Outcome:
        radio = shared_radio(self.options.adapter)
        try:
            async with radio.scanning():
                if self._before is not None:
                    await radio.restart_if_deaf(DOUBT_S)
                found = await self._look(radio)
        except RadioError as error:
            self._deaf = True
            self._report.state(LinkState.LOST, f"{error}")
            return Outcome.NO_RADIO
        self._deaf = False
        if found is None:
            self._missed = self._before is not None
            self._report.state(
                LinkState.LOST,
                "; ".join([*not_found_or_held(self._wanted, self._patience.search), "still searching"]),
            )
            return Outcome.NOT_FOUND
        if self._before not in (None, found.address):
            text, next_step = too_many(self._wanted, [self._before or "", found.address])
            text = f"{text}; the first is not heard any more and {found.address} is used now, {next_step}"
            self._report.remark(f"now {found.address}", text)
        self._missed = False
        self._sighting = found
        self._signal.update(found.signal_dbm)
        return Outcome.FOUND

    async def _look(self, radio: Radio) -> Sighting | None:
        """Listen for it; a connection that the system holds already is looked for before that in
        the first search, later after it, for what is known of it may be out of date by then."""
        found, first = None, not self._searched
        self._searched = True
        # after a loss the same device first: another one of its name is another probe
        same = self._before is not None and not self._missed
        wanted = Wanted(address=self._before) if same else self._wanted
        services, others = self._profile.services, self._namesakes.others - {self._before}
        if first:
            found = await radio.find_connected(wanted, services, but=others)
        left_s = self._patience.search
        while found is None and left_s > 0:
            found = await radio.find(wanted, min(left_s, SLICE_S), but=others)
            left_s -= SLICE_S
            if found is None:
                await radio.restart_if_deaf()
        if found is None and not first:
            found = await radio.find_connected(wanted, services, but=others)
        return found

    async def _deliver(self) -> Outcome:
        assert self._sighting is not None  # the table leads here from FOUND only
        self._failures += 1
        self._report.state(LinkState.CONNECTING, "found, connecting")
        try:
            async with self._links.connected(self._sighting) as connection:
                plan = claimed(await self._profile.plan(connection), connection, self._request)
                for key, text in plan.remarks:
                    self._report.remark(key, text)
                if not plan.usable:
                    self._report.state(LinkState.REFUSED, "; ".join(plan.refused or self._profile.nothing))
                    return Outcome.ENDED
                self._answers(self._sighting.address)
                session = Session(
                    connection, plan, self._context, self._report, self._rhythm, self._patience.pace
                )
                self._report.state(LinkState.LOST, await session.run())
                if session.delivered:
                    self._failures, self._before = 0, self._sighting.address
        except RadioError as error:
            if error.trouble == FULL:
                return Outcome.NO_ROOM
            self._report.state(LinkState.LOST, f"{error}")
        finally:
            self._connected = None
            if self._before is None:  # it was a stranger, maybe: who is another one is open again
                self._namesakes = Namesakes()
        return Outcome.ENDED

    async def _queue(self) -> Outcome:
        """Wait until a connection of this program has ended; one of another program ends unheard, so
        it is tried now and then without that."""
        self._report.state(
            LinkState.LOST,
            "waiting for a free connection: the adapter has no room beside the "
            f"{self._links.turns.held} it holds for this program; use a second adapter, or probes that "
            "only broadcast",
        )
        again_ns = self._context.now_ns() + round(QUEUE_S * NS_PER_S)
        with self._links.turns.queued() as turn, self._links.watching(partial(self._join, turn)):
            waits: list[asyncio.Future[Any]] = [
                asyncio.ensure_future(turn.wait()),
                asyncio.ensure_future(self._context.wait_until(again_ns)),
            ]
            try:
                done, _ = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
                for each in done:
                    each.result()
            finally:
                for each in waits:
                    each.cancel()
        return Outcome.WAITED

    def _join(self, turn: asyncio.Event, sighting: Sighting) -> None:
        """Another probe of the device is connected: no room is needed."""
        if self._wanted.matches(sighting.address, sighting.name):
            turn.set()

    @property
    def _links(self) -> Links:
        return shared_radio(self.options.adapter).links

    async def _wait(self) -> Outcome:
        wait_s = NO_RADIO_S if self._deaf else backoff_s(max(self._failures, 1), self._rng)
        await self._context.wait_until(self._context.now_ns() + round(wait_s * NS_PER_S))
        return Outcome.WAITED

    async def reach(self, seconds: float, company: Company) -> Reach:
        """Look for it, connect, and say what each of its values is now."""
        return await reach(self._request, self.options, self._profile, seconds, company)
