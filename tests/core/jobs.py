"""Jobs and scenario readings for the core's tests: no radio, no clock, no store."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from functools import cache

from logger.config.load import loads_config
from logger.core.params import (
    MAIN_QUANTITY,
    AirflowParams,
    AirflowSource,
    JobParams,
    ProbeParams,
    Role,
    UnitParams,
)
from logger.core.pipeline import Pipeline
from logger.core.readings import Flag, Quantity, Reading, Sample, in_range
from logger.core.result import RunFacts
from logger.driver_api import DriverContext, ProbeRequest
from simulators.driver import SimDriver
from simulators.scenarios import find
from tests.shell.stand_ins import block_of

FACTS = RunFacts(
    run="test",
    simulated=True,
    stored=False,
    started_utc="2026-01-01T00:00:00.000000Z",
    ended_utc="2026-01-01T01:00:00.000000Z",
    end_reason="ended",
    readings_stored=0,
    readings_flagged=0,
)


def make_job(**changes: object) -> JobParams:
    """Two probes, a fixed mass flow, an invented unit of 30 kW."""
    base: dict[str, object] = {
        "name": "bench",
        "airflow": AirflowParams(source=AirflowSource.MASS, mass_kg_s=1.1, u95=0.04),
        "unit": UnitParams(plate_input_w=37_500.0, plate_output_w=30_000.0),
        "probes": (
            ProbeParams(name="ret", role=Role.RETURN, u95=0.2),
            ProbeParams(name="sup", role=Role.SUPPLY, u95=0.2),
        ),
    }
    return JobParams(**{**base, **changes})  # type: ignore[arg-type]


def make_reading(seq: int, t_s: float, probe: str, value: float, flag: Flag = Flag.OK) -> Reading:
    """A temperature reading."""
    t_ns = round(t_s * 1e6) * 1000
    return Reading(seq, t_ns, probe, Quantity.TEMPERATURE, value, flag, t_ns // 1000, t_ns)


def feed(job: JobParams, readings: Sequence[Reading]) -> Pipeline:
    """A pipeline that has seen the readings, all at once."""
    core = Pipeline(job)
    core.update_block(block_of(list(readings)))
    return core


def feed_live(job: JobParams, readings: Sequence[Reading]) -> Pipeline:
    """The same one by one, which takes longer."""
    core = Pipeline(job)
    for reading in readings:
        core.update(reading)
    return core


def firing_readings(
    supply_c: Callable[[float], float], return_c: Callable[[float], float], seconds: int
) -> list[Reading]:
    """Two probes, once a second each, from two functions of time."""
    readings = []
    for t in range(seconds):
        readings.append(make_reading(len(readings), t + 0.1, "ret", return_c(t)))
        readings.append(make_reading(len(readings), t + 0.6, "sup", supply_c(t)))
    return readings


@cache
def play(name: str, seed: int = 1) -> tuple[JobParams, tuple[Reading, ...]]:
    """A scenario's job and all its readings, stamped with the simulated time."""
    scenario = find(name)
    config = loads_config(scenario.config_text, f"{scenario.name}.toml", {"sim": SimDriver.Options})
    now_ns = 0
    readings: list[Reading] = []
    zero_ns: int | None = None

    def emit(sample: Sample) -> None:
        nonlocal zero_ns
        zero_ns = now_ns if zero_ns is None else zero_ns
        t_ns = (now_ns - zero_ns) // 1000 * 1000
        fits = in_range(sample.quantity, sample.value)
        flag = sample.flag if sample.flag is not Flag.OK or fits else Flag.OUT_OF_RANGE
        reading = Reading(
            len(readings), t_ns, sample.probe, sample.quantity, sample.value, flag, t_ns // 1000, t_ns
        )
        readings.append(reading)

    async def wait_until(t_ns: int) -> None:
        nonlocal now_ns
        now_ns = max(now_ns, t_ns)

    context = DriverContext(
        emit=emit,
        link=lambda *_: None,
        now_ns=lambda: now_ns,
        utc_us=lambda: now_ns // 1000,
        wait_until=wait_until,
        settings={"scenario": name, "seed": seed},
    )
    requests = []
    for probe in config.probes:
        main = MAIN_QUANTITY[probe.role]
        side = (Quantity.HUMIDITY,) if main is Quantity.TEMPERATURE else ()
        requests.append(
            ProbeRequest(
                name=probe.name, role=probe.role.value, quantities=(main, *side), options=probe.options
            )
        )
    driver = SimDriver(requests, context)
    asyncio.run(driver.run())
    return config.job, tuple(readings)
