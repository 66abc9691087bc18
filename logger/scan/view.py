"""The table of devices in lines, as wide as there is room. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.scan.roster import Device
from logger.screen.format import DASH
from logger.screen.quantity import value_text

if TYPE_CHECKING:
    from logger.screen.glyphs import Glyphs

HEAD = ("", "address", "name", "signal", "age", "driver", "what it says")
_LEAST_ADDRESS, _MOST_ADDRESS = 17, 36  # characters: a hardware address, a UUID
_CUT_ADDRESS = 8  # characters; its end is what a line of 40 has no room for
_NAME, _SIGNAL, _AGE, _DRIVER = 14, 7, 5, 8  # characters
_LEAST_SAYS = 20  # characters for what it says; assumed: a temperature and a humidity
_RIGHT = (0, 3, 4)  # columns of numbers
_FIRST_TO_GO = (4, 5, 2, 3)  # age, driver, name, signal; number and address are for who chooses


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanView:
    """One frame: the rows, what stands above them, and how long it still goes on."""

    rows: tuple[tuple[str, ...], ...]
    head: str
    left_s: float


def row(device: Device, number: int, units: str, now_s: float) -> tuple[str, ...]:
    """The cells of one device; ``number`` is for who chooses."""
    values = [value_text(quantity, value, units) for quantity, value in device.values.items()]
    says = ", ".join(values)
    return (
        str(number),
        device.address,
        device.name or DASH,
        DASH if device.signal_dbm is None else f"{device.signal_dbm:.0f}dBm",
        f"{max(0.0, now_s - device.heard_s):.0f}s",
        device.driver or DASH,
        _with_probe(device, "; ".join(text for text in (says, device.note) if text) or "no driver reads it"),
    )


def _with_probe(device: Device, says: str) -> str:
    return f"probe {device.probe}: {says}" if device.probe else says


def table(rows: Sequence[tuple[str, ...]], width: int, glyphs: Glyphs) -> list[str]:
    """Head and rows, each in ``width`` cells; the last column takes what is left. Where that is too little,
    others make room, those first that matter least."""
    address = min(_MOST_ADDRESS, max([_LEAST_ADDRESS, *(len(cells[1]) for cells in rows)]))
    widths = dict(enumerate((len(str(len(rows))), address, _NAME, _SIGNAL, _AGE, _DRIVER)))
    for place in _FIRST_TO_GO:
        if _left(widths, width) >= _LEAST_SAYS:
            break
        del widths[place]
    if 1 in widths:
        widths[1] = max(min(widths[1], widths[1] + _left(widths, width) - _LEAST_SAYS), _CUT_ADDRESS)
    last = max(_left(widths, width), 1)
    return [
        " ".join(
            [
                *(glyphs.fit(cells[place], room, right=place in _RIGHT) for place, room in widths.items()),
                glyphs.cut(cells[-1], last),
            ]
        )
        for cells in (HEAD, *rows)
    ]


def _left(widths: Mapping[int, int], width: int) -> int:
    return width - sum(widths.values()) - len(widths)
