"""An airflow carried from the traverse to the firing: mass balance, from outside the project.

The truth is made by a fan that keeps the volume at its inlet, and by CoolProp's moist air
(HAPropsSI, volume and density of humid air) or the ideal gas law by hand. The two agree to 0.1 %.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from math import hypot, sqrt

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core.airflow import plane_humidity, too_damp
from logger.core.assess import budget
from logger.core.flow import AirflowLaw
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    JobParams,
    Plane,
    UnitParams,
    VelocityBasis,
)
from logger.core.stretch import Means, Seen, Stretch
from logger.core.traverse import Assumed, PressureFrom, Traverse
from logger.core.traverse_flow import airflow_params, measure
from tests.core.ducts import RECTANGLE, walk
from tests.core.jobs import make_job

W, P = 0.006, 98_000.0  # kg/kg, Pa: an ordinary room (invented)
FAN_M3_S = 0.9  # volume at the fan inlet, whatever passes it
ENTERING_C, SUPPLY_C = 20.0, 48.0
BLOW, DRAW = FanPosition.BLOW_THROUGH, FanPosition.DRAW_THROUGH
STANDARD, ACTUAL = VelocityBasis.STANDARD, VelocityBasis.ACTUAL
CASES = [(fan, at, burner) for fan in FanPosition for at in Plane for burner in Burner]


def volume_m3_kg(temp_c: float, w: float = W, pressure_pa: float = P) -> float:
    """Volume of moist air per kg of dry air, by CoolProp."""
    return float(HAPropsSI("Vda", "T", temp_c + 273.15, "W", w, "P", pressure_pa))


def humidity(temp_c: float, w: float = W, pressure_pa: float = P) -> float:
    return float(HAPropsSI("R", "T", temp_c + 273.15, "W", w, "P", pressure_pa))


def streams(fan: FanPosition, entering_c: float, rise_k: float) -> tuple[float, dict[Plane, float]]:
    """Temperature at the fan inlet, and in both planes; the fan's own rise left out."""
    planes = {Plane.RETURN: entering_c, Plane.SUPPLY: entering_c + rise_k}
    return planes[Plane.RETURN if fan is BLOW else Plane.SUPPLY], planes


def told(
    fan: FanPosition, at: Plane, burner: Burner, entering_c: float, drive: FanDrive = FanDrive.CONSTANT_SPEED
) -> tuple[JobParams, float]:
    """The job of a flow that was measured in that plane, and the mass then."""
    rise_k = SUPPLY_C - ENTERING_C if burner is Burner.ON else 0.0
    inlet_c, planes = streams(fan, entering_c, rise_k)
    mass_kg_s = FAN_M3_S / volume_m3_kg(inlet_c)
    flow = AirflowParams(
        source=AirflowSource.FIXED,
        at=at,
        burner=burner,
        volume_m3_s=mass_kg_s * volume_m3_kg(planes[at]),
        temperature_c=planes[at],
        humidity=humidity(planes[at]),
    )
    return make_job(unit=UnitParams(fan=fan, fan_drive=drive), airflow=flow, pressure_pa=P), mass_kg_s


def firing(job: JobParams, entering_c: float = ENTERING_C, pressure_pa: float = P) -> float:
    """What the law gives while firing."""
    supply_c = entering_c + SUPPLY_C - ENTERING_C
    inlet_c, _ = streams(job.unit.fan, entering_c, supply_c - entering_c)
    mass = AirflowLaw(job).dry_air(entering_c, supply_c, W, pressure_pa, None, inlet_c)
    assert mass is not None
    return mass


@pytest.mark.parametrize(("fan", "at", "burner"), CASES)
def test_the_fan_keeps_its_volume(fan: FanPosition, at: Plane, burner: Burner) -> None:
    """Whichever plane, burner on or off: the mass of the firing is that of the volume at the fan inlet."""
    before_c = ENTERING_C if burner is Burner.ON else 12.0  # cold air, before the building warmed up
    job, _ = told(fan, at, burner, before_c)
    inlet_c, _ = streams(fan, ENTERING_C, SUPPLY_C - ENTERING_C)
    assert firing(job) == pytest.approx(FAN_M3_S / volume_m3_kg(inlet_c), rel=1e-3)


@pytest.mark.parametrize(("fan", "at", "burner"), CASES)
@pytest.mark.parametrize("drive", [FanDrive.PROGRAMMED_FLOW, FanDrive.TORQUE])
def test_a_drive_that_keeps_the_mass(fan: FanPosition, at: Plane, burner: Burner, drive: FanDrive) -> None:
    job, mass_kg_s = told(fan, at, burner, 12.0, drive)
    assert firing(job) == pytest.approx(mass_kg_s, rel=1e-3)


def test_the_burner_by_hand() -> None:
    """Ideal gas: 1 m3/s in supply air of 50 degC is 293.15/323.15 m3/s at 20 degC, else 1 m3/s.

    A blow-through fan takes in 20 degC; a draw-through fan that was traversed in the return while
    firing passes the traverse's mass, one traversed with the burner off 1 m3/s of hot air.
    """
    t20, t50 = 293.15, 323.15
    dry = 287.042 / P  # m3 Pa/(kg K) over Pa: W = 0
    expected = {
        (BLOW, Plane.SUPPLY, Burner.ON): 1.0 / (dry * t50),
        (BLOW, Plane.SUPPLY, Burner.OFF): 1.0 / (dry * t20),
        (DRAW, Plane.RETURN, Burner.ON): 1.0 / (dry * t20),
        (DRAW, Plane.RETURN, Burner.OFF): 1.0 / (dry * t50),
        (DRAW, Plane.SUPPLY, Burner.ON): 1.0 / (dry * t50),
        (DRAW, Plane.SUPPLY, Burner.OFF): 1.0 / (dry * t50),
        (BLOW, Plane.RETURN, Burner.ON): 1.0 / (dry * t20),
        (BLOW, Plane.RETURN, Burner.OFF): 1.0 / (dry * t20),
    }
    for (fan, at, burner), mass_kg_s in expected.items():
        hot = at is Plane.SUPPLY and burner is Burner.ON
        flow = AirflowParams(
            source=AirflowSource.FIXED,
            at=at,
            burner=burner,
            volume_m3_s=1.0,
            temperature_c=50.0 if hot else 20.0,
            humidity=0.0,
        )
        job = make_job(unit=UnitParams(fan=fan), airflow=flow, pressure_pa=P)
        now = AirflowLaw(job).dry_air(20.0, 50.0, 0.0, P, None, 20.0 if fan is BLOW else 50.0)
        assert now == pytest.approx(mass_kg_s, rel=1e-4), (fan, at, burner)


@pytest.mark.parametrize(("fan", "at", "burner"), CASES)
@pytest.mark.parametrize("plane_c", [24.0, 48.0])
def test_no_step_as_the_entering_air_warms_up(
    fan: FanPosition, at: Plane, burner: Burner, plane_c: float
) -> None:
    """0.1 K is 0.04 % of the absolute temperature: no more than that from one tick to the next."""
    flow = AirflowParams(
        source=AirflowSource.FIXED, at=at, burner=burner, volume_m3_s=1.0, temperature_c=plane_c, humidity=0.2
    )
    job = make_job(unit=UnitParams(fan=fan), airflow=flow, pressure_pa=P)
    masses = [firing(job, tenth / 10.0) for tenth in range(-100, 301)]
    assert max(abs(b / a - 1.0) for a, b in pairwise(masses)) < 0.5e-3


# -- the readings of a traverse, and whose pressure it is


def read(kind: str, **changes: object) -> Traverse:
    """A traverse in return air of 20 degC: 4 m/s standard or actual, or 9 Pa velocity pressure."""
    basis = ACTUAL if kind == "actual" else STANDARD  # whatever the basis says of velocity pressures
    traverse = walk(basis=basis, temperature_c=ENTERING_C, humidity=humidity(ENTERING_C), **changes)
    if kind == "pressure":
        points = [replace(p, velocity_m_s=None, velocity_pressure_pa=9.0) for p in traverse.points]
        traverse = replace(traverse, points=tuple(points))
    return traverse


def true_mass_kg_s(kind: str, pressure_pa: float) -> float:
    """What passes the plane when such readings are taken at this pressure; CoolProp."""
    volume = volume_m3_kg(ENTERING_C, pressure_pa=pressure_pa)
    rho = (1.0 + W) / volume
    mean_m_s = {"standard": 4.0 * 1.2014 / rho, "actual": 4.0, "pressure": sqrt(2.0 * 9.0 / rho)}[kind]
    return mean_m_s * RECTANGLE.area_m2 / volume


def carried(traverse: Traverse, job_pa: float, drive: FanDrive = FanDrive.CONSTANT_SPEED) -> JobParams:
    unit = UnitParams(fan_drive=drive)
    flow = airflow_params(traverse, "t.json", unit=unit, at=Plane.RETURN, burner=Burner.OFF, job_pa=job_pa)
    return make_job(unit=unit, airflow=flow, pressure_pa=job_pa, pressure_u_pa=1_000.0)


KINDS = ["standard", "actual", "pressure"]
DRIVES = [FanDrive.CONSTANT_SPEED, FanDrive.PROGRAMMED_FLOW]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("drive", DRIVES)
def test_a_pressure_that_was_assumed_is_the_jobs(kind: str, drive: FanDrive) -> None:
    """File at sea level because nobody said more, job at 98,000 Pa: the plane had the job's pressure."""
    traverse = read(kind, pressure_pa=101_325.0, assumed=(Assumed.PRESSURE,))
    assert firing(carried(traverse, P, drive)) == pytest.approx(true_mass_kg_s(kind, P), rel=1e-3)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("drive", DRIVES)
def test_a_barometer_corrects_what_was_read_then_too(kind: str, drive: FanDrive) -> None:
    """File and job say the same, from an altitude; the barometer of the firing knows better for both."""
    job = carried(read(kind, pressure_pa=P), P, drive)
    assert firing(job, pressure_pa=96_000.0) == pytest.approx(true_mass_kg_s(kind, 96_000.0), rel=1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_a_pressure_of_its_own_is_that_of_the_traverse(kind: str) -> None:
    """Two days, two pressures: the fan's volume stays, the mass goes with the pressure; or the mass stays."""
    traverse, then = read(kind, pressure_pa=99_500.0), true_mass_kg_s(kind, 99_500.0)
    assert firing(carried(traverse, P)) == pytest.approx(then * P / 99_500.0, rel=1e-3)
    assert firing(carried(traverse, P, FanDrive.PROGRAMMED_FLOW)) == pytest.approx(then, rel=1e-3)


def lines_of(job: JobParams) -> dict[str, float]:
    """The job's budget as fractions of the heat; no fan heat, no probe of pressure."""
    means = Means(
        entering_c=ENTERING_C,
        supply_c=SUPPLY_C,
        rise_k=SUPPLY_C - ENTERING_C,
        humidity_ratio=W,
        pressure_pa=job.pressure_pa,
        dry_air_kg_s=1.0,
        air_heat_w=1.0,
        fan_heat_w=0.0,
        output_w=1.0,
        return_c=ENTERING_C,
        inlet_c=ENTERING_C,
    )
    stretch = Stretch(line=None, grid_s=1, tau_s=None)
    seen = Seen(humidity=False, pressure=False)
    found = budget(job, means, None, stretch, None, seen)
    assert len({line.source for line in found}) == len(found)
    return {line.source: line.u_w for line in found}


SAME_SOURCE = [("standard", 0.0), ("actual", 1.0), ("pressure", 0.5)]


@pytest.mark.parametrize(("kind", "power"), SAME_SOURCE)
@pytest.mark.parametrize("drive", DRIVES)
def test_one_pressure_is_charged_once(kind: str, power: float, drive: FanDrive) -> None:
    """m goes with p^(1-e): by hand, from m = rho^(1-e) x what was read; u(p) = 1 kPa."""
    lines = lines_of(carried(read(kind, pressure_pa=P), P, drive))
    assert lines.get("pressure", 0.0) == pytest.approx(power * 1_000.0 / P, rel=1e-9)


@pytest.mark.parametrize(("kind", "power"), SAME_SOURCE)
@pytest.mark.parametrize(
    ("how", "u_pa"),
    [
        (PressureFrom.TYPED, 150.0),
        (PressureFrom.PROBE, 150.0),
        (PressureFrom.ALTITUDE, 1_000.0),
        (None, 1_000.0),  # nobody says: the poorest of them
    ],
)
def test_two_pressures_are_charged_both(
    kind: str, power: float, how: PressureFrom | None, u_pa: float
) -> None:
    """Held volume: V went with p_then^-e, m goes with V p_now; held mass: with p_then^(1-e).

    What the pressures differ by enters as a rectangle (GUM 4.3.7).
    """
    then_pa = 99_500.0
    e = 1.0 - power
    then = hypot(u_pa, (then_pa - P) / sqrt(3.0)) / then_pa
    traverse = read(kind, pressure_pa=then_pa, pressure_from=how)
    held_volume = lines_of(carried(traverse, P))
    assert held_volume["pressure"] == pytest.approx(hypot(e * then, 1_000.0 / P), rel=1e-9)
    held_mass = lines_of(carried(traverse, P, FanDrive.PROGRAMMED_FLOW))
    assert held_mass.get("pressure", 0.0) == pytest.approx((1.0 - e) * then, rel=1e-9, abs=1e-15)


@pytest.mark.parametrize(("kind", "power"), SAME_SOURCE)
def test_temperature_and_humidity_then_have_a_line_of_their_own(kind: str, power: float) -> None:
    """0.5 K of 293.15 K; 5 % of saturation moves the density by 0.378 x 0.05 x 2339 Pa / p (by hand)."""
    both = hypot(0.5 / 293.15, 0.378 * 0.05 * 2339.0 / P)
    held_volume = lines_of(carried(read(kind, pressure_pa=P), P))
    assert held_volume.get("airflow: density", 0.0) == pytest.approx((1.0 - power) * both, rel=1e-3)
    held_mass = lines_of(carried(read(kind, pressure_pa=P), P, FanDrive.PROGRAMMED_FLOW))
    assert held_mass.get("airflow: density", 0.0) == pytest.approx(power * both, rel=1e-3)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("how", "u_pa"), [(PressureFrom.PROBE, 150.0), (PressureFrom.ALTITUDE, 1_000.0)])
def test_the_traverses_own_u95_holds_for_volume_and_mass(kind: str, how: PressureFrom, u_pa: float) -> None:
    """Moved by one standard uncertainty of the density, neither moves by more than the line."""
    traverse = read(kind, pressure_pa=P, pressure_from=how)
    flow = measure(traverse)
    (line,) = [line.u_w for line in flow.lines if line.source == "density"]
    off = measure(replace(traverse, pressure_pa=P + u_pa))
    for quantity in ("volume_m3_s", "dry_air_kg_s"):
        moved = abs(getattr(off, quantity) / getattr(flow, quantity) - 1.0)
        assert moved <= line
    assert line < 1.1 * hypot(u_pa / P, 0.5 / 293.15)


def test_what_was_assumed_is_wider() -> None:
    traverse = read("actual", pressure_pa=P)
    u95 = measure(traverse).u95
    for word in Assumed:
        assert measure(replace(traverse, assumed=(word,))).u95 > u95


# -- moisture of a heated plane


@pytest.mark.parametrize("temp_c", [30.0, 42.0, 58.0])
def test_heated_air_holds_the_moisture_of_a_room(temp_c: float) -> None:
    """RH of the humidity ratio of 20 degC, 50 %: CoolProp."""
    w = HAPropsSI("W", "T", 293.15, "R", 0.5, "P", P)
    assert plane_humidity(temp_c, P) == pytest.approx(humidity(temp_c, w), rel=2e-3)
    assert too_damp(temp_c, plane_humidity(temp_c, P), P) is None


def test_what_no_heated_air_can_have() -> None:
    """Dew point by CoolProp: 25 degC is the limit, 50 % at 48 degC has 35 degC."""
    assert HAPropsSI("D", "T", 321.15, "R", 0.5, "P", P) - 273.15 == pytest.approx(35.0, abs=0.5)
    limit = HAPropsSI("R", "T", 321.15, "D", 298.15, "P", P)
    assert too_damp(48.0, 0.99 * limit, P) is None
    assert too_damp(48.0, 1.01 * limit, P) is not None
    assert too_damp(29.0, 0.9, P) is None  # not heated: a damp summer's return
