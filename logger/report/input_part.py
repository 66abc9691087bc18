"""What went in, and the output over it."""

from __future__ import annotations

from dataclasses import dataclass

from logger.config.quantities import Dimension
from logger.core.kind_words import kind_of
from logger.report.values import SYSTEMS, Cell, Numbers, Part, Row, Table, listed, words
from logger.screen.format import percent
from logger.screen.plain import AIR_SIDE

HOW = {
    "counter": "Measured by the gas meter's counter.",
    "timed": "Measured by the gas meter's dial, timed by hand.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class InputPart:
    """What the section says."""

    table: Table
    notes: tuple[str, ...]


def input_part(numbers: Numbers) -> InputPart | None:
    """The section; None where the result has neither an input nor a share of one."""
    table = _table(numbers)
    if table is None:
        return None
    if numbers.get("input.measured_w") is not None:
        how = HOW.get(words(numbers.raw("input.source")), "")
    else:
        how = words(numbers.raw("input.reason"))
        how = f"No measured input: {how}." if how else "The input was not measured."
    if kind_of(numbers.raw("nameplate.kind")) != "gas":
        return InputPart(table=table, notes=("The electric input was not measured.",))
    return InputPart(
        table=table, notes=tuple(note for note in (how, f"Output over input is {AIR_SIDE}.") if note)
    )


def _table(numbers: Numbers) -> Table | None:
    rows = []
    for label, key, u_key in (
        ("Measured input", "input.measured_w", "input.measured_u95_w"),
        ("Nameplate input", "nameplate.input_w", ""),
    ):
        if numbers.get(key) is not None:
            cells = tuple(numbers.spread(key, u_key, Dimension.POWER, units) for units in numbers.systems)
            rows.append(Row(label=label, cells=cells))
    value, u95 = numbers.get("input.efficiency"), numbers.get("input.efficiency_u95")
    if value is not None:
        cell: Cell = (Part(percent(value), "input.efficiency", value),)
        if u95 is not None:
            cell += (Part(" ± "), Part(percent(u95), "input.efficiency_u95", u95))
        rows.append(Row(label="Output over measured input", cells=(cell, ())))
    if numbers.get("input.efficiency_of_nameplate_input") is not None:
        share = numbers.share("input.efficiency_of_nameplate_input")
        rows.append(Row(label="Output over nameplate input", cells=((share,), ())))
    return listed(rows, "Quantity", *(SYSTEMS[units] for units in numbers.systems))
