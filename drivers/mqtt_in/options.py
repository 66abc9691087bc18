"""Keys of a probe table with ``driver = "mqtt-in"``."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.mqtt_in.pointer import parse_pointer
from drivers.mqtt_in.topics import check_filter
from drivers.probe import IntervalText, in_folder
from drivers.quantity_key import Kind, check_unit
from logger.core.quantity_units import UNITS

ARRIVAL = "arrival"
_PLAIN_FILES = ("ca_file", "cert_file", "key_file")


def _pointer(text: object) -> object:
    if isinstance(text, str):
        parse_pointer(text)
    return text


def _time(text: object) -> object:
    if isinstance(text, str) and text != ARRIVAL and not parse_pointer(text):
        raise ValueError('"" is no field; write a JSON pointer like "/time", or "arrival"')
    return text


def _topic(text: object) -> object:
    if isinstance(text, str):
        check_filter(text)
    return text


def _version(text: object) -> object:
    if text not in ("5", "3.1.1"):
        raise ValueError('must be "5" or "3.1.1"')
    return text


PointerText = Annotated[str, BeforeValidator(_pointer)]
TopicText = Annotated[str, BeforeValidator(_topic)]
FileText = Annotated[str, BeforeValidator(in_folder)]


class ValueOptions(BaseModel):
    """One value of a message: where it stands, what it is and in which unit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    value: PointerText = ""
    """JSON pointer; "" is the whole message, a plain number."""
    quantity: Kind | None = None
    """Left out: the main quantity of the probe's role."""
    unit: str | None = Field(default=None, examples=["°F"])
    """A spelling of the config's units, or a JSON pointer to a text that names it."""
    topic: TopicText | None = None
    """Left out: the probe's own."""

    @model_validator(mode="after")
    def _unit_is_one(self) -> Self:
        if self.unit is None or self.unit.startswith("/"):
            parse_pointer(self.unit or "")
        elif self.quantity is not None:
            check_unit(self.unit, self.quantity)
        elif not any(self.unit in units for units in UNITS.values()):
            raise ValueError(f'unit "{self.unit}" is not known; {_EXAMPLES}')
        return self


_EXAMPLES = 'write one like "°F", "°C", "%", "fpm", "kPa"'


class MqttInOptions(ValueOptions):
    """Broker, topic and what the messages mean. The keys of the broker are those of [mqtt]."""

    host: str = Field(min_length=1, examples=["broker.example"])
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    tls: bool = True
    ca_file: FileText | None = None
    cert_file: FileText | None = None
    key_file: FileText | None = None
    username: str | None = Field(default=None, min_length=1)
    password_file: FileText | None = None
    password_env: str | None = Field(default=None, min_length=1)
    allow_plain: bool = False
    version: Annotated[Literal["5", "3.1.1"], BeforeValidator(_version)] = "5"

    values: tuple[ValueOptions, ...] = ()
    """Several values of one probe, in place of ``value``, ``quantity`` and ``unit``."""
    time: Annotated[str, BeforeValidator(_time)] = ARRIVAL
    """JSON pointer to the time of the reading (RFC 3339 or seconds, milliseconds of the Unix epoch)."""
    max_time_skew: IntervalText = "10 s"
    """How far that time may be from this computer's clock."""
    id: PointerText | None = None
    """JSON pointer to what is the same when a reading comes again."""
    flag: PointerText | None = None
    """JSON pointer to the reading's flag, where another logger has given it one."""

    @property
    def maps(self) -> tuple[ValueOptions, ...]:
        """All values, each with its topic."""
        own = self.values or (self,)
        return tuple(each.model_copy(update={"topic": each.topic or self.topic}) for each in own)

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> Self:
        if self.values and (self.value or self.quantity or self.unit):
            raise ValueError("give values = [...], or value, quantity and unit, one of the two")
        if any(each.unit is None for each in self.maps):
            raise ValueError(f"unit is missing: a number alone does not say what it is; {_EXAMPLES}")
        if any(each.topic is None for each in self.maps):
            raise ValueError('topic is missing; add for example topic = "gateway/probe-1/temperature"')
        fields = {"time": self.time != ARRIVAL, "id": self.id, "flag": self.flag}
        for each in self.maps:
            named = fields | {"unit": (each.unit or "").startswith("/")}
            if not each.value and any(named.values()):
                which = " and ".join(key for key, given in named.items() if given)
                raise ValueError(f"{which} cannot be read from a plain number; name the field of value too")
        return self

    @model_validator(mode="after")
    def _secrets_are_safe(self) -> Self:
        with_password = self.password_file is not None or self.password_env is not None
        if self.password_file is not None and self.password_env is not None:
            raise ValueError("give password_file or password_env, one of the two")
        if with_password and self.username is None:
            raise ValueError("username is missing; a password needs one")
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together; give both or neither")
        if self.tls:
            return self
        for key in _PLAIN_FILES:
            if getattr(self, key) is not None:
                raise ValueError(f"{key} goes with tls = true only; remove it or switch TLS on")
        if with_password and not self.allow_plain and not is_loopback(self.host):
            raise ValueError(
                "a password would cross the network in the clear; set tls = true, or allow_plain = true if "
                "you accept that"
            )
        return self


def is_loopback(host: str) -> bool:
    """Whether a host is this computer itself.

    >>> is_loopback("127.0.0.1"), is_loopback("broker.example")
    (True, False)
    """
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
