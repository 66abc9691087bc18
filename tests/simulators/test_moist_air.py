"""The plant's own moist air against two libraries and printed values."""

from __future__ import annotations

import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI

from simulators import moist_air

psychrolib.SetUnitSystem(psychrolib.SI)

# Entering air, humidity, pressure, supply temperature: winter and mild air at 0, 700 ft, 1500, 2000 m.
STATES = [
    (0.0, 0.80, 101_325.0, 35.0),
    (20.0, 0.50, 101_325.0, 50.0),
    (21.0, 0.40, 98_795.0, 48.0),
    (20.0, 0.50, 84_556.0, 50.0),
    (20.0, 0.30, 79_495.0, 55.0),
]


@pytest.mark.parametrize(("temp_c", "humidity", "pressure_pa", "supply_c"), STATES)
def test_same_as_psychrolib(temp_c: float, humidity: float, pressure_pa: float, supply_c: float) -> None:
    # Source: psychrolib 2.5 (ASHRAE Fundamentals ch. 1), the same relations in other hands. It goes
    # over to ice at 0.01 degC, this module at 0 as printed: 0.01 % of W at 0 degC.
    w = psychrolib.GetHumRatioFromRelHum(temp_c, humidity, pressure_pa)
    assert moist_air.humidity_ratio(temp_c, humidity, pressure_pa) == pytest.approx(
        w, rel=2e-4 if temp_c == 0.0 else 2e-5
    )
    for t_c in (temp_c, supply_c):
        volume = psychrolib.GetMoistAirVolume(t_c, w, pressure_pa)
        assert moist_air.volume_m3_kg(t_c, w, pressure_pa) == pytest.approx(volume, rel=1e-5)
        enthalpy = psychrolib.GetMoistAirEnthalpy(t_c, w)
        assert moist_air.enthalpy_j_kg(t_c, w) == pytest.approx(enthalpy, rel=1e-9)
        humidity_pct = 100.0 * psychrolib.GetRelHumFromHumRatio(t_c, w, pressure_pa)
        assert float(moist_air.relative_humidity_pct(t_c, w, pressure_pa)) == pytest.approx(
            humidity_pct, rel=2e-4 if t_c == 0.0 else 2e-5
        )


@pytest.mark.parametrize(("temp_c", "humidity", "pressure_pa", "supply_c"), STATES)
def test_heat_and_volume_within_a_thousandth_of_real_gas(
    temp_c: float, humidity: float, pressure_pa: float, supply_c: float
) -> None:
    # Source: CoolProp 8 HumidAir (real gas). Same W for both, so that only v and dh are compared.
    w = moist_air.humidity_ratio(temp_c, humidity, pressure_pa)
    state = ("P", pressure_pa, "W", w)
    volume = HAPropsSI("Vda", "T", temp_c + 273.15, *state)
    assert moist_air.volume_m3_kg(temp_c, w, pressure_pa) == pytest.approx(volume, rel=1e-3)
    hot, cold = (HAPropsSI("Hda", "T", t_c + 273.15, *state) for t_c in (supply_c, temp_c))
    ours = moist_air.enthalpy_j_kg(supply_c, w) - moist_air.enthalpy_j_kg(temp_c, w)
    assert ours == pytest.approx(hot - cold, rel=1e-3)


@pytest.mark.parametrize("temp_c", [0.01, 5.0, 20.0, 40.0, 60.0, 95.0])
def test_saturation_pressure_over_water(temp_c: float) -> None:
    # Source: CoolProp 8, IAPWS-95.
    expected_pa = PropsSI("P", "T", temp_c + 273.15, "Q", 0, "Water")
    assert float(moist_air.saturation_pa(temp_c)) == pytest.approx(expected_pa, rel=1e-3)


def test_saturation_pressure_over_ice() -> None:
    # Source: 2021 ASHRAE Handbook - Fundamentals (SI) ch. 1 table 3, ice at -20 degC; water would be 0.1254.
    assert float(moist_air.saturation_pa(-20.0)) == pytest.approx(103.24, rel=1e-3)


@pytest.mark.parametrize(
    ("altitude_m", "kpa"),
    [(0, 101.325), (500, 95.461), (1000, 89.875), (1500, 84.556), (2000, 79.495), (3000, 70.108)],
)
def test_standard_pressure(altitude_m: float, kpa: float) -> None:
    # Source: 2021 ASHRAE Handbook - Fundamentals (SI) ch. 1, table 1.
    assert moist_air.standard_pressure_pa(altitude_m) / 1000.0 == pytest.approx(kpa, abs=0.002)
