"""One BTHome probe: from what is heard of it to values. Without I/O."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from drivers.adverts import Heard, NotUsableError
from drivers.ble_errors import Trouble
from drivers.bthome.decode import Advert, Choice, RefusedError, Repeats, choose, decode, encrypted
from drivers.bthome.seal import NoAddressError, OldPacketError, Opened, Seal, SealError
from drivers.bthome.table import OLD_SERVICE_UUIDS, SERVICE_UUID
from drivers.heard import Sighting
from drivers.places import not_given
from logger.driver_api import Flag, Quantity

_OTHER_STEP = "set the probe to BTHome version 2, or use another probe"
_OLD_VERSION = "it broadcasts BTHome version 1, and only version 2 is read"
_ON_CHANGE = (
    "it broadcasts only when something changes: its silence is no fault, but its readings become stale "
    "after max_age; raise max_age for it, or set it to broadcast at an interval"
)
_NO_KEY = Trouble(
    "its advertisements are encrypted, and no bind key is given",
    "write the probe's bind key into a file and name it with bindkey_file, or name an environment variable "
    "with bindkey_env",
)
_NOT_ENCRYPTED = Trouble(
    "its advertisements are not encrypted although a bind key is given, so they may be somebody else's",
    "switch its encryption on, or take bindkey_file or bindkey_env out of its table",
)
_WRONG_KEY = Trouble(
    "its advertisements cannot be decrypted with the bind key given",
    "compare the key with the probe's, and mac, where it is given, with the probe's hardware address",
)
_NO_ADDRESS_STEP = 'add mac = "AA:BB:CC:00:00:02" with the hardware address printed on the probe'


class _ForeignError(Exception):
    """Somebody else's packet in the name of a probe that was proven by its key before."""


class BthomeForm:
    """What is remembered of one probe's packets.

    ``numbers``: which object of several of one kind. ``seal``: what decrypts, or why nothing can.
    """

    missing = Trouble("it broadcasts no BTHome version 2", _OTHER_STEP)

    def __init__(
        self,
        numbers: Mapping[Quantity, int],
        seal: Seal | Trouble | None = None,
        humidity_of: str | None = None,
    ) -> None:
        self._numbers = numbers
        self._humidity_of = humidity_of  # another probe of the device, which alone is given it
        self._seal = seal
        self._proven = False  # a packet was decrypted since the probe was silent
        self._repeats = Repeats()

    def carries(self, sighting: Sighting) -> bool:
        """Whether it is BTHome of any version."""
        return any(uuid in sighting.service_data for uuid in (SERVICE_UUID, *OLD_SERVICE_UUIDS))

    def take(self, sighting: Sighting, now_ns: int) -> Heard:
        """Read one packet; see ``adverts.Format``."""
        payload = sighting.service_data.get(SERVICE_UUID)
        if payload is None:
            raise NotUsableError(Trouble(_OLD_VERSION, _OTHER_STEP))
        try:
            opened = self._opened(payload, sighting.address)
            advert = decode(opened.payload)
        except RefusedError as error:
            raise NotUsableError(Trouble(str(error), _OTHER_STEP)) from error
        except _ForeignError as error:
            text = f"{error}; it may be somebody else's, and such packets are left out"
            return Heard(remarks=((f"foreign {error}", text),), foreign=True)
        again = self._repeats.update(advert.packet_id, now_ns) or opened.again
        choice = choose(advert.values, self._numbers)
        return Heard(
            values=tuple(
                (q, value, Flag.DUPLICATE if again else flag)
                for q, value, flag in choice.values
                if q is not Quantity.HUMIDITY or self._humidity_of is None
            ),
            remarks=tuple(self._remarks(advert, choice)),
            on_change=advert.on_change,
        )

    def forget(self) -> None:
        """Whoever comes next counts its packets anew."""
        self._repeats = Repeats()
        self._proven = False
        if isinstance(self._seal, Seal):
            self._seal.forget()

    def _opened(self, payload: bytes, address: str) -> Opened:
        """The packet in the clear; with a key nothing that was not made with it."""
        if isinstance(self._seal, Trouble):
            raise NotUsableError(self._seal)
        if not encrypted(payload):
            if self._seal is not None:
                raise self._doubt("a packet came unencrypted in its name", _NOT_ENCRYPTED)
            return Opened(payload, again=False)
        if self._seal is None:
            raise NotUsableError(_NO_KEY)
        try:
            opened = self._seal.open(payload, address)
        except NoAddressError as error:
            raise NotUsableError(Trouble(str(error), _NO_ADDRESS_STEP)) from error
        except SealError:
            raise self._doubt(
                "a packet came in its name that its bind key does not fit", _WRONG_KEY
            ) from None
        except OldPacketError as error:
            raise _ForeignError(f"{error} in its name") from error
        self._proven = True
        return opened

    def _doubt(self, text: str, otherwise: Trouble) -> Exception:
        return _ForeignError(text) if self._proven else NotUsableError(otherwise)

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
        if self._humidity_of is not None and Quantity.HUMIDITY in choice.counts:
            yield "not given", not_given(self._humidity_of)
        if advert.on_change:
            yield "on change", _ON_CHANGE
        if advert.fault is not None:
            yield "fault", str(advert.fault)
