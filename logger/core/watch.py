"""Watches the streams for what a user must be told: silence, freezing, air that runs backwards."""

from __future__ import annotations

import numpy as np

from logger.core.align import NEVER_NS, Row, Rows, Slots
from logger.core.flow import NO_FLOW_M_S
from logger.core.params import MAIN_QUANTITY, JobParams, Role
from logger.core.readings import FLAG_CODES, NS_PER_S, USABLE_FLAGS, Quantity, Reading, ReadingBlock
from logger.core.texts import Say

FIRST_WORD_S = 30  # s after the run's start in which a probe should have spoken (assumed)
SILENCES_TOLD = 5  # of one probe: then its rhythm is the news, not each pause (design choice)
NEAR_END = 30  # readings of a block that are looked at one by one (cost)
REVERSE_FOR_S = 10  # s of reverse flow before it is said (design choice)
_SIDES = frozenset({Role.RETURN, Role.MIXED, Role.SUPPLY})  # without one of them there is no rise


def silent_after_s(job: JobParams) -> float:
    """Seconds without a reading of any probe after which nothing is known of now: a side is silent."""
    return min(probe.max_age_s for probe in job.probes if probe.role in _SIDES)


class StreamWatch:
    """Remembers the newest value of every stream, and the state of those that are computed with."""

    def __init__(self, job: JobParams, slots: Slots, say: Say) -> None:
        self._say = say
        self._main = [
            (slots.place[p.name, MAIN_QUANTITY[p.role]], p.name, round(p.max_age_s * NS_PER_S))
            for p in job.probes
        ]
        streams = (job.entering_probes(), job.probes_of(Role.SUPPLY))
        self._of_several = {p.name for side in streams if len(side) > 1 for p in side}
        self._silent: set[str] = set()
        self._silences: dict[str, int] = {}
        self._frozen: list[int] = []
        self._name_of = {place: name for (name, _), place in slots.place.items()}
        self._reverse_s = 0
        self._max_age_ns = np.array([age_ns for *_, age_ns in self._main])
        self._places = [place for place, *_ in self._main]
        self._may_be_silent = True  # in the ticks that were looked at
        self._said: set[str] = set()
        self.newest: dict[tuple[str, Quantity], tuple[float, int]] = {}
        self.speechless = {name for _, name, _ in self._main}  # no usable reading yet

    def see(self, reading: Reading) -> None:
        """Take a reading for the eye."""
        if reading.flag in USABLE_FLAGS:
            self.newest[reading.probe, reading.quantity] = (reading.value, reading.t_ns)

    def see_block(self, block: ReadingBlock) -> None:
        """Take the newest of each stream in a block; most of them stand near its end."""
        unseen = set(range(len(block.channels)))
        for at in range(len(block) - 1, max(len(block) - 1 - NEAR_END, -1), -1):
            number = int(block.channel[at])
            if number in unseen and FLAG_CODES[int(block.flag[at])] in USABLE_FLAGS:
                unseen.discard(number)
                self.newest[block.channels[number]] = (float(block.value[at]), int(block.t_ns[at]))
                if not unseen:
                    return
        for number in unseen:
            probe, quantity = block.channels[number]
            places = (block.channel == number).nonzero()[0]
            for at in places[::-1]:
                if FLAG_CODES[int(block.flag[at])] in USABLE_FLAGS:
                    self.newest[probe, quantity] = (float(block.value[at]), int(block.t_ns[at]))
                    break

    def frozen_probes(self) -> set[str]:
        """Names of the probes that are frozen now."""
        return {self._name_of[place] for place in self._frozen}

    def look(self, rows: Rows) -> None:
        """See whether anybody is silent in the next ticks."""
        ages_ns = (rows.ticks * NS_PER_S)[:, None] - rows.times[:, self._places]
        self._may_be_silent = bool((ages_ns > self._max_age_ns).any())

    def tick(self, row: Row, frozen: list[int], velocity_m_s: float | None) -> None:
        """Compare with the tick before and say what changed."""
        tick = row.tick
        if self._may_be_silent or self._silent or tick == FIRST_WORD_S:
            self._look_for_silence(tick, tick * NS_PER_S, row.times)
        if frozen != self._frozen:
            self._turn_frozen(tick, frozen)
        if velocity_m_s is not None and (velocity_m_s <= -NO_FLOW_M_S or self._reverse_s):
            self._watch_reverse(tick, velocity_m_s)

    def _look_for_silence(self, tick: int, now_ns: int, times: list[int]) -> None:
        """Say who fell silent or came back."""
        for place, name, max_age_ns in self._main:
            last_ns = times[place]
            if last_ns == NEVER_NS:
                if tick == FIRST_WORD_S:
                    text = (
                        f"Probe {name} has not given a usable reading yet: look at its battery and distance."
                    )
                    self._say(tick, "probe-silent", text, name)
            elif (now_ns - last_ns > max_age_ns) is not (name in self._silent):
                self._turn_silent(tick, name, max_age_ns)

    def tick_sides(self, tick: int, *, held: bool, refused: bool) -> None:
        """Say once that the humidity is held, and once that the pressure probe is not believed."""
        if held and "humidity-held" not in self._said:
            text = "The entering air's humidity is silent: its last humidity ratio is held; see to the probe."
            self._say_once(tick, "humidity-held", text)
        if refused and "pressure-implausible" not in self._said:
            text = (
                "The pressure probe is more than 4 % off the site's altitude or pressure and is not used: "
                "see to the probe, or correct the config (a weather report is reduced to sea level)."
            )
            self._say_once(tick, "pressure-implausible", text)

    def _say_once(self, tick: int, code: str, text: str) -> None:
        self._said.add(code)
        self._say(tick, code, text)

    def close(self, times: list[int]) -> None:
        """Find which probes never gave a usable reading."""
        self.speechless = {name for place, name, _ in self._main if times[place] == NEVER_NS}

    def _turn_silent(self, tick: int, name: str, max_age_ns: int) -> None:
        silences = self._silences.get(name, 0)
        if name in self._silent:
            self._silent.discard(name)
            if silences <= SILENCES_TOLD:
                self._say(tick, "probe-back", f"Probe {name} speaks again.", name)
            return
        self._silent.add(name)
        self._silences[name] = silences + 1
        if silences < SILENCES_TOLD:
            text = (
                f"Probe {name} is silent: look at its battery, its distance, what shields it, and at the "
                "gateway or broker by which it comes."
            )
            if name in self._of_several:
                text += (
                    " The others alone would give another mean, so there is no output until it speaks again."
                )
            self._say(tick, "probe-silent", text, name)
        elif silences == SILENCES_TOLD:
            text = (
                f"Probe {name} pauses again and again for longer than its max_age of "
                f"{max_age_ns / NS_PER_S:g} s; its further pauses are not told. If "
                "it reports so seldom, raise max_age in the config."
            )
            self._say(tick, "probe-slow", text, name)

    def _turn_frozen(self, tick: int, frozen: list[int]) -> None:
        for place in set(frozen) - set(self._frozen):
            name = self._name_of[place]
            text = f"Probe {name} repeats one value in changing air: no output until it moves; restart it."
            self._say(tick, "frozen", text, name)
        self._frozen = list(frozen)

    def _watch_reverse(self, tick: int, velocity_m_s: float) -> None:
        self._reverse_s = self._reverse_s + 1 if velocity_m_s <= -NO_FLOW_M_S else 0
        if self._reverse_s == REVERSE_FOR_S:
            text = "The velocity is negative, so no output: turn the probe, or see if the fan runs backwards."
            self._say(tick, "reverse-flow", text)
