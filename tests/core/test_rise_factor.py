"""A supply probe at one spot of an uneven stream: what a temperature traverse found scales its rise."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from logger.config.load import loads_config
from logger.core.errors import ConfigError
from logger.core.firing import SteadyStretch
from logger.core.params import AirflowParams, AirflowSource, ProbeParams, Role
from logger.core.pipeline import Pipeline
from logger.core.readings import Quantity
from logger.core.snapshot import TRACE_COLUMNS
from tests.core.jobs import feed, firing_readings, make_job

RETURN_C, FAN_K, RISE_K, ZERO_K = 21.0, 0.8, 27.0, 0.3
"""Return air, rise by the fan, the whole stream's rise in the firing, the supply probes' own zero error."""
FLOW_KG_S = 1.1


def stretch(spot: float, rise_factor: float, spots: int = 1, zero_k: float = ZERO_K) -> SteadyStretch:
    """A fan phase, then a firing; a probe reads ``spot`` times the stream's rise over the fan's."""
    names = [("sup", spot), ("low", 2.0 - spot)][:spots]
    supply = tuple(
        ProbeParams(
            name=n, role=Role.SUPPLY, u95=0.2, rise_factor=rise_factor if n == "sup" else 1 / (2 - spot)
        )
        for n, _ in names
    )
    job = make_job(airflow=AirflowParams(source=AirflowSource.MASS, mass_kg_s=FLOW_KG_S, u95=0.04))
    velocity = ProbeParams(name="v", role=Role.VELOCITY, u95=0.05)
    core = Pipeline(replace(job, probes=(job.probes[0], *supply, velocity)))
    wave = [0.05 * math.sin(1.7 * t) for t in range(2400)]

    def stream_k(t: float) -> float:
        return FAN_K if t < 700 else FAN_K + (RISE_K - FAN_K) * (1.0 - math.exp(-(t - 700) / 60.0))

    readings = firing_readings(stream_k, lambda t: RETURN_C - wave[int(t)], 2400)
    for reading in readings:
        if reading.probe == "ret":
            core.update(reading)
            continue
        for name, share in names:
            rise_k = FAN_K + share * (reading.value - FAN_K)
            core.update(
                reading._replace(probe=name, value=RETURN_C + rise_k + zero_k + wave[int(reading.t_ns / 1e9)])
            )
        core.update(reading._replace(probe="v", quantity=Quantity.VELOCITY, value=4.0))
    best = core.finish().best
    assert best is not None
    assert best.fan is not None
    assert best.best is not None
    return best.best


def test_the_factor_takes_the_spot_out_of_the_output_and_the_fan_phase_its_zero() -> None:
    """Truth: m cp (rise - fan rise), cp 1.02 kJ/(kg K) of room air (ASHRAE Fundamentals ch. 1)"""
    even, uneven = stretch(1.0, 1.0), stretch(1.05, 1.0)
    placed = stretch(1.05, RISE_K / (FAN_K + 1.05 * (RISE_K - FAN_K)))
    truth_w = FLOW_KG_S * 1020.0 * (RISE_K - FAN_K)
    net = [s.means.air_heat_w - s.means.fan_heat_w for s in (even, uneven, placed)]
    assert net[0] == pytest.approx(truth_w, rel=0.005)
    assert net[1] / net[0] == pytest.approx(1.05, abs=0.001)
    assert net[2] / net[0] == pytest.approx(1.0, abs=0.002)  # the fan's own 0.8 K is scaled too: 0.15 %
    # an offset does nothing of the kind: it cancels
    shifted = stretch(1.05, 1.0, zero_k=ZERO_K - 1.31)
    assert shifted.means.air_heat_w - shifted.means.fan_heat_w == pytest.approx(net[1], rel=1e-3)


def test_two_spots_each_by_its_own_factor() -> None:
    both = stretch(1.05, 1.0 / 1.05, spots=2)
    even = stretch(1.0, 1.0)
    assert both.means.air_heat_w - both.means.fan_heat_w == pytest.approx(
        even.means.air_heat_w - even.means.fan_heat_w, rel=0.003
    )


def test_the_key_goes_with_a_supply_probe_alone() -> None:
    text = '[job]\nname = "hall"\n[airflow]\nsource = "mass"\nmass = "1 kg/s"\n'
    text += '[probes.ret]\nrole = "return"\ndriver = "x"\n[probes.sup]\nrole = "supply"\ndriver = "x"\n'
    job = loads_config(text + "rise_factor = 0.9524\n", "job.toml", None).job
    assert job.probes_of(Role.SUPPLY)[0].rise_factor == 0.9524
    wrong = text.replace('driver = "x"', 'driver = "x"\nrise_factor = 0.9', 1)
    with pytest.raises(ConfigError, match=r"job\.toml:9: key 'probes\.ret\.rise_factor': .* supply air only"):
        loads_config(wrong, "job.toml", None)


def test_without_the_entering_air_the_supply_is_what_its_probe_reads() -> None:
    """There is no rise to scale then, and what is measured is shown all the same."""
    sup = ProbeParams(name="sup", role=Role.SUPPLY, u95=0.2, rise_factor=0.9)
    job = make_job()
    core = feed(
        replace(job, probes=(job.probes[0], sup)),
        [r for r in firing_readings(lambda _: 40.0, lambda _: 20.0, 60) if r.probe == "sup" or r.t_ns < 30e9],
    )
    rows = [dict(zip(TRACE_COLUMNS, row, strict=True)) for row in core.take_trace()]
    seen = [(row["entering_c"], row["supply_c"], row["rise_k"]) for row in rows]
    assert seen[20] == (20.0, pytest.approx(38.0), pytest.approx(18.0))
    assert seen[-1] == (None, 40.0, None)
