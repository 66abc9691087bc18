"""What a row of a readings file speaks of: each distinct (probe, quantity, unit, flag) is checked once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from logger.config.fields import NAME
from logger.core.quantity_units import SAME, UNITS
from logger.core.readings import FLAG_CODES, Quantity
from logger.tables.columns import Floats, Ints, shown

T = TypeVar("T")

KIND_COLUMNS = ("probe", "quantity", "unit", "flag")
UNFLAGGED = -1
FLAG_CODE = {str(flag): code for code, flag in enumerate(FLAG_CODES)} | {"": UNFLAGGED}


class Kinds(dict[tuple[str, ...], int]):
    """(probe, quantity, unit, flag) as text -> its number; each is checked when first seen."""

    def __init__(self) -> None:
        super().__init__()
        self.channels: list[tuple[str, Quantity]] = []
        self._channel: list[int] = []
        self._flag: list[int] = []
        self._added: list[float] = []
        self._factor: list[float] = []
        self.converts = False  # whether any has another unit than the stored one

    def __missing__(self, key: tuple[str, ...]) -> int:
        probe, quantity_text, unit, flag = (text.strip() for text in (*key, "")[: len(KIND_COLUMNS)])
        if not NAME.fullmatch(probe):
            raise ValueError(f"probe {shown(probe)}: use 1 to 64 letters, digits, - and _, not - first")
        quantity = _one_of({str(q): q for q in Quantity}, quantity_text, "quantity")
        added, factor = _one_of(UNITS[quantity], unit, f"unit of {quantity}")
        code = _one_of(FLAG_CODE, flag, "flag")
        channel = (probe, quantity)
        if channel not in self.channels:
            self.channels.append(channel)
        self._channel.append(self.channels.index(channel))
        self._flag.append(code)
        self._added.append(added)
        self._factor.append(factor)
        self.converts |= (added, factor) != SAME
        self[key] = len(self)
        return self[key]

    def channel(self, kind: Ints) -> npt.NDArray[np.int32]:
        """Channel of each row, given its kind."""
        return np.array(self._channel, dtype=np.int32)[kind]

    def flag(self, kind: Ints) -> npt.NDArray[np.int8]:
        """Flag code of each row, ``UNFLAGGED`` where the file gives none."""
        return np.array(self._flag, dtype=np.int8)[kind]

    def conversion(self, kind: Ints) -> tuple[Floats, Floats]:
        """What to add first to each row's value, and the factor."""
        return np.array(self._added)[kind], np.array(self._factor)[kind]


def _one_of(table: Mapping[str, T], text: str, what: str) -> T:
    try:
        return table[text]
    except KeyError:
        accepted = ", ".join(filter(None, table))
        raise ValueError(f"{what} {shown(text)} is not known; accepted: {accepted}") from None
