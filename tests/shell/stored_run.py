"""A run of the program on simulated probes, stored as a user's is."""

from __future__ import annotations

import asyncio
from pathlib import Path

from logger.config.load import LoadedConfig, loads_config
from logger.live import run_live
from logger.live_run import Manner
from logger.registry import DriverOptions
from logger.report.evidence import Evidence, gather
from logger.session import Limits
from logger.store import StoreWriter


def stored_run(config_text: str, path: Path) -> tuple[LoadedConfig, Evidence]:
    """Run a config as fast as it goes into the store at ``path``; what a report takes of it."""
    config = loads_config(config_text, "test", DriverOptions(), '[sim]\nspeed = "max"\n')
    runs: list[str] = []

    def keep(run: str) -> str:
        runs.append(run)
        return ""

    with StoreWriter(path, "test") as writer:
        asyncio.run(run_live(config, writer, Limits(), Manner(dashboard=False, json=True), keep))
    return config, gather(path, runs[0])
