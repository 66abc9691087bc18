"""A live run to its end: signals, the result shown, the exit code."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from typing import Any

from logger.config.load import LoadedConfig
from logger.core.errors import RiselogError, StoreError
from logger.documents import exit_code
from logger.faults import ENDED_AT_ONCE, INTERNAL_FAULT, fault_sentence, said
from logger.live_run import LiveRun, Manner
from logger.plugins import not_ended
from logger.screen.live import can_show
from logger.session import EndReason, Limits
from logger.signals import signals
from logger.store import StoreWriter

HURRY_S = 2.0  # wall time for the way out after a second Ctrl-C; assumed


async def run_live(
    config: LoadedConfig,
    writer: StoreWriter,
    limits: Limits,
    manner: Manner,
    kept: Callable[[str], str] = lambda _: "",
) -> int:
    """One live run with its signals; prints the result; the exit code. ``kept`` is given the
    id of a run that is stored with its result, in a thread; what it says is the last word."""
    live = LiveRun(config, writer, limits, manner)
    main = asyncio.current_task()
    hurry = False

    def at_once() -> None:
        nonlocal hurry
        if hurry or main is None:
            return
        hurry = True
        live.leave_screen()
        live.outlet.complain(
            f"ended at once; the readings of run {live.run} are stored up to the last commit, and the next "
            "run of this job computes their result"
        )
        asyncio.get_running_loop().call_later(HURRY_S, os._exit, ENDED_AT_ONCE)
        main.cancel()

    try:
        with signals(live.interrupt, at_once, terminal=manner.dashboard) as ask:
            live.interrupt = ask
            code = await _to_the_end(live, kept)
    except asyncio.CancelledError:
        if not hurry:
            raise
        await live.outlet.close()
        os._exit(ENDED_AT_ONCE)  # a disk that hangs must not hold the end up
    if live.session.stuck:
        writer.close()
        os._exit(code)  # the loop would wait for that driver
    live.outlet.check()
    return code


async def _to_the_end(live: LiveRun, kept: Callable[[str], str]) -> int:
    """Run, show the result, print all of it; the exit code."""
    try:
        try:
            document, reason = await live.go()
        except Exception:
            await live.abandon()
            raise
        code = _close(live, document, reason)
        if document["stored"] and (word := await asyncio.to_thread(kept, live.run)):
            live.outlet.complain(word)
    except Exception as error:
        if not live.session.stuck:
            await live.outlet.close()
            raise
        code = _said(live, error)
    if live.session.stuck:
        live.outlet.complain(not_ended(live.session.stuck))
    await live.outlet.close()
    return code


def _close(live: LiveRun, document: dict[str, Any], reason: EndReason) -> int:
    """Show the result and say what went wrong; the exit code."""
    fatal = live.session.fatal if reason is EndReason.NO_SOURCE else None
    if fatal is not None and not live.keeper.begun:
        raise fatal
    live.outlet.result(document, str(live.keeper.state().path))
    if fatal is not None:
        return _said(live, fatal)
    if live.keeper.begun and not document["stored"]:
        return StoreError.exit_code
    return exit_code(document)


def _said(live: LiveRun, error: Exception) -> int:
    """Say what ended the run; the exit code."""
    if isinstance(error, RiselogError):
        live.outlet.complain(said(error))
        return error.exit_code
    live.outlet.complain(fault_sentence(error, "run"))
    return INTERNAL_FAULT


def dashboard_wanted(*, headless: bool, json: bool) -> bool:
    """Whether to draw: asked for, and there is a terminal for it."""
    return not headless and not json and can_show()
