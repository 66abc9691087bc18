"""A live airflow against the traverse's, by both u95; a fan of variable speed is not held against it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from GTC import ureal

from logger.core.airflow_watch import AirflowWatch, difference_u95, live_u95
from logger.core.moment import Moment
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    FanDrive,
    JobParams,
    ProbeParams,
    Role,
    UnitParams,
)
from tests.core.jobs import make_job

REFERENCE = AirflowParams(source=AirflowSource.MASS, mass_kg_s=1.0, u95=0.04)


def live_job(
    drive: FanDrive = FanDrive.CONSTANT_SPEED, factor: float = 1.0, probe_u95: float = 0.12
) -> JobParams:
    flow = AirflowParams(source=AirflowSource.PROBE, probe="duct", area_m2=0.2, u95=0.03, reference=REFERENCE)
    flow = replace(flow, factor=factor)
    probes = (
        ProbeParams(name="ret", role=Role.RETURN, u95=0.2),
        ProbeParams(name="sup", role=Role.SUPPLY, u95=0.2),
        ProbeParams(name="duct", role=Role.VELOCITY, u95=probe_u95),
        ProbeParams(name="spare", role=Role.VELOCITY, u95=0.5),
    )
    return make_job(airflow=flow, probes=probes, unit=UnitParams(fan_drive=drive))


def watched(
    off: list[float], drive: FanDrive = FanDrive.CONSTANT_SPEED, job: JobParams | None = None
) -> list[tuple[int, str, str]]:
    """Events of a live airflow that is ``off`` the reference, second by second."""
    events: list[tuple[int, str, str]] = []

    def say(t_s: int, code: str, text: str, probe: str | None = None) -> None:
        assert probe == "duct"
        events.append((t_s, code, text))

    watch = AirflowWatch(job or live_job(drive), REFERENCE, say)
    for tick, share in enumerate(off, start=1):
        watch.tick(
            tick,
            Moment(
                entering_c=20.0,
                return_c=20.0,
                supply_c=45.0,
                rise_k=25.0,
                w=0.006,
                pressure_pa=100_000.0,
                velocity_m_s=5.0,
                flowing=True,
                dry_air_kg_s=1.0 + share,
                air_heat_w=25_000.0,
                inlet_c=20.0,
            ),
        )
    return events


def test_both_have_errors() -> None:
    """3 %, 4 % and 12 % are 13 % together: a Pythagorean quadruple (GUM 5.1.2)."""
    assert difference_u95(live_job(), REFERENCE) == pytest.approx(0.13)


@pytest.mark.parametrize(("share", "told"), [(0.05, False), (-0.125, False), (0.14, True), (-0.14, True)])
def test_only_what_both_cannot_explain_is_told(share: float, *, told: bool) -> None:
    events = watched([share] * 600)
    assert [code for _, code, _ in events] == (["airflow-off-traverse"] if told else [])
    for _, _, text in events:
        assert f"{share:+.1%}" in text
        assert "13.0%" in text


def test_what_factor_and_traverse_share_cancels() -> None:
    """Live over reference in GTC: area, yaw and the traverse's mean are in both, the fixed reading in one.

    The fan may change by 2 % on its own (u 1 %, assumed), the fixed point was read to 3 % / sqrt(3), the
    profile shifts by 1 % (both assumed), the live probe repeats to 5 % (u95).
    """
    area, yaw, mean = (ureal(1.0, u) for u in (0.02, 0.015, 0.03))
    fixed, profile, fan, live = (ureal(1.0, u) for u in (0.03 / 3**0.5, 0.01, 0.01, 0.025))
    then = area * yaw * mean
    now = area * (yaw * mean / fixed * profile) * live * fan
    job = live_job(factor=0.9, probe_u95=0.05)
    assert difference_u95(job, REFERENCE) == pytest.approx(2.0 * (now / then).u, rel=1e-6)


@pytest.mark.parametrize(("share", "told"), [(-0.05, False), (-0.08, True)])
def test_a_slipping_belt_is_told_where_the_factor_is_of_the_traverse(share: float, *, told: bool) -> None:
    events = watched([share] * 600, job=live_job(factor=0.9, probe_u95=0.05))
    assert [code for _, code, _ in events] == (["airflow-off-traverse"] if told else [])


def test_the_live_airflow_has_its_probes_u95_too() -> None:
    """5-12-13 (GUM 5.1.2)."""
    job = live_job()
    assert live_u95(replace(job, airflow=replace(job.airflow, u95=0.05))) == pytest.approx(0.13)


def test_it_comes_back() -> None:
    codes = [code for _, code, _ in watched([0.2] * 300 + [0.0] * 300)]
    assert codes == ["airflow-off-traverse", "airflow-back"]


def test_a_variable_speed_is_meant_to_differ() -> None:
    """Said once, before the first reading, and never an alarm."""
    events = watched([0.0] * 200 + [0.5] * 400, FanDrive.VARIABLE)
    assert [(t, code) for t, code, _ in events] == [(0, "airflow-not-compared")]
