"""The tables of a config, key by key. Values come out in SI; ``None`` is a key left out.

What keys mean together is checked in ``checks``; what they become stands in ``params``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from logger.config import fields as f
from logger.config.gas import GasTable
from logger.config.table import Table
from logger.config.visit import VisitTable
from logger.core.params import (
    AirflowSource,
    Burner,
    FanDrive,
    FanPosition,
    OutputAt,
    Plane,
    Role,
    UnitKind,
    VelocityBasis,
)


class JobTable(Table):
    """[job]: which job, where, and how values are shown."""

    name: f.Name = Field(examples=["hall-north"])
    units: Annotated[Literal["us", "si"], BeforeValidator(f.Choice(("us", "si")))] = "us"
    altitude: f.Altitude | None = None
    pressure: f.AirPressure | None = None
    match_max_age: f.MatchAge = 30.0 * 86_400.0


class DerateTable(Table):
    """[unit] derate: whether and how the unit was derated for altitude."""

    done: bool = Field(examples=[True])
    per_1000ft: f.Share | None = None
    above: f.Height | None = None
    counted_from: (
        Annotated[Literal["sea-level", "threshold"], BeforeValidator(f.Choice(("sea-level", "threshold")))]
        | None
    ) = None
    factor: f.Factor | None = None


class UnitTable(Table):
    """[unit]: the unit under test and its plate."""

    kind: Annotated[UnitKind, BeforeValidator(f.one_of(UnitKind))] = UnitKind.GAS
    input: f.Power | None = None
    output: f.Power | None = None
    output_at: Annotated[OutputAt, BeforeValidator(f.one_of(OutputAt))] | None = None
    efficiency: f.Efficiency | None = None
    rise: f.Rise | None = None
    tolerance: f.Tolerance = 0.05
    fan: Annotated[FanPosition, BeforeValidator(f.one_of(FanPosition))] = FanPosition.BLOW_THROUGH
    fan_heat: f.FanHeat = ("measured", None)
    fan_drive: Annotated[FanDrive, BeforeValidator(f.one_of(FanDrive))] = FanDrive.CONSTANT_SPEED
    outdoor_air: f.OutdoorShare | None = None
    outdoor_air_u95: f.Share | None = None
    casing_loss: f.Loss | None = None
    max_supply: f.Temperature | None = None
    min_entering: f.Temperature | None = None
    stages: Annotated[int, Field(ge=1, le=16)] = 1
    stage_input: f.Powers | None = None
    stage_output: f.Powers | None = None
    modulating: bool = False
    derate: DerateTable | None = None


class AirflowTable(Table):
    """[airflow]: how much air; which keys go together depends on ``source``."""

    source: Annotated[AirflowSource, BeforeValidator(f.one_of(AirflowSource))] = Field(examples=["fixed"])
    volume: f.Volume | None = None
    stage_volume: f.Volumes | None = None
    at: Annotated[Plane, BeforeValidator(f.one_of(Plane))] | None = None
    temperature: f.Temperature | None = None
    humidity: f.Humidity | None = None
    burner: Annotated[Burner, BeforeValidator(f.one_of(Burner))] | None = None
    inlet_temperature: f.Temperature | None = None
    traverse: f.Text | None = None
    probe: f.Name | None = None
    area: f.Area | None = None
    factor: f.Factor | None = None
    basis: Annotated[VelocityBasis, BeforeValidator(f.one_of(VelocityBasis))] | None = None
    reference_density: f.Density | None = None
    mass: f.Mass | None = None
    u95: f.Share | None = None


class ProbeTable(Table):
    """[probes.NAME]: the logger's own keys; the rest belongs to the driver."""

    role: Annotated[Role, BeforeValidator(f.one_of(Role))] = Field(examples=["return"])
    driver: f.Name = Field(examples=["ess"])
    u95: Any = None
    offset: Any = None
    placement_u95: f.Share | None = None
    weight: f.Weight = 1.0
    max_age: f.MaxAge = 5.0
    rise_factor: Any = None
    matched: Any = None
    matched_at: Any = None
    gain: Any = None
    gain_u95: Any = None
    humidity_offset: Any = None
    humidity_u95: Any = None


class TemperatureProbe(ProbeTable):
    """A probe in an air stream. What `riselog match` writes: ``offset`` to ``humidity_u95``."""

    u95: f.TemperatureU95 | None = None
    offset: f.TemperatureOffset = 0.0
    rise_factor: f.Factor | None = None
    matched: f.Day | None = None
    matched_at: f.Temperature | None = None
    gain: f.Gain | None = None
    gain_u95: f.GainU95 | None = None
    humidity_offset: f.HumidityOffset | None = None
    humidity_u95: f.HumidityU95 | None = None


class VelocityProbe(ProbeTable):
    """A probe of air velocity; ``u95`` in percent of the value."""

    u95: f.Share | None = None
    offset: f.VelocityOffset = 0.0


class PressureProbe(ProbeTable):
    """A barometer."""

    u95: f.PressureU95 | None = None
    offset: f.PressureOffset = 0.0


def _no_offset(value: object) -> float:
    raise ValueError("a gas meter counts and has no offset; leave the key out")


class GasProbe(ProbeTable):
    """A gas meter; ``u95`` in percent of the volume."""

    u95: f.Share | None = None
    offset: Annotated[float, BeforeValidator(_no_offset)] = 0.0


Probes = Mapping[str, ProbeTable]
"""Probe tables by the probe's name, in the order of the file."""

PROBE_TABLES: dict[Role, type[ProbeTable]] = {
    Role.RETURN: TemperatureProbe,
    Role.MIXED: TemperatureProbe,
    Role.SUPPLY: TemperatureProbe,
    Role.OUTDOOR: TemperatureProbe,
    Role.VELOCITY: VelocityProbe,
    Role.PRESSURE: PressureProbe,
    Role.GAS: GasProbe,
}


class SteadyTable(Table):
    """[steady]: when a firing counts as steady."""

    window: f.Window = 120.0
    window_max: f.Window = 600.0
    hold: f.Hold = 60.0
    remaining: f.Remaining = 0.01
    time_constant: f.TimeConstant = 120.0
    spread: f.Spread = 0.015


class CyclesTable(Table):
    """[cycles]: what tells a firing."""

    fire: f.RiseChange = 3.0
    end: f.RiseChange = 2.0
    min_fan_phase: f.FanPhase = 300.0


class StoreTable(Table):
    """[store]: where readings are kept, and how long; all for ever where nothing is said."""

    path: f.Text | None = None
    keep: f.Keep | None = None  # s since the end of a run
    keep_size: f.StoreSize | None = None  # bytes


class MqttTable(Table):
    """[mqtt]: the broker that readings, events and results are published to."""

    name: f.Text = "broker"  # what the store knows it by: what waits for it goes wherever it is now
    host: f.Host = Field(examples=["broker.example"])
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    version: Annotated[Literal["5", "3.1.1"], BeforeValidator(f.Choice(("5", "3.1.1")))] = "5"
    tls: bool = True
    ca_file: f.Text | None = None
    cert_file: f.Text | None = None
    key_file: f.Text | None = None
    username: f.Text | None = None
    password_file: f.Text | None = None
    password_env: f.Text | None = None
    allow_plain: bool = False
    prefix: f.Name = "riselog"
    site: f.Name = "site"
    keep: f.Keep = 14.0 * 86_400.0  # s; older readings are passed over: design


class SimTable(Table):
    """[sim]: what the simulated probes play; ``speed`` None is as fast as it goes."""

    scenario: f.Name = Field(examples=["standard"])
    speed: f.Speed = 1.0
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 1


class ConfigFile(Table):
    """The whole file. Probe tables are read apart, as their drivers' keys are not known here."""

    job: JobTable = Field(examples=["[job]"])
    unit: UnitTable = UnitTable()
    airflow: AirflowTable = Field(examples=["[airflow]"])
    probes: dict[str, Any] = Field(examples=["[probes.ret]"])
    steady: SteadyTable = SteadyTable()
    cycles: CyclesTable = CyclesTable()
    gas: GasTable | None = None
    visit: VisitTable | None = None
    store: StoreTable = StoreTable()
    mqtt: MqttTable | None = None
    sim: SimTable | None = None
