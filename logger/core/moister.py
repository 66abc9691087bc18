"""Supply air of a cooling unit that shows more water than the entering air, where nothing is steady.

No coil adds water, and a total with such a latent part may never settle: so it is told while the unit
cools, with the probes and by how much. A steady stretch is looked at by its own budget instead.
"""

from __future__ import annotations

from math import hypot

from logger.core.air import humidity_ratio, relative_humidity
from logger.core.humidity_probe import humidity_inputs
from logger.core.params import JobParams, Role
from logger.core.probe_lines import mean_own_u
from logger.core.texts import Say

CODE = "humidity-mismatch"
OVER_S = 600  # s of cooling without a steady moment; assumed: longer than a coil takes to dry and settle
GRAINS = 7.0  # gr/lb for 1 g/kg: 7000 gr = 1 lb, exact (NIST SP 811)


class MoisterWatch:
    """Holds the moisture of both sides against each other, over ten minutes of cooling at a time."""

    def __init__(self, job: JobParams, say: Say) -> None:
        self._say, self._job = say, job
        self._entering, self._supply = job.entering_probes(), job.probes_of(Role.SUPPLY)
        self._told = False
        self._clear()

    def _clear(self) -> None:
        self._count, self._sums = 0, [0.0] * 5

    def tick(
        self, tick: int, entering: tuple[float, float], supply: tuple[float, float], pressure_pa: float
    ) -> None:
        """A moment of unsteady cooling: degC and kg of water per kg of dry air on both sides, Pa."""
        if self._told:
            return
        self._count += 1
        for place, value in enumerate((*entering, *supply, pressure_pa)):
            self._sums[place] += value
        if self._count < OVER_S:
            return
        entering_c, entering_w, supply_c, supply_w, pressure_pa = (total / OVER_S for total in self._sums)
        self._clear()
        more_w = supply_w - entering_w
        u_w = self._u((entering_c, entering_w), (supply_c, supply_w), pressure_pa)
        if more_w > 2.0 * u_w:
            self._told = True
            self._say(tick, CODE, self._text(more_w, 2.0 * u_w), self._supply[0].name)

    def rest(self) -> None:
        """The unit does not cool, is steady, or one humidity is not known: begin anew."""
        if self._count:
            self._clear()

    def _u(self, entering: tuple[float, float], supply: tuple[float, float], pressure_pa: float) -> float:
        """Standard uncertainty of the difference, kg/kg, of the same inputs as the total's budget."""
        damp = [relative_humidity(c, w, pressure_pa) for c, w in (entering, supply)]
        by_rh = [w / rh for (_, w), rh in zip((entering, supply), damp, strict=True)]
        humid_w = [
            part.u * (part.supply * by_rh[1] - part.entering * by_rh[0])
            for part in humidity_inputs(self._job, *damp)
        ]
        by_k = [
            humidity_ratio(c + 0.5, rh, pressure_pa) - humidity_ratio(c - 0.5, rh, pressure_pa)
            for (c, _), rh in zip((entering, supply), damp, strict=True)
        ]
        u_k = [mean_own_u(probes) for probes in (self._entering, self._supply)]
        return hypot(*humid_w, *(slope * u_t for slope, u_t in zip(by_k, u_k, strict=True)))

    def _text(self, more_w: float, u95_w: float) -> str:
        supply, entering = (
            " and ".join(f'"{p.name}"' for p in side) for side in (self._supply, self._entering)
        )
        grams, u95 = more_w * 1e3, u95_w * 1e3
        return (
            f"By its humidity the air at probe {supply} carries {grams:.1f} ± {u95:.1f} g/kg "
            f"({grams * GRAINS:.0f} ± {u95 * GRAINS:.0f} gr/lb) more water than that at probe {entering}, "
            f"mean of {OVER_S // 60} min of cooling, which no coil adds: outdoor air may come in behind the "
            "entering probe, or one of the two humidity probes is off. Shut the damper, match the probes, "
            "and cool again."
        )
