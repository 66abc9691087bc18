"""What a map file may say: ``riselog.gatt-map/1``."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, ClassVar, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from drivers.gatt_map import words
from drivers.gatt_map.checks import of_map, of_value, raise_findings
from drivers.gatt_map.decode import FORMATS, INTEGERS, Rule
from drivers.gatt_map.meaning import PACKET_LIMIT, Source, SourceKind, rule_of, source_of
from drivers.gatt_map.words import one_of
from drivers.heard import full_uuid
from drivers.quantity_key import quantity_of
from logger.core.readings import Quantity

SCHEMA = "riselog.gatt-map/1"
START_LIMIT = 20  # bytes, what fits the smallest ATT_MTU of 23: Core Specification vol 3 part F 3.2.8
TITLE_LIMIT = 80  # characters, assumed
VALUES_LIMIT = 32  # [[value]] tables, assumed
_SHORT = re.compile(r"(?:0x)?([0-9a-f]{4})", re.ASCII)
_FULL = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}", re.ASCII)
_SOURCED = tuple(quantity for quantity in Quantity if quantity is not Quantity.SIGNAL)
_PAYLOAD = re.compile(r"[0-9A-Fa-f]{2}(?: ?[0-9A-Fa-f]{2})*", re.ASCII)


def _uuid(text: object) -> object:
    if not isinstance(text, str):
        raise ValueError('must be a UUID as text, like "181a" or one with all its 36 characters')  # noqa: TRY004
    low = text.lower()
    if (short := _SHORT.fullmatch(low)) is not None:
        return full_uuid(int(short[1], 16))
    if _FULL.fullmatch(low) is None:
        raise ValueError(
            f'"{text}" is no UUID; write 4 hexadecimal digits like "181a", or all 36 characters of it'
        )
    return low


def _title(text: object) -> object:
    if isinstance(text, str) and not (0 < len(text) <= TITLE_LIMIT and text.isprintable()):
        raise ValueError(f"must be one line of 1 to {TITLE_LIMIT} characters that can be shown")
    return text


def _payload(text: object) -> object:
    if isinstance(text, str):
        text = " ".join(text.split())
        if _PAYLOAD.fullmatch(text) is None:
            raise ValueError(f'"{text}" is not bytes; write two hexadecimal digits for each, like "01 0a"')
        if (length := len(bytes.fromhex(text))) > START_LIMIT:
            raise ValueError(
                f"has {length} bytes, and more than {START_LIMIT} are not sent; a command that starts a "
                "stream is short"
            )
    return text


def _starts_only(given: object) -> object:
    if given is not True:
        raise ValueError(
            "must be true: riselog only reads, and writes nothing but a command that starts the probe's own"
            " stream; if this one does more, leave [start] out"
        )
    return given


Uuid = Annotated[str, BeforeValidator(_uuid)]
Offset = Annotated[int, Field(ge=0, lt=PACKET_LIMIT)]
Length = Annotated[int, Field(ge=1, le=PACKET_LIMIT)]
FormatName = Annotated[
    Literal[
        "uint8", "uint16", "uint24", "uint32", "sint8", "sint16", "sint24", "sint32",
        "float32", "float11073", "sfloat11073",
    ],
    BeforeValidator(one_of(tuple(FORMATS), words.FORMATS)),
]  # fmt: skip
IntegerName = Annotated[
    Literal["uint8", "uint16", "uint24", "uint32", "sint8", "sint16", "sint24", "sint32"],
    BeforeValidator(one_of(tuple(INTEGERS), words.FORMATS)),
]
ByteOrder = Annotated[Literal["little", "big"], BeforeValidator(one_of(("little", "big"), words.BYTE_ORDERS))]
How = Annotated[
    Literal["notify", "read", "both"], BeforeValidator(one_of(("notify", "read", "both"), words.HOWS))
]


def _tables(given: object) -> object:
    if isinstance(given, dict):
        raise ValueError("is one table; write [[value]] with two brackets at each side: there may be several")  # noqa: TRY004
    return given


class MapTable(BaseModel):
    """Any table of a map: unknown keys are errors, nothing is coerced."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class WhenTable(MapTable):
    """Which packets a value is for: those where the number there equals this one."""

    offset: Offset = 0
    format: IntegerName = "uint8"
    byte_order: ByteOrder = "little"
    mask: int | None = None
    equals: int = Field(examples=[1])


class ValueTable(MapTable):
    """One value: where its bytes come from, where it stands in them, and what it means."""

    meant: ClassVar[Mapping[str, str]] = words.KEYS

    quantity: Annotated[Quantity, BeforeValidator(lambda text: quantity_of(text, _SOURCED))] = Field(
        examples=["temperature"]
    )
    unit: str = Field(examples=["degC"])

    characteristic: Uuid | None = None
    service: Uuid | None = None
    manufacturer: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    service_data: Uuid | None = None
    how: How = "both"
    """What is done with the characteristic, where it allows it."""

    offset: Offset = 0
    format: FormatName = Field(examples=["sint16"])
    byte_order: ByteOrder = "little"
    mask: int | None = None
    """Bits of an integer in use, in one run; they are moved down to bit 0."""
    scale: float = 1.0
    add: float = 0.0
    not_known: Annotated[tuple[int, ...], Field(strict=False, max_length=VALUES_LIMIT)] = ()
    low: float | None = None
    high: float | None = None
    """Of the raw number."""

    length: Length | None = None
    min_length: Length | None = None
    when: WhenTable | None = None

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        raise_findings(of_value(self))
        return self


class StartTable(MapTable):
    """A command written once after each connection, which makes the probe send."""

    service: Uuid = Field(examples=["0000fff0-0000-1000-8000-00805f9b34fb"])
    characteristic: Uuid = Field(examples=["0000fff2-0000-1000-8000-00805f9b34fb"])
    payload: Annotated[str, BeforeValidator(_payload)] = Field(examples=["01"])
    only_starts_streaming: Annotated[bool, BeforeValidator(_starts_only)] = Field(
        default=False, validate_default=True
    )


class ProbeMap(MapTable):
    """A whole map file."""

    model_config = ConfigDict(serialize_by_alias=True)

    schema_: Literal["riselog.gatt-map/1"] = Field(alias="schema", examples=[SCHEMA])
    title: Annotated[str, BeforeValidator(_title)] = Field(examples=["thermometer of the boiler room"])
    value: Annotated[
        tuple[ValueTable, ...], Field(strict=False, max_length=VALUES_LIMIT), BeforeValidator(_tables)
    ] = Field(examples=["[[value]]"])
    start: StartTable | None = None

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        raise_findings(of_map(self))
        return self

    @property
    def rules(self) -> dict[Source, tuple[Rule, ...]]:
        """What is read from where, in the order of the file."""
        found: dict[Source, tuple[Rule, ...]] = {}
        for value in self.value:
            found[source_of(value)] = (*found.get(source_of(value), ()), rule_of(value))
        return found

    @property
    def how(self) -> dict[Source, str]:
        """What is done with each characteristic: one way for all values of it."""
        return {source_of(value): value.how for value in self.value}

    @property
    def connects(self) -> bool:
        """Whether the probe is connected to; else it is listened to."""
        return source_of(self.value[0]).kind is SourceKind.CHARACTERISTIC
