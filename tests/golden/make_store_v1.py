"""Made ``store_v1.db`` when schema version 1 was fixed. Not to be run again once it is released:
the file stands for the stores that are out there."""

from __future__ import annotations

from pathlib import Path

from logger.core.readings import Flag, Quantity, Reading
from logger.core.snapshot import Event, Phase, Snapshot
from logger.store import Batch, ClockSegment, RunHeader, StorageGap, StoredEvent, StoredResult, StoreWriter

T0_US = 1_709_251_199_000_000  # 2024-02-29T23:59:59Z


def make(path: Path) -> None:
    header = RunHeader(
        run="f00dcafe01",
        job="invented-hall",
        started_utc_us=T0_US,
        boot_id="boot-1",
        versions={"riselog": "0.1.0"},
        config_text='[job]\nname = "invented-hall"\n',
        files={"traverse.json": "{}"},
        simulated=True,
        scenario="standard",
        seed=7,
        clock_segments=(ClockSegment(t_ns=0, utc_us=T0_US),),
    )
    readings = [
        Reading(0, 0, "ret", Quantity.TEMPERATURE, 20.5, Flag.OK, T0_US, 0),
        Reading(1, 1000, "sup", Quantity.TEMPERATURE, 47.25, Flag.CLOCK_JUMP, T0_US + 1, 1000),
        Reading(3, 1_000_000_000, "ret", Quantity.HUMIDITY, 655.35, Flag.NOT_KNOWN, T0_US + 1_000_000, 10**9),
    ]
    event = Event(t_ns=1000, code="mark", text="filter door shut", probe=None, origin="shell")
    with StoreWriter(path, "make_store_v1", now_utc_us=T0_US) as writer:
        writer.begin_run(header)
        writer.write(
            Batch(
                run=header.run,
                readings=readings,
                trace=[(0.0, 1.0, 20.5, 20.5, 47.25, 26.75, 0.0061, 98800.0, None, 1.17, 32000.0, None)],
                events=[StoredEvent(seq=2, event=event, utc_us=T0_US + 1)],
                results=[StoredResult(seq=4, t_ns=10**9, scope="firing", document='{"output_w":31790.0}')],
                snapshot=Snapshot(t_ns=10**9, phase=Phase.FAN, phase_since_s=1.0),
                gaps=[StorageGap(first_seq=5, last_seq=9, count=5)],
            )
        )
        writer.end_run(header.run, T0_US + 2_000_000, "ended", '{"verdict":"meets"}')


if __name__ == "__main__":
    make(Path(__file__).with_name("store_v1.db"))
