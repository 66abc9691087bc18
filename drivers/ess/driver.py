"""The ``ess`` driver: probes of the Environmental Sensing Service over a GATT connection."""

from __future__ import annotations

from typing import Any, ClassVar

from pydantic import field_validator

from drivers.ble import Connection
from drivers.ess.choice import plan_of
from drivers.ess.table import ENVIRONMENTAL_SENSING
from drivers.gatt.life import GattDriver
from drivers.gatt.profile import Plan
from drivers.heard import full_uuid
from drivers.probe import ProbeOptions, seconds
from logger.driver_api import ProbeRequest


class EssOptions(ProbeOptions):
    """Keys of a probe table with ``driver = "ess"``."""

    read_every: str = "1 s"
    """How often a characteristic that cannot notify is read."""

    @field_validator("read_every")
    @classmethod
    def _positive(cls, text: str) -> str:
        if seconds(text) <= 0:
            raise ValueError('"0 s" is not possible; write a time like "1 s"')
        return text


class EssProfile:
    """A probe of the Environmental Sensing Service."""

    services = (full_uuid(ENVIRONMENTAL_SENSING),)
    nothing = (
        "it has no Environmental Sensing value that can be read",
        "use a probe with temperature, humidity, pressure or wind speed of that service",
    )

    def __init__(self, options: EssOptions) -> None:
        self._options = options

    async def plan(self, connection: Connection) -> Plan:
        """What to use of this connection."""
        return plan_of(connection.characteristics, seconds(self._options.read_every))


class EssDriver(GattDriver):
    """Keeps every probe connected, each on its own."""

    name: ClassVar[str] = "ess"
    Options: ClassVar[type[Any]] = EssOptions

    def profile(self, request: ProbeRequest, options: EssOptions) -> EssProfile:  # noqa: ARG002, D102
        return EssProfile(options)
