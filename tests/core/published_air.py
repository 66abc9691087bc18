"""Worked examples of moist air as they were printed: what is given, what is answered, and how near is near.

All were read, none is from memory. The tolerances were fixed with the table, before anything was computed
with it, from the digits that are printed and from what the source says of itself:

- HANDBOOK: 2021 ASHRAE Handbook - Fundamentals (SI), chapter 1 "Psychrometrics", at 101.325 kPa. Its answers
  are read from a chart, enthalpies to 0.1 kJ/kg. It says of perfect-gas relations, which are those of our
  core, that humidity ratio, enthalpy and volume are off by less than 0.7 % (after Kuehn et al. 1998).
- CENGEL: Cengel and Boles, Thermodynamics: An Engineering Approach, chapter 14, read from a chart to three
  digits; numbers as in the Scilab Textbook Companion, FOSSEE, IIT Bombay, 2870/CH14 of
  github.com/FOSSEE/Scilab-TBC-Uploads.
- HUNDY: Hundy, Trott and Welch, Refrigeration and Air-Conditioning, 4th ed. (2008), chapters 21 and 23;
  numbers as in the same collection, 3878/CH21 and 3878/CH23.
"""

from __future__ import annotations

from dataclasses import dataclass

PERFECT_GAS = 0.007  # of humidity ratio, enthalpy and volume: HANDBOOK, introduction


@dataclass(frozen=True, slots=True, kw_only=True)
class Coil:
    """A cooling coil. Heats in kW, water in g/s; ``near_`` is the tolerance of each, a fraction.

    ``total_kw`` has the condensate's own heat in; ``net_kw`` has it out, None where nobody says that.
    """

    source: str
    front: tuple[float, float, float]  # entering: degC, degC wet bulb or 0, % relative humidity or 0
    back: tuple[float, float, float]  # leaving: the same
    front_g_kg: float = (
        0.0  # printed moisture of the entering air, where its wet bulb is no thermodynamic one
    )
    saturation_pct: float = 0.0  # of the leaving air, W over that of saturation, where that is printed
    volume_m3_s: float = 0.0  # of the entering air, or
    dry_kg_s: float = 0.0
    printed_dry_kg_s: float  # near: 0.7 %
    total_kw: float
    near_total: float
    water_g_s: float
    near_water: float
    water_kj_kg: float = 0.0  # of the condensate
    net_kw: float | None = None
    sensible_kw: float | None = None
    near_sensible: float = 0.0
    ratio: float | None = None
    near_ratio: float = 0.0


COILS = (
    Coil(  # the condensate's own heat is out of the printed answer, 197 kW; in: 5.70 (64.3 - 29.5)
        source="HANDBOOK example 3, eqs. (42) and (43)",
        front=(30.0, 0.0, 50.0),
        back=(10.0, 0.0, 100.0),
        volume_m3_s=5.0,
        printed_dry_kg_s=5.70,
        total_kw=198.4,
        near_total=0.007,
        water_g_s=32.1,  # 5.70 (13.3 - 7.66)
        near_water=0.016,  # 0.05 g of 5.64, and 0.7 %
        water_kj_kg=42.02,
        net_kw=197.0,
    ),
    Coil(  # the same: out of the printed answer, 511 kJ/min; in: 11.25 (85.4 - 39.3) kJ/min
        source="CENGEL example 14-6",
        front=(30.0, 0.0, 80.0),
        back=(14.0, 0.0, 100.0),
        volume_m3_s=10.0 / 60.0,
        printed_dry_kg_s=11.25 / 60.0,
        total_kw=518.6 / 60.0,
        near_total=0.007,
        water_g_s=131.0 / 60.0,
        near_water=0.016,
        water_kj_kg=58.8,
        net_kw=511.0 / 60.0,
    ),
    Coil(  # a room seen as a coil: the vapour's whole enthalpy is in, 9 + 0.0015 x 2555.58 kW
        source="HANDBOOK example 6, eqs. (46) to (48)",
        front=(25.0, 19.0, 0.0),
        back=(15.0, 14.0, 0.0),
        dry_kg_s=0.873,
        printed_dry_kg_s=0.873,
        total_kw=12.83,
        near_total=0.02,  # 14.0 degC wet bulb is drawn with a ruler: 0.1 K is 0.28 of 14.7 kJ/kg
        water_g_s=1.5,
        near_water=0.07,  # the same 0.1 K: 0.11 of 1.72 g/kg
        sensible_kw=9.0,
        near_sensible=0.015,
        ratio=0.701,
        near_ratio=0.01,
    ),
    Coil(  # of the air alone, the condensate's own heat in; dry air is meant by "kg of air". Its wet bulb of
        # 20 degC is a sling's: a thermodynamic one is 11.8 g/kg (CoolProp), and the total 1.4 % more
        source="HUNDY example 23.2",
        front=(27.0, 0.0, 0.0),
        front_g_kg=11.7,
        back=(21.0, 0.0, 0.0),
        saturation_pct=45.0,
        dry_kg_s=1.35,
        printed_dry_kg_s=1.35,
        total_kw=24.2,
        near_total=0.01,
        water_g_s=1000.0 * 1.35 * (0.0117 - 0.0070),
        near_water=0.022,  # 0.0001 of 0.0047
        sensible_kw=8.5,
        near_sensible=0.04,  # its vapour has the heat capacity of the liquid: 2.6 % too much; 0.6 % a digit
        ratio=0.351,  # 8.5 over 24.2; 8.5 and its latent 15.5, at 2440 kJ/kg, are 0.8 % less than 24.2
        near_ratio=0.015,
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """Two streams mixed: volumes of the moist air in m3/s, or dry air in kg/s; degC, % and g/kg."""

    source: str
    first: tuple[float, float, float]  # degC, degC wet bulb or 0, % or 0
    second: tuple[float, float, float]
    first_g_kg: float | None = None  # as printed, where the state is told by it
    second_g_kg: float | None = None
    volumes_m3_s: tuple[float, float] | None = None
    dry_kg_s: tuple[float, float]  # near: 0.7 %
    temp_c: float
    near_c: float
    w_g_kg: float | None = None
    near_g_kg: float = 0.0
    wet_bulb_c: float | None = None
    near_wet_c: float = 0.0
    rh_pct: float | None = None
    near_pct: float = 0.0
    volume_m3_s: float | None = None  # near: 0.7 %


MIXES = (
    Mix(
        source="HANDBOOK example 4, eq. (44)",
        first=(25.0, 0.0, 50.0),
        second=(4.0, 2.0, 0.0),
        volumes_m3_s=(6.25, 2.0),
        dry_kg_s=(7.284, 2.535),
        temp_c=19.5,  # with a ruler on the chart, to half a division
        near_c=0.15,
        wet_bulb_c=14.6,
        near_wet_c=0.15,
    ),
    Mix(
        source="CENGEL example 14-8",
        first=(32.0, 0.0, 60.0),
        second=(14.0, 0.0, 100.0),
        volumes_m3_s=(20.0 / 60.0, 50.0 / 60.0),
        dry_kg_s=(22.5 / 60.0, 60.5 / 60.0),
        temp_c=19.0,
        near_c=0.15,
        w_g_kg=12.2,
        near_g_kg=0.1,
        rh_pct=89.0,
        near_pct=1.5,
        volume_m3_s=70.1 / 60.0,
    ),
    Mix(
        source="HUNDY example 21.3, method (b)",
        first=(21.0, 0.0, 0.0),
        first_g_kg=7.9,
        second=(28.0, 20.0, 0.0),
        second_g_kg=11.1,
        dry_kg_s=(20.0, 3.0),
        temp_c=21.9,  # (20 x 21 + 3 x 28) / 23 = 21.91
        near_c=0.07,
        w_g_kg=8.3,
        near_g_kg=0.07,
    ),
)

HEATING = (10.0, 2.0, 100.0, 40.0, 12.74, 490.0)
"""HANDBOOK example 2, eq. (41): m3/s of air entering at degC and %, leaving at degC; kg/s of dry air, kW."""
HEATING_NEAR = 0.005  # 0.1 of 38.5 kJ/kg twice is 0.5 %

CHART = (
    # HANDBOOK example 1 and the table of charts 1 and 6: Pa, degC, degC wet bulb; g/kg, kJ/kg, %, m3/kg
    (101_325.0, 40.0, 20.0, 6.5, 56.7, 14.0, 0.896),
    (101_325.0, 40.0, 30.0, 23.0, 99.5, 49.0, 0.920),
    (84_556.0, 40.0, 30.0, 28.6, 114.1, 50.0, 1.111),  # 1500 m, HANDBOOK table 1
)

SATURATED = (
    # HANDBOOK table 2, real gas, 101.325 kPa: degC, kg/kg, m3/kg, kJ/kg
    (0.0, 0.0037900, 0.7780, 9.4744),
    (5.0, 0.0054247, 0.7944, 18.639),
    (10.0, 0.0076627, 0.8116, 29.354),
    (15.0, 0.010694, 0.8299, 42.114),
    (20.0, 0.014761, 0.8498, 57.558),
    (25.0, 0.020173, 0.8716, 76.503),
    (30.0, 0.027333, 0.8961, 100.01),
    (35.0, 0.036760, 0.9241, 129.46),
    (40.0, 0.049145, 0.9567, 166.68),
)
