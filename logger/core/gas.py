"""Gas input by the meter: volume x heating value / time, brought to the state the value speaks of.

    input = V / t x H x (p_site + p_gauge) / p_base x T_base / T_meter      (gross, H at the same base)

Source: ideal gas law; supercompressibility is left out (below 0.1 % at the pressures of a building,
assumed). Budget: GUM (JCGM 100) 5.1.2; the input is a product, so relative uncertainties add squared.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, inf, sqrt
from typing import NamedTuple

from logger.core.budget import BudgetLine, Combined, combine
from logger.core.units import ZERO_C_K

ROOT3 = sqrt(3.0)  # half-width of a rectangle -> standard uncertainty (GUM 4.3.7)
USUAL_GAUGE_PA = (
    7.0 * 249.08891
)  # Pa: 7 in.wg, usual behind a building's regulator (common practice, no source)
NET_TO_GROSS = 1.108  # natural gas; methane alone 890.58 / 802.65 = 1.1096 (ISO 6976; recalled)
NET_TO_GROSS_U = 0.005 / ROOT3  # of the ratio: 1.103 to 1.113 by composition (assumed)
COMPENSATION_U = (
    0.005 / ROOT3
)  # of the volume: what a built-in compensation may be off (OIML R 137; recalled)


class Known(NamedTuple):
    """A value and its standard uncertainty, in the same unit; ``assumed``: nobody measured it."""

    value: float
    u: float
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedTurns:
    """Turns of the meter's dial timed by hand: each time is one run over the same volume."""

    volume_m3: Known
    times_s: tuple[float, ...]
    timing_u_s: float  # of one time, start and stop together
    timing_assumed: bool = False
    day: int | None = None  # ordinal of the day they were timed (1 = 0001-01-01); None: nobody said

    @property
    def mean_s(self) -> float:
        """Mean of the times."""
        return sum(self.times_s) / len(self.times_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """What a counter showed over a stretch: whole counts, and what its step leaves open (m3)."""

    volume_m3: float
    seconds: float
    step_u_m3: float
    meter: Known  # a factor of 1, with the meter's own uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class GasParams:
    """The gas and the state in which its meter counts it."""

    heating_value_j_m3: Known  # gross, at the base
    net: bool = False  # it was given net: the ratio's doubt is in the budget
    gauge_pa: Known  # pressure at the meter above that of the air
    meter_c: Known | None  # temperature at the meter, degC; None: the meter compensates to the base
    base_pressure_pa: float
    base_c: float
    of_site: bool = False  # the heating value is that of the gas as delivered here, pressure and all
    timed: TimedTurns | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GasInput:
    """A gas input and its budget, W gross."""

    input_w: float
    pressure_factor: float
    temperature_factor: float
    lines: tuple[BudgetLine, ...]
    combined: Combined
    source: str  # "timed" | "counter"

    @property
    def factor(self) -> float:
        """What the volume as counted is multiplied by."""
        return self.pressure_factor * self.temperature_factor


def pressure_factor(gas: GasParams, site_pa: float) -> float:
    """Pressure at the meter over that of the heating value.

    A value of the site holds for gas behind the usual regulator: only a meter at another pressure
    is corrected then, and the height of the site is not counted twice.
    """
    base_pa = site_pa + USUAL_GAUGE_PA if gas.of_site else gas.base_pressure_pa
    return (site_pa + gas.gauge_pa.value) / base_pa


def temperature_factor(gas: GasParams) -> float:
    """Absolute temperature of the heating value over that at the meter; 1 where it compensates."""
    return 1.0 if gas.meter_c is None else (gas.base_c + ZERO_C_K) / (gas.meter_c.value + ZERO_C_K)


def timed_input(gas: GasParams, timed: TimedTurns, site_pa: Known) -> GasInput:
    """Input from turns timed by hand. Source: check by definition, 3600 V H / t in hours."""
    mean_s = timed.mean_s
    u_s, nu, assumed = _timing(timed)
    dial = timed.volume_m3
    own = (
        BudgetLine("timing", u_s / mean_s, nu=nu, assumed=assumed),
        BudgetLine("dial", dial.u / dial.value, assumed=dial.assumed),
    )
    return _input(gas, dial.value / mean_s, own, site_pa, "timed")


def counted_input(gas: GasParams, counted: Counted, site_pa: Known) -> GasInput:
    """Input from a counter over a stretch."""
    own = (
        BudgetLine("counter step", counted.step_u_m3 / counted.volume_m3),
        BudgetLine("gas meter", counted.meter.u, assumed=counted.meter.assumed),
    )
    return _input(gas, counted.volume_m3 / counted.seconds, own, site_pa, "counter")


def _timing(timed: TimedTurns) -> tuple[float, float, bool]:
    """Standard uncertainty of the mean time, its degrees of freedom, whether it is assumed.

    The times scatter by the timing itself, so the larger of the two counts, not both.
    """
    n = len(timed.times_s)
    least_s = timed.timing_u_s / sqrt(n)
    if n > 1:
        scatter_s = sqrt(sum((t - timed.mean_s) ** 2 for t in timed.times_s) / (n - 1)) / sqrt(n)
        if scatter_s > least_s:
            return scatter_s, n - 1.0, False
    return least_s, inf, timed.timing_assumed


def _input(
    gas: GasParams, flow_m3_s: float, own: tuple[BudgetLine, ...], site_pa: Known, source: str
) -> GasInput:
    by_pressure, by_temperature = pressure_factor(gas, site_pa.value), temperature_factor(gas)
    value = gas.heating_value_j_m3
    input_w = flow_m3_s * value.value * by_pressure * by_temperature
    relative = (
        *own,
        BudgetLine("heating value", value.u / value.value, assumed=value.assumed),
        BudgetLine("net to gross", NET_TO_GROSS_U if gas.net else 0.0, assumed=True),
        _pressure_line(gas, site_pa),
        _temperature_line(gas),
    )
    lines = tuple(
        BudgetLine(line.source, line.u_w * input_w, nu=line.nu, assumed=line.assumed)
        for line in relative
        if line.u_w > 0.0
    )
    return GasInput(
        input_w=input_w,
        pressure_factor=by_pressure,
        temperature_factor=by_temperature,
        lines=lines,
        combined=combine(lines),
        source=source,
    )


def _pressure_line(gas: GasParams, site_pa: Known) -> BudgetLine:
    """Relative; d ln F / dp of both pressures, and what a value of the site may have counted in."""
    meter_pa = site_pa.value + gas.gauge_pa.value
    by_site, open_u = 1.0 / meter_pa, 0.0
    if gas.of_site:
        usual_pa = site_pa.value + USUAL_GAUGE_PA
        by_site, open_u = abs(by_site - 1.0 / usual_pa), USUAL_GAUGE_PA / ROOT3 / usual_pa
    parts = (by_site * site_pa.u, gas.gauge_pa.u / meter_pa, open_u)
    assumed = gas.of_site or site_pa.assumed or gas.gauge_pa.assumed
    return BudgetLine("gas pressure", hypot(*parts), assumed=assumed)


def _temperature_line(gas: GasParams) -> BudgetLine:
    if gas.meter_c is None:
        return BudgetLine("temperature compensation", COMPENSATION_U, assumed=True)
    u = gas.meter_c.u / (gas.meter_c.value + ZERO_C_K)
    return BudgetLine("gas temperature", u, assumed=gas.meter_c.assumed)
