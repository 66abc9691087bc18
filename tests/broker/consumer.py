"""An example of a consumer: readings of many loggers from a broker into Parquet, by run and hour.

    python -m tests.broker.consumer HOST PORT FOLDER NAME     one member of the group; NAME is its own
    python -m tests.broker.consumer join FOLDER CONFIGS OUT   one file a run, for `riselog replay --many`

What makes it safe: a message is acknowledged to the broker when its row is on the disk, not when it
comes (paho acknowledges by itself as soon as its callback has returned; that is turned off). The
broker keeps what is not acknowledged for the session of this NAME and sends it again. So a row may be
written twice, and never not at all; the same ``id`` tells it, here within one member and at ``join``
across all.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import socket
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import aiomqtt
import pyarrow as pa
import pyarrow.parquet as pq
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from logger.config.load import load_config

GROUP = "archive"
FILTERS = ("riselog/+/+/reading/#", "riselog/+/+/result")
SESSION_S = 7 * 86_400  # the broker keeps this member's share so long while it is away
FLUSH_ROWS, FLUSH_S = 500, 0.5  # for a test; a day's archive does with 20,000 rows and 60 s
IN_FLIGHT = 4 * FLUSH_ROWS  # Receive Maximum: what the broker sends unacknowledged
WINDOW = 65_536  # places of a run behind its newest within which a repeat is recognised
_SCHEMA = pa.schema(
    {
        "time": pa.timestamp("us", tz="UTC"),
        "seq": pa.int64(),
        "probe": pa.string(),
        "quantity": pa.string(),
        "value": pa.float64(),
        "unit": pa.string(),
        "flag": pa.string(),
    }
)


class Row(NamedTuple):
    """A reading; the last seven are columns."""

    place: tuple[str, str, str]  # site, job, run
    time: datetime
    seq: int
    probe: str
    quantity: str
    value: float
    unit: str
    flag: str


def row_of(topic: str, payload: bytes) -> Row:
    """Raises ValueError, KeyError or TypeError for a message that is none of ours."""
    _, site, job, _, probe, quantity = topic.split("/")
    document = json.loads(payload)
    run, seq = document["id"].split("/")
    place = (folder_name(site), folder_name(job), folder_name(run))
    time = datetime.fromisoformat(document["t"]).astimezone(UTC)
    words = (str(document["unit"]), str(document["flag"]))
    return Row(place, time, int(seq), probe, quantity, float(document["value"]), *words)


def folder_name(text: str) -> str:
    """What came over the network becomes no other folder than one of its own."""
    if not text.replace("-", "").replace("_", "").isalnum():
        raise ValueError(f"{text!r} is no name")
    return text


class Seen:
    """Which readings came already; what lies further back than the window passes, ``join`` sorts it out."""

    def __init__(self) -> None:
        self._runs: dict[tuple[str, str, str], set[int]] = defaultdict(set)

    def new(self, row: Row) -> bool:
        places = self._runs[row.place]
        if row.seq in places:
            return False
        places.add(row.seq)
        if len(places) > 2 * WINDOW:
            behind = max(places) - WINDOW
            self._runs[row.place] = {seq for seq in places if seq > behind}
        return True


class ArchiveClient(aiomqtt.Client):
    """Acknowledges when it is told to. ``_client`` is aiomqtt's own: held at one minor version."""

    def __init__(self, host: str, port: int, name: str) -> None:
        connect = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        connect.SessionExpiryInterval = SESSION_S
        connect.ReceiveMaximum = IN_FLIGHT
        super().__init__(
            host,
            port,
            identifier=f"{GROUP}-{name}",
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=connect,
        )
        self._client.manual_ack_set(on=True)

    def done(self, messages: list[aiomqtt.Message]) -> None:
        """In the order in which they came: MQTT 5.0, 4.6."""
        for message in messages:
            self._client.ack(message.mid, message.qos)


@dataclass
class Archive:
    """Rows on their way to the disk, with the messages that stand for them."""

    folder: Path
    seen: Seen = field(default_factory=Seen)
    rows: list[Row] = field(default_factory=list)
    messages: list[aiomqtt.Message] = field(default_factory=list)

    def take(self, message: aiomqtt.Message) -> None:
        self.messages.append(message)
        topic, payload = str(message.topic), bytes(message.payload)  # type: ignore[arg-type]
        try:
            if topic.endswith("/result"):
                self._keep_result(topic, payload)
            elif self.seen.new(row := row_of(topic, payload)):
                self.rows.append(row)
        except (ValueError, KeyError, TypeError, AttributeError) as error:  # not ours: kept aside, whole
            put(self.folder / "strange" / secrets.token_hex(8), f"{topic} {error!r}\n".encode() + payload)

    def _keep_result(self, topic: str, payload: bytes) -> None:
        _, site, job, _ = topic.split("/")
        document = json.loads(payload)
        if document["scope"] == "run":
            place = self.folder / folder_name(site) / folder_name(job) / folder_name(document["run"])
            put(place / "result.json", payload)

    def flush(self) -> list[aiomqtt.Message]:
        """Write what has come; the messages that may be acknowledged now."""
        hours: dict[tuple[tuple[str, str, str], str], list[Row]] = defaultdict(list)
        for row in self.rows:
            hours[row.place, f"{row.time:%Y%m%dT%H}"].append(row)
        for ((site, job, run), hour), rows in hours.items():
            table = pa.table(list(zip(*(row[1:] for row in rows), strict=True)), schema=_SCHEMA)
            sink = pa.BufferOutputStream()
            pq.write_table(table, sink)
            part = self.folder / site / job / run / f"{hour}-{secrets.token_hex(8)}.parquet"
            put(part, sink.getvalue().to_pybytes())
        done, self.rows, self.messages = self.messages, [], []
        return done


def put(path: Path, data: bytes) -> None:
    """A file that is there whole, or not; on the disk when this returns."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.name}.part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


async def consume(host: str, port: int, folder: Path, name: str) -> None:
    """One life of a connection; raises ``MqttError`` at its end. What was not flushed comes again."""
    archive = Archive(folder)
    async with ArchiveClient(host, port, name) as client:
        for topic in FILTERS:
            await client.subscribe(f"$share/{GROUP}/{topic}", qos=1)
        print("listening", flush=True)
        loop = asyncio.get_running_loop()
        due = loop.time() + FLUSH_S
        stream = aiter(client.messages)
        waiting: asyncio.Future[aiomqtt.Message] = asyncio.ensure_future(anext(stream))
        try:
            while True:
                await asyncio.wait([waiting], timeout=max(0.0, due - loop.time()))
                if waiting.done():
                    archive.take(waiting.result())
                    waiting = asyncio.ensure_future(anext(stream))
                if len(archive.messages) >= FLUSH_ROWS or loop.time() >= due:
                    client.done(archive.flush())
                    due = loop.time() + FLUSH_S
        finally:
            waiting.cancel()
            with contextlib.suppress(asyncio.CancelledError, aiomqtt.MqttError):
                await waiting


async def consume_for_ever(host: str, port: int, folder: Path, name: str) -> None:
    while True:
        with contextlib.suppress(aiomqtt.MqttError):
            await consume(host, port, folder, name)
        await asyncio.sleep(0.2)


def rows_of(folder: Path) -> pa.Table:
    """All parts of a run in order of ``seq``, each reading once.

    ValueError: two readings of one id that differ, which no repeat can be.
    """
    parts = [pq.read_table(part) for part in sorted(folder.glob("*.parquet"))]
    rows = pa.concat_tables(parts).sort_by("seq").to_pylist()
    once: dict[int, dict[str, Any]] = {}
    for row in rows:
        if once.setdefault(row["seq"], row) != row:
            raise ValueError(f"{folder}: two readings have the id {folder.name}/{row['seq']}")
    return pa.Table.from_pylist(list(once.values()), schema=_SCHEMA)


def join(folder: Path, configs: Path, out: Path) -> None:
    """One Parquet a run, with its config (``JOB.toml``) in it, as `riselog export` writes them."""
    for run in sorted(path for path in folder.glob("*/*/*") if any(path.glob("*.parquet"))):
        loaded = load_config(configs / f"{run.parent.name}.toml", None)
        about = {
            "riselog.schema": "riselog.readings/1",
            "riselog.run": run.name,
            "riselog.config": loaded.effective_text,
            "riselog.files": json.dumps(dict(loaded.files)),
        }
        sink = pa.BufferOutputStream()
        pq.write_table(rows_of(run).replace_schema_metadata(about), sink)
        put(out / f"{run.name}.parquet", sink.getvalue().to_pybytes())


USAGE = """usage: python -m tests.broker.consumer HOST PORT FOLDER NAME
       python -m tests.broker.consumer join FOLDER CONFIGS OUT"""


def main(words: list[str]) -> int:
    """The exit code: 2 for wrong use, 4 where the broker is not there at the beginning."""
    if len(words) != 4 or not (words[0] == "join" or words[1].isdecimal()):
        print(USAGE, file=sys.stderr)
        return 2
    if words[0] == "join":
        join(*map(Path, words[1:]))
        return 0
    host, port, folder, name = words
    try:
        with socket.create_connection((host, int(port)), timeout=5.0):
            pass
    except (OSError, OverflowError) as error:
        print(f"the broker {host}:{port} cannot be reached ({error}); check HOST and PORT", file=sys.stderr)
        return 4
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(consume_for_ever(host, int(port), Path(folder), name))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
