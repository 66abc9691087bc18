"""The table of devices in lines, as wide as there is room. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logger.scan.roster import Device
from logger.screen.format import DASH
from logger.screen.quantity import value_text

if TYPE_CHECKING:
    from logger.screen.glyphs import Glyphs

HEAD = ("", "address", "name", "signal", "age", "driver", "what it says")
_LEAST_ADDRESS, _MOST_ADDRESS = 17, 36  # characters: a hardware address, a UUID
_NAME, _SIGNAL, _AGE, _DRIVER = 14, 7, 5, 8  # characters


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
    """Head and rows, each in ``width`` cells; the last column takes what is left."""
    address = min(_MOST_ADDRESS, max([_LEAST_ADDRESS, *(len(cells[1]) for cells in rows)]))
    widths = (len(str(len(rows))), address, _NAME, _SIGNAL, _AGE, _DRIVER)
    last = max(8, width - sum(widths) - len(widths))
    return [
        " ".join(
            [
                *(
                    glyphs.fit(cell, room, right=place in (0, 3, 4))
                    for place, (cell, room) in enumerate(zip(cells, widths, strict=False))
                ),
                glyphs.cut(cells[-1], last),
            ]
        )
        for cells in (HEAD, *rows)
    ]
