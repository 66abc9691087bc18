"""What the logger tells of itself: probes, quantities, units, and what they are in two vocabularies. Pure.

Sources: Project Haystack 4 (lib phIoT, air points; lib phScience, quantities) for the tags, Brick 1.5 for
the classes. Neither has a word for the velocity of air in a duct or for a mass flow of dry air: the
next wider one stands there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from logger.clock import utc_text
from logger.core.readings import QUANTITIES, Quantity
from logger.publish.live import Source
from logger.publish.post import Post, Topics, payload

HAYSTACK_DUCT: dict[str, str] = {
    "return": "return",
    "mixed": "mixed",
    "supply": "discharge",
    "outdoor": "outside",
}
"""Role of a probe -> marker of the air stream."""

HAYSTACK: dict[Quantity, tuple[str, ...]] = {
    Quantity.TEMPERATURE: ("air", "temp"),
    Quantity.HUMIDITY: ("air", "humidity"),
    Quantity.PRESSURE: ("atmospheric", "pressure"),
    Quantity.VELOCITY: ("air", "speed"),
    Quantity.DRY_AIR_FLOW: ("air", "flow"),
    Quantity.GAS_VOLUME: ("gas", "volume"),
    Quantity.POWER: ("power",),
    Quantity.BATTERY: ("battery", "level"),
    Quantity.SIGNAL: (),
}
"""Quantity -> markers beside ``point`` and ``sensor``."""

BRICK_AIR: dict[str, str] = {
    "return": "Return_Air",
    "mixed": "Mixed_Air",
    "supply": "Supply_Air",
    "outdoor": "Outside_Air",
}
BRICK_IN_AIR: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "Temperature_Sensor",
    Quantity.HUMIDITY: "Humidity_Sensor",
}
"""Quantities that Brick has a class for in each air stream."""

BRICK: dict[Quantity, str] = {
    Quantity.TEMPERATURE: "Air_Temperature_Sensor",
    Quantity.HUMIDITY: "Humidity_Sensor",
    Quantity.PRESSURE: "Pressure_Sensor",
    Quantity.VELOCITY: "Speed_Sensor",
    Quantity.DRY_AIR_FLOW: "Flow_Sensor",
    Quantity.GAS_VOLUME: "Usage_Sensor",
    Quantity.POWER: "Power_Sensor",
    Quantity.BATTERY: "Sensor",
    Quantity.SIGNAL: "Sensor",
}


def haystack_tags(role: str, quantity: Quantity) -> list[str]:
    """Markers of a point.

    >>> haystack_tags("supply", Quantity.TEMPERATURE)
    ['point', 'sensor', 'discharge', 'air', 'temp']
    """
    markers = HAYSTACK[quantity]
    duct = [HAYSTACK_DUCT[role]] if "air" in markers and role in HAYSTACK_DUCT else []
    return ["point", "sensor", *duct, *markers]


def brick_class(role: str, quantity: Quantity) -> str:
    """Class of a point.

    >>> brick_class("return", Quantity.HUMIDITY)
    'brick:Return_Air_Humidity_Sensor'
    """
    if role in BRICK_AIR and quantity in BRICK_IN_AIR:
        return f"brick:{BRICK_AIR[role]}_{BRICK_IN_AIR[quantity]}"
    return f"brick:{BRICK[quantity]}"


def about_post(
    topics: Topics,
    source: Source,
    probes: Mapping[str, tuple[str, Sequence[Quantity]]],
    *,
    version: str,
    number: int,
    t_utc_us: int,
) -> Post:
    """The retained message; ``probes`` gives role and quantities of each probe by name."""
    points = [
        {
            "probe": name,
            "role": role,
            "quantity": quantity.value,
            "unit": QUANTITIES[quantity].unit,
            "topic": topics.reading(name, quantity),
            "haystack": haystack_tags(role, quantity),
            "brick": brick_class(role, quantity),
        }
        for name, (role, quantities) in probes.items()
        for quantity in quantities
    ]
    document: dict[str, Any] = {
        "id": f"{source.run}/about-{number}",
        "t": utc_text(t_utc_us),
        "schema": "riselog.about/1",
        "version": version,
        "site": topics.site,
        "job": topics.job,
        "run": source.run,
        "simulated": source.simulated,
        "points": points,
    }
    return Post(topic=topics("about"), payload=payload(document), retain=True)
