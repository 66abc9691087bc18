"""Signals of a live run: the first ends it in order, a second one at once."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any

SECOND_SIGNAL_S = 5.0  # wall time within which a second Ctrl-C ends at once: design
ONE_SIGNAL_S = 0.2  # wall time within which the same one twice is one; assumed: no two keystrokes


def outlive_hangup() -> None:
    """From now on a terminal that goes away (a lid, a lost ssh) does not end the process."""
    if (hangup := getattr(signal, "SIGHUP", None)) is not None:
        signal.signal(hangup, signal.SIG_IGN)


@contextmanager
def signals(
    stop: Callable[[], None], at_once: Callable[[], None], *, terminal: bool
) -> Iterator[Callable[[], None]]:
    """SIGINT and SIGTERM end in order, a second one within 5 s at once (`timeout` sends the
    first one twice); gives what does just that.

    SIGHUP ends a run that has a dashboard, and not one without.
    """
    loop = asyncio.get_running_loop()
    last: tuple[float, int] | None = None

    def ask(number: int = 0) -> None:
        nonlocal last
        now_s, before_s = loop.time(), None if last is None else last[0]
        if last == (before_s, number) and before_s is not None and now_s - before_s < ONE_SIGNAL_S:
            return
        if before_s is not None and now_s - before_s < SECOND_SIGNAL_S:
            at_once()
        last = now_s, number
        stop()

    handlers: dict[int, Callable[[], None]] = {
        number: partial(ask, number) for number in (signal.SIGINT, signal.SIGTERM)
    }
    if hangup := getattr(signal, "SIGHUP", None):
        handlers[hangup] = stop if terminal else lambda: None
    before = {number: signal.getsignal(number) for number in handlers}
    try:
        for number, handler in handlers.items():
            _handle(loop, number, handler)
        yield ask
    finally:
        for number, old in before.items():
            _unhandle(loop, number, old)


def _handle(loop: asyncio.AbstractEventLoop, number: int, handler: Callable[[], None]) -> None:
    try:
        loop.add_signal_handler(number, handler)
    except NotImplementedError:  # Windows' loops have none
        signal.signal(number, lambda _number, _frame: loop.call_soon_threadsafe(handler))


def _unhandle(loop: asyncio.AbstractEventLoop, number: int, old: Any) -> None:  # noqa: ANN401 - as signal has it
    with suppress(NotImplementedError):
        loop.remove_signal_handler(number)
    signal.signal(number, old if old is not None else signal.SIG_DFL)
