"""U95 of what a coil's total is made of: sensible and latent heat, their ratio, the condensate.

The same inputs and sizes as in the budget of the total, each walked through to the part: an airflow that is
wrong takes all parts along and leaves the ratio, a humidity that is wrong is latent heat and hardly sensible.
A probe's place moves both heats alike: air on a straight line between coil and entering air. What only shows
in the total (scatter, what is still to come) may all lie in the part, so near the whole of it is taken.
Source: GUM (JCGM 100) 5.1.2, 5.1.3 note 2 (half the difference of both ends of an input's u).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from logger.core.air import enthalpy_j_kg, humidity_ratio
from logger.core.assess import pressure_u, water_swells
from logger.core.budget import BudgetLine, combine
from logger.core.coil_lines import COMMON_U_K, Both, Swells, both
from logger.core.humidity_probe import humidity_inputs
from logger.core.params import JobParams
from logger.core.stretch import CoilMeans, Means, Seen, Stretch

STEAM_J_KG = 2_501_000.0  # of water vapour at 0 degC, ASHRAE Fundamentals ch. 1 eq. (30): W of it to kg/s

SUPPLY = frozenset({"supply temperature", "supply probe gain"})
ENTERING = frozenset({"entering temperature", "entering probe gain"})
LAG = "probe lag"
UNSHARED = frozenset({"scatter", "residual drift"})  # seen in the total alone
ANEW = frozenset(
    {
        *("pressure", "temperature in common", "humidity in common"),
        *(f"{side} humidity{near}" for side in ("entering", "supply") for near in ("", " near saturation")),
    }
)
"""Lines of the total that are drawn up again here, as the total's slope may be next to nothing."""


class Parts(NamedTuple):
    """Sensible and latent heat in W, sensible over total, condensate in kg/s; or the u95 of each."""

    sensible_w: float
    latent_w: float
    sensible_heat_ratio: float
    condensate_kg_s: float


class Off(NamedTuple):
    """What the inputs are off by: K, fractions of relative humidity, Pa, a fraction of the dry mass."""

    entering_k: float = 0.0
    entering_rh: float = 0.0
    supply_k: float = 0.0
    supply_rh: float = 0.0
    pressure_pa: float = 0.0
    mass: float = 0.0


class _Coil:
    """The parts at the stretch's means, as a function of what the inputs are off by."""

    def __init__(self, means: Means, coil: Both, swells: Swells) -> None:
        self._means, self._coil, self._swells = means, coil, swells
        self._dried_w = humidity_ratio(means.supply_c, coil.supply.humidity, means.pressure_pa)

    def parts(self, off: Off) -> Parts:
        means, coil = self._means, self._coil
        entering_c, supply_c = means.entering_c + off.entering_k, means.supply_c + off.supply_k
        pressure_pa = means.pressure_pa + off.pressure_pa
        # about a humidity that leaves room for both ends: a probe at 0 % is not known the better for it
        damp, dried_rh = max(coil.entering.humidity, abs(off.entering_rh)), coil.supply.humidity
        entering_w = humidity_ratio(entering_c, damp + off.entering_rh, pressure_pa)
        supply_w = humidity_ratio(supply_c, max(dried_rh, abs(off.supply_rh)) + off.supply_rh, pressure_pa)
        kg_s = means.dry_air_kg_s * (1.0 + off.mass)
        if off.entering_rh:  # at its probe's temperature, as in the total's lines
            kg_s *= 1.0 - self._swells.entering * (entering_w - means.humidity_ratio)
        if off.supply_rh:
            kg_s *= 1.0 - self._swells.supply * (supply_w - self._dried_w)
        dried = enthalpy_j_kg(entering_c, supply_w)
        sensible_w = kg_s * (dried - enthalpy_j_kg(supply_c, supply_w))
        latent_w = kg_s * (enthalpy_j_kg(entering_c, entering_w) - dried)
        return Parts(
            sensible_w, latent_w, sensible_w / (sensible_w + latent_w), kg_s * (entering_w - supply_w)
        )

    def moved(self, *offs: Off) -> Parts:
        """Half of what each part moves by between both ends, the most of several offs."""
        ends = [(self.parts(off), self.parts(Off(*(-x for x in off)))) for off in offs]
        most = (max(abs(up[i] - down[i]) / 2.0 for up, down in ends) for i in range(len(Parts._fields)))
        return Parts(*most)


def parts_u95(
    job: JobParams, means: Means, stretch: Stretch, seen: Seen, lines: Sequence[BudgetLine]
) -> Parts | None:
    """U95 of each part from the total's ``lines``; None where the total is not told."""
    budgets = part_lines(job, means, stretch.coil, seen, lines)
    return None if budgets is None else Parts(*(combine(budget).u95_w for budget in budgets))


def part_lines(
    job: JobParams, means: Means, coil: CoilMeans | None, seen: Seen, lines: Sequence[BudgetLine]
) -> tuple[list[BudgetLine], ...] | None:
    """The budget of each part, in the order and units of ``Parts``; None where the total is not told."""
    slopes = both(means, coil)
    if slopes is None or not means.air_heat_w:
        return None
    here = _Coil(means, slopes, water_swells(job))
    found = [(line, _moved(line, here, means, slopes)) for line in lines if line.source not in ANEW]
    found += [(line, here.moved(off)) for line, off in _anew(job, means, slopes, seen)]
    return tuple(
        [replace(line, u_w=moved[i]) for line, moved in found if moved[i] > 0.0]
        for i in range(len(Parts._fields))
    )


def _moved(line: BudgetLine, here: _Coil, means: Means, slopes: Both) -> Parts:
    """What an input of the total, known by its size there, does to the parts."""
    supply_w_k, entering_w_k = slopes.watt_per_k()
    if line.source in SUPPLY:
        return here.moved(Off(supply_k=line.u_w / supply_w_k))
    if line.source in ENTERING:
        return here.moved(Off(entering_k=line.u_w / entering_w_k))
    if line.source == LAG:
        late = Off(supply_k=line.u_w / supply_w_k), Off(entering_k=line.u_w / entering_w_k)
        return here.moved(*late)
    if line.source in UNSHARED:
        ratio = here.parts(Off()).sensible_heat_ratio
        share = max(abs(ratio), abs(1.0 - ratio)) / abs(means.air_heat_w)
        return Parts(line.u_w, line.u_w, line.u_w * share, line.u_w / STEAM_J_KG)
    return here.moved(Off(mass=line.u_w / abs(means.air_heat_w)))


def _anew(job: JobParams, means: Means, slopes: Both, seen: Seen) -> list[tuple[BudgetLine, Off]]:
    """Moisture, what all temperatures share, and pressure, with their sizes as inputs."""
    found = [
        (
            BudgetLine(part.source, part.u, assumed=part.assumed),
            Off(entering_rh=part.u * part.entering, supply_rh=part.u * part.supply),
        )
        for part in humidity_inputs(job, slopes.entering.humidity, slopes.supply.humidity)
    ]
    common = BudgetLine("temperature in common", COMMON_U_K, assumed=True)
    found.append((common, Off(entering_k=COMMON_U_K, supply_k=COMMON_U_K)))
    air = pressure_u(job, means, seen)
    line = BudgetLine("pressure", air.u_pa, assumed=air.assumed)
    now = Off(pressure_pa=air.u_pa, mass=air.now * air.u_pa / means.pressure_pa)
    return [*found, (line, now), *((line, Off(mass=part)) for part in air.then)]
