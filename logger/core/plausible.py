"""What a steady stretch shows that cannot be, or must not be: each with its probability.

Told at more than 95 %, never at the bare number: a doubt that the probes' own uncertainty explains is
none. The alarms that must not wait for a steady stretch stand in ``limits``.
Not told: a supply probe in sight of the heat exchanger. Radiation raises its reading with the flame as
convection does, so one probe's readings alone do not show it; a second one does, by disagreeing.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import hypot, inf
from typing import NamedTuple

from logger.core.air import relative_humidity, saturation_pa
from logger.core.efficiency import gas_warnings
from logger.core.firing import SteadyStretch
from logger.core.gas import GasInput
from logger.core.params import JobParams, ProbeParams, Role
from logger.core.probe_lines import Side, gain_u_k, mean_own_u, placement, shares
from logger.core.student import t_cdf
from logger.core.texts import difference_text, probability_text, temperature_text

SURE = 0.95  # probability from which a doubt is told (design)
HUMIDITY_U = 0.015  # fraction: 3 % RH at 95 %, usual for such probes (assumed)
HUMIDITY_PER_K = 0.06  # 1/K: relative humidity falls so with a kelvin (recalled; 0.05 to 0.065 in 0..50 degC)


class Doubt(NamedTuple):
    """An event to be told."""

    code: str
    text: str
    probe: str | None = None


def doubts(job: JobParams, stretch: SteadyStretch) -> Iterator[Doubt]:
    """All that is doubtful in a stretch."""
    for check in (_rise, _supply, _entering, _supply_apart, _entering_apart, _humidity):
        found = check(job, stretch)
        if found is not None:
            yield found
    if isinstance(stretch.gas, GasInput):
        warnings = gas_warnings(job, stretch.means.output_w, stretch.combined, stretch.gas)
        yield from (Doubt(code, text) for code, text in warnings)


def _sides(job: JobParams, stretch: SteadyStretch) -> tuple[Side, Side]:
    means = stretch.means
    return (
        Side("supply", job.probes_of(Role.SUPPLY), means.supply_c, None),
        Side("entering", job.entering_probes(), means.entering_c, None),
    )


def _u_k(side: Side, stretch: SteadyStretch) -> float:
    """Standard uncertainty of one side's temperature as read: own error, gain, place in the stream."""
    rise_k = stretch.means.rise_k
    place = placement(side.probes, stretch.line, rise_k)
    spot = side.name == "supply" or len(side.probes) > 1 or not place.assumed
    return hypot(mean_own_u(side.probes), gain_u_k(side), place.u * rise_k if spot else 0.0)


def _probability(beyond: float, u: float) -> float:
    """Probability that a value truly lies beyond a limit that it is read ``beyond``."""
    return t_cdf(beyond / u, inf) if u > 0.0 else float(beyond > 0.0)


def _rise(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    window_k = job.unit.rise_window_k
    if window_k is None:
        return None
    rise_k = stretch.means.rise_k
    u_k = hypot(*(_u_k(side, stretch) for side in _sides(job, stretch)))
    over = _probability(rise_k - window_k[1], u_k)
    under = _probability(window_k[0] - rise_k, u_k)
    if max(over, under) <= SURE:
        return None
    read = f"The steady rise of {difference_text(rise_k)} ± {difference_text(2.0 * u_k)}"
    if over > SURE:
        text = (
            f"{read} is above the plate's {difference_text(window_k[1])} with {probability_text(over)} "
            "probability: stop and follow the maker's instructions; too little air or too much gas."
        )
        return Doubt("rise-above-plate", text)
    text = (
        f"{read} is below the plate's {difference_text(window_k[0])} with {probability_text(under)} "
        "probability: follow the maker's instructions; too much air, too little gas, or a part load."
    )
    return Doubt("rise-below-plate", text)


def _supply(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    most_c = job.unit.max_supply_c
    if most_c is None:
        return None
    side, _ = _sides(job, stretch)
    over = _probability(side.now_c - most_c, _u_k(side, stretch))
    if over <= SURE:
        return None
    text = (
        f"The steady supply air of {temperature_text(side.now_c)} is above the plate's maximum of "
        f"{temperature_text(most_c)} with {probability_text(over)} probability: stop and follow the maker's "
        "instructions; look for too little airflow first."
    )
    return Doubt("supply-above-plate", text)


def _entering(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    least_c = job.unit.min_entering_c
    if least_c is None:
        return None
    _, side = _sides(job, stretch)
    under = _probability(least_c - side.now_c, _u_k(side, stretch))
    if under <= SURE:
        return None
    text = (
        f"The entering air of {temperature_text(side.now_c)} is below the plate's minimum of "
        f"{temperature_text(least_c)} with {probability_text(under)} probability: flue gas may condense in "
        "the heat exchanger; follow the maker's instructions, look at the outdoor-air damper."
    )
    return Doubt("entering-below-plate", text)


def _supply_apart(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    return _apart(_sides(job, stretch)[0], stretch)


def _entering_apart(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    return _apart(_sides(job, stretch)[1], stretch)


def _apart(side: Side, stretch: SteadyStretch) -> Doubt | None:
    """Name the probe that lies furthest from the others, beyond what both may be off."""
    seen = dict(stretch.line.probes_c)
    if len(side.probes) < 2 or not seen:  # noqa: PLR2004 - one probe has nobody to disagree with
        return None
    gaps = [(_gap(side, probe, seen), probe) for probe in side.probes]
    (gap_k, u95_k), worst = max(gaps, key=lambda pair: abs(pair[0][0]) / (pair[0][1] or 1e-9))
    if abs(gap_k) <= u95_k:
        return None
    where = "above" if gap_k > 0.0 else "below"
    text = (
        f"Probe {worst.name} reads {difference_text(abs(gap_k))} {where} the other {side.name} probes, "
        f"beyond the {difference_text(u95_k)} that their uncertainty allows: the stream is uneven, the probe "
        "sees the heat exchanger, or it is off. Match the probes, move it, or take a temperature traverse."
    )
    return Doubt(f"{side.name}-probes-disagree", text, worst.name)


def _gap(side: Side, probe: ProbeParams, seen: dict[str, float]) -> tuple[float, float]:
    """How far a probe reads above the others' mean, K, and the u95 of that."""
    others = tuple(p for p in side.probes if p is not probe)
    parts = shares(others)
    mean_c = sum(share * seen[p.name] for p, share in zip(others, parts, strict=True))
    gain_k = gain_u_k(Side(side.name, (probe,), side.now_c, None))
    u_k = hypot(probe.u95 / 2.0, mean_own_u(others), gain_k)
    return seen[probe.name] - mean_c, 2.0 * u_k


def _humidity(job: JobParams, stretch: SteadyStretch) -> Doubt | None:
    """The supply probe's own humidity against the moisture of the entering air.

    Heating adds no water: at 48 degC 3 % RH is a third of it, so only a large gap shows.
    """
    means, read_pct = stretch.means, stretch.line.supply_humidity
    if read_pct is None:
        return None
    supply, entering = _sides(job, stretch)
    expected = relative_humidity(means.supply_c, means.humidity_ratio, means.pressure_pa)
    entering_u = _humidity_u(entering.probes[0]) if stretch.seen.humidity else job.humidity_u
    dilution = saturation_pa(means.entering_c) / saturation_pa(means.supply_c)
    u = hypot(
        _humidity_u(supply.probes[0]),
        entering_u * dilution,
        HUMIDITY_PER_K * expected * mean_own_u(supply.probes),
    )
    gap = read_pct / 100.0 - expected
    if abs(gap) <= 2.0 * u:
        return None
    text = (
        f"The supply probe reads {read_pct:.0f} % humidity, the moisture of the entering air would make it "
        f"{expected:.0%} ± {2.0 * u:.0%}: outdoor air may come in before the heat, or one of the two "
        "humidity probes is off. Shut the damper, match the probes."
    )
    return Doubt("humidity-mismatch", text, supply.probes[0].name)


def _humidity_u(probe: ProbeParams) -> float:
    return HUMIDITY_U if probe.humidity_u95 is None else probe.humidity_u95 / 200.0
