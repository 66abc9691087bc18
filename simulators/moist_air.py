"""Moist air for the plant, written from the formulas and not from the logger's own module.

Source of all: ASHRAE Handbook Fundamentals, ch. 1 (Psychrometrics), perfect-gas relations;
saturation pressure by Hyland and Wexler as printed there. Floats and arrays alike.
``w`` is kg of water per kg of dry air.
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
import numpy.typing as npt

FloatOrArray = TypeVar("FloatOrArray", float, npt.NDArray[np.float64])

KELVIN = 273.15  # K at 0 degC, exact by definition
R_DRY_J_KG_K = 287.042  # gas constant of dry air, ASHRAE ch. 1 eq. (1)
VAPOUR_VOLUME = 1.607858  # ratio of molar masses, dry air to water, same eq. (26)
RATIO_OF_MASSES = 0.621945  # ratio of molar masses, water to dry air, same eq. (20)
CP_DRY_J_KG_K = 1006.0  # same eq. (30)
CP_VAPOUR_J_KG_K = 1860.0  # same eq. (30)
H_VAPOUR_J_KG = 2_501_000.0  # evaporation enthalpy at 0 degC, same eq. (30)

# ln(p/Pa) = c0/T + c1 + c2 T + c3 T^2 + c4 T^3 + c5 T^4 + c6 ln T, T in K; same eqs. (5), (6)
_OVER_ICE = (-5.6745359e3, 6.3925247, -9.677843e-3, 6.2215701e-7, 2.0747825e-9, -9.484024e-13, 4.1635019)
# over water, same eq. (6)
_OVER_WATER = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 0.0, 6.5459673)


def heat_capacity_j_kg_k(w: FloatOrArray) -> FloatOrArray:
    """Heat to warm the moist air around 1 kg of dry air by 1 K; it does not depend on temperature."""
    return CP_DRY_J_KG_K + CP_VAPOUR_J_KG_K * w


def enthalpy_j_kg(temp_c: FloatOrArray, w: float) -> FloatOrArray:
    """Enthalpy in J per kg of dry air, zero for dry air at 0 degC.

    >>> round(enthalpy_j_kg(20.0, 0.0))
    20120
    """
    return temp_c * heat_capacity_j_kg_k(w) + w * H_VAPOUR_J_KG


def volume_m3_kg(temp_c: FloatOrArray, w: float, pressure_pa: float) -> FloatOrArray:
    """Volume in m3 per kg of dry air."""
    return (temp_c + KELVIN) * volume_m3_kg_k(w, pressure_pa)


def volume_m3_kg_k(w: float, pressure_pa: float) -> float:
    """Volume in m3 per kg of dry air and K of absolute temperature."""
    return R_DRY_J_KG_K * (1.0 + VAPOUR_VOLUME * w) / pressure_pa


def mixed(share: float, one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    """Temperature and humidity ratio of two streams of (degC, kg/kg) mixed without heat from elsewhere.

    ``share`` is that of ``other`` in the dry air. Enthalpy and water mix by dry mass (ASHRAE
    Fundamentals ch. 1, adiabatic mixing).
    """
    w = one[1] + share * (other[1] - one[1])
    enthalpy = (1.0 - share) * enthalpy_j_kg(*one) + share * enthalpy_j_kg(*other)
    return (enthalpy - w * H_VAPOUR_J_KG) / heat_capacity_j_kg_k(w), w


def saturation_pa(temp_c: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Saturation pressure of water vapour in Pa, over ice below 0 degC; -100..200 degC.

    >>> float(saturation_pa(20.0).round(1))
    2338.8
    """
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN
    return np.where(kelvin < KELVIN, _saturation(kelvin, _OVER_ICE), _saturation(kelvin, _OVER_WATER))


def _saturation(kelvin: npt.NDArray[np.float64], c: tuple[float, ...]) -> npt.NDArray[np.float64]:
    log_p = c[0] / kelvin + c[1] + c[6] * np.log(kelvin)
    for power in (1, 2, 3, 4):
        log_p = log_p + c[power + 1] * kelvin**power
    return np.asarray(np.exp(log_p))


def saturated_w(temp_c: float, pressure_pa: float) -> float:
    """Humidity ratio of saturated air; for one float, fast.

    >>> abs(saturated_w(12.0, 101_325.0) - humidity_ratio(12.0, 1.0, 101_325.0)) < 1e-12
    True
    """
    kelvin = temp_c + KELVIN
    c = _OVER_ICE if kelvin < KELVIN else _OVER_WATER
    power = c[1] + kelvin * (c[2] + kelvin * (c[3] + kelvin * (c[4] + kelvin * c[5])))
    vapour_pa = math.exp(c[0] / kelvin + power + c[6] * math.log(kelvin))
    return RATIO_OF_MASSES * vapour_pa / (pressure_pa - vapour_pa)


def humidity_ratio(temp_c: float, humidity: float, pressure_pa: float) -> float:
    """Humidity ratio of air of relative ``humidity`` (a fraction)."""
    vapour_pa = humidity * float(saturation_pa(temp_c))
    return RATIO_OF_MASSES * vapour_pa / (pressure_pa - vapour_pa)


def relative_humidity_pct(
    temp_c: npt.ArrayLike, w: FloatOrArray, pressure_pa: float
) -> npt.NDArray[np.float64]:
    """Relative humidity in % of air of humidity ratio ``w``."""
    vapour_pa = pressure_pa * w / (RATIO_OF_MASSES + w)
    return np.asarray(100.0 * vapour_pa / saturation_pa(temp_c))


def standard_pressure_pa(altitude_m: float) -> float:
    """Pressure of the standard atmosphere, ASHRAE ch. 1 eq. (3)."""
    return float(101_325.0 * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)
