"""Keys of a probe table with ``driver = "bthome"``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from drivers.bthome.seal import ADDRESS, KEY
from drivers.bthome.table import FIELDS
from drivers.probe import ProbeOptions, in_folder
from logger.driver_api import Quantity

_DEVICE_KEYS = ("address", "name")
_KEYS_IN_CLEAR = ("bindkey", "bind_key")
_WHERE = (
    "put the key into the first line of a file of its own and name that in bindkey_file, or name an "
    "environment variable in bindkey_env"
)


_AROUND = re.compile(r"^\s*0[xX]|[\s:-]")  # what people write around the digits of a key


def _no_key(text: object) -> object:
    if _is_key(text):
        raise ValueError(f"this is a bind key and not the name of a place; {_WHERE}")
    return text


def _is_key(text: object) -> bool:
    return isinstance(text, str) and KEY.fullmatch(_AROUND.sub("", text)) is not None


def _mac(text: object) -> object:
    """What is refused is not shown: it may be a key, or most of one."""
    if _is_key(text):
        raise ValueError(f"this is a bind key and not a hardware address; {_WHERE}")
    if isinstance(text, str) and ADDRESS.fullmatch(text) is None:
        raise ValueError('what stands there is not a hardware address; write it like "AA:BB:CC:00:00:02"')
    return text


Number = Annotated[int, Field(strict=True, ge=1, le=255, examples=[2])]
"""Which of several objects of one kind in a packet, counted from 1."""


def key_of(quantity: Quantity) -> str:
    """The key that says which of several values of a quantity is used."""
    return quantity.replace("-", "_")


class BthomeOptions(ProbeOptions):
    """Which device it is, how it is decrypted, and which of its values are used."""

    model_config = ConfigDict(hide_input_in_errors=True)  # a key that stands in the wrong place

    bindkey_file: Annotated[str, BeforeValidator(in_folder), BeforeValidator(_no_key)] | None = None
    bindkey_env: (
        Annotated[str, BeforeValidator(_no_key), Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$")] | None
    ) = None
    mac: Annotated[str, BeforeValidator(_mac)] | None = None
    """The probe's hardware address, where the system gives it another one (macOS)."""

    temperature: Number | None = None
    humidity: Number | None = None
    pressure: Number | None = None
    velocity: Number | None = None
    gas_volume: Number | None = None
    power: Number | None = None
    battery: Number | None = None

    @property
    def numbers(self) -> Mapping[Quantity, int]:
        """The number of the object asked for, where one is."""
        kinds = {field.quantity for field in FIELDS.values()}
        asked = {kind: getattr(self, key_of(kind)) for kind in kinds}
        return {kind: number for kind, number in asked.items() if number is not None}

    def chosen(self, quantity: Quantity) -> int:
        """Which object of that quantity is used; without a number the first."""
        return self.numbers.get(quantity, 1)

    @model_validator(mode="before")
    @classmethod
    def _no_key_in_clear(cls, given: Any) -> Any:  # noqa: ANN401 - whatever the config holds
        if isinstance(given, Mapping):
            for key in _KEYS_IN_CLEAR:
                if key in given:
                    raise _refused(key)
            for key in _DEVICE_KEYS:  # 32 digits with nothing between them are neither an address nor a UUID
                text = given.get(key)
                if isinstance(text, str) and KEY.fullmatch(text.strip()):
                    raise _refused(key)
        return given

    @model_validator(mode="after")
    def _one_place_of_the_key(self) -> Self:
        if self.bindkey_file is not None and self.bindkey_env is not None:
            raise ValueError("give bindkey_file or bindkey_env, one of the two")
        if self.mac is not None and self.bindkey_file is None and self.bindkey_env is None:
            raise ValueError(
                "mac is used for decryption alone; add bindkey_file or bindkey_env, or leave it out"
            )
        return self


def _refused(key: str) -> ValidationError:
    text = f"a bind key in the config file itself is refused, for a config is stored with every run; {_WHERE}"
    detail = InitErrorDetails(type=PydanticCustomError("key_in_clear", text), loc=(key,), input="hidden")
    return ValidationError.from_exception_data(BthomeOptions.__name__, [detail], hide_input=True)
