"""What every played probe does and when: its samples thinned, coded and cut by silences. Pure."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import NamedTuple

from logger.core.readings import NS_PER_S, NS_PER_US, Flag, Quantity
from simulators.peripheral.formats import CODES, Kind

Spans = tuple[tuple[float, float], ...]

TOGETHER_S = 0.1  # s of radio time: values this close together are one packet; assumed
EARLY = 0.9  # share of ``every_s`` after which the next value of a quantity may go; assumed: jitter
BATTERY_EVERY_S = 60.0  # s of the scene between two tellings of a scripted battery level; assumed


class Said(NamedTuple):
    """One value of the source: ns from the scene's start."""

    t_ns: int
    quantity: Quantity
    value: float
    flag: Flag


class Does(Enum):
    """What a probe does at a moment of the script; at one moment in this order."""

    APPEAR = 0  # it is on the air again, or for the first time
    SAY = 1
    HUSH = 2  # nothing is heard of it; a connection stays
    DROP = 3  # the same, and its connection is lost


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One played probe. Times in s of the scene.

    ``source`` is the signal of the scenario or the probe of the recording; ``battery`` is levels in %
    from a time on, and replaces the source's own.
    """

    probe: str
    kind: Kind
    source: str
    advertised: str
    adapter: str | None = None
    battery: tuple[tuple[float, int], ...] = ()
    silences: Spans = ()
    dropouts: Spans = ()


class Step(NamedTuple):
    """One line of the script: ``raws`` are the codes to be sent, empty unless it says something."""

    t_ns: int
    does: Does
    probe: str
    raws: Mapping[Quantity, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Parts and what each says, by its probe, as it is to be played: ``speed`` times as fast as it was,
    with at least about ``every_s`` of radio time between two values of one quantity."""

    title: str
    parts: tuple[Part, ...]
    said: Mapping[str, Sequence[Said]]
    end_ns: int
    speed: float = 1.0
    every_s: float = 1.0


def quantities(scene: Scene, part: Part) -> list[Quantity]:
    """What the part has to send, in the order of its format."""
    spoken = {each.quantity for each in scene.said[part.probe]}
    spoken |= {Quantity.BATTERY} if part.battery else set()
    return [quantity for quantity in CODES[part.kind] if quantity in spoken]


def script(scene: Scene) -> Iterator[Step]:
    """Every step of every part, in order of time."""
    streams = [_steps(scene, part) for part in scene.parts]
    return heapq.merge(*streams, key=lambda step: (step.t_ns, step.does.value))


def _steps(scene: Scene, part: Part) -> list[Step]:
    steps = [Step(0, Does.APPEAR, part.probe, {}), *_says(scene, part)]
    for does, spans in ((Does.HUSH, part.silences), (Does.DROP, part.dropouts)):
        for start_s, end_s in spans:
            steps.append(Step(_ns(start_s), does, part.probe, {}))
            steps.append(Step(_ns(end_s), Does.APPEAR, part.probe, {}))
    steps = [step for step in steps if step.t_ns <= scene.end_ns]
    return sorted(steps, key=lambda step: (step.t_ns, step.does.value))


def _says(scene: Scene, part: Part) -> Iterator[Step]:
    """Packets of a part, the scripted battery among them, without those that fall into a silence."""
    said: Iterable[Said] = scene.said[part.probe]
    if part.battery:
        own = (each for each in said if each.quantity is not Quantity.BATTERY)
        said = heapq.merge(own, _battery(part.battery, scene.end_ns), key=lambda each: each.t_ns)
    together_ns = round(TOGETHER_S * scene.speed * NS_PER_S)
    codes = CODES[part.kind]
    start_ns, last_ns, raws = 0, 0, dict[Quantity, int]()
    for each in _thinned(said, scene):
        raw = codes[each.quantity].raw(each.value, each.flag) if each.quantity in codes else None
        if raw is None or _quiet(part, each.t_ns):
            continue
        if raws and each.t_ns - start_ns > together_ns:
            yield Step(last_ns, Does.SAY, part.probe, raws)
            raws = {}
        start_ns, last_ns = start_ns if raws else each.t_ns, each.t_ns
        raws[each.quantity] = raw
    if raws:
        yield Step(last_ns, Does.SAY, part.probe, raws)


def _thinned(said: Iterable[Said], scene: Scene) -> Iterator[Said]:
    """Values of a quantity that come too soon after the last are left out: a radio sends no more."""
    least_ns = EARLY * scene.every_s * scene.speed * NS_PER_S
    last_ns: dict[Quantity, int] = {}
    for each in said:
        if each.quantity not in last_ns or each.t_ns - last_ns[each.quantity] >= least_ns:
            last_ns[each.quantity] = each.t_ns
            yield each


def _battery(levels: Sequence[tuple[float, int]], end_ns: int) -> Iterator[Said]:
    """A level is told when it begins and again every so often."""
    every_ns = _ns(BATTERY_EVERY_S)
    ends = [*(_ns(start_s) for start_s, _ in levels[1:]), end_ns + 1]
    for (start_s, level), until_ns in zip(levels, ends, strict=True):
        for t_ns in range(_ns(start_s), min(until_ns, end_ns + 1), every_ns):
            yield Said(t_ns, Quantity.BATTERY, float(level), Flag.OK)


def _quiet(part: Part, t_ns: int) -> bool:
    return any(_ns(start) <= t_ns < _ns(end) for start, end in (*part.silences, *part.dropouts))


def _ns(t_s: float) -> int:
    """A time of the scene in ns, whole microseconds."""
    return round(t_s * NS_PER_S / NS_PER_US) * NS_PER_US
