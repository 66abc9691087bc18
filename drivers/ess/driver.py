"""The ``ess`` driver: probes of the Environmental Sensing or the Health Thermometer service."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, ClassVar

from drivers.ble_errors import RadioError
from drivers.ess.choice import plan_of
from drivers.ess.offer import offers_of, unanswered
from drivers.ess.options import EssOptions
from drivers.ess.table import ENVIRONMENTAL_SENSING
from drivers.ess.thermometer import HEALTH_THERMOMETER
from drivers.gatt.life import GattDriver
from drivers.gatt.profile import Plan
from drivers.gatt.survey import Survey
from drivers.heard import Sighting, full_uuid, services_in_words
from drivers.links import Connection
from drivers.places import humidity_of_others, not_given
from logger.driver_api import Look, ProbeRequest, Quantity, Seen

PATIENT = 3  # connections that may end for want of an answer; assumed


class EssProfile:
    """A probe of one of the two services."""

    services = (full_uuid(ENVIRONMENTAL_SENSING), full_uuid(HEALTH_THERMOMETER))
    nothing = (
        "it has no Environmental Sensing or Health Thermometer value of the air that can be read",
        "use a probe with temperature, humidity, pressure or wind speed of these services",
    )

    def __init__(self, options: EssOptions, humidity_of: str | None = None) -> None:
        self._options = options
        self._humidity_of = humidity_of  # another probe of the device, which alone is given it
        self._unanswered = 0  # connections in a row that a descriptor ended

    async def plan(self, connection: Connection) -> Plan:
        """What to use of this connection. A descriptor without an answer ends it, for another sensor might be
        taken for the one meant; a probe that never answers is used as one without descriptors."""
        try:
            offers = await offers_of(connection, strict=self._unanswered < PATIENT)
        except RadioError as error:
            self._unanswered += unanswered(error)
            raise
        self._unanswered = 0 if self._unanswered < PATIENT else PATIENT
        plan = plan_of(offers, connection.characteristics, self._options)
        if self._humidity_of is not None:
            plan = _without_humidity(plan, self._humidity_of)
        if plan.usable or plan.refused is not None:
            return plan
        has = services_in_words(connection.characteristics)
        return replace(plan, refused=(f"{self.nothing[0]}: it has {has}", self.nothing[1]))


class EssDriver(GattDriver):
    """Keeps every probe connected, each on its own."""

    name: ClassVar[str] = "ess"
    Options: ClassVar[type[Any]] = EssOptions

    def profile(self, request: ProbeRequest, options: EssOptions) -> EssProfile:  # noqa: D102
        return EssProfile(options, humidity_of_others(self._requests).get(request.name))

    @staticmethod
    async def survey(look: Look, seen: Callable[[Seen], None]) -> None:
        """Listen to all devices, and ask those that announce one of the two services."""
        await Survey(_announced, look, seen).go()


def _without_humidity(plan: Plan, owner: str) -> Plan:
    kept = tuple(each for each in plan.sources if Quantity.HUMIDITY not in each.quantities)
    if len(kept) == len(plan.sources):
        return plan
    return replace(plan, sources=kept, remarks=(*plan.remarks, ("not given", not_given(owner))))


def _announced(sighting: Sighting) -> EssProfile | None:
    """Who says that it has one of the services."""
    if sighting.services.isdisjoint(EssProfile.services):
        return None
    return EssProfile(EssOptions(address=sighting.address))
