"""Looking for probes that are connected to: each is asked once, one after the other, the strongest first."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import replace

from drivers.ble import Connection, connected, shared_radio
from drivers.ble_errors import RadioError
from drivers.gatt.profile import Profile, Source
from drivers.heard import Sighting
from drivers.survey import bare, hearing
from drivers.turns import Turns
from logger.driver_api import DecodeError, Flag, Look, Quantity, Seen

ASK_S = 5.0  # s for one device: connecting, listing and reading; assumed
PAUSE_S = 0.2  # s between looks at who is to be asked; assumed
_FAINT_DBM = -200.0  # below all that is heard
_NOT_YET = "its values are not read yet; scan longer if they do not come"
_NOT_ASKED = "its values are read over a connection, and none is made"


class Survey:
    """``known`` gives the profile of a device that is to be asked, ``broadcast`` what a packet says by
    itself; both ``None`` for a device that is not this driver's."""

    def __init__(
        self,
        known: Callable[[Sighting], Profile | None],
        look: Look,
        seen: Callable[[Seen], None],
        broadcast: Callable[[Sighting], Seen | None] = lambda _sighting: None,
    ) -> None:
        self._known, self._broadcast = known, broadcast
        self._look, self._seen = look, seen
        self._waiting: dict[str, tuple[Sighting, Profile]] = {}
        self._answers: dict[str, Seen] = {}

    async def go(self) -> None:
        """Listen and ask for as long as is asked for.

        Raises
        ------
        RadioError
            There is no radio.
        """
        async with hearing(self._hear, self._look.adapter) as failed:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._look.seconds):
                    while not failed.done():
                        await self._ask_next()
            if failed.done():
                failed.result()

    def _hear(self, sighting: Sighting) -> None:
        now, answer = bare(sighting), self._answers.get(sighting.address)
        if answer is not None:
            self._seen(replace(answer, name=now.name or answer.name, signal_dbm=now.signal_dbm))
        elif (said := self._broadcast(sighting)) is not None:
            self._seen(said)
        elif (profile := self._profile(sighting)) is not None:
            self._waiting[sighting.address] = (sighting, profile)
            note = _NOT_YET if self._look.connect else _NOT_ASKED
            self._seen(replace(now, readable=True, note=note))
        else:
            self._seen(now)

    def _profile(self, sighting: Sighting) -> Profile | None:
        """A device need not announce itself in each packet."""
        waiting = self._waiting.get(sighting.address)
        return waiting[1] if waiting else self._known(sighting)

    async def _ask_next(self) -> None:
        if not self._waiting or not self._look.connect:
            await asyncio.sleep(PAUSE_S)
            return
        strongest, profile = max(self._waiting.values(), key=lambda each: each[0].signal_dbm or _FAINT_DBM)
        answer = await _asked(strongest, profile, shared_radio(self._look.adapter).turns)
        self._answers[strongest.address] = answer
        del self._waiting[strongest.address]
        self._seen(answer)


async def _asked(sighting: Sighting, profile: Profile, turns: Turns) -> Seen:
    """Connect, read every value once, and let go; nothing is written or subscribed to."""
    try:
        async with asyncio.timeout(ASK_S) as limit, connected(sighting, turns) as connection:
            plan = await profile.plan(connection)
            if not plan.usable:
                return bare(sighting, note="; ".join(plan.refused or profile.nothing))
            values = [value for source in plan.sources for value in await _values(connection, source)]
    except RadioError as error:
        return bare(sighting, note=f"{error}")
    except TimeoutError:
        if not limit.expired():
            raise
        return bare(sighting, note=f"it does not answer within {ASK_S:.0f} s")
    note = "" if values else "it sends its values by itself; `riselog check` waits for them"
    return replace(bare(sighting, note=note), readable=True, values=tuple(values))


async def _values(connection: Connection, source: Source) -> list[tuple[Quantity, float]]:
    """What one characteristic says now; what is wrong with it, `riselog check` tells."""
    if not source.characteristic.can_read:
        return []
    try:
        found = source.decode(await connection.read(source.characteristic))
    except (DecodeError, RadioError):
        return []
    return [(value.quantity, value.value) for value in found if value.flag is Flag.OK]
