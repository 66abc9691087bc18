"""Looking for probes that are connected to: each is asked once, one after the other, the strongest first."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from dataclasses import replace

from drivers.ble import shared_radio
from drivers.ble_errors import RadioError
from drivers.gatt.profile import PASSED_OVER, Profile
from drivers.gatt.trial import Answer, asked
from drivers.heard import Sighting
from drivers.links import Links
from drivers.survey import bare, hearing
from logger.driver_api import Look, Seen

ASK_S = 5.0  # s for one device: connecting, listing and reading; assumed
PAUSE_S = 0.2  # s between looks at who is to be asked; assumed
_FAINT_DBM = -200.0  # below all that is heard
_NOT_YET = "its values are not read yet; scan longer if they do not come"
_IN_USE = "in use by another program, and left alone: its values are not read"
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
        radio = shared_radio(self._look.adapter)
        if await radio.in_use(strongest.address, profile.services):
            answer = replace(bare(strongest), readable=True, note=_IN_USE)
        else:
            answer = await _asked(strongest, profile, radio.links)
        self._answers[strongest.address] = answer
        del self._waiting[strongest.address]
        self._seen(answer)


async def _asked(sighting: Sighting, profile: Profile, links: Links) -> Seen:
    """Connect, read every value once, and let go; nothing is written or subscribed to."""
    try:
        async with asyncio.timeout(ASK_S) as limit, links.connected(sighting) as connection:
            plan = await profile.plan(connection)
            if not plan.usable:
                return bare(sighting, note="; ".join(plan.refused or profile.nothing))
            answers = await asked(connection, plan)
    except RadioError as error:
        return bare(sighting, note=f"{error}")
    except TimeoutError:
        if not limit.expired():
            raise
        return bare(sighting, note=f"it does not answer within {ASK_S:.0f} s")
    return _said(sighting, answers, [text for key, text in plan.remarks if key.startswith(PASSED_OVER)])


def _said(sighting: Sighting, answers: Sequence[Answer], others: Sequence[str]) -> Seen:
    """Its values, and what keeps one from being read: readable is what gives one of the air, or may."""
    values = tuple((quantity, value) for answer in answers for quantity, value in answer.values.items())
    sending = [each for each in answers if _sends(each)]
    lacks: dict[str, str] = {}  # each cause, with the first quantity that it keeps away
    for answer in answers:
        for quantity, cause in answer.causes.items() if answer not in sending else ():
            lacks.setdefault(f"{cause.text}; {cause.next_step}", quantity)
    if not sending and not any(answer.values for answer in answers if answer.source.measures):
        return replace(bare(sighting, note=next(iter(lacks), "")), values=values)
    notes = [f"no {quantity}: {text}" for text, quantity in lacks.items()]
    if sending and len(sending) == sum(each.source.measures for each in answers):
        notes.append("it sends its values by itself; `riselog check` waits for them")
    return replace(bare(sighting, note="; ".join([*notes, *others])), readable=True, values=values)


def _sends(answer: Answer) -> bool:
    """Whether its values may come by themselves: none was read, and nothing speaks against it."""
    source = answer.source
    return source.measures and source.characteristic.can_notify and not (answer.heard or answer.unpaired)
