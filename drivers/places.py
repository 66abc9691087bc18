"""One device at two places: its channels are each somewhere else, and what it has once is at one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from logger.driver_api import ProbeRequest, Quantity


def humidity_of_others(requests: Sequence[ProbeRequest]) -> Mapping[str, str]:
    """Probes that are not given their device's humidity, and which one is: of tables that use its several
    temperatures the first one has the first humidity, or the one that asks for it with its key ``humidity``.

    The same relative humidity at two temperatures would be two moistures, one of them false.

    >>> two = [
    ...     ProbeRequest(
    ...         name=name,
    ...         role=name,
    ...         quantities=(Quantity.TEMPERATURE,),
    ...         options={"address": "A", "temperature": n},
    ...     )
    ...     for n, name in enumerate(("ret", "sup"), 1)
    ... ]
    >>> humidity_of_others(two)
    {'sup': 'ret'}
    """
    by_device: dict[tuple[Any, ...], list[ProbeRequest]] = {}
    for each in requests:
        if each.quantities[:1] == (Quantity.TEMPERATURE,):
            by_device.setdefault(_device(each), []).append(each)
    found: dict[str, str] = {}
    for probes in by_device.values():
        plain = [each for each in probes if _asked(each) is None]
        # a name may be that of the first one too: better no humidity than a false one
        firsts = [each for each in probes if _asked(each) == 1 or isinstance(_asked(each), str)]
        owner = next(iter([*firsts, *plain]), None)
        found |= {each.name: owner.name for each in plain if owner is not None and each is not owner}
    return found


def not_given(owner: str) -> str:
    """What is said of it."""
    return (
        f"the humidity of this device is that of probe '{owner}'; if its sensor is with this probe, write "
        "humidity = 1 in this table"
    )


def _device(request: ProbeRequest) -> tuple[Any, ...]:
    address, name = request.options.get("address"), request.options.get("name")
    return request.options.get("adapter"), address.casefold() if isinstance(address, str) else None, name


def _asked(request: ProbeRequest) -> Any:  # noqa: ANN401 - a number, a name or None, as the options have it
    return request.options.get("humidity")
