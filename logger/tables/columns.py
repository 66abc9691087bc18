"""Columns of text become columns of numbers, a block at a time."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
import numpy.typing as npt

from logger.text import clean_text

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_US_PER_S = 1_000_000
_SPAN_US = 1_000_000_000 * _US_PER_S  # about 31 years: a longer log is a faulty time; assumed
_SHOWN = 40  # characters of a faulty field in a message

_ISO = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:[.,](\d{1,9}))?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
_ISO_SHORT = len("2000-01-01T00:00:00Z")
_ISO_MARKS = ((4, "-"), (7, "-"), (10, "T"), (13, ":"), (16, ":"))
_MAX_FRACTION = 6  # digits that the fast path takes
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class RowError(Exception):
    """What is wrong with a row; ``row`` counts from 0."""

    def __init__(self, row: int, text: str) -> None:
        super().__init__(text)
        self.row = row


def shown(text: str) -> str:
    r"""A field for a message: quoted, printable, of bounded length.

    >>> shown("a\x1b" + 50 * "b")
    "'abbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb…'"
    """
    clean = clean_text(text, 2 * _SHOWN)
    return repr(clean if len(clean) <= _SHOWN else clean[:_SHOWN] + "…")


def number_column(texts: Sequence[str], what: str) -> Floats:
    """Finite plain decimal numbers.

    Raises
    ------
    RowError
        The first text that is none, with what it is instead.
    """
    try:
        numbers = np.array(list(map(float, texts)), dtype=np.float64)
    except ValueError:
        numbers = None
    # float() also takes 1_000 and the digits of every script.
    if numbers is None or not (joined := "".join(texts)).isascii() or "_" in joined:
        raise _first_fault(texts, lambda text: _number_fault(text, what))
    if not np.isfinite(numbers).all():
        raise _first_fault(texts, lambda text: _number_fault(text, what))
    return numbers


class TimeColumn:
    """The time column of one file: ISO 8601 UTC throughout, or seconds throughout.

    ``start_utc_us`` is the UTC of the first row of a file with ISO times.
    """

    def __init__(self) -> None:
        self.start_utc_us: int | None = None
        self._iso: bool | None = None

    def convert(self, texts: Sequence[str]) -> Ints:
        """Microseconds since the run's start.

        Raises
        ------
        RowError
            A time that is none, of the other kind than the first, before the start, or 31 years
            from it.
        """
        if self._iso is None:
            self._iso = _ISO.fullmatch(texts[0].strip()) is not None
        if self._iso:
            utc_us = iso_column(texts)
            if self.start_utc_us is None:
                self.start_utc_us = int(utc_us[0])
            t_us = utc_us - self.start_utc_us
            early = np.flatnonzero(t_us < 0)
            if len(early):
                row = int(early[0])
                raise RowError(
                    row,
                    f"time {shown(texts[row])} is before that of the first row, where the run starts; "
                    "sort the rows by time",
                )
        else:
            t_us = _seconds_column(texts)
        beyond = np.flatnonzero(np.abs(t_us) >= _SPAN_US)
        if len(beyond):
            row = int(beyond[0])
            raise RowError(row, f"time {shown(texts[row])} lies over 31 years from the start; correct it")
        return t_us


def iso_column(texts: Sequence[str]) -> Ints:
    """Microseconds since 1970 of ISO 8601 times with Z or an offset, rounded to the microsecond."""
    fast = _uniform_iso(texts)
    if fast is not None:
        return fast
    column = np.empty(len(texts), dtype=np.int64)
    for row, text in enumerate(texts):
        utc_us = _iso_us(text)
        if utc_us is None:
            raise RowError(row, _time_fault(text))
        column[row] = utc_us
    return column


def _uniform_iso(texts: Sequence[str]) -> Ints | None:
    """The same for a column of equally long times in UTC; ``None`` when it is not that.

    The column is looked at as one table of bytes.
    """
    width = len(texts[0])
    fraction = max(0, width - _ISO_SHORT - 1)
    joined = "\n".join(texts) + "\n"
    if not (_ISO_SHORT <= width != _ISO_SHORT + 1 and fraction <= _MAX_FRACTION and joined.isascii()):
        return None
    if len(joined) != len(texts) * (width + 1):
        return None
    table = np.frombuffer(joined.encode("ascii"), dtype=np.uint8).reshape(len(texts), width + 1)
    marks = [*_ISO_MARKS, (width - 1, "Z"), (width, "\n"), *([(19, ".")] if fraction else [])]
    if any((table[:, place] != ord(mark)).any() for place, mark in marks):
        return None
    digits = np.delete(table, [place for place, _ in marks], axis=1) - np.uint8(ord("0"))
    if (digits > 9).any():  # noqa: PLR2004 - a digit; what lay below "0" has wrapped around
        return None
    return _calendar_us(digits.astype(np.int64), fraction)


def _calendar_us(digits: Ints, fraction: int) -> Ints | None:
    """Microseconds since 1970 of rows of YYYYMMDDhhmmss and ``fraction`` digits; ``None`` when
    a date or time of day does not exist."""
    year = digits[:, 0:4] @ np.array([1000, 100, 10, 1])
    month, day, hour, minute, second = (digits[:, i] * 10 + digits[:, i + 1] for i in range(4, 14, 2))
    if not ((year >= 1) & (month >= 1) & (month <= 12) & (hour < 24) & (minute < 60) & (second < 60)).all():  # noqa: PLR2004
        return None
    months = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    days = months.astype("datetime64[D]") + (day - 1)
    if not (days.astype("datetime64[M]") == months).all():  # a day 0 or 31 fell into another month
        return None
    seconds = days.astype(np.int64) * 86_400 + hour * 3600 + minute * 60 + second
    micros = digits[:, 14:] @ np.array([10 ** (5 - i) for i in range(fraction)], dtype=np.int64)
    utc_us: Ints = seconds * _US_PER_S + micros
    return utc_us


def _iso_us(text: str) -> int | None:
    """One ISO 8601 time in microseconds since 1970, ``None`` for anything else."""
    match = _ISO.fullmatch(text.strip())
    if match is None:
        return None
    date, clock, fraction, zone = match.groups()
    try:
        moment = datetime.fromisoformat(f"{date}T{clock}{'+00:00' if zone in 'Zz' else zone}")
    except ValueError:
        return None
    nanos = int((fraction or "0").ljust(9, "0"))
    return (moment - _EPOCH) // timedelta(microseconds=1) + (nanos + 500) // 1000


def _seconds_column(texts: Sequence[str]) -> Ints:
    """Seconds from the run's start, to the microsecond."""
    try:
        seconds = number_column(texts, "time")
    except RowError as error:
        raise RowError(error.row, _time_fault(texts[error.row])) from error
    wrong = np.flatnonzero((seconds < 0.0) | (seconds >= _SPAN_US / _US_PER_S))
    if len(wrong):
        row = int(wrong[0])
        fault = "is before the start (0)" if seconds[row] < 0.0 else "lies over 31 years from the start"
        raise RowError(row, f"time {shown(texts[row])} {fault}; give seconds from 0 on, or ISO 8601 UTC")
    return np.rint(seconds * _US_PER_S).astype(np.int64)


def _time_fault(text: str) -> str:
    """Why a time is none, or not of the file's kind."""
    if not text.strip():
        return "no time; give one like 2000-01-31T08:00:00.5Z, or seconds"
    if _iso_us(text) is not None:
        return f"time {shown(text)} is ISO 8601, the first row has seconds; use one kind throughout"
    try:
        float(text)
    except ValueError:
        return f"time {shown(text)} is none; give one like 2000-01-31T08:00:00.5Z (UTC, with Z), or seconds"
    return f"time {shown(text)} is not plain seconds, or the first row is ISO 8601; use one kind throughout"


def _number_fault(text: str, what: str) -> str | None:
    """Why a text is no finite plain number; ``None`` when it is one."""
    if not text.strip():
        return f"no {what}; leave the row out where nothing was measured"
    if "," in text:
        return f"{what} {shown(text)} is no number; write the decimal mark as a point"
    try:
        number = float(text)
    except ValueError:
        return f"{what} {shown(text)} is no number; correct it"
    if not text.isascii() or "_" in text:
        return f"{what} {shown(text)} is no plain number; use the digits 0 to 9, a point and an exponent"
    if not np.isfinite(number):
        return f"{what} {shown(text)} is not finite; leave the row out where nothing was measured"
    return None


def _first_fault(texts: Sequence[str], fault: Callable[[str], str | None]) -> RowError:
    """The error of the first text that has a fault."""
    for row, text in enumerate(texts):
        if (why := fault(text)) is not None:
            return RowError(row, why)
    return RowError(0, "a value is not readable")
