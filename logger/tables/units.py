"""Units that a readings file may use: spelling -> the unit in which a quantity is stored."""

from __future__ import annotations

from logger.core.readings import Quantity

_BTU_J = 1055.05585262  # NIST SP 811 B.8, British thermal unit (International Table)
_LB_KG = 0.45359237  # NIST SP 811 B.8, exact
_FT_M = 0.3048  # NIST SP 811 B.8, exact
_IN_M = 0.0254  # NIST SP 811 B.8, exact
_G_M_S2 = 9.80665  # NIST SP 811 B.8, standard acceleration of free fall, exact

Conversion = tuple[float, float]
"""What is added first, then the factor."""

SAME: Conversion = (0.0, 1.0)

UNITS: dict[Quantity, dict[str, Conversion]] = {
    Quantity.TEMPERATURE: {
        **dict.fromkeys(("degC", "°C", "C"), SAME),
        **dict.fromkeys(("degF", "°F", "F"), (-32.0, 5.0 / 9.0)),  # NIST SP 811 B.8, exact
        "K": (-273.15, 1.0),  # NIST SP 811 B.8, exact
    },
    Quantity.HUMIDITY: {"%": SAME, "1": (0.0, 100.0)},
    Quantity.PRESSURE: {
        "Pa": SAME,
        **dict.fromkeys(("hPa", "mbar"), (0.0, 100.0)),
        "kPa": (0.0, 1000.0),
        "psi": (0.0, _LB_KG * _G_M_S2 / _IN_M**2),
        "inHg": (0.0, 3386.389),  # NIST SP 811 B.8, conventional inch of mercury
    },
    Quantity.VELOCITY: {
        "m/s": SAME,
        **dict.fromkeys(("fpm", "ft/min"), (0.0, _FT_M / 60.0)),
        "ft/s": (0.0, _FT_M),
        "km/h": (0.0, 1.0 / 3.6),
    },
    Quantity.DRY_AIR_FLOW: {
        "kg/s": SAME,
        "kg/h": (0.0, 1.0 / 3600.0),
        "lb/min": (0.0, _LB_KG / 60.0),
        "lb/h": (0.0, _LB_KG / 3600.0),
    },
    Quantity.GAS_VOLUME: {
        **dict.fromkeys(("m3", "m³"), SAME),
        "L": (0.0, 0.001),
        **dict.fromkeys(("ft3", "ft³"), (0.0, _FT_M**3)),
    },
    Quantity.POWER: {"W": SAME, "kW": (0.0, 1000.0), "Btu/h": (0.0, _BTU_J / 3600.0)},
    Quantity.BATTERY: {"%": SAME},
    Quantity.SIGNAL: {"dBm": SAME},
}
