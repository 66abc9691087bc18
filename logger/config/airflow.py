"""The [airflow] table and its traverse as the core's parameters; what is assumed is told in a note."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

from logger.config.plane import HOTTEST_RETURN_C, plane_of
from logger.config.schema import AirflowTable
from logger.config.traverse import TraverseSetup, burner_of
from logger.core.airflow import HEATED_PLANE_C, AirState, density_u, plane_humidity, too_damp
from logger.core.carry import HEATED_PLANES, INLET_SPAN_K, carry
from logger.core.params import (
    STANDARD_DENSITY_KG_M3,
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    FlowLine,
    Plane,
    UnitParams,
    VelocityBasis,
)
from logger.core.texts import density_text, temperature_text
from logger.core.traverse import Assumed
from logger.core.traverse_flow import airflow_params

HOTTEST_DUCT_C = 65.0  # degC; above it a unit was mistyped (assumed)
WARM_SUPPLY_C = 26.0  # degC; above it the air may have been heated or not (assumed)
AIRFLOW_U95 = 0.05  # fraction of the flow: assumed
AIRFLOW_TEMP_C = 20.0  # degC, where the state of a volume is not told: assumed
_NO_PLANE = {
    Plane.RETURN: "airflow.at is left out: the flow is assumed to be measured in the return air.",
    Plane.SUPPLY: "airflow.at is left out: air so warm is taken to be supply air.",
}
_OUT_OF_SIGHT = (
    "A change of fan speed or dampers since then is out of this tool's sight: a velocity probe left in the"
    ' duct (airflow.source = "probe") would show it.'
)
_CARRIED = {
    Burner.ON: "the mass of air is carried over as that of a firing",
    Burner.OFF: "the volume is carried over as that of the fan",
}


def flow_params(
    air: AirflowTable, traverse: TraverseSetup | None, unit: UnitParams, job_pa: float, notes: list[str]
) -> AirflowParams:
    """The airflow, with ``unit`` and the site's pressure ``job_pa`` as the job has them."""
    if traverse is None:
        flow = _told_airflow(air, unit, job_pa, notes)
    else:
        notes += traverse.notes()
        flow = _traversed(air, traverse, unit, job_pa, notes)
    _inlet_note(flow.reference or flow, unit, notes)
    if air.source is not AirflowSource.MASS and air.at is None and not (traverse and traverse.traverse.at):
        notes.append(_NO_PLANE[flow.at])
    return flow


def _day(started_utc: str | None) -> int | None:
    """Ordinal of the day in a traverse's time stamp; None where it has none that can be read."""
    try:
        return date.fromisoformat((started_utc or "")[:10]).toordinal()
    except ValueError:
        return None


def _traversed(
    air: AirflowTable, traverse: TraverseSetup, unit: UnitParams, job_pa: float, notes: list[str]
) -> AirflowParams:
    file = traverse.traverse
    at = plane_of(air, file)
    if air.inlet_temperature is not None:
        file = replace(file, inlet_temperature_c=air.inlet_temperature)
    burner, is_open = _burner(burner_of(air, file), at, file.temperature_c, unit, notes)
    measured = airflow_params(file, traverse.name, unit=unit, at=at, burner=burner, job_pa=job_pa)
    measured = replace(measured, burner_open=is_open, measured_day=_day(file.started_utc))
    if air.source is AirflowSource.PROBE:
        told = replace(_told_airflow(air, unit, job_pa, notes), at=at)
        live = _live(told, air, measured, notes)
        origin = measured.origin + "The live velocity probe is compared with it."
        return replace(live, reference=measured, origin=origin)
    measured = replace(measured, origin=measured.origin + _OUT_OF_SIGHT)
    if air.u95 is None:
        return measured
    notes.append(
        f"airflow.u95 is given: its {air.u95:.1%} stands in place of the {measured.u95:.1%} of the traverse's"
        " own budget; leave it out to use that."
    )
    return replace(measured, u95=air.u95, lines=())


def _told_airflow(air: AirflowTable, unit: UnitParams, job_pa: float, notes: list[str]) -> AirflowParams:
    u95 = AIRFLOW_U95 if air.u95 is None else air.u95
    if air.u95 is None:
        notes.append("airflow.u95 is left out: 5 % is assumed.")
    temp_c = AIRFLOW_TEMP_C if air.temperature is None else air.temperature
    humidity = plane_humidity(temp_c, job_pa) if air.humidity is None else air.humidity
    at, burner, is_open = plane_of(air), Burner.OFF, False
    if air.source is AirflowSource.FIXED:
        burner, is_open = _burner(air.burner, at, temp_c, unit, notes)
    if air.source is AirflowSource.PROBE and air.basis is None and air.traverse is None:
        notes.append(
            'airflow.basis is left out: "actual" is assumed; a thermal (hot-wire) probe reads "standard".'
        )
    flow = AirflowParams(
        source=air.source,
        u95=u95,
        u95_assumed=air.u95 is None,
        at=at,
        burner=burner,
        burner_open=is_open,
        inlet_c=air.inlet_temperature,
        volume_m3_s=air.stage_volume[-1] if air.stage_volume else air.volume or 0.0,
        stage_volume_m3_s=air.stage_volume or (),
        temperature_c=temp_c,
        humidity=humidity,
        mass_kg_s=air.mass or 0.0,
        probe=air.probe or "",
        area_m2=air.area or 0.0,
        factor=1.0 if air.factor is None else air.factor,
        basis=air.basis or VelocityBasis.ACTUAL,
        reference_density_kg_m3=air.reference_density or STANDARD_DENSITY_KG_M3,
    )
    if air.source is not AirflowSource.FIXED:
        return flow
    weight = carry(unit, flow).density_then
    _state_notes(air, humidity, job_pa, notes, weighs=weight > 0.0)
    return replace(flow, lines=_typed_lines(air, flow, weight, job_pa))


def _typed_lines(
    air: AirflowTable, flow: AirflowParams, weight: float, job_pa: float
) -> tuple[FlowLine, ...]:
    """A typed volume whose mass is carried has the doubt of its density too; () where u95 is all."""
    if weight <= 0.0:
        return ()
    words = ((Assumed.TEMPERATURE, air.temperature), (Assumed.HUMIDITY, air.humidity))
    assumed = [word for word, value in words if value is None]
    state = AirState.of(flow.temperature_c, flow.humidity, job_pa)
    return (
        FlowLine(source="volume", u=flow.u95 / 2.0, assumed=flow.u95_assumed),
        FlowLine(source="density", u=weight * density_u(state, assumed, pressure=False), assumed=True),
    )


def _inlet_note(flow: AirflowParams, unit: UnitParams, notes: list[str]) -> None:
    """What is taken for the air at the fan inlet then, where it counts and nobody said it."""
    if flow.source is not AirflowSource.FIXED or not carry(unit, flow).heated:
        return
    span_k = INLET_SPAN_K[unit.fan]
    taken = f"that of the firing is taken, ± {span_k:.0f} K"
    if unit.fan is FanPosition.DRAW_THROUGH:
        taken = (
            f"{temperature_text(flow.temperature_c)} and the rise of the firing are taken, ± {span_k:.0f} K"
        )
    if flow.inlet_c is None:
        notes.append(
            "airflow.inlet_temperature is left out: it counts where the burner was on between fan and plane;"
            f" {taken} (each 3 K off is 1 % of the output); give the temperature of the air at the fan's"
            " inlet while the flow was measured."
        )
    elif (flow.inlet_c > flow.temperature_c) is (unit.fan is FanPosition.BLOW_THROUGH):
        notes.append(
            f"The fan's inlet had {temperature_text(flow.inlet_c)} and the plane"
            f" {temperature_text(flow.temperature_c)}, with the burner on: a {unit.fan} fan takes in the"
            f" {'cooler' if unit.fan is FanPosition.BLOW_THROUGH else 'hotter'} air; look at both."
        )


def _state_notes(
    air: AirflowTable, humidity: float, job_pa: float, notes: list[str], *, weighs: bool
) -> None:
    temp_c = air.temperature
    if temp_c is None:
        notes.append(
            "airflow.temperature is left out: 20 °C is assumed where the volume was measured"
            + ("; each 3 K off is 1 % of the output." if weighs else ".")
        )
    elif temp_c > HOTTEST_DUCT_C:
        notes.append(
            f"airflow.temperature is {temperature_text(temp_c)}: few ducts are so hot; look at its unit."
        )
    if air.humidity is None:
        heated = temp_c is not None and temp_c >= HEATED_PLANE_C
        of = ", the moisture of room air (heating adds none)" if heated else ""
        notes.append(
            f"airflow.humidity is left out: {100.0 * humidity:.0f} %{of} is assumed where the volume was"
            " measured."
        )
    elif temp_c is not None and (text := too_damp(temp_c, humidity, job_pa)):
        notes.append(f"airflow.humidity: {text}")


def _burner(
    said: Burner | None, at: Plane, temp_c: float, unit: UnitParams, notes: list[str]
) -> tuple[Burner, bool]:
    """Whether the unit heated while the flow was measured, once and for all; and whether that is open.

    A guess is told.
    """
    warm = temperature_text(temp_c)
    hot = temp_c >= HOTTEST_RETURN_C
    if hot and said is Burner.OFF:
        notes.append(f'airflow.burner is "off", at {warm}: that is no unheated air; look at both.')
    if said is not None:
        return said, False
    unsure = False
    burner = Burner.ON if hot and at is Plane.SUPPLY else Burner.OFF
    if (unit.fan, at) in HEATED_PLANES and unit.fan_drive is FanDrive.CONSTANT_SPEED:
        other = Burner.OFF if burner is Burner.ON else Burner.ON
        unsure = at is Plane.RETURN or (temp_c >= WARM_SUPPLY_C and not hot)
        notes.append(
            f'airflow.burner is left out: "{burner}" is assumed, as the flow was measured in the {at} at'
            f" {warm}, so {_CARRIED[burner]};"
            + (
                " the temperature leaves it open, so the output gets the"
                ' doubt of both; say airflow.burner = "on" or "off".'
                if unsure
                else f' say "{other}" if it was not so.'
            )
        )
    return burner, unsure


def _live(live: AirflowParams, air: AirflowTable, measured: AirflowParams, notes: list[str]) -> AirflowParams:
    """The live probe in the traverse's basis, where nothing else is said; another one is told."""
    standard = measured.density_power == 1.0
    basis = VelocityBasis.STANDARD if standard else VelocityBasis.ACTUAL
    if air.basis is None:
        live = replace(live, basis=basis)
        notes.append(f'airflow.basis is left out: "{basis}" is taken, as in the traverse.')
    elif air.basis is not basis:
        notes.append(
            f'airflow.basis is "{air.basis}" and the traverse gives {basis} velocities: right only where the'
            f' live probe is of another kind; if it is the same one, say basis = "{basis}".'
        )
    reference = measured.reference_density_kg_m3
    if air.reference_density is None and standard:
        return replace(live, reference_density_kg_m3=reference)
    if standard and live.basis is basis and live.reference_density_kg_m3 != reference:
        notes.append(
            f"airflow.reference_density is {density_text(live.reference_density_kg_m3)} and the traverse has"
            f" {density_text(reference)}: right only where the two probes are different ones."
        )
    return live
