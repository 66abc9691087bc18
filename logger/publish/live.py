"""What is live: the newest picture, the state of the logger, and what another one says of its own. Never
stored, never a backlog. Pure.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any

from logger.clock import utc_text
from logger.core.readings import NS_PER_S, NS_PER_US
from logger.core.snapshot import ProbeState, Snapshot
from logger.publish.post import SNAPSHOT_EXPIRY_S, Post, Topics, payload
from logger.text import clean_text

_SHOWN = (
    "output_w", "output_u95_w", "output_is_final", "sensible_w", "sensible_u95_w", "latent_w", "latent_u95_w",
    "defrosts", "plate_output_w", "entering_c", "return_c", "supply_c", "rise_k", "dry_air_kg_s",
    "airflow_m3_s", "window_s", "residual_bound", "firings", "silent_s",
)  # fmt: skip
"""Values of a snapshot that go out under their own name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """How the logger does. ``store`` is a sentence on what is wrong, empty when all is well."""

    store: str = ""
    commit_age_s: float | None = None
    lost_to_storage: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """The core at one moment; ``started_utc_us`` is that of the run's first reading."""

    snapshot: Snapshot
    started_utc_us: int
    health: Health = Health()


@dataclass(frozen=True, slots=True, kw_only=True)
class Backlog:
    """What waits for the broker. ``more``: there are more readings than ``waiting`` counts."""

    waiting: int = 0
    more: bool = False
    parked: int = 0
    passed_over: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Who speaks: the run of this process."""

    run: str
    simulated: bool


def snapshot_post(topics: Topics, source: Source, picture: Picture, backlog: Backlog, number: int) -> Post:
    """The newest picture, retained."""
    shot, health = picture.snapshot, picture.health
    document: dict[str, Any] = {
        "id": f"{source.run}/snapshot-{number}",
        "t": utc_text(picture.started_utc_us + shot.t_ns // NS_PER_US),
        "run": source.run,
        "simulated": source.simulated,
        "t_s": shot.t_ns / NS_PER_S,
        "phase": shot.phase.value,
        **{name: getattr(shot, name) for name in _SHOWN},
        "percent_of_nameplate": _percent(shot),
        "tests": [asdict(test) for test in shot.tests],
        "hold_left_s": max(0.0, shot.hold_s - shot.held_s),
        "probes": [_probe(probe) for probe in shot.probes],
        "health": {**asdict(health), **asdict(backlog)},
    }
    return Post(topic=topics("snapshot"), payload=payload(document), retain=True, expiry_s=SNAPSHOT_EXPIRY_S)


def _percent(shot: Snapshot) -> float | None:
    if shot.output_w is None or not shot.plate_output_w:
        return None
    return 100.0 * shot.output_w / shot.plate_output_w


def _probe(probe: ProbeState) -> dict[str, Any]:
    document = asdict(probe)
    return {"probe": document.pop("name"), **document, "state": probe.state.value}


def status_post(
    topics: Topics, source: Source, *, online: bool, reason: str, number: int, t_utc_us: int | None
) -> Post:
    """Whether the logger is there, retained. A last will knows no time: ``t`` is null there."""
    document = {
        "id": f"{source.run}/status-{number}",
        "t": None if t_utc_us is None else utc_text(t_utc_us),
        "run": source.run,
        "status": "online" if online else "offline",
        "reason": reason,
    }
    return Post(topic=topics("status"), payload=payload(document), retain=True)


_MOST_BYTES = 10_000  # a status is far shorter; assumed
_MOST_SHOWN = 64  # characters of what another one calls itself; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """A run by its status; ``since`` is as it says, for people alone."""

    run: str
    online: bool
    since: str


def neighbour(payload: bytes) -> Neighbour | None:
    """``None`` where it is no status of a logger.

    >>> neighbour(b'{"run":"5f2c","status":"online","t":null}')
    Neighbour(run='5f2c', online=True, since='')
    >>> neighbour(b"[]") is neighbour(b"") is neighbour(b'{"run":7,"status":"online"}') is None
    True
    """
    if len(payload) > _MOST_BYTES:
        return None
    try:
        document = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(document, dict) or document.get("status") not in ("online", "offline"):
        return None
    run, since = document.get("run"), document.get("t")
    if not isinstance(run, str):
        return None
    return Neighbour(
        run=clean_text(run, _MOST_SHOWN),
        online=document["status"] == "online",
        since=clean_text(since, _MOST_SHOWN) if isinstance(since, str) else "",
    )
