"""Jobs spread over a Dask cluster: the one file that knows ``distributed``, an extra.

What a job needs is sent along: the cluster's computers need not see the files. They need riselog in
this version. Dask sends Python objects, which can run code on both ends: a cluster to be trusted.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager, suppress
from typing import Any

from logger.core.errors import RiselogError, UsageError
from logger.documents import versions
from logger.faults import complain
from logger.many.job import Answer, Work, failed
from logger.many.spread import AHEAD, LOST, Load, Numbered, Room, Settled, flown
from logger.text import clean_text, one_line

CONNECT_S = 10.0  # wall time for the scheduler's answer; assumed
WORKERS_S = 30.0  # wall time for a first worker; assumed
LEAVE_S = 5.0  # wall time for a good-bye; assumed
CARRIED = 512 << 20  # bytes in flight at most, kept by the scheduler too; assumed
_ADDRESS = re.compile(r"[a-z]+://\S+")
_SHOWN = 80  # characters of an address in a message
_SAME = "riselog"  # of another version of this no result is taken
_THERE = ("running", "connecting")  # what the client says of itself while there is hope
_QUIET: dict[str, Any] = {
    "distributed.admin.large-graph-warning-threshold": CARRIED,  # a load is large by design
    "distributed.comm.retry.count": 0,
}


class ClusterError(RiselogError):
    """The cluster cannot be used."""

    exit_code = LOST


def need_cluster(address: str) -> None:
    """Raise ``UsageError`` where the extra is missing or the address cannot be one."""
    if not _ADDRESS.fullmatch(address):
        shown = clean_text(address)[:_SHOWN]
        raise UsageError(f"--scheduler '{shown}' is no address; write it as tcp://host:8786")
    try:
        import distributed  # noqa: F401, PLC0415 - an extra, and heavy
    except ImportError as error:
        raise UsageError(
            f"--scheduler needs Dask, which cannot be loaded ({one_line(str(error))}); "
            "pip install 'riselog[cluster]', or leave --scheduler out"
        ) from error


def over_cluster(jobs: Iterable[Numbered], address: str) -> Generator[Settled]:
    """Each job's number and answer, as they come.

    Raises
    ------
    ClusterError
        No scheduler, or no worker.
    """
    with _client(address) as client:
        threads = _threads(client, address)
        executor = client.get_executor(pure=False)
        checked = Versions()
        room = Room(loads=AHEAD * threads, size=CARRIED)

        def alive() -> bool:
            return client.status in _THERE

        try:
            for load, future in flown(executor, _loads(jobs, alive), room, alive):
                yield load.number, checked.checked(_answer(load, future))
        finally:
            with suppress(Exception):  # the scheduler may be gone
                executor.shutdown(wait=False)


def _loads(jobs: Iterable[Numbered], alive: Callable[[], bool]) -> Iterator[Load]:
    """Each read only when there is room for it."""
    for number, job in jobs:
        if not alive():
            yield Load(number=number, job=job, answer=_lost(job, "its scheduler is gone"))
            continue
        try:
            full = job.packed()
        except Exception as error:  # noqa: BLE001 - told of this job alone
            yield Load(number=number, job=job, answer=failed(job.label, error))
        else:
            yield Load(number=number, job=full)


def _answer(load: Load, future: Future[Answer]) -> Answer:
    try:
        return future.result()
    except Exception as error:  # noqa: BLE001 - whatever the cluster raises for a job it has lost
        return _lost(load.job, one_line(f"{type(error).__name__} {error}").rstrip()[:200])


def _lost(job: Work, what: str) -> Answer:
    reason = (
        f"the cluster lost it ({what}); see that its scheduler runs, and its workers have memory and riselog"
    )
    return Answer(label=job.label, reason=reason, exit_code=LOST)


class Versions:
    """Compares what a worker computed with to what is here."""

    def __init__(self) -> None:
        self._here = versions()
        self._said: set[str] = set()

    def checked(self, answer: Answer) -> Answer:
        """The answer, or why that of another riselog is not taken; other differences are told once."""
        for name, there in answer.versions.items():
            if there == self._here.get(name):
                continue
            told = f"a worker of the cluster has {name} {clean_text(there)}, here is {self._here.get(name)}"
            if name == _SAME:
                return Answer(label=answer.label, reason=f"{told}; install the same on all", exit_code=LOST)
            if told not in self._said:
                self._said.add(told)
                complain(f"{told}: the last digits may differ")
        return answer


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """A connection to the scheduler."""
    import dask  # noqa: PLC0415 - an extra, and heavy
    from distributed import Client  # noqa: PLC0415

    before = logging.root.manager.disable
    logging.disable()  # Dask logs tracebacks of a lost connection; what is to be said is said by us
    try:
        with dask.config.set(_QUIET):
            client = _connect(Client, address)
            try:
                yield client
            finally:
                client.close(timeout=LEAVE_S)
    finally:
        logging.disable(before)


def _connect(client: Any, address: str) -> Any:  # noqa: ANN401 - the library's type, imported late
    try:
        return client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TypeError, RuntimeError) as error:
        reason = one_line(str(error))[:200] or type(error).__name__
        raise ClusterError(
            f"no scheduler answers at {clean_text(address)[:_SHOWN]} ({reason}); check the address and "
            "that `dask scheduler` runs there"
        ) from error


def _threads(client: Any, address: str) -> int:  # noqa: ANN401 - the library's type, imported late
    """How many jobs the workers compute at once."""
    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TimeoutError as error:
        raise ClusterError(
            f"the scheduler at {clean_text(address)[:_SHOWN]} has no worker after {WORKERS_S:.0f} s; start "
            "`dask worker` where riselog is installed"
        ) from error
    return max(1, sum(int(threads) for threads in client.nthreads().values()))
