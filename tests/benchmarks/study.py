"""Trials of a study for each second, of one process and of a Dask cluster of two workers against one."""

from __future__ import annotations

from collections.abc import Iterable
from time import perf_counter

from logger.many.spread import Settled
from simulators.study.bench import bench_of
from simulators.study.setting import Setting
from simulators.study.trial import run_trial
from simulators.study.work import Part

SETTING = Setting(scenario="standard")


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """``study_trials_per_s`` of one processor; ``study_cluster_vs_one``, at best 2."""
    bench = bench_of(SETTING)
    run_trial(bench, 1, 0)
    count = 10 if quick else 50
    begin = perf_counter()
    for number in range(count):
        run_trial(bench, 1, number)
    return {
        "study_trials_per_s": count / (perf_counter() - begin),
        "study_cluster_vs_one": None if quick else _cluster_vs_one(),
    }


def _cluster_vs_one() -> float | None:
    """Time of one worker over that of two, each its best of three: on a shared machine the others' work is
    in the rest. A first part for each worker pays for its start.
    """
    try:
        from distributed import LocalCluster

        from logger.many.cluster import over_cluster
    except ImportError:
        return None
    times = []
    for workers in (1, 2):
        with LocalCluster(
            n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address=None, silence_logs=50
        ) as cluster:
            _through(over_cluster(enumerate(_parts(2 * workers, first=900)), cluster.scheduler_address))
            times.append(min(_seconds(cluster.scheduler_address) for _ in range(3)))
    return times[0] / times[1]


def _seconds(address: str) -> float:
    """Of twelve parts."""
    from logger.many.cluster import over_cluster

    begin = perf_counter()
    _through(over_cluster(enumerate(_parts(12, first=0)), address))
    return perf_counter() - begin


def _parts(count: int, *, first: int) -> list[Part]:
    """So many parts of ten trials."""
    return [
        Part(cell=0, setting=SETTING, seed=1, first=first + 10 * n, end=first + 10 * n + 10)
        for n in range(count)
    ]


def _through(settled: Iterable[Settled]) -> None:
    for _, answer in settled:
        if answer.document is None:
            raise RuntimeError(answer.reason)
