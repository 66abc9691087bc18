"""U95 of a coil's latent heat, sensible heat ratio and condensate, by propagation of distributions.

Source: JCGM 101:2008; every draw's enthalpy, moisture and volume are CoolProp's (HumidAir, real gas).
Within 3 % of u, fixed before anything was computed: what a first-order budget of an ideal gas may differ by.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import product
from math import sqrt
from typing import Any, NamedTuple

import numpy as np
import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.core.coil_parts import Parts, part_lines
from logger.core.firing import SteadyStretch
from logger.core.params import (
    AirflowParams,
    AirflowSource,
    Burner,
    FanPosition,
    JobParams,
    ProbeParams,
    Role,
)
from logger.core.result import result_document
from tests.core.jobs import FACTS, feed
from tests.core.test_kinds import SEA_LEVEL_PA
from tests.core.test_kinds_cooling import UNIT, cooling_job, story

TRIALS = 200_000
WITHIN = 0.03
SHARED = {"scatter", "residual drift", "probe lag"}  # of the readings themselves: not drawn

CASES = {
    "usual": ((26.7, 51.0), (14.0, 92.0)),
    "near saturation": ((29.0, 62.0), (16.0, 98.5)),
    "nearly dry": ((26.0, 36.0), (13.0, 78.0)),
}


class Surface:
    """CoolProp's air about one state, as cubics in temperature, humidity and pressure: 200,000 draws would
    take it a minute."""

    def __init__(self, temp_c: float, rh: float) -> None:
        self._middle = np.array([temp_c, rh, SEA_LEVEL_PA])
        self._reach = np.array([2.0, 0.10, 6_000.0])  # K, fraction, Pa: 4 u and more
        grid = np.array(list(product(np.linspace(-1.0, 1.0, 7), repeat=3)))
        inside = grid[(self._middle + grid * self._reach)[:, 1] < 1.0]
        self._fits = {
            name: np.linalg.lstsq(_terms(inside), self._real(name, inside), rcond=None)[0] for name in "WHV"
        }
        check = np.random.default_rng(3).uniform(-1.0, 1.0, (200, 3))
        check = check[(self._middle + check * self._reach)[:, 1] < 1.0]
        for name, fit in self._fits.items():
            assert _terms(check) @ fit == pytest.approx(self._real(name, check), rel=2e-4)

    def _real(self, name: str, at: Any) -> Any:
        c, rh, pressure = (self._middle + at * self._reach).T
        return HAPropsSI({"V": "Vda"}.get(name, name), "T", c + 273.15, "R", rh, "P", pressure)

    def __call__(self, name: str, temp_c: Any, rh: Any, pressure_pa: Any) -> Any:
        """Beyond saturation, where no air is, it goes on as below."""
        at = (np.stack([temp_c, rh, pressure_pa], axis=1) - self._middle) / self._reach
        return _terms(at) @ self._fits[name]


def _terms(at: Any) -> Any:
    powers = [p for p in product(range(4), repeat=3) if sum(p) <= 3]
    return np.stack([np.prod(at ** np.array(p), axis=1) for p in powers], axis=1)


def probes(humidity_u95: float | None) -> tuple[ProbeParams, ...]:
    return tuple(
        ProbeParams(
            name=name,
            role=role,
            u95=0.3,
            placement_u95=0.02,
            placement_assumed=False,
            gain_u95=0.005,
            humidity_u95=humidity_u95,
        )
        for name, role in (("ret", Role.RETURN), ("sup", Role.SUPPLY))
    )


class Found(NamedTuple):
    job: JobParams
    stretch: SteadyStretch
    document: dict[str, Any]


@cache
def found(name: str, humidity_u95: float | None, fan: FanPosition = FanPosition.BLOW_THROUGH) -> Found:
    """What the core makes of a case, its airflow a volume of the entering air, or of that behind the coil."""
    front, back = CASES[name]
    flow = AirflowParams(
        source=AirflowSource.FIXED,
        volume_m3_s=1.0,
        temperature_c=front[0],
        humidity=front[1] / 100.0,
        u95=0.04,
    )
    unit = replace(UNIT, fan=fan)
    job = cooling_job(airflow=replace(flow, burner=Burner.OFF), probes=probes(humidity_u95), unit=unit)
    outcome = feed(job, story(front, back)).finish()
    assert outcome.best is not None
    assert outcome.best.best is not None
    return Found(job, outcome.best.best, result_document(outcome, FACTS))


def drawn(name: str, humidity_u95: float | None) -> Parts:
    """Every trial's parts. Sizes: the config's, and the assumptions that the budget names."""
    front, back = CASES[name]
    rng = np.random.default_rng(11)

    def draw(u: float) -> Any:
        return rng.normal(0.0, u, TRIALS)

    common, pressure = draw(0.25), SEA_LEVEL_PA + draw(1_000.0)
    e_c = front[0] + common + draw(0.15) + draw(0.0025) * (front[0] - 20.0)
    s_c = back[0] + common + draw(0.15) + draw(0.0025) * (back[0] - 20.0)
    e_rh, s_rh = front[1] / 100.0, back[1] / 100.0
    if humidity_u95 is None:
        e_off, s_off = draw(probe_u(e_rh)), draw(probe_u(s_rh))
    else:
        shared, own = draw(0.015), humidity_u95 / 200.0
        e_off = shared + draw(own)
        s_off = shared + draw(own) + draw(0.015) * (s_rh - e_rh)
        s_off = s_off + draw(sqrt(probe_u(s_rh) ** 2 - 0.015**2))
    entering, supply = Surface(front[0], e_rh), Surface(back[0], s_rh)
    e_at, s_at = (e_c, e_rh + e_off, pressure), (s_c, s_rh + s_off, pressure)
    w1, h1 = entering("W", *e_at), entering("H", *e_at)
    w2, h2 = supply("W", *s_at), supply("H", *s_at)
    # h(T1, W2): CoolProp's enthalpy is a straight line in W of each temperature within 1e-4 of the fall
    per_w = real_per_w(front[0])
    dried = h1 + (w2 - w1) * (per_w + 1_860.0 * (e_c - front[0]))
    flow_at = (np.full(TRIALS, front[0]), e_rh + e_off, pressure)
    kg_s = (1.0 + draw(0.02) + draw(0.01)) / entering("V", *flow_at)
    kg_s = kg_s * (1.0 + draw(0.01) + draw(0.01))  # places of both probes, along the line of mixing
    sensible, latent = kg_s * (dried - h2), kg_s * (h1 - dried)
    return Parts(sensible, latent, sensible / (sensible + latent), kg_s * (w1 - w2))


def probe_u(rh: float) -> float:
    """3 % RH at 95 %, and on top 0.4 % RH for each 1 % beyond 90 %: 5 % at saturation. As the README says."""
    return sqrt(3.0**2 + (0.4 * max(100.0 * rh - 90.0, 0.0)) ** 2) / 200.0


def real_per_w(temp_c: float) -> float:
    """J per kg of dry air, for a kg of water in it at that temperature."""
    ends = [float(HAPropsSI("H", "T", temp_c + 273.15, "P", SEA_LEVEL_PA, "W", w)) for w in (0.006, 0.014)]
    return (ends[1] - ends[0]) / 0.008


@pytest.mark.parametrize("humidity_u95", [None, 1.0])
@pytest.mark.parametrize("name", CASES)
def test_each_part_holds_against_propagated_distributions(name: str, humidity_u95: float | None) -> None:
    job, stretch, document = found(name, humidity_u95)
    budgets = part_lines(job, stretch.means, stretch.line.coil, stretch.seen, stretch.lines)
    assert budgets is not None
    trials = drawn(name, humidity_u95)
    for part, lines, values in zip(Parts._fields, budgets, trials, strict=True):
        stated = sqrt(sum(line.u_w**2 for line in lines if line.source not in SHARED))
        assert stated == pytest.approx(float(np.std(values)), rel=WITHIN), part
    firing = document["firing"]
    for key, u_key, i in (
        ("sensible_w", "sensible_u95_w", 0),
        ("latent_w", "latent_u95_w", 1),
        ("sensible_heat_ratio", "sensible_heat_ratio_u95", 2),
        ("condensate_kg_s", "condensate_u95_kg_s", 3),
    ):
        inside = np.abs(np.asarray(trials[i]) - firing[key]) <= firing[u_key]
        assert 0.94 <= float(np.mean(inside)) <= 0.97, key


@pytest.mark.parametrize("fan", list(FanPosition))
@pytest.mark.parametrize(("source", "side"), [("entering humidity", 0), ("supply humidity", 1)])
def test_a_humidity_moves_the_heat_and_the_dry_air_that_carries_it(
    source: str, side: int, fan: FanPosition
) -> None:
    """1.5 % RH of either side. Volume and enthalpy are CoolProp's: of damper air at the fan's inlet the same
    volume holds less dry air, 1.1 % of that side's line (2.2 % were it more); the other side's humidity
    leaves the mass alone. Of the total, and of the condensate."""
    job, stretch, _ = found("usual", None, fan)
    (line,) = (line for line in stretch.lines if line.source == source)
    budgets = part_lines(job, stretch.means, stretch.line.coil, stretch.seen, stretch.lines)
    assert budgets is not None
    (water_line,) = (line for line in budgets[3] if line.source == source)
    front, back = CASES["usual"]
    inlet = 1 if fan is FanPosition.DRAW_THROUGH else 0

    def moved(what: str, off: tuple[float, float]) -> float:
        real = [
            {key: float(HAPropsSI(key, *_state(c, pct / 100.0 + d))) for key in (what, "Vda")}
            for (c, pct), d in zip((front, back), off, strict=True)
        ]
        return (real[0][what] - real[1][what]) / real[inlet]["Vda"]

    for what, stated in (("Hda", line.u_w), ("W", water_line.u_w)):
        ends = [moved(what, (d, 0.0) if side == 0 else (0.0, d)) for d in (0.015, -0.015)]
        assert stated == pytest.approx(abs(ends[0] - ends[1]) / 2.0, rel=0.006), what


def _state(temp_c: float, rh: float) -> tuple[str, float, str, float, str, float]:
    return "T", temp_c + 273.15, "R", rh, "P", SEA_LEVEL_PA


def test_dry_air_says_how_dry_it_may_not_be() -> None:
    """A nearly dry coil: the latent heat's u95 is that of both humidities, larger than the heat itself."""
    _, _, document = found("nearly dry", None)
    firing = document["firing"]
    assert firing["latent_w"] < firing["latent_u95_w"]
    assert firing["sensible_heat_ratio"] + firing["sensible_heat_ratio_u95"] > 1.0


def test_the_parts_share_what_the_total_has() -> None:
    """An airflow alone in doubt: both heats and the water go with it, their ratio stays. Closed form."""
    job, stretch, _ = found("usual", None)
    (line,) = (line for line in stretch.lines if line.source == "airflow")
    budgets = part_lines(job, stretch.means, stretch.line.coil, stretch.seen, [line])
    assert budgets is not None
    sensible, latent, ratio, water = (
        [line.u_w for line in budget if line.source == "airflow"] for budget in budgets
    )
    coil, means = stretch.line.coil, stretch.means
    assert coil is not None
    assert sensible == [pytest.approx(0.02 * coil.sensible_w, rel=1e-3)]
    assert latent == [pytest.approx(0.02 * (means.output_w - coil.sensible_w), rel=3e-3)]
    assert water == [
        pytest.approx(0.02 * means.dry_air_kg_s * (means.humidity_ratio - coil.supply_w), rel=3e-3)
    ]
    assert ratio == [] or max(ratio) < 1e-9
