"""Writing CSV: readings that read back exactly, and the trace of the core's ticks."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from typing import TextIO

import numpy as np

from logger.config.fields import NAME
from logger.core.readings import FLAG_CODES, NS_PER_US, QUANTITIES, ReadingBlock
from logger.core.snapshot import TRACE_COLUMNS, Phase
from logger.tables.read import COLUMNS

PHASES = tuple(Phase)
PHASE_PLACE = TRACE_COLUMNS.index("phase")


HEADER_LINE = ",".join(COLUMNS) + "\n"


class ReadingsDigest:
    """SHA-256 (FIPS 180-4) over readings as they come, in order of ``seq``, written as canonical CSV.

    It is that of what `riselog export RUN --output readings.csv` writes, header line included:
    `sha256sum readings.csv` gives the same.
    """

    def __init__(self, start_utc_us: int) -> None:
        self._start_utc_us = start_utc_us
        self._sha256 = hashlib.sha256(HEADER_LINE.encode())

    def update(self, block: ReadingBlock) -> None:
        """Take the next readings in."""
        self._sha256.update(reading_lines(block, self._start_utc_us).encode())

    def hexdigest(self) -> str:
        """The digest of all so far."""
        return self._sha256.hexdigest()


def readings_sha256(blocks: Iterable[ReadingBlock], start_utc_us: int) -> str:
    """The digest of a whole run's readings."""
    digest = ReadingsDigest(start_utc_us)
    for block in blocks:
        digest.update(block)
    return digest.hexdigest()


def write_readings(blocks: Iterable[ReadingBlock], start_utc_us: int, stream: TextIO) -> None:
    """Readings in order of arrival; open ``stream`` with ``newline=""``."""
    stream.write(HEADER_LINE)
    for block in blocks:
        stream.write(reading_lines(block, start_utc_us))


def reading_lines(block: ReadingBlock, start_utc_us: int) -> str:
    """One line a reading.

    ``time`` is the run's start plus elapsed time, never the host's stepped clock; a value is
    written so that reading it back gives the same number. Names are restricted where they come
    in; one that is not, from a store written by something else, is quoted and cannot be a formula.
    """
    utc_us = (block.t_ns // NS_PER_US + start_utc_us).astype("datetime64[us]")
    heads = [f"{_name(probe)},{quantity}" for probe, quantity in block.channels]
    units = [QUANTITIES[quantity].unit for _, quantity in block.channels]
    columns = (
        np.datetime_as_string(utc_us, unit="us").tolist(),
        block.channel.tolist(),
        block.value.tolist(),
        block.flag.tolist(),
    )
    return "".join(
        f"{time}Z,{heads[channel]},{value!r},{units[channel]},{FLAG_CODES[flag]}\n"
        for time, channel, value, flag in zip(*columns, strict=True)
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
        phase = row[PHASE_PLACE]
        fields[PHASE_PLACE] = "" if phase is None else str(PHASES[int(phase)])
        stream.write(",".join(fields) + "\n")
