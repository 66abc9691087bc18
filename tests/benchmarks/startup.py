"""How long a user waits: ``--help``, and the first frame of the dashboard."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.benchmarks.timing import best_s


def measure(quick: bool) -> dict[str, float | None]:  # noqa: FBT001
    """Wall time of ``riselog --help``, s."""
    command = Path(sys.executable).parent / "riselog"

    def show_help() -> None:
        subprocess.run([command, "--help"], check=True, capture_output=True)

    return {"help_s": best_s(show_help, 3 if quick else 10)}
