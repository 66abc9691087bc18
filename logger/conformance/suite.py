"""The tests. Each is a plain function of a bench, so that any test runner can call it."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import inspect
import itertools
import re
import threading
import unittest
from collections.abc import AsyncIterator, Awaitable, Callable
from typing import Any

from logger.conformance.bench import Bench
from logger.conformance.heard import Heard, demand
from logger.conformance.steps import counted
from logger.conformance.strains import STALL_S, stalls, threads_left
from logger.core.readings import NS_PER_S
from logger.driver_api import LinkState, Quantity, Reach

TURNS = 20  # of the loop that a task has to end after its driver has; assumed
SLACK_S = 10.0  # s that ``reach`` may take longer than it was told; assumed: a radio has time-outs of its own
SPOKEN = 3  # good data in a row that a test sends; assumed
BAD = (LinkState.LOST, LinkState.REFUSED)


class Conformance:
    """Tests of one driver; a subclass has the fixture ``bench``."""

    def test_a_driver_is_a_class_with_all_its_parts(self, bench: Bench) -> None:
        """Name, keys that are checked, and two coroutines."""
        kind = bench.driver
        demand(isinstance(kind.name, str) and kind.name, "name is no text")
        demand(isinstance(kind.simulated, bool), "simulated is neither True nor False")
        for part in (kind.run, kind.reach):
            demand(inspect.iscoroutinefunction(part), f"{part.__name__} is no coroutine function")
        for request in bench.probes:
            kind.Options.model_validate(dict(bench.table(request)))
            _demand_refusal(kind, {**bench.table(request), "no_key_of_any_probe": 1})

    def test_every_packet_gives_its_readings_at_once_and_in_order(self, bench: Bench) -> None:
        """The next packet is not sent before the last one's readings came: a driver that gathers fails."""
        _run(bench, _readings_at_once)

    def test_garbage_is_told_and_gives_no_reading(self, bench: Bench) -> None:
        """No exception either, and good data after it is read."""
        _run(bench, _garbage_is_told)

    def test_silence_is_told_within_its_promise_and_so_is_its_end(self, bench: Bench) -> None:
        """By the reading clock, with a sentence."""
        _run(bench, _silence_is_told)

    def test_a_source_that_goes_away_is_told_and_read_again_when_it_is_back(self, bench: Bench) -> None:
        """The driver goes on by itself."""
        _run(bench, _return_is_found)

    def test_a_cancel_at_any_await_leaves_nothing_behind(self, bench: Bench) -> None:
        """No task, no thread, no connection, no scan; and the next driver reads."""
        _run(bench, _cancel_everywhere)

    def test_reach_says_what_it_finds_in_time_and_delivers_nothing(self, bench: Bench) -> None:
        """One line for each probe; a bad one has a next step."""
        _run(bench, _reach_finds)

    def test_reach_says_what_it_does_not_find(self, bench: Bench) -> None:
        """Where the source is gone."""
        _run(bench, _reach_misses)


def _run(bench: Bench, check: Callable[[Bench], Awaitable[None]]) -> None:
    """One check in a loop of its own; what nobody took care of fails it too."""
    unseen: list[dict[str, Any]] = []

    async def checked() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, what: unseen.append(what))
        async with bench:
            await check(bench)

    asyncio.run(checked())
    demand(not unseen, f"an exception that nobody took care of: {unseen}")


def _demand_refusal(kind: Any, options: dict[str, Any]) -> None:  # noqa: ANN401 - any driver class
    try:
        kind.Options.model_validate(options)
    except ValueError:  # pydantic's is one
        return
    demand(condition=False, sentence="Options takes a key that it does not know; forbid extra keys")


@contextlib.asynccontextmanager
async def _running(bench: Bench) -> AsyncIterator[Heard]:
    """The driver at work; at the end it is cancelled and what it said is judged."""
    heard = Heard(bench)
    task = asyncio.create_task(bench.driver(bench.probes, heard.context).run())
    heard.watch(task)
    try:
        yield heard
        demand(not task.done(), f"run ended by itself: {task}")
    finally:
        await _cancelled(task, bench)
    heard.judge()


async def _cancelled(task: asyncio.Task[None], bench: Bench) -> None:
    """Cancelled once, as the logger does it: a second time would break off its cleaning up."""
    if not task.cancelling():
        task.cancel()
    await asyncio.wait([task], timeout=bench.patience_s)
    demand(task.done(), f"run has not ended {bench.patience_s:g} s after it was cancelled")


async def _hear(bench: Bench, heard: Heard, n: int) -> None:
    """One packet, and its readings."""
    async with stalls() as stall:
        await _hear_it(bench, heard, n)
    heard.stalls_s.append(stall.longest_s)


async def _hear_it(bench: Bench, heard: Heard, n: int) -> None:
    since = len(heard.samples)
    wanted = await heard.while_it_runs(bench.speak(n), f"the bench could not send good data {n}")
    demand(wanted, "the bench names no sample for what it sends")
    heard.sent += wanted
    await heard.until(lambda: heard.has(wanted, since), f"good data {n} gave not all of {wanted}")


async def _readings_at_once(bench: Bench) -> None:
    async with _running(bench) as heard:
        await _hear(bench, heard, 0)
        began = len(heard.samples)  # what the system still had of the source from before is out by now
        for n in range(1, SPOKEN):
            sent_ns = bench.clock.now_ns()
            await _hear(bench, heard, n)
            took_s = (bench.clock.now_ns() - sent_ns) / NS_PER_S
            demand(took_s <= bench.prompt_s, f"good data {n} took {took_s:.1f} s, at most {bench.prompt_s} s")
        found = [] if bench.by_itself else heard.invented(began)
        demand(not found, f"nobody sent {found}")
        stood_s = min(heard.stalls_s)  # the least: another program may hold the computer up now and then
        demand(stood_s <= STALL_S, f"the driver blocks the event loop: {stood_s:.2f} s at every packet")
        found = heard.twice(began)
        demand(not found, f"given twice: {found}")
        for request in bench.probes:
            state = heard.state(request.name)
            demand(
                state is LinkState.LIVE, f"{request.name} gives readings and is told as {state}, not as live"
            )


async def _garbage_is_told(bench: Bench) -> None:
    """As garbage, and not by and by as silence, whose sentence is heard first: it may come at any time, of
    another probe too, where the computer is slow."""
    async with _running(bench) as heard:
        await _hear(bench, heard, 0)
        quiet = await _silence(bench, heard)
        await _hear(bench, heard, 1)
        for n in range(bench.garbage):
            links, samples = len(heard.links), len(heard.samples)
            words = functools.partial(_told, heard, links, samples, quiet)
            await heard.while_it_runs(bench.garble(n), f"the bench could not send garbage {n}")
            await heard.until(functools.partial(_any, words), f"garbage {n} is not told, or as silence is")
            news = _news(heard, samples)
            demand(not news, f"garbage {n} gave readings: {news}")
            await _hear(bench, heard, n + 2)


def _any(words: Callable[[], set[str]]) -> bool:
    return bool(words())


def _told(heard: Heard, links: int, samples: int, quiet: set[str]) -> set[str]:
    """What was said since, beside what good data and silence are answered with; a sample with its flag says
    enough."""
    good = {link.text for link in heard.links[:links] if link.state is LinkState.LIVE}
    words = {_shape(link.text) for link in heard.links[links:] if link.text not in good}
    usable = heard.usable()
    return (words - quiet) | {f"a {s.flag} sample" for s in heard.samples[samples:] if s not in usable}


async def _silence(bench: Bench, heard: Heard) -> set[str]:
    """What the driver says when nothing comes; nothing where the bench cannot fall silent."""
    links = len(heard.links)
    try:
        await bench.hush()
    except unittest.SkipTest:
        return set()
    names = [request.name for request in bench.probes]
    await heard.until(lambda: all(heard.state(p) in BAD for p in names), "silence is not told")
    return {_shape(link.text) for link in heard.links[links:] if link.state in BAD}


def _shape(text: str) -> str:
    """Without its numbers."""
    return re.sub(r"[0-9.]+", "#", text)


def _news(heard: Heard, samples: int) -> list[Any]:
    """Usable values that did not come before: a source may repeat its last good one."""
    before = {(s.probe, s.quantity, s.value) for s in heard.samples[:samples]}
    return [
        s
        for s in heard.usable(samples)
        if (s.probe, s.quantity, s.value) not in before and s.quantity is not Quantity.SIGNAL
    ]


async def _silence_is_told(bench: Bench) -> None:
    async with _running(bench) as heard:
        for n in range(SPOKEN):
            await _hear(bench, heard, n)
        await bench.hush()
        hushed_ns = bench.clock.now_ns()
        names = [request.name for request in bench.probes]
        await heard.until(lambda: all(heard.state(p) in BAD for p in names), "silence is not told")
        told_s = (max(said.t_ns for said in heard.links) - hushed_ns) / NS_PER_S
        demand(
            told_s <= bench.silence_s,
            f"silence is told after {told_s:.1f} s, promised are {bench.silence_s} s",
        )
        await _hear(bench, heard, SPOKEN)
        await heard.until(
            lambda: all(heard.state(p) is LinkState.LIVE for p in names), "the return is not told"
        )


async def _return_is_found(bench: Bench) -> None:
    async with _running(bench) as heard:
        await _hear(bench, heard, 0)
        await bench.leave()
        names = [request.name for request in bench.probes]
        await heard.until(lambda: all(heard.state(p) in BAD for p in names), "the loss is not told")
        await bench.come_back()
        await _hear(bench, heard, 1)
        await heard.until(
            lambda: all(heard.state(p) is LinkState.LIVE for p in names), "the return is not told"
        )


async def _cancel_everywhere(bench: Bench) -> None:
    await _whole(bench, 0)  # what libraries set up once for a loop is there from now on
    before, threads = asyncio.all_tasks(), set(threading.enumerate())
    for n in range(1, bench.most_steps, bench.stride):
        came_so_far = await _cancelled_at(bench, n)
        await _nothing_left(bench, before, f"cancelled at await {n}")
        left = await threads_left(threads)
        demand(not left, f"cancelled at await {n}, these threads are left: {', '.join(left)}")
        if not came_so_far:
            break
    await _whole(bench, 1)


async def _whole(bench: Bench, n: int) -> None:
    async with _running(bench) as heard:
        await _hear(bench, heard, n)


async def _cancelled_at(bench: Bench, n: int) -> bool:
    """Cancel at the driver's n-th await, those of its tasks included; whether it came to wait so often
    before it delivered."""
    heard, left = Heard(bench), itertools.count(n - 1, -1)
    speaking = asyncio.ensure_future(_keep_speaking(bench))
    reached = asyncio.Event()

    def step() -> None:
        if next(left) == 0:
            task.cancel()
            reached.set()

    delivered = asyncio.ensure_future(heard.until(lambda: len(heard.usable()) >= SPOKEN, "no reading came"))
    arrived = asyncio.ensure_future(reached.wait())
    with counted(step):
        task = asyncio.get_running_loop().create_task(bench.driver(bench.probes, heard.context).run())
        await asyncio.wait([task, delivered, arrived], return_when=asyncio.FIRST_COMPLETED)
    for each in (delivered, arrived, speaking):
        each.cancel()
    await asyncio.gather(delivered, arrived, speaking, return_exceptions=True)
    came_so_far = reached.is_set()
    await _cancelled(task, bench)
    demand(task.cancelled(), f"cancelled at await {n}, run ended with {task} and not with CancelledError")
    heard.judge()
    return came_so_far


async def _keep_speaking(bench: Bench) -> None:
    for n in itertools.count():
        await bench.speak(n)
        await bench.pause()


async def _nothing_left(bench: Bench, before: set[asyncio.Task[Any]], when: str) -> None:
    for _ in range(TURNS):
        await asyncio.sleep(0)
    tasks = asyncio.all_tasks() - before
    demand(not tasks, f"{when}, these tasks are left: {tasks}")
    left = await bench.left_open()
    demand(not left, f"{when}, these are left open: {', '.join(left)}")


async def _reach_finds(bench: Bench) -> None:
    speaking = asyncio.ensure_future(_keep_speaking(bench))
    try:
        for reach in await _reached(bench):
            demand(reach.ok and not reach.next_step, f"the source is there, and reach says {reach}")
    finally:
        speaking.cancel()
        await asyncio.gather(speaking, return_exceptions=True)


async def _reach_misses(bench: Bench) -> None:
    await bench.leave()
    for reach in await _reached(bench):
        demand(not reach.ok and reach.next_step, f"the source is gone, and reach says {reach}")


async def _reached(bench: Bench) -> list[Reach]:
    heard = Heard(bench)
    driver = bench.driver(bench.probes, heard.context)
    async with asyncio.timeout(bench.reach_s + SLACK_S):
        found = list(await driver.reach(bench.reach_s))
    demand(not heard.samples, f"reach delivers: {heard.samples}")
    names = sorted(reach.probe for reach in found)
    demand(names == sorted(r.name for r in bench.probes), f"reach speaks of {names}")
    demand(all(reach.text for reach in found), f"reach says nothing of a probe: {found}")
    heard.judge()
    return found
