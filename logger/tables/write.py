"""Writing CSV: readings that read back exactly, and the trace of the core's ticks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TextIO

import numpy as np

from logger.config.fields import NAME
from logger.core.readings import FLAG_CODES, NS_PER_US, QUANTITIES, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS, Phase
from logger.tables.read import COLUMNS

_PHASES = tuple(Phase)
_PHASE_PLACE = TRACE_COLUMNS.index("phase")


def write_readings(blocks: Iterable[ReadingBlock], start_utc_us: int, stream: TextIO) -> None:
    """Readings in order of arrival; open ``stream`` with ``newline=""``.

    ``time`` is the run's start plus elapsed time, never the host's stepped clock; a value is
    written so that reading it back gives the same number. Names are restricted where they come
    in; one that is not, from a store written by something else, is quoted and cannot be a formula.
    """
    stream.write(",".join(COLUMNS) + "\n")
    for block in blocks:
        utc_us = (block.t_ns // NS_PER_US + start_utc_us).astype("datetime64[us]")
        heads = [f"{_name(probe)},{quantity}" for probe, quantity in block.channels]
        units = [QUANTITIES[quantity].unit for _, quantity in block.channels]
        columns = (
            np.datetime_as_string(utc_us, unit="us").tolist(),
            block.channel.tolist(),
            block.value.tolist(),
            block.flag.tolist(),
        )
        stream.write(
            "".join(
                f"{time}Z,{heads[channel]},{value!r},{units[channel]},{FLAG_CODES[flag]}\n"
                for time, channel, value, flag in zip(*columns, strict=True)
            )
        )


def _name(probe: str) -> str:
    if NAME.fullmatch(probe):
        return probe
    return "\"'" + probe.replace('"', '""') + '"'


def write_trace(rows: Iterable[Sequence[float | None]], stream: TextIO) -> None:
    """Rows of ``TRACE_COLUMNS``; the phase by name, an empty field where a value could not be had."""
    stream.write(",".join(TRACE_COLUMNS) + "\n")
    for row in rows:
        fields = ["" if value is None else repr(float(value)) for value in row]
        phase = row[_PHASE_PLACE]
        fields[_PHASE_PLACE] = "" if phase is None else str(_PHASES[int(phase)])
        stream.write(",".join(fields) + "\n")
