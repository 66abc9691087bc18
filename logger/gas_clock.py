"""``riselog clock``: turns of the gas meter's dial timed by hand, one input out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, NamedTuple

from pydantic import BeforeValidator, ValidationError

from logger.config import fields as f
from logger.config.gas import COUNTED, GasTable, gas_faults, gas_params
from logger.config.problems import problems_of
from logger.config.quantities import Dimension
from logger.core.air import standard_pressure_pa
from logger.core.airflow import PRESSURE_U_PA
from logger.core.efficiency import OFF_PLATE, SURE, against_plate
from logger.core.errors import UsageError
from logger.core.gas import ROOT3, GasInput, GasParams, Known, timed_input
from logger.core.traverse import PressureFrom
from logger.documents import print_json, print_lines
from logger.safety import SHORT_CAUTION
from logger.screen.format import number, percent, show

SCHEMA = "riselog.clock/1"
HIGHEST_M = 2500.0  # m: how high a site may lie where nobody says it (assumed)
WRONG_SIZE = 3.0  # times the plate's input, or a part of it: a slip, no burner (assumed)
CAUTIONS = (
    "All other appliances on this meter off, pilots too; the burner at full fire while the dial is timed.",
    "Setting gas pressure or burner is for the licensed person, under local codes and the maker's "
    "instructions; the plate and the supplier's figures win over anything shown here.",
)
OPTIONS = {"times": "--time", "heat": "--net"}
"""Options whose name is not that of the key."""


class ClockTable(GasTable):
    """The options of ``riselog clock``, bounded like the keys of [gas]."""

    volume: Annotated[float, BeforeValidator(COUNTED)] | None = None
    altitude: f.Altitude | None = None
    pressure: f.AirPressure | None = None
    plate_input: f.Power | None = None


class Clocked(NamedTuple):
    """What was typed, and what it comes to."""

    table: ClockTable
    gas: GasParams
    found: GasInput
    assumed: tuple[str, ...]


def option_of(key: str) -> str:
    """What a key is called on the command line.

    >>> option_of("heating_value"), option_of("times")
    ('--heating-value', '--time')
    """
    return OPTIONS.get(key, "--" + key.replace("_", "-"))


def compute(given: Mapping[str, object]) -> Clocked:
    """Input from the options as typed, by the names of their keys.

    Raises
    ------
    UsageError
        A text that cannot be read, or values that cannot be; the option is named.
    """
    table = _table({key: value for key, value in given.items() if value is not None})
    volume_m3 = _volume_m3(table)
    for key, text in gas_faults(table, volume_m3):
        raise UsageError(f"{option_of(key)}: {text}")
    corrected = any(x is not None for x in (table.altitude, table.pressure, table.meter_pressure))
    gas, notes = gas_params(table, volume_m3, option_of, corrected=corrected)
    if gas.timed is None:
        raise UsageError('--time: give how long it took, such as --time "43 s"')
    site_pa, site_notes = _site_pa(table, gas)
    found = timed_input(gas, gas.timed, site_pa)
    return Clocked(table, gas, found, (*site_notes, *notes))


def _table(given: Mapping[str, object]) -> ClockTable:
    try:
        return ClockTable.model_validate(dict(given))
    except ValidationError as error:
        problem = problems_of(error, ClockTable)[0]
        raise UsageError(f"{option_of(str(problem.path[0]))}: {problem.text}") from error


def _volume_m3(table: ClockTable) -> float:
    if table.volume is not None and (table.dial is not None or table.turns is not None):
        other = "--dial" if table.dial is not None else "--turns"
        raise UsageError(
            f"--volume and {other} were both given: give the volume of each time, or the dial and its turns"
        )
    volume_m3 = table.volume_m3 if table.volume is None else table.volume
    if volume_m3 is None:
        raise UsageError(
            'no volume: give what each time took, --volume "2 ft3", or one turn of the dial, --dial "2 ft3", '
            "with --turns N"
        )
    return volume_m3


def _site_pa(table: ClockTable, gas: GasParams) -> tuple[Known, tuple[str, ...]]:
    """The air's pressure at the meter; where nothing is said, as if it counted at the base."""
    if table.altitude is not None and table.pressure is not None:
        raise UsageError("--altitude and --pressure were both given: leave one out")
    if table.pressure is not None:
        return Known(table.pressure, PRESSURE_U_PA[PressureFrom.TYPED]), ()
    if table.altitude is not None:
        site_pa = standard_pressure_pa(table.altitude)
        return Known(site_pa, PRESSURE_U_PA[PressureFrom.ALTITUDE], assumed=True), ()
    if table.meter_pressure is not None:
        note = "--altitude and --pressure are left out: sea level is assumed, up to 8200 ft in doubt."
        return Known(standard_pressure_pa(0.0), _any_height_u_pa(), assumed=True), (note,)
    note = (
        "--altitude and --pressure are left out: no correction for the gas's pressure, as if the meter "
        "counted at the base pressure; at 5000 ft that is 18 % too much, and all up to 8200 ft "
        "(2500 m) is in doubt."
    )
    said = () if gas.of_site else (note,)
    return Known(gas.base_pressure_pa - gas.gauge_pa.value, _any_height_u_pa(), assumed=True), said


def _any_height_u_pa() -> float:
    """Standard uncertainty of a pressure taken at sea level, the end of all that may be (GUM 4.3.7)."""
    return (standard_pressure_pa(0.0) - standard_pressure_pa(HIGHEST_M)) / ROOT3


def document(clocked: Clocked) -> dict[str, Any]:
    """The document ``riselog.clock/1``; SI."""
    found, gas, timed = clocked.found, clocked.gas, clocked.gas.timed
    if timed is None:
        raise ValueError("nothing was timed")
    sum_ = found.combined
    return {
        "schema": SCHEMA,
        "input_w": found.input_w,
        "u95_w": sum_.u95_w,
        "factor": found.factor,
        "pressure_factor": found.pressure_factor,
        "temperature_factor": found.temperature_factor,
        "heating_value_j_m3": gas.heating_value_j_m3.value,
        "volume_m3": timed.volume_m3.value,
        "time_s": timed.mean_s,
        "times_s": list(timed.times_s),
        "plate": _plate(clocked),
        "budget": [
            {"source": line.source, "u_w": line.u_w, "share": share, "assumed": line.assumed}
            for line, share in zip(found.lines, sum_.shares, strict=True)
        ],
        "assumed": list(clocked.assumed),
    }


def _plate(clocked: Clocked) -> dict[str, Any] | None:
    plate_w = clocked.table.plate_input
    if plate_w is None:
        return None
    verdict = against_plate(clocked.found, plate_w)
    return {
        "input_w": plate_w,
        "ratio": clocked.found.input_w / plate_w,
        "p_low": verdict.p_low,
        "p_high": verdict.p_high,
        "text": _plate_text(clocked.found.input_w / plate_w, verdict.p_low, verdict.p_high),
    }


def _plate_text(ratio: float, p_low: float, p_high: float) -> str:
    if not 1.0 / WRONG_SIZE < ratio < WRONG_SIZE:
        return (
            "this is no burner off its plate but a slip: check the dial's size, the turns, the time and the "
            "units, and which appliance the plate is of"
        )
    if p_high > SURE:
        return (
            f"more than {100.0 * OFF_PLATE:g} % above the plate: check turns and heating value, and that "
            "nothing else burns gas on this meter; if the input stands, the unit is over-fired and carbon "
            "monoxide is possible: stop and call the licensed person"
        )
    if p_low > SURE:
        return (
            f"more than {100.0 * OFF_PLATE:g} % below the plate: see that the burner is at full fire, and "
            "check turns, heating value and pressure; setting the gas pressure is for the licensed person"
        )
    if max(p_low, p_high) < 1.0 - SURE:
        return f"within {100.0 * OFF_PLATE:g} % of the plate"
    return (
        f"whether it is within {100.0 * OFF_PLATE:g} % of the plate is undecided: the uncertainty is too wide"
    )


def lines(answer: Mapping[str, Any], units: str) -> Iterator[str]:
    """The answer for people, input first."""
    power, input_w = Dimension.POWER, answer["input_w"]
    value, u95 = (number(answer[key], power, units, like=input_w) for key in ("input_w", "u95_w"))
    unit = show(input_w, power, units).removeprefix(value).strip()
    yield f"input        {value} ± {u95} {unit} (95 %), by the gross heating value"
    if (plate := answer["plate"]) is not None:
        yield f"plate        {show(plate['input_w'], power, units)}: input is {percent(plate['ratio'])} of it"
        yield f"             {plate['text']}"
    yield (
        f"factor       {answer['factor']:.4f}: pressure {answer['pressure_factor']:.4f}, "
        f"temperature {answer['temperature_factor']:.4f}"
    )
    yield f"timed        {_timed_text(answer, units)}"
    yield f"gas          {show(answer['heating_value_j_m3'], Dimension.HEATING_VALUE, units)} gross"
    yield "uncertainty, largest part first (standard uncertainty, share of variance)"
    for line in sorted(answer["budget"], key=lambda line: -line["share"]):
        mark = "  assumed" if line["assumed"] else ""
        u = show(line["u_w"], power, units)
        yield f"  {line['source']:<26}{u:>14}{percent(line['share'], 0):>7}{mark}"
    yield from _listed("assumed", answer["assumed"])
    yield from _listed("before you trust it", (*CAUTIONS, *SHORT_CAUTION.splitlines()))


def _timed_text(answer: Mapping[str, Any], units: str) -> str:
    times_s = answer["times_s"]
    text = f"{show(answer['volume_m3'], Dimension.VOLUME, units)} in {answer['time_s']:.1f} s"
    if len(times_s) == 1:
        return text
    return f"{text}, mean of {len(times_s)} times from {min(times_s):.1f} to {max(times_s):.1f} s"


def _listed(title: str, sentences: Sequence[str]) -> Iterator[str]:
    if sentences:
        yield title
        yield from (f"  {sentence}" for sentence in sentences)


def clock_command(given: Mapping[str, object], *, units: str, json: bool) -> int:
    """Body of ``riselog clock``; the exit code."""
    if units not in ("us", "si"):
        raise UsageError(f"--units '{units}': write us or si")
    answer = document(compute(given))
    if json:
        print_json(answer)
    else:
        print_lines(lines(answer, units))
    return 0
