"""Moist air by ASHRAE Handbook Fundamentals ch. 1, through psychrolib.

The only module that imports psychrolib: its unit system is a global of the library, set here
once, before the names are taken. Humidity ratio ``w`` is kg of water per kg of dry air.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt
import psychrolib

psychrolib.SetUnitSystem(psychrolib.SI)

_GAS_J_KG_K: float = psychrolib.R_DA_SI  # gas constant of dry air, as psychrolib has it
_ZERO_C_K: float = psychrolib.ZERO_CELSIUS_AS_KELVIN
_LEAST_W: float = psychrolib.MIN_HUM_RATIO  # no air of the trade is drier; below it psychrolib's own floor


Floats = npt.NDArray[np.float64]
Some = TypeVar("Some", float, npt.NDArray[np.float64])
"""A number, or an array of them: then no ``w`` in it is below psychrolib's floor, as those of
``humidity_ratio`` are not."""


def enthalpy_j_kg(temp_c: Some, w: Some) -> Some:
    """Enthalpy, J per kg of dry air. ASHRAE Fundamentals ch. 1 eq. (30).

    Psychrolib's own steps in its own order, so its own bits (a test holds it to that): asked for every tick.
    """
    if isinstance(w, float) and w < _LEAST_W:
        return float(psychrolib.GetMoistAirEnthalpy(temp_c, w))
    return (1.006 * temp_c + w * (2501.0 + 1.86 * temp_c)) * 1000


def volume_m3_kg(temp_c: Some, w: Some, pressure_pa: Some) -> Some:
    """Volume, m3 per kg of dry air. Same, eq. (26); as ``enthalpy_j_kg``."""
    if isinstance(w, float) and w < _LEAST_W:
        return float(psychrolib.GetMoistAirVolume(temp_c, w, pressure_pa))
    return _GAS_J_KG_K * (temp_c + _ZERO_C_K) * (1 + 1.607858 * w) / pressure_pa


temperature_c = psychrolib.GetTDryBulbFromEnthalpyAndHumRatio
"""Temperature, degC, of (enthalpy J per kg of dry air, w). Same, eq. (30) solved for it."""


_MOIST_MOST_C = 60.0  # degC: no room gives back hotter air; beyond it a probe's RH is not of that air
_SATURATION_MEMO = 8192  # temperatures remembered: a probe's steps repeat themselves
_saturation_pa: dict[float, float] = {}


def saturation_pa(temp_c: float) -> float:
    """Saturation pressure of water, over ice below freezing, Pa. Same, eqs. (5), (6).

    >>> round(saturation_pa(20.0))
    2339
    """
    pressure = _saturation_pa.get(temp_c)
    if pressure is None:
        if len(_saturation_pa) >= _SATURATION_MEMO:
            _saturation_pa.clear()
        pressure = _saturation_pa[temp_c] = float(psychrolib.GetSatVapPres(temp_c))
    return pressure


def humidity_ratio(temp_c: float, humidity: float, pressure_pa: float) -> float:
    """Humidity ratio of air of relative ``humidity`` (a fraction; below 0 is none). Same, eqs. (20), (22).

    >>> round(humidity_ratio(20.0, 0.5, 101325.0), 6)
    0.007262
    """
    temp_c = temp_c if temp_c < _MOIST_MOST_C else _MOIST_MOST_C
    vapour_pa = humidity * (_saturation_pa.get(temp_c) or saturation_pa(temp_c))
    ratio = 0.621945 * vapour_pa / (pressure_pa - vapour_pa)
    if ratio > _LEAST_W:
        return ratio
    return float(psychrolib.GetHumRatioFromVapPres(max(vapour_pa, 0.0), pressure_pa))


def humidity_ratios(
    temps_c: npt.NDArray[np.float64],
    humidities: npt.NDArray[np.float64] | float,
    pressures_pa: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """As ``humidity_ratio``, with its bits, of many states."""
    some_c = np.minimum(temps_c, _MOIST_MOST_C).tolist()
    saturated = [_saturation_pa.get(temp_c) or saturation_pa(temp_c) for temp_c in some_c]
    vapours_pa = np.maximum(humidities * np.array(saturated), 0.0)
    return np.maximum(0.621945 * vapours_pa / (pressures_pa - vapours_pa), _LEAST_W)


def relative_humidity(temp_c: float, w: float, pressure_pa: float) -> float:
    """Relative humidity (a fraction) of air of humidity ratio ``w``."""
    return float(psychrolib.GetRelHumFromHumRatio(temp_c, w, pressure_pa))


def density_kg_m3(temp_c: float, w: float, pressure_pa: float) -> float:
    """Mass of moist air in a volume. Same, eq. (11)."""
    return float((1.0 + w) / volume_m3_kg(temp_c, w, pressure_pa))


def standard_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere. Same, eq. (3).

    >>> round(standard_pressure_pa(1500.0))
    84556
    """
    return float(psychrolib.GetStandardAtmPressure(altitude_m))
