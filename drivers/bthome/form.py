"""One BTHome probe: from what is heard of it to values. Without I/O."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from drivers.adverts import Heard, NotUsableError
from drivers.bthome.decode import Advert, Choice, RefusedError, Repeats, choose, decode
from drivers.bthome.table import OLD_SERVICE_UUIDS, SERVICE_UUID
from drivers.heard import Sighting
from logger.driver_api import Flag, Quantity

_OTHER_STEP = "set the probe to BTHome version 2, or use another probe"
_OLD = "it broadcasts BTHome version 1, and only version 2 is read"
_ON_CHANGE = (
    "it broadcasts only when something changes: its silence is no fault, but its readings become stale "
    "after max_age; raise max_age for it, or set it to broadcast at an interval"
)


class BthomeForm:
    """What is remembered of one probe's packets. ``numbers``: which object of several of one kind."""

    missing = ("it broadcasts no BTHome version 2", _OTHER_STEP)

    def __init__(self, numbers: Mapping[Quantity, int]) -> None:
        self._numbers = numbers
        self._repeats = Repeats()

    def carries(self, sighting: Sighting) -> bool:
        """Whether it is BTHome of any version."""
        return any(uuid in sighting.service_data for uuid in (SERVICE_UUID, *OLD_SERVICE_UUIDS))

    def take(self, sighting: Sighting, now_ns: int) -> Heard:
        """Read one packet; see ``adverts.Format``."""
        payload = sighting.service_data.get(SERVICE_UUID)
        if payload is None:
            raise NotUsableError(_OLD, _OTHER_STEP)
        try:
            advert = decode(payload)
        except RefusedError as error:
            raise NotUsableError(str(error), _OTHER_STEP) from error
        again = self._repeats.update(advert.packet_id, now_ns)
        choice = choose(advert.values, self._numbers)
        return Heard(
            values=tuple((q, value, Flag.DUPLICATE if again else flag) for q, value, flag in choice.values),
            remarks=tuple(self._remarks(advert, choice)),
            on_change=advert.on_change,
        )

    def forget(self) -> None:
        """Whoever comes next counts its packets anew."""
        self._repeats = Repeats()

    def _remarks(self, advert: Advert, choice: Choice) -> Iterator[tuple[str, str]]:
        for quantity, count in choice.counts.items():
            number = self._numbers.get(quantity)
            key = quantity.replace("-", "_")
            if number is None and count > 1:
                yield (
                    f"several {quantity}",
                    f"sends {count} values of {quantity} in one packet, the first is used; for another one "
                    f"add for example {key} = 2",
                )
            elif number is not None and count < number:
                yield (
                    f"few {quantity}",
                    f"sends {count} of {quantity} in one packet, and {key} = {number} asks for number "
                    f"{number}; lower it, or leave it out for the first",
                )
        if advert.on_change:
            yield "on change", _ON_CHANGE
        if advert.fault is not None:
            yield "fault", str(advert.fault)
