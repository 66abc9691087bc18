"""Probes that broadcast: one scan for all of them, who speaks, who has fallen silent.

What the bytes mean is the business of a ``Format``; this module knows none.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple, Protocol

from drivers.ble import DOUBT_S, shared_radio
from drivers.ble_errors import RadioError, Trouble
from drivers.causes import NO_CAUSE, Cause, Value, of_value
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
from logger.core.readings import NS_PER_S, QUANTITIES
from logger.driver_api import (
    DecodeError,
    DriverContext,
    Flag,
    LinkState,
    ProbeRequest,
    Quantity,
    Reach,
    Sample,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What one packet of a probe says.

    ``values`` in the units of ``QUANTITIES``; ``more`` is what the format knows of a flagged one;
    ``remarks``: key and sentence, each said once a run.
    ``foreign``: somebody else's packet in the probe's name, no sign that the probe lives.
    ``on_change``: the probe speaks only when something changes, so that silence is no fault.
    """

    values: tuple[tuple[Quantity, float, Flag], ...] = ()
    more: Mapping[Quantity, Cause] = field(default_factory=dict)
    remarks: tuple[tuple[str, str], ...] = ()
    foreign: bool = False
    on_change: bool = False

    def lack(self, value: Value) -> Cause | None:
        """Why a value of the packet is none; None where it is one."""
        return None if value.flag is Flag.OK else of_value(value, self.more.get(value.quantity, NO_CAUSE))


class NotUsableError(DecodeError):
    """The probe is there, but what it broadcasts cannot be used; ``trouble`` says why."""

    def __init__(self, trouble: Trouble) -> None:
        super().__init__(f"{trouble.text}; {trouble.next_step}")
        self.trouble = trouble


class MisfitError(DecodeError):
    """A packet does not follow what the config says of it; ``cause`` says what is to be mended there."""

    def __init__(self, cause: Cause, payload: bytes) -> None:
        super().__init__(cause.text, payload)
        self.cause = cause


class Format(Protocol):
    """One probe's way of broadcasting, with what is remembered of its packets. Without I/O."""

    missing: Trouble
    """What to say of a device that sends nothing of this format, and what to do."""

    def carries(self, sighting: Sighting) -> bool:
        """Whether there is anything of this format in a packet."""
        ...

    def take(self, sighting: Sighting, now_ns: int) -> Heard:
        """Read a packet of the probe that carries something.

        Raises
        ------
        NotUsableError
            The probe cannot be used as it is.
        DecodeError
            This packet does not follow the format; the next may.
        """
        ...

    def forget(self) -> None:
        """The probe has fallen silent: what comes next may be another device, or a new start."""
        ...


class Station(NamedTuple):
    """One probe to listen for."""

    request: ProbeRequest
    options: ProbeOptions
    form: Format


class Pace(NamedTuple):
    """Times of listening, in s; all assumed."""

    silence_s: float = 10.0  # least; see ``Rhythm``
    unknown_s: float = 60.0  # the same before a probe's interval is known
    look_s: float = 1.0  # between two looks at who has fallen silent


class Listener:
    """Listens to all its probes with one scan for each adapter."""

    def __init__(self, stations: Sequence[Station], context: DriverContext, pace: Pace) -> None:
        self._context = context
        self._pace = pace
        self._probes = [_Probe(station, context, pace) for station in stations]

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
                await held.enter_async_context(shared_radio(probe.adapter).scanning())
            for probe in self._probes:
                probe.start(failed)
                held.enter_context(shared_radio(probe.adapter).listening(probe.hear))
            while True:
                await self._look(failed)

    async def _look(self, failed: asyncio.Future[None]) -> None:
        """Wait a moment, then see who is silent and whether the scan still works."""
        waited = asyncio.ensure_future(
            self._context.wait_until(self._context.now_ns() + round(self._pace.look_s * NS_PER_S))
        )
        try:
            done, _ = await asyncio.wait([waited, failed], return_when=asyncio.FIRST_COMPLETED)
            for each in done:
                each.result()
        finally:
            waited.cancel()
        for probe in self._probes:
            was_silent = probe.silent
            if probe.look():
                try:
                    await shared_radio(probe.adapter).restart_if_deaf(None if was_silent else DOUBT_S)
                except RadioError as error:
                    probe.no_radio(error)
                else:
                    probe.radio_works()


class _Probe:
    """One probe: whether it still speaks, and what it says."""

    def __init__(self, station: Station, context: DriverContext, pace: Pace) -> None:
        self._probe = station.request.name
        self._form = station.form
        self._context = context
        self._wanted = station.options.wanted
        self.adapter = station.options.adapter
        self._report = LinkReport(self._probe, context.link)
        self._signal = SignalReport(self._probe, context)
        self._pace = pace
        self._rhythm = Rhythm(least_s=pace.silence_s, unknown_s=pace.unknown_s)
        self._address: str | None = None  # of the device that answers to the name, once it was read
        self._last_address: str | None = None  # the same, before a silence
        self._delivered = False
        self.silent = True
        self._tell_at_ns: int | None = None  # when a silence is told of the probe
        self._deaf = False  # the radio was away since the last packet
        self._on_change = False

    def start(self, failed: asyncio.Future[None]) -> None:
        """Listening begins. What goes wrong inside ``hear`` goes to ``failed``."""
        self._failed = failed
        self._rhythm.start(self._context.now_ns())
        self.silent = False
        self._report.state(LinkState.SEARCHING, f"listening for {self._wanted}")

    def hear(self, sighting: Sighting) -> None:
        """A packet of any device. The radio's library would swallow what is raised here."""
        try:
            if self._wanted.matches(sighting.address, sighting.name) and self._form.carries(sighting):
                self._hear_it(sighting)
        except Exception as error:  # noqa: BLE001 - goes on to ``run``
            if not self._failed.done():
                self._failed.set_exception(error)

    def look(self) -> bool:
        """Whether the probe is silent now; ``radio_works`` says so, or ``no_radio`` why."""
        if self._context.now_ns() < self._rhythm.silent_at_ns():
            return self.silent
        if not self.silent:
            self.silent = True
            self._rhythm.silence()
            self._form.forget()
            self._address = None  # another device of that name may take its place
            self._tell_at_ns = None if self._on_change else self._context.now_ns()
        return True

    def no_radio(self, error: RadioError) -> None:
        """The scan could not be started anew: for as long, and a while after, the probe is not to blame."""
        self._report.state(LinkState.LOST, f"{error}")
        self._deaf = True
        self._tell_at_ns = self._context.now_ns() + round(self._pace.unknown_s * NS_PER_S)

    def radio_works(self) -> None:
        """The probe is silent, and it is not the radio's fault: told once."""
        if self._tell_at_ns is None or self._context.now_ns() < self._tell_at_ns:
            return
        self._tell_at_ns = None
        self._report.state(
            LinkState.LOST,
            f"no packet of it is heard ({self._wanted}); switch it on, bring it closer, check its "
            "battery and its address or name; still listening",
        )

    def _hear_it(self, sighting: Sighting) -> None:
        if self._is_another(sighting.address):
            return
        try:
            heard = self._form.take(sighting, self._context.now_ns())
        except DecodeError as error:
            self._refuse(error, sighting.address)
        else:
            if not heard.foreign:
                self._is_it(sighting.address)
            self._deliver(heard, sighting.signal_dbm)

    def _refuse(self, error: DecodeError, address: str) -> None:
        """One that cannot be read is a sign of life, unless another one of its name was read before."""
        if self._last_address not in (None, address):
            self._report.remark("stranger", f"{address} has the {self._wanted} too: {error}; it is left out")
            return
        self._alive()
        text = f"{error}; such packets are left out"
        if isinstance(error, NotUsableError):
            self._report.state(LinkState.REFUSED, str(error))
        elif self._delivered:
            self._report.remark("decode", text)
        else:
            self._report.state(LinkState.REFUSED, text)

    def _is_another(self, address: str) -> bool:
        """Whether one with the same name was read already."""
        if self._address in (None, address):
            return False
        text, next_step = too_many(self._wanted, [self._address or "", address])
        self._report.remark("name", f"{text}; the first one heard is used, {next_step}")
        return True

    def _is_it(self, address: str) -> None:
        """Only one that can be read is taken for the probe: a stranger of its name must not keep it out."""
        if self._last_address not in (None, address):
            text, next_step = too_many(self._wanted, [self._last_address or "", address])
            self._report.remark(
                f"now {address}", f"{text}; the first is silent and {address} is used now, {next_step}"
            )
        self._address = self._last_address = address

    def _alive(self) -> None:
        now_ns = self._context.now_ns()
        self._tell_at_ns = None
        if self._deaf:  # the gap is not the probe's
            self._rhythm.start(now_ns)
        if self.silent and not self._deaf:
            self._rhythm.resume(now_ns)
        else:
            self._rhythm.update(now_ns)
        self.silent = self._deaf = False

    def _deliver(self, heard: Heard, signal_dbm: float | None) -> None:
        if not heard.foreign:
            self._alive()
            self._on_change = heard.on_change
            self._delivered = self._delivered or bool(heard.values)
            if self._delivered:
                self._report.state(LinkState.LIVE, "live by its broadcasts")
            else:
                self._report.state(LinkState.REFUSED, _EMPTY)
            self._signal.update(signal_dbm)
        for key, text in heard.remarks:
            self._report.remark(key, text)
        for quantity, value, flag in heard.values:
            self._context.emit(Sample(probe=self._probe, quantity=quantity, value=value, flag=flag))
            if (cause := heard.lack(Value(quantity, value, flag))) is not None:
                self._report.remark(f"{flag} {quantity}", cause.in_a_run)


_EMPTY = "its packets carry no value that is read here; see that it is the right probe, and its settings"


class _Gathered:
    """What the packets of one device say together, until the main quantity is among it."""

    def __init__(self, request: ProbeRequest, form: Format) -> None:
        self._main, self._form = request.quantities[:1], form
        self.carried = False
        self.has: dict[Quantity, None] = {}  # in the order they came
        self.values: dict[Quantity, float] = {}
        self.causes: dict[Quantity, Cause] = {}  # why a quantity has no value
        self.fault: DecodeError | None = None  # the last
        self.signal_dbm: float | None = None

    def take(self, sighting: Sighting) -> bool:
        """Whether no more is needed: all is there, or that the probe cannot be used is known."""
        if not self._form.carries(sighting):
            return False
        self.carried = True
        try:
            heard = self._form.take(sighting, 0)
        except DecodeError as error:
            self.fault = error
            return isinstance(error, NotUsableError)
        self.signal_dbm = sighting.signal_dbm
        for each in (Value(*told) for told in heard.values):
            self.has[each.quantity] = None
            if (cause := heard.lack(each)) is not None:
                self.causes[each.quantity] = cause
            else:
                self.values[each.quantity] = each.value
        return set(self._main) <= set(self.values)


async def reach(station: Station, seconds: float) -> Reach:
    """Listen for a probe and say what it broadcasts: in several packets, where one has not the main
    quantity."""
    request, options, form = station
    gathered = _Gathered(request, form)
    radio = shared_radio(options.adapter)
    try:
        async with radio.scanning():
            found = await radio.find_all(options.wanted, seconds, carrying=gathered.take)
    except RadioError as error:
        return reached(request, error.trouble.text, error.trouble.next_step)
    if not found:
        return reached(request, *not_found(options.wanted, seconds))
    if len(found) > 1:
        return reached(request, *too_many(options.wanted, [each.address for each in found]))
    if not gathered.carried:
        return reached(request, f"found, but {form.missing.text}", form.missing.next_step)
    if gathered.signal_dbm is None and isinstance(gathered.fault, NotUsableError):
        trouble = gathered.fault.trouble
        return reached(request, f"found, but {trouble.text}", trouble.next_step)
    if gathered.signal_dbm is None and isinstance(gathered.fault, MisfitError):
        cause = gathered.fault.cause
        return replace(reached(request, f"found, but {cause.text}", cause.next_step), key=cause.key)
    if gathered.signal_dbm is None:
        step = "compare the probe's format with the config"
        return reached(request, f"found, but {gathered.fault}", step)
    return _judged(request, gathered, f"found ({gathered.signal_dbm:.0f} dBm)")


def _judged(request: ProbeRequest, gathered: _Gathered, found: str) -> Reach:
    """Its values, or why there is none of the main quantity."""
    shown = tuple(
        (quantity, gathered.values[quantity]) for quantity in QUANTITIES if quantity in gathered.values
    )
    causes = {q: cause for q, cause in gathered.causes.items() if q not in gathered.values}
    if (main := request.quantities[:1]) and main[0] in causes:
        cause = causes[main[0]]
        said = reached(request, f"{found}, but {cause.text}", cause.next_step)
        return replace(said, values=shown, key=cause.key)
    text = f"{found} with {', '.join(gathered.has) or 'no value'}"
    text = "; ".join([text, *(f"no {quantity}: {cause.text}" for quantity, cause in causes.items())])
    return replace(judge(request, text, set(gathered.has)), values=shown)
