"""The driver ``sim`` on a clock that only remembers."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any

import pytest
from pydantic import ValidationError

from logger.core.errors import ConfigError
from logger.core.readings import Quantity, Sample, in_range
from logger.driver_api import DriverContext, LinkState, ProbeRequest
from simulators.driver import SimDriver
from simulators.plant import simulate
from simulators.scenarios import SCENARIOS


@dataclass
class Recorder:
    """A context whose clock stands where the last wait led."""

    start_ns: int = 0
    now_ns: int = 0
    waits: list[int] = field(default_factory=list)
    said: list[tuple[int, Sample]] = field(default_factory=list)
    links: list[tuple[str, LinkState]] = field(default_factory=list)

    def context(self, **settings: Any) -> DriverContext:
        self.now_ns = self.start_ns
        return DriverContext(
            emit=lambda sample: self.said.append((self.now_ns, sample)),
            link=lambda probe, state, _: self.links.append((probe, state)),
            now_ns=lambda: self.now_ns,
            utc_us=lambda: self.now_ns // 1000,
            wait_until=self.wait_until,
            settings=settings,
        )

    async def wait_until(self, t_ns: int) -> None:
        assert t_ns >= self.now_ns
        self.waits.append(t_ns)
        self.now_ns = t_ns


def request(name: str, role: str, **options: Any) -> ProbeRequest:
    return ProbeRequest(name=name, role=role, quantities=(), options=options)


TWO = (request("ret", "return"), request("sup", "supply"))


async def collect(*probes: ProbeRequest, start_ns: int = 0, **settings: Any) -> Recorder:
    recorder = Recorder(start_ns=start_ns)
    await SimDriver(probes or TWO, recorder.context(**settings)).run()
    return recorder


def of(recorder: Recorder, probe: str, quantity: Quantity) -> list[tuple[int, float]]:
    return [(t, s.value) for t, s in recorder.said if s.probe == probe and s.quantity is quantity]


async def test_standard_comes_in_order_on_whole_microseconds_and_ends() -> None:
    recorder = await collect(speed=20)
    times = [t for t, _ in recorder.said]
    assert times == sorted(times)
    assert all(t % 1000 == 0 for t in recorder.waits)
    assert recorder.now_ns == 2700 * 10**9
    assert recorder.links == [("ret", LinkState.LIVE), ("sup", LinkState.LIVE)]
    assert all(in_range(s.quantity, s.value) for _, s in recorder.said)
    for probe in ("ret", "sup"):
        # 2700 at 1 Hz, of which 0.2 % are lost: 5 +- 11 (binomial, 5 sd).
        assert 2680 <= len(of(recorder, probe, Quantity.TEMPERATURE)) <= 2700


async def test_same_seed_same_samples() -> None:
    assert (await collect(seed=7)).said == (await collect(seed=7)).said
    assert (await collect(seed=7)).said != (await collect(seed=8)).said


async def test_speed_changes_no_sample() -> None:
    assert (await collect(speed="max")).said == (await collect(speed=20)).said


async def test_another_probe_changes_no_sample_of_the_first() -> None:
    alone = await collect(*TWO)
    together = await collect(request("duct", "velocity"), *TWO, request("baro", "pressure"))
    assert [item for item in together.said if item[1].probe in {"ret", "sup"}] == alone.said


async def test_time_counts_from_the_clocks_own_start() -> None:
    late = await collect(start_ns=5_000_000_000)
    early = await collect()
    assert [(t - 5_000_000_000, s) for t, s in late.said] == early.said


async def test_perfect_scenario_says_the_plants_truth() -> None:
    recorder = await collect(scenario="perfect")
    run = simulate(SCENARIOS["perfect"].plant, SCENARIOS["perfect"].timeline)
    said = of(recorder, "sup", Quantity.TEMPERATURE)
    assert [t for t, _ in said] == [s * 10**9 for s in range(2701)]
    assert [value for _, value in said] == pytest.approx(run.supply_c[::2].tolist(), rel=1e-12)


async def test_drop_out_is_silent_for_thirty_seconds() -> None:
    recorder = await collect(scenario="drop-out")
    times_s = [t / 1e9 for t, _ in of(recorder, "sup", Quantity.TEMPERATURE)]
    gaps = [b - a for a, b in itertools.pairwise(times_s) if b - a > 10.0]
    assert len(gaps) == 1
    assert 30.0 <= gaps[0] <= 34.0


async def test_frozen_supply_repeats_one_value() -> None:
    recorder = await collect(scenario="frozen-supply")
    late = {value for t, value in of(recorder, "sup", Quantity.TEMPERATURE) if t > 31 * 10**9}
    assert len(late) == 1
    assert len({value for _, value in of(recorder, "ret", Quantity.TEMPERATURE)}) > 100


@pytest.mark.parametrize(
    ("role", "quantity", "low", "high"),
    [
        ("velocity", Quantity.VELOCITY, 3.5, 4.5),
        ("pressure", Quantity.PRESSURE, 98_700.0, 98_900.0),
        ("mixed", Quantity.TEMPERATURE, 20.0, 24.0),
        ("outdoor", Quantity.TEMPERATURE, 4.0, 6.0),
        ("gas", Quantity.GAS_VOLUME, 1.0, 2.0),
    ],
)
async def test_role_leads_to_its_signal(role: str, quantity: Quantity, low: float, high: float) -> None:
    recorder = await collect(request("x", role))
    late = [value for t, value in of(recorder, "x", quantity) if 2100 * 10**9 < t < 2200 * 10**9]
    assert late
    assert low < min(late) <= max(late) < high


async def test_options_override_the_temperature() -> None:
    plain = request("x", "supply", signal="return", interval_s=5.0, noise_k=0.0, resolution_k=0.5, lag_s=0.0)
    said = of(await collect(plain), "x", Quantity.TEMPERATURE)
    assert {value % 0.5 for _, value in said} == {0.0}
    assert len(said) == pytest.approx(540, abs=10)
    assert max(value for _, value in said) < 24.0


async def test_reach_tells_the_signal_and_delivers_nothing() -> None:
    recorder = Recorder()
    found = await SimDriver(TWO, recorder.context()).reach(10.0)
    assert [(r.probe, r.ok) for r in found] == [("ret", True), ("sup", True)]
    assert "standard" in found[0].text
    assert recorder.said == []


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ({"scenario": "standart"}, "closest: standard"),
        ({"scenario": 3}, "not a name"),
        ({"seed": "one"}, "whole number"),
        ({"seed": -1}, "whole number"),
        ({"seed": True}, "whole number"),
        ({"sede": 1}, "did you mean seed"),
    ],
)
def test_bad_settings_are_one_sentence_with_exit_code_2(settings: dict[str, Any], text: str) -> None:
    with pytest.raises(ConfigError, match=text) as caught:
        SimDriver(TWO, Recorder().context(**settings))
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("probe", "text"),
    [
        (request("x", "attic"), r"\[probes.x\] signal: .* no signal 'attic'; it has return, mixed"),
        (request("x", "supply", signal="suply"), "no signal 'suply'"),
        (request("x", "velocity", noise_k=0.1), "are for temperature"),
    ],
)
def test_bad_probe_is_one_sentence(probe: ProbeRequest, text: str) -> None:
    with pytest.raises(ConfigError, match=text):
        SimDriver([probe], Recorder().context())


@pytest.mark.parametrize(
    "options",
    [{"lag": 3.0}, {"lag_s": -1.0}, {"interval_s": 0.0}, {"noise_k": float("nan")}, {"resolution_k": "fine"}],
)
def test_options_model_refuses(options: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        SimDriver.Options.model_validate(options)
