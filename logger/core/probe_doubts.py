"""Probes that contradict each other over a steady stretch: two in one stream, two humidities."""

from __future__ import annotations

from math import hypot, inf
from typing import NamedTuple

from logger.core.air import humidity_ratio, relative_humidity, saturation_pa
from logger.core.firing import SteadyStretch
from logger.core.humidity_probe import humidity_inputs, probe_u
from logger.core.kind_words import HEATER
from logger.core.params import JobParams, ProbeParams, Role
from logger.core.probe_lines import Side, gain_u_k, mean_own_u, shares
from logger.core.stretch import CoilMeans
from logger.core.student import t_quantile
from logger.core.texts import difference_text, temperature_text

ALARM = 0.05  # probability that probes which agree are told to disagree (design)
HUMIDITY_PER_K = (
    0.06  # 1/K: relative humidity falls so with a kelvin (CoolProp: 0.062 at 20, 0.05 at 50 degC)
)
COIL_LEAST_C = -10.0  # degC: no coil of the trade cools air with a colder surface for long (assumed)


class Doubt(NamedTuple):
    """An event to be told."""

    code: str
    text: str
    probe: str | None = None


def sides_of(job: JobParams, stretch: SteadyStretch) -> tuple[Side, Side]:
    """Supply and entering side of a stretch."""
    means = stretch.means
    return (
        Side("supply", job.probes_of(Role.SUPPLY), means.supply_c, None),
        Side("entering", job.entering_probes(), means.entering_c, None),
    )


def supply_apart(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    """Supply probes that disagree."""
    return _apart(job, sides_of(job, stretch)[0], stretch)


def entering_apart(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    """Probes of the entering air that disagree."""
    return _apart(job, sides_of(job, stretch)[1], stretch)


def _apart(job: JobParams, side: Side, stretch: SteadyStretch) -> Doubt | None:
    """Name the probe that lies furthest from the others, beyond what both may be off."""
    seen = dict(stretch.line.probes_c)
    if len(side.probes) < 2 or not seen:  # noqa: PLR2004 - one probe has nobody to disagree with
        return None
    gaps = [(_gap(side, probe, seen, stretch.means.rise_k), probe) for probe in side.probes]
    (gap_k, u_k), worst = max(gaps, key=lambda pair: abs(pair[0][0]) / (pair[0][1] or 1e-9))
    allowed_k = _widest(len(gaps)) * u_k
    if abs(gap_k) <= allowed_k:
        return None
    where = "above" if gap_k > 0.0 else "below"
    text = (
        f"Probe {worst.name} reads {difference_text(abs(gap_k))} {where} the other {side.name} probes, "
        f"beyond the {difference_text(allowed_k)} that their uncertainty and place allow: the stream is "
        f"uneven, the probe sees the {HEATER[job.unit.kind]}, or it is off. Match the probes, move it, or "
        "take a temperature traverse."
    )
    return Doubt(f"{side.name}-probes-disagree", text, worst.name)


def _widest(n: int) -> float:
    """How many u the widest of ``n`` gaps may be, with 5 % false alarms in all.

    Two probes have one gap between them. Source: Bonferroni's inequality.
    """
    return t_quantile(1.0 - ALARM / 2.0 / (n if n > 2 else 1), inf)  # noqa: PLR2004 - a pair has one gap


def _gap(side: Side, probe: ProbeParams, seen: dict[str, float], rise_k: float) -> tuple[float, float]:
    """How far a probe reads above the others' mean, K, and the standard uncertainty of that.

    A spot of the supply may differ from the stream as far as one alone is trusted to stand for it.
    """
    others = tuple(p for p in side.probes if p is not probe)
    parts = shares(others)
    mean_c = sum(share * seen[p.name] for p, share in zip(others, parts, strict=True))
    gain_k = gain_u_k(Side(side.name, (probe,), side.now_c, None))
    spots_k = [
        share * p.placement_u95 / 2.0 * rise_k
        for p, share in zip((probe, *others), (1.0, *parts), strict=True)
        if side.name == "supply" or not p.placement_assumed
    ]
    return seen[probe.name] - mean_c, hypot(probe.u95 / 2.0, mean_own_u(others), gain_k, *spots_k)


def moisture(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    """The supply probe's own humidity against the moisture of the entering air.

    Heating adds no water: at 48 degC 3 % RH is a third of it, so only a large gap shows.
    """
    means, read_pct = stretch.means, stretch.line.supply_humidity
    if stretch.line.coil is not None:
        return _moister(job, stretch, stretch.line.coil) or _drier(job, stretch, stretch.line.coil)
    if read_pct is None:
        return None
    supply, _ = sides_of(job, stretch)
    expected = relative_humidity(means.supply_c, means.humidity_ratio, means.pressure_pa)
    dilution = saturation_pa(means.entering_c) / saturation_pa(means.supply_c)
    if stretch.seen.humidity:
        gap_u = _humidity_gap_u(job, expected, dilution)
    else:
        gap_u = hypot(probe_u(expected), job.humidity_u * dilution)
    u = hypot(gap_u, HUMIDITY_PER_K * expected * mean_own_u(supply.probes))
    gap = read_pct / 100.0 - expected
    if abs(gap) <= 2.0 * u:
        return None
    text = (
        f"The supply probe reads {read_pct:.0f} % humidity, the moisture of the entering air would make it "
        f"{expected:.0%} ± {2.0 * u:.0%}: outdoor air may come in before the heat, or one of the two "
        "humidity probes is off. Shut the damper, match the probes."
    )
    return Doubt("humidity-mismatch", text, supply.probes[0].name)


def _moister(job: JobParams, stretch: SteadyStretch, coil: CoilMeans) -> Doubt | None:
    """Supply air of a cooling unit that carries more water than the entering air, beyond doubt."""
    gained_w = coil.sensible_w - stretch.means.output_w
    u_w = hypot(*(line.u_w for line in stretch.lines if "humidity" in line.source))
    if not coil.told or gained_w <= 2.0 * u_w:
        return None
    text = (
        "The supply air carries more water than the entering air, which no coil adds: outdoor air may come "
        "in behind the entering probe, or one of the two humidity probes is off. Shut the damper, match the "
        "probes."
    )
    return Doubt("humidity-mismatch", text, job.probes_of(Role.SUPPLY)[0].name)


def _drier(job: JobParams, stretch: SteadyStretch, coil: CoilMeans) -> Doubt | None:
    """Supply air of a cooling unit that is drier than any coil can make it of the entering air.

    Air behind a coil lies on the line from the entering air to saturated air at the coil's surface (ASHRAE
    Handbook HVAC Systems and Equipment, air-cooling coils; bypass factor). Where that line, each humidity
    taken 2 u to the coil's side, meets no saturated air that a coil may be as cold as, there is none.
    """
    means = stretch.means
    if not coil.told or means.supply_c >= means.entering_c:
        return None
    states = ((means.entering_c, means.humidity_ratio, -2.0), (means.supply_c, coil.supply_w, 2.0))
    damp = [relative_humidity(c, w, means.pressure_pa) for c, w, _ in states]
    (entering_c, supply_c), (entering_w, supply_w) = (
        (means.entering_c, means.supply_c),
        (
            humidity_ratio(c, rh + k * probe_u(rh), means.pressure_pa)
            for (c, _, k), rh in zip(states, damp, strict=True)
        ),
    )
    fall = max(entering_w - supply_w, 0.0) / (entering_c - supply_c)
    at_c = supply_c
    while at_c >= COIL_LEAST_C:
        if supply_w - fall * (supply_c - at_c) >= humidity_ratio(at_c, 1.0, means.pressure_pa):
            return None
        at_c -= 0.25
    text = (
        f"Supply air of {temperature_text(supply_c)} and {damp[1]:.0%} humidity is drier than any coil makes "
        f"it of entering air of {temperature_text(entering_c)} and {damp[0]:.0%}: one of the two humidity "
        "probes is off, or heat is added behind the coil. Match the probes; the total and the latent heat "
        "are worth nothing until then."
    )
    return Doubt("humidity-mismatch", text, job.probes_of(Role.SUPPLY)[0].name)


def _humidity_gap_u(job: JobParams, expected: float, dilution: float) -> float:
    """Standard uncertainty of the supply's humidity less ``dilution`` times the entering air's.

    ``expected``: the supply's humidity, of an entering air of ``expected / dilution``.
    """
    parts = humidity_inputs(job, expected / dilution, expected)
    return hypot(*(part.u * (part.supply - dilution * part.entering) for part in parts))
