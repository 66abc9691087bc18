"""A coil's capacities over the air that coils meet, from desert to jungle, at the sea and at 85 kPa.

The total is m (h1 - h2), of the air alone: what the condensate takes along, m (W1 - W2) hw, is in it. A
balance of the refrigerant's side has it out; both are held against CoolProp (HumidAir and water, real gas).
States and tolerances were fixed before anything was computed: 0.5 % of the total for each heat and for the
heat with the condensate out, 0.01 for the sensible heat ratio, 1 % of the water or 2e-5 kg/s.
"""

from __future__ import annotations

from typing import Any

import pytest
from CoolProp.CoolProp import PropsSI
from CoolProp.HumidAirProp import HAPropsSI

from tests.core.test_kinds import SEA_LEVEL_PA, enthalpy_j_kg, moisture
from tests.core.test_kinds_cooling import MASS_KG_S, cooling_job, document_of_block, story

HIGH_PA = 85_000.0  # Pa: about 1460 m
SURFACE_C, BYPASS = 9.0, 0.10  # the air leaves as a mixture of entering air and air at a surface (assumed)
OF_TOTAL, RATIO, WATER, LEAST_WATER_KG_S = 0.005, 0.01, 0.01, 2e-5

STATES = [  # entering degC and %: invented, none from our own code
    (43.0, 8.0),  # desert outdoor air, dry coil
    (35.0, 12.0),  # dry coil
    (24.0, 25.0),  # heated-dry room, dry coil
    (24.0, 42.0),  # the coil is just wet
    (22.0, 60.0),
    (26.7, 51.0),  # the usual rating (recalled)
    (35.0, 40.0),
    (27.0, 95.0),  # fog-near outdoor air
    (32.0, 85.0),  # jungle
    (38.0, 60.0),  # dew point 29 degC, about the dampest outdoors (recalled)
]


def leaving(front: tuple[float, float], pressure_pa: float) -> tuple[float, float, float]:
    """DegC, % and kg/kg behind the coil. Source: CoolProp HumidAir."""
    w1 = moisture(front[0], front[1] / 100.0, pressure_pa)
    at_surface_w = min(w1, moisture(SURFACE_C, 1.0, pressure_pa))
    temp_c = SURFACE_C + BYPASS * (front[0] - SURFACE_C)
    w2 = min(at_surface_w + BYPASS * (w1 - at_surface_w), moisture(temp_c, 1.0, pressure_pa))  # fog drains
    rh = float(HAPropsSI("R", "T", temp_c + 273.15, "P", pressure_pa, "W", w2 - 1e-9))  # within the scale
    return temp_c, 100.0 * rh, w2


def water_j_kg(temp_c: float) -> float:
    """Liquid water above 0 degC. Source: CoolProp, water (IAPWS-95)."""
    here, zero = (float(PropsSI("H", "T", c + 273.15, "Q", 0, "Water")) for c in (temp_c, 0.01))
    return here - zero


@pytest.mark.parametrize("pressure_pa", [SEA_LEVEL_PA, HIGH_PA])
@pytest.mark.parametrize("front", STATES)
def test_capacities_over_what_coils_meet(front: tuple[float, float], pressure_pa: float) -> None:
    back_c, back_pct, w2 = leaving(front, pressure_pa)
    w1 = moisture(front[0], front[1] / 100.0, pressure_pa)
    h1, h2, between = (
        enthalpy_j_kg(c, w, pressure_pa) for c, w in ((front[0], w1), (back_c, w2), (front[0], w2))
    )
    total_w, sensible_w = MASS_KG_S * (h1 - h2), MASS_KG_S * (between - h2)
    water_kg_s = MASS_KG_S * (w1 - w2)
    water_w = water_kg_s * water_j_kg(back_c)

    job = cooling_job(pressure_pa=pressure_pa)
    firing: dict[str, Any] = document_of_block(job, story(front, (back_c, back_pct)))["firing"]
    near_w = OF_TOTAL * total_w
    assert firing["output_w"] == pytest.approx(total_w, abs=near_w)
    assert firing["sensible_w"] == pytest.approx(sensible_w, abs=near_w)
    assert firing["latent_w"] == pytest.approx(total_w - sensible_w, abs=near_w)
    assert firing["sensible_heat_ratio"] == pytest.approx(sensible_w / total_w, abs=RATIO)
    assert firing["condensate_kg_s"] == pytest.approx(water_kg_s, rel=WATER, abs=LEAST_WATER_KG_S)

    out_w = firing["output_w"] - firing["condensate_kg_s"] * water_j_kg(back_c)
    assert out_w == pytest.approx(total_w - water_w, abs=near_w)
    if water_w > near_w:  # where the two can be told apart, the output is the one with it in
        assert abs(firing["output_w"] - total_w) < abs(firing["output_w"] - (total_w - water_w))


def test_the_table_has_dry_coils_and_wet_ones() -> None:
    """Dry is a ratio of 1 without water; so the table cannot lose one kind unseen."""
    gained = [
        moisture(c, pct / 100.0, p) - leaving((c, pct), p)[2]
        for c, pct in STATES
        for p in (SEA_LEVEL_PA, HIGH_PA)
    ]
    assert sum(w == pytest.approx(0.0, abs=1e-9) for w in gained) >= 6
    assert sum(w > 1e-3 for w in gained) >= 10
