"""Where what is played comes from: a scenario, or readings that were stored or exported."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from logger.core.errors import ConfigError, TableError
from logger.core.readings import FLAG_CODES, NS_PER_S, Flag, Quantity, ReadingBlock
from logger.store import StoreReader
from logger.stored import find_stored
from logger.tables import read_readings
from simulators.peripheral.script import Said
from simulators.plant import SIGNALS, simulate
from simulators.probes import speak
from simulators.scenario import Scenario

Recording = Mapping[str, Sequence[Said]]
"""What each recorded probe said."""

_UNSENT = frozenset({Flag.LATE, Flag.DUPLICATE})  # what a logger judged of the way, not of the value


def signals_of(scenario: Scenario) -> list[str]:
    """What a probe of the scenario can look at."""
    return [signal for signal in SIGNALS if signal in scenario.probes]


def of_scenario(scenario: Scenario, signal: str, probe: str, seed: int) -> tuple[Said, ...]:
    """All that a probe of that name says: the samples of the driver ``sim`` for it."""
    run = simulate(scenario.plant, scenario.timeline)
    spoken = speak(scenario.probes[signal], probe, seed, run.t_s, run.signals(signal))
    return tuple(
        Said(t_ns, quantity, value, Flag.OK)
        for t_ns, quantity, value in zip(spoken.t_ns, spoken.quantity, spoken.value, strict=True)
    )


def end_of_scenario_ns(scenario: Scenario) -> int:
    """When it ends."""
    return round(scenario.timeline.duration_s * NS_PER_S)


def of_file(path: Path) -> Recording:
    """A CSV of readings, as `export` writes it. Raises TableError."""
    if path.exists() and not path.is_file():  # a pipe may never begin
        raise TableError(f"{path}: is no regular file; name a CSV of readings")
    if path.suffix.lower() == ".parquet":
        raise TableError(f"{path}: play reads CSV; make one with riselog export RUN --output readings.csv")
    return _recording(read_readings(path).blocks, str(path))


def of_run(text: str) -> tuple[str, Recording]:
    """A stored run, by its id, the start of one, or ``last``: id and what it holds."""
    store, run = find_stored(text, None)
    with StoreReader(store) as reader:
        return run, _recording(reader.blocks(run), f"run {run}")


def _recording(blocks: Iterable[ReadingBlock], name: str) -> Recording:
    """Readings by probe, in order of time, from the first on. Signal strength is the radio's own."""
    found: dict[str, list[Said]] = {}
    for block in blocks:
        columns = zip(
            block.t_ns.tolist(),
            block.channel.tolist(),
            block.value.tolist(),
            block.flag.tolist(),
            strict=True,
        )
        for t_ns, channel, value, code in columns:
            probe, quantity = block.channels[channel]
            if quantity is not Quantity.SIGNAL and FLAG_CODES[code] not in _UNSENT:
                found.setdefault(probe, []).append(Said(t_ns, quantity, value, FLAG_CODES[code]))
    if not found:
        raise ConfigError(f"{name}: has no readings to play; name another")
    start_ns = min(each.t_ns for said in found.values() for each in said)
    return {
        probe: tuple(each._replace(t_ns=each.t_ns - start_ns) for each in sorted(said, key=_time))
        for probe, said in found.items()
    }


def _time(said: Said) -> int:
    return said.t_ns
