"""Body of ``riselog traverse take``: prepare, walk on a terminal or by lines, save, say what came of it."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from pathlib import Path

from logger.clock import SystemClock
from logger.core.errors import StoreError
from logger.core.params import MAIN_QUANTITY
from logger.core.texts import counted
from logger.faults import ENDED_AT_ONCE, complain, log_fault
from logger.plugins import not_ended
from logger.safety import CAUTIONS, SHORT_CAUTION
from logger.screen.plain import write_lines
from logger.screen.terminal import can_show
from logger.signals import signals
from logger.store.faults import StoreHeldError
from logger.store.lock import StoreLock
from logger.take import outcome
from logger.take.air import AirWatch
from logger.take.notebook import Notebook
from logger.take.options import TakeOptions
from logger.take.plain import Lines, PlainTake
from logger.take.probes import ProbeFeed
from logger.take.setup import Setup, asked_path, prepare
from logger.take.taking import Taking
from logger.take.terminal import TakeScreen
from logger.take.walk import Key
from logger.take.watch import NO_FLOW, SIMULATED_NO_FLOW, ProbeWatch
from logger.traverse.file import dumps_traverse

CUT_OFF = StoreError.exit_code  # the take could not do its work to the end
REDRAW_LEAST_S = 0.1  # wall time between frames that readings ask for; assumed


def take_command(options: TakeOptions) -> int:
    """Body of ``riselog traverse take``; the exit code."""
    lock = _held(asked_path(options))
    try:
        return _prepared(prepare(options), options)
    finally:
        lock.remove()


def _held(path: Path) -> StoreLock:
    """The right to write to the file, whatever symbolic link leads to it. Raises StoreError.

    Of two hard links each take leaves a file of its own: a save puts a new file in the place of the name.
    """
    try:
        target = path.resolve()
        return StoreLock(target.with_name(f".{target.name}"), "traverse take")
    except StoreHeldError as error:
        who = f" (pid {error.pid})" if error.pid else ""
        raise StoreHeldError(
            f"{path}: another take{who} writes to it; end that one first, or name another file with --output",
            error.pid,
        ) from error
    except (StoreError, RuntimeError) as error:  # RuntimeError: links in a circle
        reason = getattr(error.__cause__, "strerror", None) or error
        raise StoreError(
            f"{path}: cannot be written ({reason}); choose another place with --output"
        ) from error


def _prepared(setup: Setup, options: TakeOptions) -> int:
    screen = can_show() and not options.json
    for line in SHORT_CAUTION.splitlines() if screen else CAUTIONS:
        complain(line)
    for note in setup.notes:
        complain(note)
    return asyncio.run(_take(setup, options, screen=screen))


async def _take(setup: Setup, options: TakeOptions, *, screen: bool) -> int:
    changed = asyncio.Event()
    params = {} if setup.config is None else {p.name: p for p in setup.config.job.probes}
    air = AirWatch(setup.given, setup.air_sources, params, setup.inlet)
    feed = _feed(setup, air, changed.set)
    notebook = Notebook(setup.path, setup.base, setup.plan)
    clock = SystemClock() if feed is None else feed.clock
    taking = Taking(setup.state, notebook, setup.manner, clock, air, feed)
    if not taking.save():  # before the first point: a file that cannot be written is found now
        raise StoreError(notebook.trouble)
    whole = True
    try:
        async with AsyncExitStack() as stack:
            if feed is not None:
                await stack.enter_async_context(feed)
            if screen:
                await _on_screen(taking, setup, changed)
            if not taking.state.left:  # no screen, or one that failed
                whole = await _by_lines(taking, setup, changed, json=options.json)
    finally:
        saved = _close(taking, setup)
    if not saved:
        write_lines(dumps_traverse(taking.traverse()).splitlines(), sys.stdout)
        raise StoreError(
            f"{notebook.trouble}; the whole traverse stands above as the text of its file: copy it into one "
            "and go on with --resume"
        )
    answered = outcome.tell(taking, setup, options)
    if not whole:
        complain("standard input ended before every point had a value: the traverse is not complete")
    code = 0 if whole and answered else CUT_OFF
    if feed is not None and feed.stuck:
        complain(not_ended(feed.stuck))
        sys.stdout.flush()
        os._exit(code)  # the loop would wait for that driver; the lock's file stays
    return code


def _feed(setup: Setup, air: AirWatch, changed: Callable[[], None]) -> ProbeFeed | None:
    if setup.config is None or not setup.watched:
        return None
    params = {p.name: p for p in setup.config.job.probes}
    watches = [
        ProbeWatch(
            p.name,
            quantity := MAIN_QUANTITY[p.role],
            params[p.name].max_age_s,
            params[p.name].correction(quantity),
            no_flow=SIMULATED_NO_FLOW if setup.config.simulated else NO_FLOW,
        )
        for p in setup.watched
    ]
    return ProbeFeed(
        setup.config, setup.probes, watches, on_change=changed, on_reading=air.update, log=log_fault
    )


async def _on_screen(taking: Taking, setup: Setup, changed: asyncio.Event) -> None:
    """Walk on the terminal; a signal leaves as the key does."""
    screen = TakeScreen(
        taking,
        units=setup.units,
        start=outcome.start_sentences(taking, setup),
        result=lambda units: outcome.result_lines(taking, units),
        on_trouble=complain,
    )

    def at_once() -> None:
        screen.abandon()
        os._exit(ENDED_AT_ONCE)

    with signals(screen.leave, at_once, terminal=True):
        async with screen:
            redraw = asyncio.create_task(_redraw(screen, changed))
            await screen.ended.wait()
            redraw.cancel()


async def _redraw(screen: TakeScreen, changed: asyncio.Event) -> None:
    """A new reading is shown at once, but no faster than an eye follows."""
    while True:
        await changed.wait()
        changed.clear()
        screen.poke()
        await asyncio.sleep(REDRAW_LEAST_S)


async def _by_lines(taking: Taking, setup: Setup, changed: asyncio.Event, *, json: bool) -> bool:
    """Walk by typed lines; a signal leaves as the word does. False where a pipe ended too early."""
    out = sys.stderr if json else sys.stdout

    def say(lines: Sequence[str]) -> None:
        write_lines(lines, out)

    say(outcome.start_sentences(taking, setup))
    interactive = sys.stdin is not None and sys.stdin.isatty()
    plain = PlainTake(taking, say, units=setup.units, interactive=interactive, changed=changed)
    stop = asyncio.Event()
    with signals(stop.set, lambda: os._exit(ENDED_AT_ONCE), terminal=True), Lines() as lines:
        walk = asyncio.create_task(plain.run(lines))
        stopped = asyncio.create_task(stop.wait())
        await asyncio.wait([walk, stopped], return_when=asyncio.FIRST_COMPLETED)
        stopped.cancel()
        if walk.done():
            if plain.unused:
                complain(
                    f"{counted(plain.unused, 'value')} of standard input behind the last point took no part: "
                    "see whether values and points belong together"
                )
            return walk.result()
        walk.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await walk
        taking.key(Key.LEAVE)
    return True


def _close(taking: Taking, setup: Setup) -> bool:
    """The last save; a file of ours without a point is taken away again."""
    if setup.new and len(taking.state.open) == taking.state.count:
        with contextlib.suppress(OSError):
            setup.path.resolve().unlink()
        return True
    return taking.save()
