"""When what is sent: silences, drop-outs, batteries and thinning, on a clock that only remembers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from logger.core.readings import NS_PER_S, Flag, Quantity
from simulators.peripheral.formats import Kind
from simulators.peripheral.player import Sent, play
from simulators.peripheral.script import Does, Part, Said, Scene, Step, quantities, script

T, H, B = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.BATTERY


def part(kind: Kind = Kind.ESS, **keys: Any) -> Part:
    return Part(probe="p", kind=kind, source="p", advertised="sim-p", **keys)


def each_second(last: int, quantity: Quantity = T, shift_s: float = 0.0) -> list[Said]:
    return [Said(round((n + shift_s) * NS_PER_S), quantity, 20.0 + n, Flag.OK) for n in range(last + 1)]


def scene(one: Part, said: list[Said], end_s: float = 10.0, **keys: Any) -> Scene:
    said.sort(key=lambda each: each.t_ns)
    return Scene(title="test", parts=(one,), said={"p": said}, end_ns=round(end_s * NS_PER_S), **keys)


def said_at(steps: list[Step]) -> list[float]:
    return [step.t_ns / NS_PER_S for step in steps if step.does is Does.SAY]


def others(steps: list[Step]) -> list[tuple[float, Does]]:
    return [(step.t_ns / NS_PER_S, step.does) for step in steps if step.does is not Does.SAY]


def test_all_that_was_said_is_sent_at_its_time() -> None:
    steps = list(script(scene(part(), each_second(10))))
    assert others(steps) == [(0.0, Does.APPEAR)]
    assert said_at(steps) == [float(n) for n in range(11)]
    assert [step.raws[T] for step in steps if step.raws] == [2000 + 100 * n for n in range(11)]


def test_nothing_is_sent_in_a_silence_or_a_drop_out() -> None:
    one = part(silences=((2.0, 4.0),), dropouts=((7.0, 9.0),))
    steps = list(script(scene(one, each_second(10))))
    assert said_at(steps) == [0, 1, 4, 5, 6, 9, 10]
    assert others(steps) == [
        (0.0, Does.APPEAR),
        (2.0, Does.HUSH),
        (4.0, Does.APPEAR),
        (7.0, Does.DROP),
        (9.0, Does.APPEAR),
    ]


def test_it_is_on_the_air_before_it_speaks() -> None:
    steps = list(script(scene(part(silences=((2.0, 4.0),)), each_second(5))))
    at_4 = [step.does for step in steps if step.t_ns == 4 * NS_PER_S]
    assert at_4 == [Does.APPEAR, Does.SAY]


def test_a_scripted_battery_replaces_the_probes_own() -> None:
    said = [*each_second(200), *[Said(n * NS_PER_S, B, 55.0, Flag.OK) for n in range(0, 200, 50)]]
    one = scene(part(battery=((0.0, 80), (130.0, 7))), said, end_s=200.0)
    told = [(step.t_ns / NS_PER_S, step.raws[B]) for step in script(one) if B in step.raws]
    assert told == [(0, 80), (60, 80), (120, 80), (130, 7), (190, 7)]
    assert quantities(one, one.parts[0]) == [T, B]


def test_values_close_together_are_one_packet() -> None:
    said = [*each_second(3), *each_second(3, H, shift_s=0.05)]
    steps = [step for step in script(scene(part(Kind.BTHOME), said)) if step.raws]
    assert [set(step.raws) for step in steps] == [{T, H}] * 4


def test_what_is_too_fast_for_the_radio_is_thinned_and_not_averaged() -> None:
    one = scene(part(), each_second(100), end_s=100.0, speed=10.0, every_s=1.0)
    steps = [step for step in script(one) if step.raws]
    assert said_at(steps) == [float(n) for n in range(0, 100, 9)]
    assert all(step.raws[T] == 2000 + 100 * step.t_ns // NS_PER_S for step in steps)


def test_a_quantity_without_a_code_is_left_out() -> None:
    gas = [Said(0, Quantity.GAS_VOLUME, 1.0, Flag.OK)]
    assert said_at(list(script(scene(part(Kind.ESS), gas)))) == []
    assert quantities(scene(part(Kind.BTHOME), gas), part(Kind.BTHOME)) == [Quantity.GAS_VOLUME]


@dataclass
class Remembered:
    """An air and a clock in one: what was done, when."""

    t_ns: int = 5 * NS_PER_S
    done: list[tuple[float, str]] = field(default_factory=list)
    packets: list[tuple[int, Mapping[Quantity, int]]] = field(default_factory=list)

    def now_ns(self) -> int:
        return self.t_ns

    async def wait_until(self, t_ns: int) -> None:
        self.t_ns = max(self.t_ns, t_ns)

    def _note(self, what: str) -> None:
        self.done.append((self.t_ns / NS_PER_S - 5.0, what))

    async def appear(self, part: Part) -> None:
        self._note(f"appear {part.probe}")

    async def say(self, part: Part, packet_id: int, raws: Mapping[Quantity, int]) -> None:
        self.packets.append((packet_id, raws))

    async def hush(self, part: Part) -> None:
        self._note(f"hush {part.probe}")

    async def drop(self, part: Part) -> None:
        self._note(f"drop {part.probe}")


async def played(one: Scene, for_s: float | None = None) -> tuple[Remembered, list[Sent], list[Step]]:
    air, sent, told = Remembered(), list[Sent](), list[Step]()
    for_ns = None if for_s is None else round(for_s * NS_PER_S)
    await play(one, air, air, told=told.append, sent=sent.append, for_ns=for_ns)
    return air, sent, told


async def test_the_player_follows_the_script_at_its_speed() -> None:
    one = scene(part(silences=((4.0, 6.0),)), each_second(10), speed=2.0, every_s=0.2)
    air, sent, told = await played(one)
    assert air.done == [(0.0, "appear p"), (2.0, "hush p"), (3.0, "appear p")]
    assert [(each.t_ns / NS_PER_S, each.raw, each.value) for each in sent[:3]] == [
        (0.0, 2000, 20.0),
        (0.5, 2100, 21.0),
        (1.0, 2200, 22.0),
    ]
    assert air.t_ns == 10 * NS_PER_S  # 5 s of radio time after its start
    assert len(told) == len(air.done) + len(air.packets)
    assert [packet for packet, _ in air.packets] == list(range(9))


async def test_it_ends_after_the_time_asked_for() -> None:
    air, sent, _ = await played(scene(part(), each_second(10)), for_s=3.5)
    assert len(sent) == 4
    assert air.t_ns == round(8.5 * NS_PER_S)


async def test_a_value_not_known_is_sent_and_marked() -> None:
    said = [Said(0, T, -327.68, Flag.NOT_KNOWN), Said(NS_PER_S, T, 21.0, Flag.OK)]
    _, sent, _ = await played(scene(part(), said))
    assert [(each.raw, each.flag) for each in sent] == [(-0x8000, Flag.NOT_KNOWN), (2100, Flag.OK)]


@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(1, 20)), max_size=4),
    st.floats(0.5, 20.0),
    st.sampled_from(list(Kind)),
)
def test_whatever_the_silences_nothing_is_sent_in_them(
    spans: list[tuple[int, int]], speed: float, kind: Kind
) -> None:
    silences = tuple((float(start), float(start + lasts)) for start, lasts in spans)
    steps = list(script(scene(part(kind, silences=silences), each_second(100), end_s=100.0, speed=speed)))
    assert [step.t_ns for step in steps] == sorted(step.t_ns for step in steps)
    for t_s in said_at(steps):
        assert not any(start <= t_s < end for start, end in silences)
    gaps = [later - sooner for sooner, later in zip(said_at(steps), said_at(steps)[1:], strict=False)]
    assert all(gap >= 0.9 * speed - 1e-9 for gap in gaps)
