"""Says what a firing shows that speaks against its result; each thing once a firing."""

from __future__ import annotations

from itertools import permutations
from math import log

from logger.core.firing import STAGE_CHANGE, Firing, SteadyStretch
from logger.core.flow_hold import held_by
from logger.core.kind_words import AUXILIARY_TOO, CHANGE, SPELL
from logger.core.params import AirflowSource, JobParams, Role
from logger.core.plausible import doubts
from logger.core.stage import OFF_RATIO, plates_w
from logger.core.student import Z95
from logger.core.texts import Say, difference_text, duration_text


class FiringDoubts:
    """Listens to a firing's levels and stretches, and to its end."""

    def __init__(self, job: JobParams, say: Say) -> None:
        self._job = job
        self._say = say
        self._told: set[str] = set()
        self._levels: list[float] = []  # K: rises that were steady, more than STAGE_CHANGE apart
        self._short_told = self._step_told = False
        self._flow_unseen = job.airflow.source is not AirflowSource.PROBE

    def fire(self) -> None:
        """A firing begins."""
        self._told.clear()
        self._levels.clear()

    def level(self, tick: int, rise_k: float) -> None:
        """The mean rise of the shortest window: a jump up is told at once."""
        if len(self._levels) >= self._job.unit.stages and rise_k > (1.0 + STAGE_CHANGE) * max(self._levels):
            self._jump(tick, rise_k)

    def stretch(self, tick: int, stretch: SteadyStretch) -> None:
        """A steady stretch, as it stands now or at its end."""
        for code, text, probe in () if stretch.untold else doubts(self._job, stretch):
            if code not in self._told:
                self._told.add(code)
                self._say(tick, code, text, probe)
        rise_k = abs(stretch.means.rise_k)
        scatter_w = sum(line.u_w for line in stretch.lines if line.source == "scatter")
        apart = STAGE_CHANGE + Z95 * scatter_w / (abs(stretch.means.air_heat_w) or 1.0)
        if all(abs(rise_k - known_k) > apart * known_k for known_k in self._levels):
            if len(self._levels) >= self._job.unit.stages or self._unlike(rise_k):
                self._jump(tick, rise_k)
            elif self._levels:
                self._step(tick, rise_k)
            self._levels.append(rise_k)

    def _unlike(self, rise_k: float) -> bool:
        """Whether a level stands to one before it as no two stages do, and no velocity says why."""
        plates, volumes = plates_w(self._job.unit), self._job.airflow.stage_volume_m3_s
        if not plates or held_by(self._job) is not None:
            return False
        rises = [w / m3_s for w, m3_s in zip(plates, volumes or (1.0,) * len(plates), strict=True)]
        ratios = [log(one / other) for one, other in permutations(rises, 2)]
        moves = [log(rise_k / known_k) for known_k in self._levels]
        return any(min(abs(move - ratio) for ratio in ratios) > OFF_RATIO for move in moves)

    def _jump(self, tick: int, rise_k: float) -> None:
        """More levels than the unit has stages, or others: what else changes the rise is the airflow."""
        code = "airflow-may-have-changed"
        if code in self._told or not self._flow_unseen:
            return
        self._told.add(code)
        text = (
            f"The {CHANGE[self._job.unit.kind]} went from {difference_text(self._levels[-1])} to "
            f"{difference_text(rise_k)} within the {SPELL[self._job.unit.kind]}: the airflow may have "
            f"changed (belt, damper, filter, fan speed), or the unit has other stages than the config "
            f"says{AUXILIARY_TOO.get(self._job.unit.kind, '')}. "
            "Take one traverse point again; if it is off, the result is too."
        )
        self._say(tick, code, text)

    def _step(self, tick: int, rise_k: float) -> None:
        """A level that a stage would make: afterwards nobody sees if it was one. Told once a run."""
        job = self._job
        live = not self._flow_unseen or held_by(job) is not None or bool(job.probes_of(Role.GAS))
        if self._step_told or live or job.unit.modulating or not plates_w(job.unit):
            return
        self._step_told = True
        text = (
            f"The {CHANGE[job.unit.kind]} went from {difference_text(self._levels[-1])} to "
            f"{difference_text(rise_k)}, as from one stage to another, or by a change of the airflow of as "
            "much: look now at the unit, whether it runs at that stage."
        )
        self._say(tick, "stage-by-ratio", text)

    def complete(self, tick: int, firing: Firing, tau_s: float | None) -> None:
        """The firing is over: say if it was too short to become steady. Told once a run.

        An exponential approach is within ``remaining`` after tau ln(1 / remaining).
        """
        steady = self._job.steady
        burning_s = (firing.fall_s or firing.end_s or firing.start_s) - firing.start_s
        slow_s = max(steady.time_constant_s, tau_s or 0.0)
        needed_s = slow_s * log(1.0 / steady.remaining) + steady.window_s / 2.0 + steady.hold_s
        burns_on = firing.fall_s is None  # the log ended, or no air moves any more
        if firing.stretches or self._short_told or burns_on or burning_s >= needed_s:
            return
        self._short_told = True
        text = (
            f"The {SPELL[self._job.unit.kind]} ended after {duration_text(burning_s)}, before it could be "
            f"steady: with a time constant of {slow_s:.0f} s it takes about {duration_text(needed_s)}. "
            "If the unit ended it by itself, find out why first (thermostat, limit); else hold it for so "
            "long."
        )
        self._say(tick, "firing-too-short", text)
