"""All that a driver says, held against what it may say."""

from __future__ import annotations

import asyncio
import math
import threading
from collections.abc import Callable, Coroutine, Iterable
from typing import Any, NamedTuple, TypeVar

from logger.conformance.bench import Bench
from logger.core.readings import USABLE_FLAGS
from logger.driver_api import DriverContext, Flag, LinkState, Quantity, Sample, in_range

T = TypeVar("T")

OF_THE_PROBE = (Quantity.BATTERY, Quantity.SIGNAL)  # of the packet or the probe, whatever is measured
TWICE_NS = 1_000_000  # ns between two usable samples alike that are one reading given twice; assumed
_SHOWN = 6  # newest words that a failure shows


class NonconformingError(AssertionError):
    """A driver does not do what every driver must."""


class Said(NamedTuple):
    """A change of a link, and when it was told."""

    t_ns: int
    probe: str
    state: LinkState
    text: str


def demand(condition: object, sentence: str) -> None:
    """Fail with the sentence where the condition does not hold."""
    if not condition:
        raise NonconformingError(sentence)


class Heard:
    """The context of one driver; what it may not say is gathered in ``faults``, and changes nothing."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._names = {request.name for request in bench.probes}
        self._thread = threading.get_ident()
        self._changed = asyncio.Event()
        self._run: asyncio.Future[None] | None = None
        self.samples: list[Sample] = []
        self._stamps_ns: list[int] = []  # of the samples
        self.links: list[Said] = []
        self.faults: list[str] = []
        self.stalls_s: list[float] = []  # how long the loop stood still at most, packet by packet
        self.sent: list[Sample] = []  # what good data was to give, all of it
        clock = bench.clock
        self.context = DriverContext(
            emit=self._emit,
            link=self._link,
            now_ns=clock.now_ns,
            utc_us=clock.utc_us,
            wait_until=clock.wait_until,
            settings=bench.settings,
        )

    def watch(self, run: asyncio.Future[None]) -> None:
        """What delivers; nothing more is waited for when it has ended."""
        self._run = run
        run.add_done_callback(lambda _: self._changed.set())

    async def while_it_runs(self, doing: Coroutine[Any, Any, T], what: str) -> T:
        """What comes of it, unless the driver ends, or it takes too long."""
        task = asyncio.ensure_future(doing)
        try:
            both: set[asyncio.Future[Any]] = {task} if self._run is None else {task, self._run}
            await asyncio.wait(both, timeout=self._bench.patience_s, return_when=asyncio.FIRST_COMPLETED)
            demand(task.done(), f"{what}; run: {self._run}")
            return task.result()
        finally:
            task.cancel()

    async def until(self, condition: Callable[[], object], what: str) -> None:
        """Return when it holds; it is asked after every word of the driver."""
        try:
            async with asyncio.timeout(self._bench.patience_s):
                while not condition():
                    demand(self._run is None or not self._run.done(), f"{what}: run has ended: {self._run}")
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            links, samples = self.links[-_SHOWN:], self.samples[-_SHOWN:]
            raise NonconformingError(
                f"{what} within {self._bench.patience_s:g} s; last links {links}, samples {samples}"
            ) from None

    def usable(self, since: int = 0) -> list[Sample]:
        """What would enter arithmetic."""
        return [sample for sample in self.samples[since:] if sample.flag in USABLE_FLAGS]

    def has(self, wanted: Iterable[Sample], since: int) -> bool:
        """Whether all of these came, in that order."""
        came = iter(self.samples[since:])
        return all(any(_alike(one, sample) for sample in came) for one in wanted)

    def invented(self, since: int) -> list[Sample]:
        """Usable samples of the air that nobody sent. A source may give what it gave before once more."""
        return [
            sample
            for sample in self.usable(since)
            if sample.quantity not in OF_THE_PROBE and not any(_alike(sample, one) for one in self.sent)
        ]

    def twice(self, since: int) -> list[Sample]:
        """Usable samples of the air that came twice at once. Who asks may get a value again, but later."""
        seen: dict[tuple[str, Quantity, float], int] = {}
        found = []
        for sample, t_ns in zip(self.samples[since:], self._stamps_ns[since:], strict=True):
            if sample.flag in USABLE_FLAGS and sample.quantity not in OF_THE_PROBE:
                key = (sample.probe, sample.quantity, sample.value)
                if key in seen and t_ns - seen[key] < TWICE_NS:
                    found.append(sample)
                seen[key] = t_ns
        return found

    def state(self, probe: str) -> LinkState | None:
        """What was told last of the way to it."""
        return next((said.state for said in reversed(self.links) if said.probe == probe), None)

    def judge(self) -> None:
        """Fail where anything was said that may not be."""
        demand(not self.faults, "; ".join(dict.fromkeys(self.faults)))

    def _emit(self, sample: Sample) -> None:
        self.faults += _faults(sample, self._names)
        self._on_the_loop("emit")
        self.samples.append(sample)
        self._stamps_ns.append(self._bench.clock.now_ns())
        self._changed.set()

    def _link(self, probe: str, state: LinkState, text: str) -> None:
        if probe not in self._names:
            self.faults.append(f"link tells of {probe!r}, which is no probe that was asked for")
        if not isinstance(state, LinkState):
            self.faults.append(f"link tells {state!r}, which is no LinkState")
        if not text or not text.isprintable():
            self.faults.append(f"link tells {text!r}: one printable line is wanted")
        self._on_the_loop("link")
        self.links.append(Said(self._bench.clock.now_ns(), probe, state, text))
        self._changed.set()

    def _on_the_loop(self, what: str) -> None:
        if threading.get_ident() != self._thread:
            self.faults.append(f"{what} is called in another thread than the event loop's")


def _faults(sample: Sample, names: set[str]) -> list[str]:
    """What is wrong with a sample, one sentence each."""
    if not isinstance(sample, Sample) or not isinstance(sample.quantity, Quantity):
        return [f"{sample!r} is emitted, which is no Sample of a Quantity"]
    found = []
    if not isinstance(sample.flag, Flag):
        return [f"{sample!r} has a flag that is no Flag"]
    if sample.probe not in names:
        found.append(f"{sample} is of no probe that was asked for")
    if not math.isfinite(sample.value):
        found.append(f"{sample} is not finite")
    elif sample.flag in USABLE_FLAGS and not in_range(sample.quantity, sample.value):
        found.append(f"{sample} is out of its range and not flagged")
    return found


def _alike(one: Sample, other: Sample) -> bool:
    same = (one.probe, one.quantity, one.flag) == (other.probe, other.quantity, other.flag)
    return same and math.isclose(one.value, other.value, rel_tol=1e-9, abs_tol=1e-9)
