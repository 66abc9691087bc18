"""An airflow as measured, however it was had, and its document ``riselog.airflow/1``.

All budget lines are relative to the flow. Source: GUM (JCGM 100).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from math import hypot
from typing import Any

from logger.core.air import density_kg_m3, humidity_ratio, relative_humidity, saturation_pa, volume_m3_kg
from logger.core.budget import BudgetLine, Combined
from logger.core.texts import temperature_text
from logger.core.traverse import Assumed, PressureFrom
from logger.core.units import ZERO_C_K

SCHEMA = "riselog.airflow/1"
TEMPERATURE_U_K = 0.5  # K: of the air in the plane, typed or by a probe (assumed)
HUMIDITY_U = 0.05  # fraction of saturation (assumed)
GUESSED_TEMPERATURE_U_K = 3.0  # K: where nobody measured it (assumed)
GUESSED_HUMIDITY_U = 0.15  # fraction of saturation: rooms, dry to damp (assumed)
ROOM_DEW_POINT_C = 25.0  # degC: the dampest air that rooms give back (assumed)
INDOOR_C, INDOOR_HUMIDITY = 20.0, 0.5  # degC, fraction: room air, where nothing better is known (assumed)
GUESSED_PRESSURE_U_PA = 3_000.0  # Pa: sea level taken for a site of any height (assumed)
PRESSURE_U_PA: dict[PressureFrom, float] = {
    PressureFrom.ALTITUDE: 1_000.0,  # Pa: weather about the standard atmosphere (assumed, design)
    PressureFrom.TYPED: 150.0,  # Pa: read once, from a barometer or a station near by (assumed)
    PressureFrom.PROBE: 150.0,  # Pa: half of the 300 Pa that a probe's u95 is where it is not given (assumed)
}
"""Standard uncertainty of an air pressure by how it was had: of a traverse and of a job."""
HEATED_PLANE_C = 30.0  # degC: from here on the air in a plane was heated: its moisture is a room's (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class AirState:
    """The air in the plane."""

    temperature_c: float
    humidity: float
    pressure_pa: float
    humidity_ratio: float
    density_kg_m3: float
    volume_m3_kg: float
    pressure_from: PressureFrom | None = None

    @classmethod
    def of(
        cls,
        temperature_c: float,
        humidity: float,
        pressure_pa: float,
        pressure_from: PressureFrom | None = None,
    ) -> AirState:
        """State from temperature (degC), relative humidity (fraction) and pressure (Pa)."""
        w = humidity_ratio(temperature_c, humidity, pressure_pa)
        return cls(
            temperature_c=temperature_c,
            humidity=humidity,
            pressure_pa=pressure_pa,
            humidity_ratio=w,
            density_kg_m3=density_kg_m3(temperature_c, w, pressure_pa),
            volume_m3_kg=float(volume_m3_kg(temperature_c, w, pressure_pa)),
            pressure_from=pressure_from,
        )


def pressure_u_pa(how: PressureFrom | None, *, assumed: bool = False) -> float:
    """Standard uncertainty of a pressure, Pa; ``assumed``: nobody gave one.

    What does not say how it was had (a file of an older version, or by hand) is taken for the
    poorest that somebody gave, one from an altitude.
    """
    return GUESSED_PRESSURE_U_PA if assumed else PRESSURE_U_PA[how or PressureFrom.ALTITUDE]


def plane_humidity(temperature_c: float, pressure_pa: float) -> float:
    """Relative humidity (a fraction) to take in a plane where nobody gave it.

    Heating adds no water: a heated plane holds the moisture of room air, at a low relative humidity.

    >>> plane_humidity(21.0, 101325.0), round(plane_humidity(50.0, 101325.0), 3)
    (0.5, 0.095)
    """
    if temperature_c < HEATED_PLANE_C:
        return INDOOR_HUMIDITY
    return relative_humidity(
        temperature_c, humidity_ratio(INDOOR_C, INDOOR_HUMIDITY, pressure_pa), pressure_pa
    )


def too_damp(temperature_c: float, humidity: float, pressure_pa: float) -> str | None:
    """Why a heated plane cannot have this ``humidity`` (a fraction); None where it can."""
    most_pa = saturation_pa(ROOM_DEW_POINT_C)
    if temperature_c < HEATED_PLANE_C or humidity * saturation_pa(temperature_c) <= most_pa:
        return None
    room = plane_humidity(temperature_c, pressure_pa)
    return (
        f"{100.0 * humidity:.0f} % humidity at {temperature_text(temperature_c)} has a dew point above "
        f"{temperature_text(ROOM_DEW_POINT_C)}, damper than any room, and heating adds no water: room air "
        f"has about {100.0 * room:.0f} % there; see whether it is that of the return, or a slip."
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredAirflow:
    """An airflow however it was had. ``u95`` is a fraction; the lines' ``u_w`` are fractions too.

    ``volume_m3_s`` at ``state``; ``standard_volume_m3_s`` of air of the reference density.
    ``density_power``: power with which the volume goes with 1 / density.
    """

    state: AirState
    volume_m3_s: float
    standard_volume_m3_s: float
    dry_air_kg_s: float
    lines: tuple[BudgetLine, ...]
    combined: Combined
    area_m2: float | None = None
    mean_velocity_m_s: float | None = None  # actual
    mean_standard_velocity_m_s: float | None = None
    density_power: float = 0.0

    @property
    def u95(self) -> float:
        """Expanded uncertainty, 95 %, as a fraction of the flow."""
        return self.combined.u95_w


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowCheck:
    """One thing looked at: its code, whether it is passed, one plain sentence."""

    code: str
    ok: bool
    text: str


def airflow_document(flow: MeasuredAirflow, checks: Iterable[FlowCheck]) -> dict[str, Any]:
    """The JSON document; what cannot be had is None."""
    return {
        "schema": SCHEMA,
        "area_m2": flow.area_m2,
        "mean_velocity_m_s": flow.mean_velocity_m_s,
        "volume_m3_s": flow.volume_m3_s,
        "standard_volume_m3_s": flow.standard_volume_m3_s,
        "dry_air_kg_s": flow.dry_air_kg_s,
        "temperature_c": flow.state.temperature_c,
        "humidity_pct": 100.0 * flow.state.humidity,
        "pressure_pa": flow.state.pressure_pa,
        "u95_percent": 100.0 * flow.u95,
        "budget": [
            {"source": line.source, "u_percent": 100.0 * line.u_w, "share": share, "assumed": line.assumed}
            for line, share in zip(flow.lines, flow.combined.shares, strict=True)
        ],
        "checks": [{"code": check.code, "ok": check.ok, "text": check.text} for check in checks],
    }


def _humidity_u(state: AirState, assumed: Collection[Assumed]) -> float:
    """Standard uncertainty of the relative humidity, a fraction of saturation."""
    if Assumed.HUMIDITY not in assumed:
        return HUMIDITY_U
    if state.temperature_c < HEATED_PLANE_C:
        return GUESSED_HUMIDITY_U
    # a room's air, a room's doubt
    return GUESSED_HUMIDITY_U * saturation_pa(INDOOR_C) / saturation_pa(state.temperature_c)


def water_u(state: AirState, assumed: Collection[Assumed] = ()) -> float:
    """Standard uncertainty of the humidity ratio: W = 0.622 pv / (p - pv), ASHRAE Fundamentals ch. 1."""
    most_pa = saturation_pa(state.temperature_c)
    dry_pa = state.pressure_pa - state.humidity * most_pa
    return 0.621945 * state.pressure_pa / dry_pa**2 * most_pa * _humidity_u(state, assumed)


def density_u(state: AirState, assumed: Collection[Assumed] = (), *, pressure: bool = True) -> float:
    """Relative standard uncertainty of the density, that of ``pressure`` in it or not.

    ``assumed``: what of the state nobody measured.
    """
    warm_k = GUESSED_TEMPERATURE_U_K if Assumed.TEMPERATURE in assumed else TEMPERATURE_U_K
    warm = warm_k / (state.temperature_c + ZERO_C_K)
    vapour_pa = _humidity_u(state, assumed) * saturation_pa(state.temperature_c)
    damp = 0.378 * vapour_pa / state.pressure_pa  # d ln rho / d pv
    press_pa = pressure_u_pa(state.pressure_from, assumed=Assumed.PRESSURE in assumed) if pressure else 0.0
    return hypot(warm, damp, press_pa / state.pressure_pa)
