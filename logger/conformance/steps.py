"""A coroutine, and all tasks that it starts, driven so that it can be stopped at any of its awaits."""

from __future__ import annotations

import asyncio
import contextlib
import types
from collections.abc import Callable, Coroutine, Generator, Iterator
from typing import Any

Step = Callable[[], None]


@contextlib.contextmanager
def counted(on_step: Step) -> Iterator[None]:
    """Tasks made in this block call ``on_step`` each time they come to wait."""
    loop = asyncio.get_running_loop()
    before = loop.get_task_factory()

    def make(
        loop: asyncio.AbstractEventLoop,
        coro: Coroutine[Any, Any, Any] | Generator[Any, None, Any],
        **more: Any,  # noqa: ANN401 - what a task is given
    ) -> asyncio.Task[Any]:
        return asyncio.Task(_stepping(coro, on_step), loop=loop, **more)

    loop.set_task_factory(make)
    try:
        yield
    finally:
        loop.set_task_factory(before)


@types.coroutine
def _stepping(
    coro: Coroutine[Any, Any, Any] | Generator[Any, None, Any], on_step: Step
) -> Generator[Any, Any, Any]:
    """As ``yield from`` (PEP 380) does it, with a word at each yield."""
    resume: Callable[[], Any] = lambda: coro.send(None)  # noqa: E731
    while True:
        try:
            waits_for = resume()
        except StopIteration as end:
            return end.value
        on_step()
        try:
            value = yield waits_for
        except GeneratorExit:
            coro.close()
            raise
        except BaseException as error:  # noqa: BLE001 - handed on, whatever it is
            resume = _thrower(coro, error)
        else:
            resume = _sender(coro, value)


def _thrower(coro: Any, error: BaseException) -> Callable[[], Any]:  # noqa: ANN401
    return lambda: coro.throw(error)


def _sender(coro: Any, value: Any) -> Callable[[], Any]:  # noqa: ANN401
    return lambda: coro.send(value)
