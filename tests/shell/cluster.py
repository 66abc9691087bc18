"""A Dask cluster of two processes on this computer: ``python -m tests.shell.cluster`` says where it listens.

In a process of its own: it lives until its standard input ends.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

ROOT = Path(__file__).resolve().parents[2]


def serve() -> None:
    """Until nobody listens any more."""
    from distributed import LocalCluster

    with LocalCluster(
        n_workers=2,
        processes=True,
        threads_per_worker=1,
        host="127.0.0.1",
        scheduler_port=0,
        dashboard_address=None,
        silence_logs=50,
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()


def _started(folder: Path, errors: BinaryIO) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "tests.shell.cluster"],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT), "DASK_TEMPORARY_DIRECTORY": str(folder)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=errors,
        text=True,
        start_new_session=True,
    )


@contextmanager
def local_cluster(folder: Path) -> Iterator[str]:
    """The address of its scheduler. The workers stand in a folder that is not the caller's."""
    folder.mkdir()
    with (folder / "err.txt").open("wb") as errors:
        process = _started(folder, errors)
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        address = process.stdout.readline().strip()
        assert address, (folder / "err.txt").read_text()
        yield address
    finally:
        process.stdin.close()
        try:
            process.wait(timeout=30)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
        process.stdout.close()


if __name__ == "__main__":
    serve()
