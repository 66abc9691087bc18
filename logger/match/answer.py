"""What a match came to: the JSON document, the config's new keys, and the lines for people. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from logger.config.edit import Changes
from logger.config.quantities import Dimension, Units, show
from logger.core.match import Match
from logger.core.match_gain import COMMON_GAIN_U95
from logger.core.params import GAIN_U95
from logger.core.readings import QUANTITIES, Quantity

SCHEMA = "riselog.match/1"
_FAHRENHEIT_PER_K = 1.8  # °F in 1 K, exact
_SHOWN_PLACES = 2  # of a difference, for people: finer than any probe's step in the trade
_KEPT_PLACES = 3  # of a difference in the config; its u95 is rounded up


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A match and what it means for the config. ``gains`` by probe: gain and u95, fractions."""

    match: Match
    simulated: bool
    gains: Mapping[str, tuple[float, float]]
    by_gain: bool  # a second match, in warm air: its offsets are not for the config
    reason: str  # why nothing can be written; empty where something can


def document(answer: Answer, *, written: bool) -> dict[str, Any]:
    """The answer as JSON: K and °C, % of humidity, gains as fractions."""
    rows = []
    for offset in answer.match.offsets:
        row = {
            "probe": offset.probe,
            "quantity": offset.quantity.value,
            "offset": offset.offset,
            "u95": offset.u95,
            "unit": "K" if offset.quantity is Quantity.TEMPERATURE else QUANTITIES[offset.quantity].unit,
            "ok": offset.ok,
            "text": offset.text,
        }
        if offset.quantity is Quantity.TEMPERATURE and offset.probe in answer.gains:
            row["gain"], row["gain_u95"] = answer.gains[offset.probe]
        rows.append(row)
    return {
        "schema": SCHEMA,
        "written": written,
        "simulated": answer.simulated,
        "reason": answer.reason,
        "at_c": answer.match.at_c,
        "seconds": answer.match.seconds,
        "probes": rows,
    }


def changes(answer: Answer, units: Units, day: date) -> Changes:
    """The keys for each probe's table; nothing where nothing can be used."""
    found: dict[tuple[str, ...], dict[str, str | date]] = {}
    if answer.reason:
        return found
    if answer.by_gain:
        for probe, (gain, u95) in answer.gains.items():
            found["probes", probe] = {"gain": _percent(gain), "gain_u95": _percent(u95, up=True)}
        return found
    for o in answer.match.offsets:
        keys = found.setdefault(("probes", o.probe), {})
        if not o.ok:
            continue
        if o.quantity is Quantity.HUMIDITY:
            keys["humidity_offset"] = _percent(o.offset / 100.0)
            keys["humidity_u95"] = _percent(o.u95 / 100.0, up=True)
            continue
        keys["offset"] = difference(o.offset, units, _KEPT_PLACES)
        keys["u95"] = difference(o.u95, units, _KEPT_PLACES, up=True)
        keys["matched"] = day
        keys["matched_at"] = show(answer.match.at_c or 0.0, Dimension.TEMPERATURE, units)
    return found


def lines(answer: Answer, units: Units) -> Iterable[str]:
    """The answer for people, the first line first."""
    match = answer.match
    if answer.simulated:
        yield "SIMULATED PROBES"
    at = show(math.nan if match.at_c is None else match.at_c, Dimension.TEMPERATURE, units)
    width = max((len(o.probe) for o in match.offsets), default=0)
    if not answer.reason:
        what = "what each probe's gain is" if answer.by_gain else "what is to be taken off each reading"
        yield f"Compared for {match.seconds:.0f} s at {at}: {what}"
    for o in match.offsets:
        name = f"  {o.probe:<{width}}  {o.quantity.value:<11}"
        text = _text_of(answer, o.probe, o.quantity, units)
        yield f"{name}  {text if o.ok and text else 'NOT USED'}  ({o.text})"
    if answer.reason:
        return
    if answer.by_gain:
        yield "Of the distance from the first match's temperature: how each differs from all. ± at"
        yield f"95 %, {100.0 * COMMON_GAIN_U95:.2f} % of it assumed for what all share: no match shows that."
        if min((u95 for _, u95 in answer.gains.values()), default=0.0) >= GAIN_U95:
            yield f"That is no better than the {100.0 * GAIN_U95:.1f} % assumed without it: three or more"
            yield "probes, held together for longer in warmer air, would make it better."
    else:
        yield "± is the probe's own error at 95 %, the part that counts in the rise: what all"
        yield "have in common cancels there. Their gain is not known better by this."


def _text_of(answer: Answer, probe: str, quantity: Quantity, units: Units) -> str:
    o = next(x for x in answer.match.offsets if (x.probe, x.quantity) == (probe, quantity))
    if answer.by_gain and quantity is Quantity.TEMPERATURE:
        if probe not in answer.gains:
            return ""
        gain, u95 = answer.gains[probe]
        return f"{100.0 * gain:+.2f} % ± {100.0 * u95:.2f} %"
    if quantity is Quantity.HUMIDITY:
        return f"{o.offset:+.1f} % ± {o.u95:.1f} %"
    value = difference(o.offset, units, _SHOWN_PLACES)
    sign = "" if value.startswith("-") else "+"
    return f"{sign}{value} ± {difference(o.u95, units, _SHOWN_PLACES, up=True)}"


def difference(value_k: float, units: Units, places: int, *, up: bool = False) -> str:
    """A temperature difference with so many decimals; ``up`` rounds it away from 0.

    >>> difference(0.0611, "si", 2), difference(0.0611, "si", 2, up=True), difference(-0.1, "us", 3)
    ('0.06 K', '0.07 K', '-0.180 °F')
    """
    us = units == "us"
    value = value_k * _FAHRENHEIT_PER_K if us else value_k
    return f"{_rounded(value, places, up=up):.{places}f} {'°F' if us else 'K'}"


def _percent(fraction: float, *, up: bool = False) -> str:
    return f"{_rounded(100.0 * fraction, _KEPT_PLACES, up=up):.{_KEPT_PLACES}f} %"


def _rounded(value: float, places: int, *, up: bool) -> float:
    scale = 10.0**places
    return (math.ceil(value * scale - 1e-9) / scale if up else round(value, places)) + 0.0
