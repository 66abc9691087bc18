"""The one table of units and their spellings, case-sensitive."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Dimension(StrEnum):
    """What a value is; in brackets the SI unit that ``parse`` gives."""

    TEMPERATURE = "temperature"  # degC
    DIFFERENCE = "temperature difference"  # K
    VOLUME_FLOW = "volume flow"  # m3/s
    MASS_FLOW = "mass flow"  # kg/s
    VELOCITY = "velocity"  # m/s
    POWER = "power"  # W
    PRESSURE = "pressure"  # Pa
    FRACTION = "fraction"  # 1
    TIME = "time"  # s
    LENGTH = "length"  # m
    AREA = "area"  # m2
    VOLUME = "volume"  # m3
    DENSITY = "density"  # kg/m3
    HEATING_VALUE = "energy per volume"  # J/m3
    STORAGE = "storage size"  # bytes


class Unit(NamedTuple):
    """SI value = (value + shift) x times / per; spellings, the first for messages."""

    spellings: tuple[str, ...]
    times: float = 1.0
    per: float = 1.0
    shift: float = 0.0


ZERO_C_K = 273.15  # K, definition of the degree Celsius

# Sources: NIST SP 811 (2008) appendix B.8; "exact" factors follow from definitions given there.
_FT = 0.3048  # m, exact
_IN = 0.0254  # m, exact
_LB = 0.45359237  # kg, exact
_G = 9.80665  # m/s2, standard gravity, exact
_BTU = 1055.05585262  # J, International Table, exact
_MIN = 60.0  # s
_H = 3600.0  # s

UNITS: dict[Dimension, tuple[Unit, ...]] = {
    Dimension.TEMPERATURE: (
        Unit(("°C", "C", "degC")),
        Unit(("°F", "F", "degF"), times=5.0, per=9.0, shift=-32.0),  # exact
        Unit(("K",), shift=-ZERO_C_K),  # exact
    ),
    Dimension.DIFFERENCE: (
        Unit(("K", "°C", "C", "degC")),
        Unit(("°F", "F", "degF"), times=5.0, per=9.0),  # exact
    ),
    Dimension.VOLUME_FLOW: (
        Unit(("cfm", "ft3/min", "ft³/min"), times=_FT**3, per=_MIN),  # exact
        Unit(("m3/s", "m³/s")),
        Unit(("m3/h", "m³/h"), per=_H),
        Unit(("L/s", "l/s"), per=1000.0),
    ),
    Dimension.MASS_FLOW: (
        Unit(("kg/s",)),
        Unit(("kg/h",), per=_H),
        Unit(("lb/h",), times=_LB, per=_H),  # exact
        Unit(("lb/min",), times=_LB, per=_MIN),  # exact
    ),
    Dimension.VELOCITY: (
        Unit(("m/s",)),
        Unit(("fpm", "ft/min"), times=_FT, per=_MIN),  # exact
        Unit(("ft/s",), times=_FT),  # exact
        Unit(("km/h",), times=1000.0, per=_H),  # exact
    ),
    Dimension.POWER: (
        Unit(("Btu/h", "BTU/h"), times=_BTU, per=_H),  # exact
        Unit(("MBH", "kBtu/h"), times=1000.0 * _BTU, per=_H),  # 1000 Btu/h: common practice, no source
        Unit(("W",)),
        Unit(("kW",), times=1000.0),
        Unit(("ton", "tons"), times=12_000.0 * _BTU, per=_H),  # of refrigeration, 12,000 Btu/h, exact
    ),
    Dimension.PRESSURE: (
        Unit(("Pa",)),
        Unit(("hPa", "mbar"), times=100.0),  # exact
        Unit(("kPa",), times=1000.0),
        Unit(("psi",), times=_LB * _G / _IN**2),  # exact
        Unit(("inHg",), times=13595.1 * _G * _IN),  # conventional mercury, 13595.1 kg/m3
        Unit(("in.wg", "inH2O"), times=1000.0 * _G * _IN),  # conventional water, 1000 kg/m3
    ),
    Dimension.FRACTION: (Unit(("%",), per=100.0),),
    Dimension.TIME: (
        Unit(("s",)),
        Unit(("min",), times=_MIN),
        Unit(("h",), times=_H),
        Unit(("d", "day", "days"), times=24.0 * _H),
    ),
    Dimension.LENGTH: (
        Unit(("ft",), times=_FT),
        Unit(("in",), times=_IN),
        Unit(("m",)),
        Unit(("cm",), per=100.0),
        Unit(("mm",), per=1000.0),
    ),
    Dimension.AREA: (
        Unit(("m2", "m²")),
        Unit(("cm2", "cm²"), per=1e4),
        Unit(("ft2", "ft²"), times=_FT**2),  # exact
        Unit(("in2", "in²"), times=_IN**2),  # exact
    ),
    Dimension.VOLUME: (
        Unit(("ft3", "ft³"), times=_FT**3),  # exact
        Unit(("m3", "m³")),
        Unit(("L", "l"), per=1000.0),
    ),
    Dimension.DENSITY: (
        Unit(("kg/m3", "kg/m³")),
        Unit(("lb/ft3", "lb/ft³"), times=_LB, per=_FT**3),  # exact
    ),
    Dimension.HEATING_VALUE: (
        Unit(("Btu/ft3", "Btu/ft³"), times=_BTU, per=_FT**3),  # exact
        Unit(("MJ/m3", "MJ/m³"), times=1e6),
        Unit(("kWh/m3", "kWh/m³"), times=3.6e6),  # exact
    ),
    Dimension.STORAGE: (  # SI prefixes, and the binary ones of IEC 80000-13; exact
        Unit(("GB",), times=1e9),
        Unit(("MB",), times=1e6),
        Unit(("kB",), times=1e3),
        Unit(("TB",), times=1e12),
        Unit(("GiB",), times=2.0**30),
        Unit(("MiB",), times=2.0**20),
    ),
}
