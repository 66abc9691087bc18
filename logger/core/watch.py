"""Watches the streams for what a user must be told: silence, freezing, a rise beyond the plate."""

from __future__ import annotations

from logger.core.align import NEVER_NS, Slots
from logger.core.book import FiringBook, difference_text
from logger.core.params import MAIN_QUANTITY, JobParams
from logger.core.readings import FLAG_CODES, NS_PER_S, USABLE_FLAGS, Quantity, Reading, ReadingBlock
from logger.core.snapshot import Phase

FLOW_TAU_S = 30.0  # s: time constant over which the live airflow is rolled (assumed)
FLOW_FOR_S = 60  # s the rolled airflow must be off: a fan that starts is not a fault (assumed)
RISE_FOR_S = 15  # s a rise must stay beyond the plate's window: no single outlier cries wolf


class StreamWatch:
    """Remembers the newest value of every stream, and the state of those that are computed with."""

    def __init__(self, job: JobParams, slots: Slots) -> None:
        self._job = job
        self._main = [
            (slots.place[p.name, MAIN_QUANTITY[p.role]], p.name, round(p.max_age_s * NS_PER_S))
            for p in job.probes
        ]
        self._silent: set[str] = set()
        self._frozen: list[int] = []
        self._name_of = {place: name for (name, _), place in slots.place.items()}
        self._over_s = 0
        self._over_said = False
        self._flow_off: float | None = None  # rolled, relative to the traverse
        self._flow_off_s = 0
        self._flow_said = False
        self.newest: dict[tuple[str, Quantity], tuple[float, int]] = {}
        self.flagged: dict[str, int] = {}

    def see(self, reading: Reading) -> None:
        """Take a reading for the eye."""
        if reading.flag in USABLE_FLAGS:
            self.newest[reading.probe, reading.quantity] = (reading.value, reading.t_ns)
        else:
            self.flagged[reading.probe] = self.flagged.get(reading.probe, 0) + 1

    def see_block(self, block: ReadingBlock) -> None:
        """Take the newest of each stream in a block."""
        for number, (probe, quantity) in enumerate(block.channels):
            places = (block.channel == number).nonzero()[0]
            for at in places[::-1]:
                if FLAG_CODES[int(block.flag[at])] in USABLE_FLAGS:
                    self.newest[probe, quantity] = (float(block.value[at]), int(block.t_ns[at]))
                    break

    def frozen_probes(self) -> set[str]:
        """Names of the probes that are frozen now."""
        return {self._name_of[place] for place in self._frozen}

    def tick(
        self,
        tick: int,
        times: list[int],
        frozen: list[int],
        smooth_k: float | None,
        phase: Phase,
        book: FiringBook,
    ) -> None:
        """Compare with the tick before and say what changed."""
        now_ns = tick * NS_PER_S
        for place, name, max_age_ns in self._main:
            last_ns = times[place]
            if (now_ns - last_ns > max_age_ns) is not (name in self._silent) and last_ns != NEVER_NS:
                self._turn_silent(tick, name, book)
        if frozen != self._frozen:
            self._turn_frozen(tick, frozen, book)
        window_k = self._job.unit.rise_window_k
        if window_k is not None and smooth_k is not None:
            self._watch_rise(tick, smooth_k > window_k[1], phase, window_k[1], book)

    def _turn_silent(self, tick: int, name: str, book: FiringBook) -> None:
        if name in self._silent:
            self._silent.discard(name)
            book.say(tick, "probe-back", f"Probe {name} speaks again.", name)
        else:
            self._silent.add(name)
            text = f"Probe {name} is silent: look at its battery, its distance and what shields it."
            book.say(tick, "probe-silent", text, name)

    def _turn_frozen(self, tick: int, frozen: list[int], book: FiringBook) -> None:
        for place in set(frozen) - set(self._frozen):
            name = self._name_of[place]
            text = f"Probe {name} repeats one value in changing air: no output until it moves; restart it."
            book.say(tick, "frozen", text, name)
        self._frozen = list(frozen)

    def _watch_rise(self, tick: int, over: bool, phase: Phase, most_k: float, book: FiringBook) -> None:  # noqa: FBT001
        self._over_s = self._over_s + 1 if over and phase in (Phase.WARM_UP, Phase.STEADY) else 0
        if self._over_s == 0:
            self._over_said = False
        elif self._over_s >= RISE_FOR_S and not self._over_said:
            self._over_said = True
            text = (
                f"Rise above the plate's {difference_text(most_k)}: stop and follow the maker's "
                "instructions; look for a dirty filter, closed dampers or a slipping belt."
            )
            book.say(tick, "rise-above-window", text)

    def see_airflow(self, tick: int, off: float | None, book: FiringBook) -> None:
        """Take how far the live airflow is from the traverse's (a fraction), None without flow."""
        reference = self._job.airflow.reference
        if off is None or reference is None:
            self._flow_off, self._flow_off_s = None, 0
            return
        before = off if self._flow_off is None else self._flow_off
        self._flow_off = before + (off - before) / FLOW_TAU_S
        outside = abs(self._flow_off) > reference.u95
        self._flow_off_s = self._flow_off_s + 1 if outside is not self._flow_said else 0
        if self._flow_off_s < FLOW_FOR_S:
            return
        self._flow_off_s, self._flow_said = 0, outside
        if outside:
            text = (
                f"The live airflow is {self._flow_off:+.1%} off the traverse, beyond its u95 of "
                f"{reference.u95:.1%}: look at fan speed, belt, filter and dampers, then take the "
                "traverse again."
            )
            book.say(tick, "airflow-off-traverse", text, self._job.airflow.probe)
        else:
            book.say(tick, "airflow-back", "The live airflow agrees with the traverse again.")
