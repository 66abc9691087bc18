"""Words that papers of probes and programs have in place of those of a map, and what is meant. Pure.

`common practice, no source`
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence

_LONGEST = 64  # characters of a wrong word that are looked at; assumed
_BITS = r"(8|16|24|32)"

FORMATS: Mapping[str, str] = {  # pattern of the whole word in small letters -> format
    rf"(?:int|i|s|sint|signed){_BITS}": r"sint\1",
    rf"(?:uint|u|unsigned){_BITS}": r"uint\1",
    r"byte|uchar": "uint8",
    r"char|schar": "sint8",
    r"short": "sint16",
    r"ushort|word": "uint16",
    r"int|long|sint": "sint32",
    r"ulong|dword": "uint32",
    r"float|single|real|ieee754|binary32|f32": "float32",
    r"medfloat32|float_?type": "float11073",
    r"sfloat|medfloat16|sfloat_?type": "sfloat11073",
}
BYTE_ORDERS: Mapping[str, str] = {
    r"le|lsb|lsbf|lsb.first|little.*|intel": "little",
    r"be|msb|msbf|msb.first|big.*|network|motorola": "big",
}
HOWS: Mapping[str, str] = {
    r"notif.*|indicat.*|subscri.*|listen": "notify",
    r"read.*|poll.*": "read",
    r"any|all|auto": "both",
}
KEYS: Mapping[str, str] = {
    "factor": "scale", "multiplier": "scale", "resolution": "scale",
    "endian": "byte_order", "endianness": "byte_order", "order": "byte_order",
    "type": "format", "datatype": "format", "signed": "format",
    "uuid": "characteristic", "char": "characteristic", "char_uuid": "characteristic",
    "characteristic_uuid": "characteristic", "service_uuid": "service",
    "company": "manufacturer", "company_id": "manufacturer", "manufacturer_data": "manufacturer",
    "position": "offset", "start": "offset", "index": "offset", "pos": "offset",
    "bytes": "length", "size": "length", "len": "length",
    "min": "low", "minimum": "low", "max": "high", "maximum": "high", "shift": "add", "bias": "add",
    "invalid": "not_known", "none": "not_known", "bitmask": "mask", "bits": "mask", "mode": "how",
}  # fmt: skip
_ORDER = re.compile(r"(.*\d)[_ -]?(le|be)")


def one_of(accepted: Sequence[str], meant: Mapping[str, str]) -> Callable[[object], object]:
    """A check that text is one of these words; what else is written is told with the word that is meant."""

    def check(text: object) -> object:
        if not isinstance(text, str) or text in accepted:
            return text
        raise ValueError(f"must be one of {', '.join(accepted)}{_hint(text[:_LONGEST], accepted, meant)}")

    return check


def _hint(text: str, accepted: Sequence[str], meant: Mapping[str, str]) -> str:
    low = text.strip().casefold()
    order = _ORDER.fullmatch(low)
    if order is not None and meant is FORMATS:
        word, ends = _meant(order[1], accepted, meant), {"le": "little", "be": "big"}
        return f"; did you mean '{word}' with byte_order = \"{ends[order[2]]}\"?" if word else ""
    word = _meant(low, accepted, meant)
    return f"; did you mean '{word}'?" if word else ""


def _meant(low: str, accepted: Sequence[str], meant: Mapping[str, str]) -> str:
    if low in accepted:
        return low
    for pattern, word in meant.items():
        if (match := re.fullmatch(pattern, low)) is not None:
            return match.expand(word)
    return next(iter(difflib.get_close_matches(low, accepted, n=1)), "")
