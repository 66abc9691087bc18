"""A driver that breaks, or cannot be made, is named and harms nobody; no real time."""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from logger import guarded
from logger.core.errors import DriverError
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Reach
from logger.guarded import RETRY_S, WELL_S, Guarded, Unusable
from tests.shell.stand_ins import HandClock

PROBES = [ProbeRequest(name=name, role="supply", quantities=(), options={}) for name in ("a", "b")]
S = 1_000_000_000
Step = Callable[["Rig"], Any]


@dataclass
class Rig:
    """A driver that does one step of ``steps`` for each time it is made."""

    steps: list[Step]
    clock: HandClock = field(default_factory=HandClock)
    starts_s: list[float] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)
    links: list[tuple[str, LinkState, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.context = DriverContext(
            emit=lambda _: None,
            link=lambda *link: self.links.append(link),
            now_ns=self.clock.now_ns,
            utc_us=self.clock.utc_us,
            wait_until=self.clock.wait_until,
        )
        self.guarded = Guarded("odd", self.make, PROBES, self.context, lambda *note: self.notes.append(note))

    def make(self) -> Any:
        rig = self

        class Odd:
            async def run(self) -> None:
                rig.starts_s.append(rig.clock.now_ns() / S)
                found = rig.steps.pop(0)(rig)
                if asyncio.iscoroutine(found):
                    await found

            async def reach(self, seconds: float) -> Sequence[Reach]:
                return [Reach(probe="a", ok=True, text=f"{seconds}")]

        return Odd()


@pytest.fixture(autouse=True)
def no_log(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guarded, "log_fault", lambda error, what: "the log")


def breaks(rig: Rig) -> None:
    raise KeyError("planted")


def ends(rig: Rig) -> None:
    """A source that has ended."""


def refuses(rig: Rig) -> None:
    raise DriverError("no radio; plug one in")


def quits(rig: Rig) -> None:
    raise SystemExit(3)


async def cancels_itself(rig: Rig) -> None:
    future = asyncio.get_running_loop().create_future()
    future.cancel()
    await future


async def test_a_break_is_told_once_and_tried_again_ever_more_slowly() -> None:
    rig = Rig([breaks] * 7 + [ends])
    await rig.guarded.run()
    waits = [b - a for a, b in zip(rig.starts_s, rig.starts_s[1:], strict=False)]
    assert waits == [*RETRY_S, RETRY_S[-1], RETRY_S[-1]]
    [(code, text)] = rig.notes
    assert code == "driver-fault"
    assert text == (
        "driver 'odd' (a, b) broke (KeyError: 'planted'); it is started again by itself, the others go on; "
        "report it to its author; details: the log"
    )
    assert {(probe, state) for probe, state, _ in rig.links} == {("a", LinkState.LOST), ("b", LinkState.LOST)}


@pytest.mark.parametrize("step", [quits, cancels_itself])
async def test_a_driver_that_ends_the_program_or_itself_is_a_driver_that_broke(step: Step) -> None:
    rig = Rig([step, ends])
    await rig.guarded.run()
    assert len(rig.starts_s) == 2
    assert [code for code, _ in rig.notes] == ["driver-fault"]


async def test_trouble_that_a_driver_tells_after_an_hour_does_not_end_it() -> None:
    async def loses_its_radio(rig: Rig) -> None:
        await rig.clock.wait_until(rig.clock.now_ns() + 3600 * S)
        raise DriverError("no radio; plug one in")

    rig = Rig([loses_its_radio, loses_its_radio, ends])
    await rig.guarded.run()
    assert len(rig.starts_s) == 3


async def test_another_break_is_told_too_and_long_work_makes_it_the_first_again() -> None:
    async def works_long(rig: Rig) -> None:
        await rig.clock.wait_until(rig.clock.now_ns() + round((WELL_S + 1) * S))
        raise ValueError("later")

    rig = Rig([breaks, breaks, breaks, works_long, ends])
    await rig.guarded.run()
    assert rig.starts_s[-1] - rig.starts_s[-2] == WELL_S + 1 + RETRY_S[0]
    assert [text.split("(")[2].split(")")[0] for _, text in rig.notes] == [
        "KeyError: 'planted'",
        "ValueError: later",
    ]


async def test_trouble_that_a_driver_tells_at_its_start_ends_it_and_later_does_not() -> None:
    with pytest.raises(DriverError, match="no radio"):
        await Rig([refuses]).guarded.run()
    rig = Rig([breaks, refuses, ends])
    await rig.guarded.run()
    assert "DriverError: no radio; plug one in" in rig.notes[-1][1]


async def test_a_cancel_from_outside_goes_through() -> None:
    async def stays(rig: Rig) -> None:
        await asyncio.Event().wait()

    rig = Rig([stays])
    task = asyncio.ensure_future(rig.guarded.run())
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert (rig.notes, rig.links) == ([], [])


async def test_what_cannot_be_made_names_its_probes_and_delivers_nothing() -> None:
    rig = Rig([])
    source = Unusable(PROBES, rig.context, "driver 'odd' cannot be loaded", "repair it")
    with pytest.raises(DriverError, match="a, b gives nothing: driver 'odd' cannot be loaded; repair it"):
        await source.run()
    assert [(probe, state) for probe, state, _ in rig.links] == [
        ("a", LinkState.REFUSED),
        ("b", LinkState.REFUSED),
    ]
    assert [(r.probe, r.ok, r.next_step) for r in await source.reach(1.0)] == [
        ("a", False, "repair it"),
        ("b", False, "repair it"),
    ]
