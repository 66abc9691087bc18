"""Jobs spread over the processes of this computer: what stops one of them stops that job alone."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, InvalidStateError, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from logger.many.job import Answer, Work, failed

LOST = 4  # exit code: the work could not be done
AHEAD = 2  # jobs in flight for each that computes: the next one lies ready; assumed

LOOK_S = 2.0  # wall time between two looks whether the executor lives; assumed

Numbered = tuple[int, Work]
Settled = tuple[int, Answer]


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """A job on its way, or ``answer``: what came of it before it could be sent."""

    number: int
    job: Work
    answer: Answer | None = None

    @property
    def size(self) -> int:
        """Bytes that are sent, about."""
        return self.job.size


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """How much may be in flight: so many loads, and beyond the first so many bytes."""

    loads: int
    size: int = 1 << 62

    def left(self, flying: Mapping[Future[Answer], Load]) -> bool:
        """Whether one more may be sent."""
        carried = sum(load.size for load in flying.values())
        return not flying or (len(flying) < self.loads and carried < self.size)


def flown(
    executor: Executor, loads: Iterator[Load], room: Room, alive: Callable[[], bool] = lambda: True
) -> Iterator[tuple[Load, Future[Answer]]]:
    """Send what there is room for, and give back each with its future, done, as it comes.

    When the executor is not ``alive`` any more, what is in flight comes back with a ``ConnectionError``.
    """
    flying: dict[Future[Answer], Load] = {}
    following: Load | None = next(loads, None)
    while following is not None or flying:
        while following is not None and room.left(flying):
            flying[_sent(executor, following)] = following
            following = next(loads, None)
        done, _ = wait(flying, timeout=LOOK_S, return_when=FIRST_COMPLETED)
        if not done and not alive():
            done = {_given_up(future) for future in flying}
        for future in done:
            yield flying.pop(future), future


def _sent(executor: Executor, load: Load) -> Future[Answer]:
    future: Future[Answer] = Future()
    if load.answer is not None:
        future.set_result(load.answer)
        return future
    try:
        return executor.submit(_answered, load.job)
    except Exception as error:  # noqa: BLE001 - who computes is gone: told with this job as with those in flight
        future.set_exception(error)
        return future


def _answered(work: Work) -> Answer:
    return work.answered()


def _given_up(future: Future[Answer]) -> Future[Answer]:
    with suppress(InvalidStateError):  # it came after all
        future.set_exception(ConnectionError("nobody computes any more"))
    return future


def over_processes(jobs: Iterable[Numbered], count: int) -> Generator[Settled]:
    """Each job's number and answer, as they come."""
    waiting = deque(jobs)
    while waiting:
        for number, job in (yield from _pooled(waiting, count)):
            if (yield from _pooled(deque([(number, job)]), 1)):  # alone: so it is the one
                yield (
                    number,
                    Answer(
                        label=job.label,
                        reason="the process that computed it was killed, for want of memory perhaps; "
                        "free some, or cut the readings into shorter runs",
                        exit_code=LOST,
                    ),
                )


def _pooled(waiting: deque[Numbered], count: int) -> Generator[Settled, None, list[Numbered]]:
    """Take from ``waiting``; gives back the jobs that were in flight when a process was killed."""
    lost: list[Numbered] = []

    def loads() -> Iterator[Load]:
        while waiting and not lost:
            number, job = waiting.popleft()
            yield Load(number=number, job=job)

    with _processes(min(count, len(waiting))) as pool:
        for load, future in flown(pool, loads(), Room(loads=AHEAD * count)):
            try:
                answer = future.result()
            except BrokenProcessPool:
                lost.append((load.number, load.job))
                continue
            except Exception as error:  # noqa: BLE001 - our own fault, told with this job
                answer = failed(load.job.label, error)
            yield load.number, answer
    return lost


@contextmanager
def _processes(count: int) -> Iterator[Executor]:
    """New interpreters, ended at once when the block is left before its time."""
    others = set(multiprocessing.active_children())
    context = multiprocessing.get_context("spawn")  # a fork would copy threads and locks that are held
    pool = _Pool(count, mp_context=context, initializer=_begin)
    try:
        yield pool
    except BaseException:
        for child in set(multiprocessing.active_children()) - others:
            child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


class _Pool(ProcessPoolExecutor):
    """Starts its processes undisturbed: one that is cut off in its start says so with a traceback."""

    def submit(self, *args: Any, **options: Any) -> Any:  # noqa: ANN401 - as above it
        with _undisturbed():
            return super().submit(*args, **options)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """What is started meanwhile never hears a Ctrl-C of the terminal; here it is heard at the end."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, lambda number, _frame: came.append(number))
    masked = hasattr(signal, "pthread_sigmask")  # not on Windows; a new process inherits the mask
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if masked else None
    try:
        yield
    finally:
        if mask is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in before.items():
            signal.signal(number, handler)
    if came:
        raise KeyboardInterrupt


def _begin() -> None:
    """In a new process: Ctrl-C is for the one that started it, and so is its end, however it comes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    if (parent := multiprocessing.parent_process()) is not None:
        parent.join()
        os._exit(LOST)
