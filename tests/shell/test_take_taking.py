"""Probes, keys and the file together: drivers that fail, values that move, disks that are full."""

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from logger.clock import SteppedClock
from logger.config.load import loads_config
from logger.core.errors import DriverError
from logger.core.readings import NS_PER_S, Flag, Quantity, Sample
from logger.core.traverse import Assumed
from logger.core.traverse_budget import drift
from logger.registry import DriverOptions
from logger.screen.format import DASH
from logger.take import probes, words
from logger.take.air import AirWatch, Given
from logger.take.notebook import Air, Notebook
from logger.take.options import TakeOptions
from logger.take.probes import ProbeFeed
from logger.take.setup import prepare
from logger.take.taking import Taking
from logger.take.walk import Entry, Key, State, Taken
from logger.take.watch import ProbeWatch, Stage
from logger.traverse.file import load_traverse
from simulators.scenarios import SCENARIOS

AIR = {Assumed.TEMPERATURE: 21.0, Assumed.HUMIDITY: 40.0, Assumed.PRESSURE: 98_800.0}
AIR_NOW = Air(temperature_c=21.0, humidity=0.4, pressure_pa=98_800.0)
CONFIG = loads_config(SCENARIOS["standard"].config_text, "job", DriverOptions())


class Fake:
    """A driver with a script; ``collector`` and ``clock`` are what a real one would be given."""

    def __init__(self, script: Callable[["Fake"], Any]) -> None:
        self.script = script
        self.runs = 0
        self.collector: Any = None
        self.clock: Any = None

    async def run(self) -> None:
        self.runs += 1
        await self.script(self)

    async def say(self, values: list[float], flag: Flag = Flag.OK) -> None:
        """One reading a second."""
        for value in values:
            await self.clock.wait_until(self.clock.now_ns() + NS_PER_S)
            self.collector.emit(Sample(probe="duct", quantity=Quantity.VELOCITY, value=value, flag=flag))


@pytest.fixture
def feed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., ProbeFeed]]:
    def build(script: Callable[[Fake], Any], **more: Any) -> ProbeFeed:
        fake = Fake(script)

        def build_drivers(_config: Any, collector: Any, clock: Any) -> dict[str, Fake]:
            fake.collector, fake.clock = collector, clock
            return {"fake": fake}

        monkeypatch.setattr(probes, "build_drivers", build_drivers)
        monkeypatch.setattr(probes, "SIM_SPEED", None)  # no waits
        setup = [p for p in CONFIG.probes if p.name == "duct"]
        made = ProbeFeed(CONFIG, setup, [ProbeWatch("duct", Quantity.VELOCITY, 5.0)], **more)
        made.fake = fake  # type: ignore[attr-defined]
        return made

    return build


async def for_ever(_fake: Fake) -> None:
    await asyncio.Event().wait()


def still(values: list[float]) -> Callable[[Fake], Any]:
    async def script(fake: Fake) -> None:
        await fake.say(values)
        await for_ever(fake)

    return script


async def settled(feed: ProbeFeed) -> None:
    """Let the driver say all it has to say."""
    for _ in range(200):
        await asyncio.sleep(0)


def taking(folder: Path, feed: ProbeFeed | None = None) -> Taking:
    options = TakeOptions(
        duct="20 in x 14 in",
        points="2x2",
        method="equal-area",
        temperature="70 °F",
        output=folder / "t.json",
    )
    setup = prepare(options)
    notebook = Notebook(setup.path, setup.base, setup.plan)
    clock = SteppedClock(speed=None, utc_start_us=0) if feed is None else feed.clock
    return Taking(setup.state, notebook, setup.manner, clock, AirWatch(Given(said=AIR, before={}), {}), feed)


async def test_a_still_probe_is_captured_saved_and_then_read_anew(feed: Any, tmp_path: Path) -> None:
    async with feed(still([4.0, 4.02, 3.98, 4.0, 4.02, 3.98, 4.0])) as fed:
        take = taking(tmp_path, fed)
        assert take.stage is Stage.SILENT
        await settled(fed)
        assert take.stage is Stage.STEADY
        state = take.key(Key.TAKE)
        assert state.changed
        (point,) = load_traverse(tmp_path / "t.json").points
        assert point.velocity_m_s == pytest.approx(4.0, abs=0.01)
        assert take.stage is Stage.MOVING  # what was read at the old place does not count at the new one
        assert take.key(Key.TAKE).refused


async def test_the_time_of_a_point_is_reading_time(feed: Any, tmp_path: Path) -> None:
    async with feed(still([4.0] * 8)) as fed:
        take = taking(tmp_path, fed)
        await settled(fed)
        take.key(Key.TAKE)
        assert load_traverse(tmp_path / "t.json").points[0].t_s == pytest.approx(8.0)


async def test_a_flagged_value_takes_no_part(feed: Any, tmp_path: Path) -> None:
    async def script(fake: Fake) -> None:
        await fake.say([4.0] * 6)
        await fake.say([655.35], Flag.NOT_KNOWN)
        await for_ever(fake)

    async with feed(script) as fed:
        take = taking(tmp_path, fed)
        await settled(fed)
        assert take.stage is Stage.FLAGGED
        assert "not-known" in take.key(Key.TAKE).said
        assert [value for _, value in fed.trace] == [4.0] * 6


async def test_a_value_that_air_cannot_have_is_flagged_by_the_collector(feed: Any, tmp_path: Path) -> None:
    async with feed(still([4.0] * 6 + [400.0])) as fed:
        take = taking(tmp_path, fed)
        await settled(fed)
        assert take.stage is Stage.FLAGGED


@pytest.mark.parametrize(
    ("error", "part"), [(DriverError("no radio"), "no radio"), (ValueError("odd"), "broke (ValueError: odd)")]
)
async def test_a_driver_that_fails_leaves_typing(
    feed: Any, tmp_path: Path, error: Exception, part: str
) -> None:
    async def script(_fake: Fake) -> None:
        raise error

    async with feed(script) as fed:
        take = taking(tmp_path, fed)
        await settled(fed)
        assert part in fed.trouble
        assert take.key(Key.VALUE, Entry(velocity_m_s=4.0)).changed
    assert not fed.stuck


async def test_the_fault_of_one_driver_does_not_hide_that_of_another(feed: Any) -> None:
    async def script(_fake: Fake) -> None:
        raise DriverError("no radio")

    fed = feed(script)
    fed._drivers["other"] = Fake(script)  # a second driver of the same kind
    async with fed:
        await settled(fed)
    assert fed.trouble == (
        "Driver 'fake' failed: no radio; values can be typed. "
        "Driver 'other' failed: no radio; values can be typed."
    )


async def test_supply_air_of_unknown_temperature_is_said_at_every_point(tmp_path: Path) -> None:
    take = taking(tmp_path)
    cold = Taking(
        take.state,
        take.notebook,
        replace(take.manner, in_supply=True),
        SteppedClock(speed=None, utc_start_us=0),
        AirWatch(Given(said={}, before={}), {Quantity.TEMPERATURE: ["sup"]}),
    )
    assert (
        "how warm this supply air is: 20.0 °C (68.0 °F)" in cold.key(Key.VALUE, Entry(velocity_m_s=4.0)).said
    )
    assert "how warm" not in take.key(Key.VALUE, Entry(velocity_m_s=4.0)).said


async def test_a_simulation_begins_again(feed: Any) -> None:
    async def script(fake: Fake) -> None:
        await fake.say([4.0])
        if fake.runs == 3:
            await for_ever(fake)

    async with feed(script) as fed:
        await settled(fed)
        assert fed.fake.runs == 3


async def test_a_driver_that_will_not_end_is_told(feed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probes, "CLEAN_UP_S", 0.01)
    release = asyncio.Event()

    async def script(_fake: Fake) -> None:
        while not release.is_set():
            try:
                await release.wait()
            except asyncio.CancelledError:
                continue

    fed = feed(script)
    async with fed:
        await settled(fed)
    assert fed.stuck == ["fake"]
    release.set()
    await settled(fed)


async def test_every_reading_is_told_on(feed: Any) -> None:
    seen: list[float] = []
    async with feed(still([4.0, 5.0]), on_reading=lambda reading: seen.append(reading.value)) as fed:
        await settled(fed)
    assert seen == [4.0, 5.0]


def test_a_failing_disk_is_said_and_nothing_is_lost_in_hand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "stick"
    folder.mkdir()
    take = taking(folder)
    assert take.key(Key.VALUE, Entry(velocity_m_s=4.0)).said == "Point 1 is saved."
    folder.rename(tmp_path / "pulled")
    state = take.key(Key.VALUE, Entry(velocity_m_s=5.0))
    assert state.said.startswith("NOT SAVED")
    assert take.notebook.saved == 1
    (tmp_path / "pulled").rename(folder)
    take.key(Key.VALUE, Entry(velocity_m_s=6.0))
    assert [p.velocity_m_s for p in load_traverse(folder / "t.json").points] == [4.0, 5.0, 6.0]
    assert (take.notebook.saved, take.notebook.trouble) == (3, "")


def test_a_key_that_captures_nothing_writes_nothing(tmp_path: Path) -> None:
    take = taking(tmp_path)
    take.key(Key.VALUE, Entry(velocity_m_s=4.0))
    before = (tmp_path / "t.json").stat().st_ino
    for key in (Key.TAKE, Key.REDO, Key.SKIP, Key.BACK, Key.LEAVE):
        take.key(key)
    assert (tmp_path / "t.json").stat().st_ino == before


def test_notes_of_points_are_kept_short(tmp_path: Path) -> None:
    """Where the file's own notes leave no room, they stay whole, and the points tell it by themselves."""
    take = taking(tmp_path)
    for _ in range(4):
        take.key(Key.VALUE, Entry(velocity_m_s=4.0))
    unsettled = tuple(replace(t, settled=False) if t else None for t in take.state.taken)
    take.state = replace(take.state, taken=unsettled)
    base = prepare(TakeOptions(resume=tmp_path / "t.json")).base
    for own, added in (("x" * 900, True), ("x" * 990, False)):
        book = Notebook(tmp_path / "t.json", replace(base, notes=own), take.notebook.plan)
        assert book.save(take.state, AIR_NOW)
        written = load_traverse(tmp_path / "t.json")
        assert ("points 1 to 4: did not settle" in (written.notes or "")) is added
        assert (written.notes or "").startswith(own)
        assert [p.settled for p in written.points] == [False] * 4


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        (
            Entry(velocity_pressure_pa=10.0),
            Entry(velocity_pressure_pa=11.0),
            "(+4.9 %)",
        ),  # sqrt(1.1), by hand
        (Entry(velocity_m_s=4.0), Entry(velocity_m_s=4.2), "(+5.0 %)"),
        (Entry(velocity_m_s=0.0), Entry(velocity_m_s=4.0), f"({DASH})"),
    ],
)
def test_the_drift_shown_is_that_of_the_velocity(
    tmp_path: Path, before: Entry, after: Entry, said: str
) -> None:
    take = taking(tmp_path)
    take.state = replace(
        take.state,
        taken=(Taken(entry=before, t_s=0.0), *([Taken(entry=before, t_s=5.0)] * 3)),
        repeat=Taken(entry=after, t_s=9.0),
    )
    assert words.drift_text(take.state, "si", drift(take.traverse())).endswith(said)


def test_the_drift_of_a_temperature_traverse_is_one_of_temperature() -> None:
    """118 degF at first, 116.2 degF at the end: 1 K or 1.8 degF less."""
    warm, cooler = (Entry(velocity_m_s=4.0, temperature_c=c) for c in (47.7778, 46.7778))
    taken, again = Taken(entry=warm, t_s=0.0), Taken(entry=cooler, t_s=9.0)
    state = State(count=1, taken=(taken,), repeat=again)
    assert words.drift_text(state, "us", 0.0).endswith("(-1.8 °F)")
    assert "points were taken since: not known" in words.drift_text(
        replace(state, repeat=replace(again, t_s=0.0), taken=(replace(taken, t_s=5.0),)), "us", None
    )
