"""Follows a script on something that sends; knows no radio, and no clock but the one it is given."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from logger.core.readings import Flag, Quantity
from simulators.peripheral.formats import CODES
from simulators.peripheral.script import Does, Part, Scene, Step, script


class Air(Protocol):
    """Something that sends: BlueZ, or what stands in for it. Its errors end the play."""

    async def appear(self, part: Part) -> None:
        """On the air from now on."""
        ...

    async def say(self, part: Part, packet_id: int, raws: Mapping[Quantity, int]) -> None:
        """One packet."""
        ...

    async def hush(self, part: Part) -> None:
        """Nothing is heard of it."""
        ...

    async def drop(self, part: Part) -> None:
        """Nothing is heard of it, and its connection is lost."""
        ...


class Clock(Protocol):
    """Radio time."""

    def now_ns(self) -> int:
        """Elapsed nanoseconds, zero anywhere."""
        ...

    async def wait_until(self, t_ns: int) -> None:
        """Return when it is that late."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """One value that went out: ns of radio time from the play's start; ``value`` is what the code
    ``raw`` says, as a receiver has it."""

    t_ns: int
    probe: str
    quantity: Quantity
    raw: int
    value: float
    flag: Flag


async def play(
    scene: Scene,
    air: Air,
    clock: Clock,
    *,
    told: Callable[[Step], None],
    sent: Callable[[Sent], None],
    for_ns: int | None = None,
) -> None:
    """Play the scene to its end, or for so much radio time.

    ``told`` is given every step when it has been done, ``sent`` every value that went out.
    """
    parts = {part.probe: part for part in scene.parts}
    packets = dict.fromkeys(parts, 0)
    start_ns = clock.now_ns()
    end_ns = round(scene.end_ns / scene.speed)
    end_ns = end_ns if for_ns is None else min(end_ns, for_ns)
    for step in script(scene):
        due_ns = round(step.t_ns / scene.speed)
        if due_ns > end_ns:
            break
        await clock.wait_until(start_ns + due_ns)
        part = parts[step.probe]
        if step.does is Does.SAY:
            await air.say(part, packets[step.probe], step.raws)
            packets[step.probe] += 1
            for quantity, raw in step.raws.items():
                sent(_sent(part, quantity, raw, clock.now_ns() - start_ns))
        else:
            await {Does.APPEAR: air.appear, Does.HUSH: air.hush, Does.DROP: air.drop}[step.does](part)
        told(step)
    await clock.wait_until(start_ns + end_ns)


def _sent(part: Part, quantity: Quantity, raw: int, t_ns: int) -> Sent:
    code = CODES[part.kind][quantity]
    flag = Flag.NOT_KNOWN if raw == code.not_known else Flag.OK
    return Sent(t_ns=t_ns, probe=part.probe, quantity=quantity, raw=raw, value=code.value(raw), flag=flag)
