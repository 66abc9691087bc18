"""[gas]: the gas and its meter, and turns of the dial that were timed; for a config and for `clock`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from logger.config import fields as f
from logger.config.quantities import Dimension, QuantityError
from logger.config.table import Table
from logger.core.gas import (
    NET_TO_GROSS,
    ROOT3,
    USUAL_GAUGE_PA,
    GasParams,
    Known,
    TimedTurns,
)

BASE_PRESSURE_PA = 14.73 * 6894.757293168  # Pa: 14.73 psi, 30 inches of mercury; usual in the US (recalled)
BASE_C = (60.0 - 32.0) / 1.8  # degC: 60 °F, same
HEATING_VALUE_U95 = 0.02  # of the value: a supplier's monthly figure on one day (assumed)
DIAL_U95 = 0.02  # of the volume: a meter in service (assumed)
TIMING_U95_S = 0.5  # s: a hand on a stopwatch, start and stop (assumed)
GAUGE_U95 = 0.05  # of a gas pressure read off a gauge (assumed)
METER_U95_K = 2.0  # K: gas in the meter against the thermometer beside it (assumed)
METER_SPREAD_K = 10.0  # K: rectangle about the base temperature where nobody looked (assumed)
NATURAL_GAS_NET_J_M3 = (20e6, 45e6)  # J/m3: what a net value of natural gas may be (assumed)
USUAL_GAS_J_M3 = ((25e6, 50e6), (80e6, 110e6))  # J/m3 gross: natural gas; propane (recalled, wide)
INPUT_W = (1e3, 1.5e6)  # W: a burner's input; beyond it a value is mistyped (assumed)
TIMES_APART = (1.1, 1.5)  # longest over shortest time: said; a turn was miscounted (assumed)

HEATING_VALUE = f.Amount(Dimension.HEATING_VALUE, "3 MJ/m3", "200 MJ/m3")
GAUGE = f.Amount(Dimension.PRESSURE, "0 Pa", "700 kPa")
METER_TEMPERATURE = f.Amount(Dimension.TEMPERATURE, "-45 °C", "70 °C")
COUNTED = f.Amount(Dimension.VOLUME, "0.1 L", "1000 m3")
TIMED = f.Amount(Dimension.TIME, "1 s", "3 h")


def _times(value: object) -> tuple[float, ...]:
    if not isinstance(value, list | tuple) or not 0 < len(value) <= 100:  # noqa: PLR2004 - a slip beyond it
        raise QuantityError('must be one or more times in brackets, such as ["43.1 s", "42.8 s"]')
    return tuple(TIMED(part) for part in value)


class GasTable(Table):
    """[gas]; the meter is a probe of role gas, or its dial was timed by hand."""

    heating_value: Annotated[float, BeforeValidator(HEATING_VALUE)] = Field(examples=["1036 Btu/ft3"])
    heating_value_u95: f.Share | None = None
    heat: Annotated[Literal["gross", "net"], BeforeValidator(f.Choice(("gross", "net")))] = "gross"
    already_derated: bool = False
    base_pressure: Annotated[float, BeforeValidator(f.Amount(Dimension.PRESSURE, "60 kPa", "130 kPa"))] = (
        BASE_PRESSURE_PA
    )
    base_temperature: Annotated[
        float, BeforeValidator(f.Amount(Dimension.TEMPERATURE, "-10 °C", "40 °C"))
    ] = BASE_C
    meter_pressure: Annotated[float, BeforeValidator(GAUGE)] | None = None
    meter_temperature: Annotated[float, BeforeValidator(METER_TEMPERATURE)] | None = None
    compensated: bool = False
    dial: Annotated[float, BeforeValidator(COUNTED)] | None = None
    dial_u95: f.Share | None = None
    turns: Annotated[int, Field(ge=1, le=10_000)] | None = None
    times: Annotated[tuple[float, ...], BeforeValidator(_times)] | None = None
    timing_u95: Annotated[float, BeforeValidator(f.Amount(Dimension.TIME, "0 s", "20 s"))] | None = None
    timed: f.Day | None = None

    @property
    def volume_m3(self) -> float | None:
        """Volume of one time: the turns of the dial."""
        return None if self.dial is None else self.dial * (self.turns or 1)


Called = Callable[[str], str]
"""How a key is called where it was typed: ``gas.heat``, ``--net``."""


def gas_faults(gas: GasTable, volume_m3: float | None) -> Iterator[tuple[str, str]]:
    """Key and text of what does not go together or cannot be."""
    low, high = NATURAL_GAS_NET_J_M3
    if gas.heat == "net" and not low <= gas.heating_value <= high:
        yield (
            "heating_value",
            "only a net value of natural gas (540 to 1200 Btu/ft3) can be made gross by the usual ratio; "
            "ask the supplier for the gross heating value",
        )
    if gas.times is None or volume_m3 is None:
        return
    if max(gas.times) > TIMES_APART[1] * min(gas.times):
        yield (
            "times",
            f"{min(gas.times):g} s and {max(gas.times):g} s are too far apart: a turn was miscounted or the "
            "burner changed its rate; time again at full fire",
        )
    input_w = volume_m3 * gas.heating_value * len(gas.times) / sum(gas.times)
    least_w, most_w = INPUT_W
    if not least_w <= input_w <= most_w:
        yield (
            "times",
            f"volume, time and heating value come to {input_w / 1e3:,.3g} kW ({input_w * 3.412142:,.3g} "
            "Btu/h), which no burner of a rooftop unit takes: check each value, its unit, and the turns",
        )


def gas_params(
    gas: GasTable, volume_m3: float | None, called: Called, *, corrected: bool = True
) -> tuple[GasParams, tuple[str, ...]]:
    """The core's parameters, and what was assumed, a sentence each.

    ``corrected``: the site's pressure is known, so that the pressure at the meter matters.
    """
    notes: list[str] = []
    params = GasParams(
        heating_value_j_m3=_heating_value(gas, called, notes),
        net=gas.heat == "net",
        gauge_pa=_gauge(gas, called, notes, corrected=corrected),
        meter_c=_meter_c(gas, called, notes),
        base_pressure_pa=gas.base_pressure,
        base_c=gas.base_temperature,
        of_site=gas.already_derated,
        timed=_timed(gas, volume_m3, called, notes),
    )
    return params, tuple(notes)


def _heating_value(gas: GasTable, called: Called, notes: list[str]) -> Known:
    value, u95 = gas.heating_value, gas.heating_value_u95
    if gas.heat == "net":
        value *= NET_TO_GROSS
        notes.append(
            f"{called('heat')}: the net heating value is made gross by the usual ratio of natural gas, "
            f"{NET_TO_GROSS:g}; the supplier's gross value is better."
        )
    if not any(low <= value <= high for low, high in USUAL_GAS_J_M3):
        notes.append(
            f"{called('heating_value')}: neither natural gas (about 1036 Btu/ft3, 38.6 MJ/m3) nor propane "
            "(about 2500 Btu/ft3, 93 MJ/m3) has such a value; look at its unit."
        )
    if u95 is None:
        notes.append(
            f"{called('heating_value_u95')} is left out: {100.0 * HEATING_VALUE_U95:g} % is assumed."
        )
    return Known(value, (HEATING_VALUE_U95 if u95 is None else u95) / 2.0 * value, assumed=u95 is None)


def _gauge(gas: GasTable, called: Called, notes: list[str], *, corrected: bool) -> Known:
    if gas.already_derated:
        notes.append(
            f"{called('already_derated')}: the heating value is taken as that of gas at this site behind the "
            "usual regulator, so the site's pressure is not counted again."
        )
    if gas.meter_pressure is not None:
        return Known(gas.meter_pressure, GAUGE_U95 / 2.0 * gas.meter_pressure)
    if corrected and not gas.already_derated:
        notes.append(
            f"{called('meter_pressure')} is left out: 7 in.wg (1.74 kPa) at the meter is assumed, with all "
            "of it in doubt; a meter before the last regulator may stand at 2 psi and more."
        )
    return Known(USUAL_GAUGE_PA, USUAL_GAUGE_PA / ROOT3, assumed=True)


def _meter_c(gas: GasTable, called: Called, notes: list[str]) -> Known | None:
    if gas.compensated:
        if gas.meter_temperature is not None:
            notes.append(
                f"{called('meter_temperature')} is not used: {called('compensated')} says that the meter "
                "compensates for the temperature."
            )
        return None
    if gas.meter_temperature is not None:
        return Known(gas.meter_temperature, METER_U95_K / 2.0)
    notes.append(
        f"{called('meter_temperature')} is left out: the base temperature is assumed, within 10 K (18 °F); "
        f"a temperature-compensated meter is said by {called('compensated')}."
    )
    return Known(gas.base_temperature, METER_SPREAD_K / ROOT3, assumed=True)


def _timed(gas: GasTable, volume_m3: float | None, called: Called, notes: list[str]) -> TimedTurns | None:
    if gas.times is None or volume_m3 is None:
        return None
    if max(gas.times) > TIMES_APART[0] * min(gas.times):
        apart = 100.0 * (max(gas.times) / min(gas.times) - 1.0)
        notes.append(
            f"{called('times')}: they lie {apart:.0f} % apart; was the burner at full fire all the while?"
        )
    if gas.timing_u95 is None:
        notes.append(f"{called('timing_u95')} is left out: {TIMING_U95_S:g} s is assumed.")
    if gas.dial_u95 is None:
        notes.append(f"{called('dial_u95')} is left out: {100.0 * DIAL_U95:g} % is assumed.")
    dial_u95 = DIAL_U95 if gas.dial_u95 is None else gas.dial_u95
    return TimedTurns(
        volume_m3=Known(volume_m3, dial_u95 / 2.0 * volume_m3, assumed=gas.dial_u95 is None),
        times_s=gas.times,
        timing_u_s=(TIMING_U95_S if gas.timing_u95 is None else gas.timing_u95) / 2.0,
        timing_assumed=gas.timing_u95 is None,
        day=None if gas.timed is None else gas.timed.toordinal(),
    )
