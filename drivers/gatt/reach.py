"""What ``check`` does with one probe: look for it, connect, and see what each of its values is."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import replace

from drivers.ble import shared_radio
from drivers.ble_errors import RadioError
from drivers.gatt.profile import Profile, claimed
from drivers.gatt.trial import judged, tried
from drivers.probe import ProbeOptions, Wanted, not_found, reached, too_many
from logger.driver_api import ProbeRequest, Reach

LISTEN_S = 8.0  # s that is waited for what cannot be read, assumed: beside the search within check's limit
HELD = "close any app or other program that may hold its connection"


def not_found_or_held(wanted: Wanted, searched_s: float) -> tuple[str, str]:
    """What to say of a probe that was not heard: one that is connected elsewhere is not heard either."""
    text, next_step = not_found(wanted, searched_s)
    return text, f"{next_step}; {HELD}"


class Company:
    """Probes that are looked at together: each keeps its connection until all have been, as in a run, so
    that an adapter without room for them all is found."""

    def __init__(self, names: Iterable[str]) -> None:
        self._looking = set(names)
        self._all = asyncio.Event()

    def leave(self, name: str) -> None:
        """One is through."""
        self._looking.discard(name)
        if not self._looking:
            self._all.set()

    async def wait(self, name: str) -> None:
        """Be through, and wait for the others."""
        self.leave(name)
        await self._all.wait()


async def reach(
    request: ProbeRequest, options: ProbeOptions, profile: Profile, seconds: float, company: Company
) -> Reach:
    """One probe among its company."""
    try:
        return await _reach(request, options, profile, seconds, company)
    finally:
        company.leave(request.name)


async def _reach(
    request: ProbeRequest, options: ProbeOptions, profile: Profile, seconds: float, company: Company
) -> Reach:
    radio, wanted = shared_radio(options.adapter), options.wanted
    try:
        async with radio.scanning():
            connected_one = await radio.find_connected(wanted, profile.services)
            found = [connected_one] if connected_one else await radio.find_all(wanted, seconds)
        if not found:
            return reached(request, *not_found_or_held(wanted, seconds))
        if len(found) > 1:
            return reached(request, *too_many(wanted, [each.address for each in found]))
        async with radio.links.connected(found[0]) as connection:
            plan = claimed(await profile.plan(connection), connection, request)
            answers = await tried(connection, plan, min(seconds, LISTEN_S)) if plan.usable else []
            await company.wait(request.name)
    except RadioError as error:
        return reached(request, error.trouble.text, error.trouble.next_step)
    if not plan.usable:
        key = next((cause.key for cause in plan.lacks.values()), ())
        return replace(reached(request, *(plan.refused or profile.nothing)), key=key)
    signal = "connected already" if found[0].signal_dbm is None else f"{found[0].signal_dbm:.0f} dBm"
    return judged(request, plan, answers, f"found ({signal})")
