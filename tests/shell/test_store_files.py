"""The file itself: its lock, what is taken for a store, migration, the released schema, places."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.core.errors import StoreError, UsageError
from logger.core.readings import FLAG_CODES, Flag, Quantity
from logger.core.snapshot import TRACE_COLUMNS, Event, Phase, Snapshot
from logger.store import (
    ClockSegment,
    RunHeader,
    StorageGap,
    StoredEvent,
    StoredResult,
    StoreFullError,
    StoreHeldError,
    StoreReader,
    StoreWriter,
    all_stores,
    schema,
    store_path,
)
from logger.store.lock import StoreLock, refuse_held
from logger.store.network import is_network, refuse_network
from logger.store.paths import DATA_DIR_VARIABLE, remember

GOLDEN = Path(__file__).parents[1] / "golden" / "store_v1.db"
T0_US = 1_709_251_199_000_000  # 2024-02-29T23:59:59Z


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "invented.db"


@pytest.fixture
def golden(path: Path) -> Path:
    shutil.copy(GOLDEN, path)
    return path


@pytest.fixture
def raw(path: Path) -> Iterator[sqlite3.Connection]:
    conn = sqlite3.connect(path, isolation_level=None)
    yield conn
    conn.close()


HOLDER = """
import sys
from pathlib import Path
from logger.store import StoreWriter
writer = StoreWriter(Path(sys.argv[1]), "riselog run other.toml")
print("held", flush=True)
sys.stdin.read()
"""


def test_a_look_at_the_lock_leaves_no_trace_and_stops_no_writer(tmp_path: Path) -> None:
    path = tmp_path / "s.db"
    refuse_held(path)  # no lock file yet, and none is made
    assert list(tmp_path.iterdir()) == []
    with StoreLock(path, "riselog run"):
        with pytest.raises(StoreHeldError, match="riselog run"):
            refuse_held(path)
        note = path.with_name("s.db.lock").read_bytes()
    refuse_held(path)
    assert path.with_name("s.db.lock").read_bytes() == note

    fcntl = pytest.importorskip("fcntl")
    with path.with_name("s.db.lock").open() as looking:
        fcntl.flock(looking, fcntl.LOCK_SH)
        pauses: list[float] = []

        def pause(seconds: float) -> None:
            pauses.append(seconds)
            fcntl.flock(looking, fcntl.LOCK_UN)  # the look is over

        with StoreLock(path, "riselog run", pause=pause):
            assert len(pauses) == 1


def test_a_lock_whose_file_is_taken_away_is_held_once(tmp_path: Path) -> None:
    """Who waits has the old file open; it must not count once another stands in its place."""
    path = tmp_path / "t.json"
    first = StoreLock(path, "take")

    def goes_away(_s: float) -> None:
        first.remove()

    with StoreLock(path, "take", pause=goes_away) as second:
        assert second.path.exists()
        with pytest.raises(StoreHeldError):
            StoreLock(path, "take", pause=lambda _s: None)
    second.remove()  # given back already: nothing of anybody's is taken away
    assert second.path.exists()
    third = StoreLock(path, "take")
    others: list[StoreLock] = []

    def another_comes(_s: float) -> None:
        if not others:
            third.remove()
            others.append(StoreLock(path, "take"))

    with pytest.raises(StoreHeldError):
        StoreLock(path, "take", pause=another_comes)
    others[0].remove()
    assert list(tmp_path.iterdir()) == []


def test_a_second_writer_is_told_who_holds_it(path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(StoreHeldError) as caught:
            StoreWriter(path, "riselog replay last")
        assert caught.value.pid == holder.pid
        assert str(caught.value) == (
            f"{path} is held by pid {holder.pid} (riselog run other.toml);"
            " end it first or use another store file"
        )
        with StoreReader(path) as reader:  # reading goes on
            assert reader.runs() == ()
        holder.kill()
    StoreWriter(path, "riselog run mine.toml").close()  # a crash gives the lock back


def test_a_second_writer_in_the_same_process(path: Path) -> None:
    with StoreWriter(path, "first"), pytest.raises(StoreHeldError, match=f"pid {os.getpid()} "):
        StoreWriter(path, "second")
    StoreWriter(path, "third").close()


# The SHARED lock that a connection in WAL mode keeps: bytes of sqlite.org/fileformat.html 1.5.1
# and os.h (PENDING_BYTE 0x40000000, two bytes on, 510 long).
PROBE_LOCK = """
import fcntl, sys
with open(sys.argv[1], "rb+") as file:
    try:
        fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, 510, 0x40000002)
    except OSError:
        print("kept")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX locks")
def test_opening_again_in_the_same_process_keeps_sqlite_s_own_lock(path: Path) -> None:
    """A process that closes any other handle of the file loses its POSIX locks on it, and then
    another process may delete a log in use (sqlite.org/howtocorrupt.html 2.2)."""

    def probe() -> str:
        command = [sys.executable, "-c", PROBE_LOCK, str(path)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()

    with StoreWriter(path, "first") as writer:
        writer.begin_run(RunHeader(run="a", job="j", started_utc_us=0))
        assert probe() == "kept"
        StoreReader(path).close()
        assert probe() == "kept"
        with pytest.raises(StoreHeldError):
            StoreWriter(path, "second")
        assert probe() == "kept"
    with StoreReader(path) as reader:
        reader.runs()
        StoreWriter(path, "third").close()
        assert probe() == "kept"


@pytest.mark.parametrize("note", [b"", b"\xff\xfe", b"[]", b'{"pid": "x"}', b"null"])
def test_a_broken_note_still_locks(note: bytes, path: Path) -> None:
    with StoreWriter(path, "first"):
        path.with_name("invented.db.lock").write_bytes(note)
        with pytest.raises(StoreHeldError, match="held by another riselog"):
            StoreWriter(path, "second")


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has other rights")
def test_files_are_for_their_owner_alone(path: Path) -> None:
    with StoreWriter(path, "test") as writer:
        writer.begin_run(RunHeader(run="a", job="j", started_utc_us=0))
        modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in path.parent.iterdir()}
    suffixes = ("", "-wal", "-shm", ".lock", ".reserve")
    assert modes == {f"invented.db{suffix}": 0o600 for suffix in suffixes}


def test_settings_of_the_connection(path: Path) -> None:
    """Durability: WAL with FULL syncs on every commit (sqlite.org/pragma.html#pragma_synchronous)."""
    with StoreWriter(path, "test") as writer:
        found = {
            name: writer._conn.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys", "application_id", "user_version")
        }
    assert found == {
        "journal_mode": "wal",
        "synchronous": 2,
        "foreign_keys": 1,
        "application_id": int.from_bytes(b"RSLG"),
        "user_version": 1,
    }


def test_a_clean_end_leaves_one_whole_file(path: Path) -> None:
    StoreWriter(path, "test").close()
    assert sorted(p.name for p in path.parent.iterdir()) == ["invented.db", "invented.db.lock"]


NOT_STORES = {
    "text": b"time,probe,quantity\n" * 200,
    "short": b"x",
}


@pytest.mark.parametrize("name", NOT_STORES)
def test_another_file_is_refused_and_left_alone(name: str, path: Path) -> None:
    path.write_bytes(NOT_STORES[name])
    for opened in (lambda: StoreWriter(path, "test"), lambda: StoreReader(path)):
        with pytest.raises(StoreError, match="is not a riselog store"):
            opened()
    assert path.read_bytes() == NOT_STORES[name]


@pytest.mark.parametrize("change", ["CREATE TABLE other (x)", "PRAGMA application_id = 7"])
def test_another_database_is_refused(change: str, path: Path, raw: sqlite3.Connection) -> None:
    raw.execute(change)
    with pytest.raises(StoreError, match="is not a riselog store"):
        StoreWriter(path, "test")
    with pytest.raises(StoreError, match="is not a riselog store"):
        StoreReader(path)
    assert raw.execute("PRAGMA journal_mode").fetchone() == ("delete",)


def test_a_newer_store_is_refused(golden: Path, raw: sqlite3.Connection) -> None:
    raw.execute("PRAGMA user_version = 2")
    sentence = "written by a newer riselog .store version 2, this one knows 1.; use that riselog or another"
    with pytest.raises(StoreError, match=sentence):
        StoreWriter(golden, "test")
    with pytest.raises(StoreError, match=sentence):
        StoreReader(golden)


def test_a_damaged_store_is_named(golden: Path) -> None:
    data = bytearray(golden.read_bytes())
    data[4096:8192] = b"\x07" * 4096  # the second page
    golden.write_bytes(data)
    with StoreReader(golden) as reader, pytest.raises(StoreError, match="is damaged"):
        reader.store_id()


def test_reading_needs_a_store(path: Path) -> None:
    with pytest.raises(StoreError, match="there is no store at"):
        StoreReader(path)
    path.touch()
    with pytest.raises(StoreError, match="is empty"):
        StoreReader(path)


def test_reading_without_a_place_for_the_side_files(golden: Path) -> None:
    """SQLite needs the -shm file to read a store in WAL mode (sqlite.org/wal.html#read_only_databases)."""
    side = golden.with_name("invented.db-shm")
    side.symlink_to(side.name)  # cannot be opened, for root neither
    with pytest.raises(StoreError, match="its -wal and -shm files cannot be opened or made in"):
        StoreReader(golden)


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="making the store's folder"):
        StoreWriter(tmp_path / "file" / "x.db", "test")


# Migration: no second version exists yet, so the frame is tried with invented steps.

STEPS = {1: ("ALTER TABLE run ADD COLUMN note TEXT", "UPDATE run SET note = 'moved'")}


def test_migration_keeps_a_copy_of_the_old_store(golden: Path, raw: sqlite3.Connection) -> None:
    copy = schema.migrate(raw, golden, 1, 2, STEPS)
    assert copy == golden.with_name("invented.db.v1")
    assert raw.execute("SELECT run, note FROM run").fetchall() == [("f00dcafe01", "moved")]
    assert raw.execute("PRAGMA user_version").fetchone() == (2,)
    assert stat.S_IMODE(copy.stat().st_mode) & 0o077 == 0 or sys.platform == "win32"
    with StoreReader(copy) as reader:
        assert [row.run for row in reader.runs()] == ["f00dcafe01"]


def test_a_failing_migration_changes_nothing(golden: Path, raw: sqlite3.Connection) -> None:
    with pytest.raises(StoreError, match="bringing the store to version 2"):
        schema.migrate(raw, golden, 1, 2, {1: (*STEPS[1], "INSERT INTO nowhere VALUES (1)")})
    assert raw.execute("PRAGMA user_version").fetchone() == (1,)
    with StoreReader(golden) as reader:
        assert len(reader.runs()) == 1
    columns = [row[1] for row in raw.execute("PRAGMA table_info(run)")]
    assert "note" not in columns


def test_no_migration_without_space(
    golden: Path, raw: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(1, 1, 1000))  # type: ignore[attr-defined]
    with pytest.raises(StoreFullError, match=r"there is no space; free 1\d MB"):
        schema.migrate(raw, golden, 1, 2, STEPS)
    assert sorted(p.name for p in golden.parent.iterdir()) == ["invented.db"]


def test_the_newest_version_needs_no_migration(golden: Path, raw: sqlite3.Connection) -> None:
    assert schema.migrate(raw, golden, 1) is None


# The released schema: a file made when version 1 was fixed, against values written out here.


def test_golden_store_is_read(golden: Path) -> None:
    with StoreReader(golden) as reader:
        run = reader.find_run("f00d")
        header, (row,) = reader.header(run), reader.runs()
        (block,) = reader.blocks(run)
        assert (header.job, header.seed, header.scenario, header.simulated) == (
            "invented-hall",
            7,
            "standard",
            True,
        )
        assert (header.versions, header.files) == ({"riselog": "0.1.0"}, {"traverse.json": "{}"})
        assert header.clock_segments == (ClockSegment(t_ns=0, utc_us=T0_US),)
        assert (row.verdict, row.end_reason, row.readings) == ("meets", "ended", 3)
        assert block.channels == (
            ("ret", Quantity.TEMPERATURE),
            ("sup", Quantity.TEMPERATURE),
            ("ret", Quantity.HUMIDITY),
        )
        assert block.seq.tolist() == [0, 1, 3]
        assert block.t_ns.tolist() == [0, 1000, 10**9]
        assert block.channel.tolist() == [0, 1, 2]
        assert block.value.tolist() == [20.5, 47.25, 655.35]
        assert [FLAG_CODES[code] for code in block.flag] == [Flag.OK, Flag.CLOCK_JUMP, Flag.NOT_KNOWN]
        assert reader.trace(run) == [
            (0.0, 1.0, 20.5, 20.5, 47.25, 26.75, 0.0061, 98800.0, None, 1.17, 32000.0, None)
        ]
        mark = Event(t_ns=1000, code="mark", text="filter door shut", origin="shell")
        assert reader.events(run) == (StoredEvent(seq=2, event=mark, utc_us=T0_US + 1),)
        firing = StoredResult(seq=4, t_ns=10**9, scope="firing", document='{"output_w":31790.0}')
        assert reader.results(run)[0] == firing
        assert reader.storage_gaps(run) == (StorageGap(first_seq=5, last_seq=9, count=5),)
        assert reader.snapshot(run) == Snapshot(t_ns=10**9, phase=Phase.FAN, phase_since_s=1.0)


def test_golden_store_is_written_on(golden: Path) -> None:
    with StoreWriter(golden, "test") as writer, StoreReader(golden) as reader:
        writer.begin_run(RunHeader(run="new", job="invented-hall", started_utc_us=0))
        assert [row.run for row in reader.runs()] == ["f00dcafe01", "new"]


def test_released_schema_is_not_edited(golden: Path, tmp_path: Path) -> None:
    fresh = tmp_path / "fresh.db"
    StoreWriter(fresh, "test").close()
    texts = []
    for file in (golden, fresh):
        conn = sqlite3.connect(file)
        texts.append(conn.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall())
        texts.append(conn.execute("SELECT code, name FROM flag ORDER BY code").fetchall())
        conn.close()
    assert texts[:2] == texts[2:]
    assert [name for _, name in texts[1]] == [
        "ok", "late", "out-of-range", "not-known", "clock-jump", "duplicate",
    ]  # fmt: skip


def test_trace_table_has_the_columns_of_the_core(golden: Path, raw: sqlite3.Connection) -> None:
    columns = [row[1] for row in raw.execute("PRAGMA table_info(trace)")]
    assert columns == ["id", *TRACE_COLUMNS]


# Places.

# Layout of the lines: proc_pid_mountinfo(5); the servers are invented.
MOUNTINFO = """\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw
30 22 0:40 / /srv/nfs rw shared:5 - nfs4 server:/export rw,vers=4.2
31 30 254:1 / /srv/nfs/local rw - ext4 /dev/vdb rw
32 22 0:41 / /mnt/My\\040Share rw - cifs //server/share rw
33 22 0:42 / /home/x/far rw,nosuid - fuse.sshfs x@server: rw
34 22 0:43 / /over rw - ext4 /dev/vdc rw
35 22 0:44 / /over rw - nfs server:/export rw
broken line
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/srv/nfs/data", "nfs4"),
        ("/mnt/My Share", "cifs"),
        ("/home/x/far/away", "fuse.sshfs"),
        ("/over", "nfs"),
    ],
)
def test_network_file_systems_are_refused(folder: str, kind: str) -> None:
    with pytest.raises(StoreError, match=f"network file system .{kind}.*use a local folder"):
        refuse_network(Path(folder) / "x.db", MOUNTINFO, "linux")


@pytest.mark.parametrize("folder", ["/home/x", "/srv/nfs/local/data", "/srv/nfs-backup", "/mnt/My"])
def test_local_file_systems_are_not(folder: str) -> None:
    refuse_network(Path(folder) / "x.db", MOUNTINFO, "linux")


@pytest.mark.parametrize(
    ("kind", "network"),
    [
        ("lustre", True),
        ("gpfs", True),
        ("fuse.s3fs", True),
        ("fuse.sshfs", True),
        ("fuse.ntfs-3g", False),
        ("fuseblk", False),
        ("ext4", False),
        ("overlay", False),
        ("9p", False),
    ],
)
def test_types_of_file_systems(kind: str, network: bool) -> None:  # noqa: FBT001
    assert is_network(kind) is network


# As mount(8) of macOS prints it: what on where (type, options).
MAC_MOUNTS = """/dev/disk3s1s1 on / (apfs, sealed, local, read-only, journaled)
/dev/disk3s5 on /System/Volumes/Data (apfs, local, journaled, nobrowse)
//me@server.example/share on /Volumes/My share (smbfs, nodev, nosuid, mounted by me)
server.example:/export on /Volumes/export (nfs, asynchronous)
"""


@pytest.mark.parametrize(
    ("system", "mounts", "path", "kind"),
    [
        ("darwin", MAC_MOUNTS, "/Volumes/My share/a/x.db", "smbfs"),
        ("darwin", MAC_MOUNTS, "/Volumes/export/x.db", "nfs"),
        ("darwin", MAC_MOUNTS, "/System/Volumes/Data/x.db", ""),
        ("darwin", MAC_MOUNTS, "/Volumes/exported/x.db", ""),
        ("win32", "", r"\\server\share\x.db", "a share"),
        ("win32", "Z", r"Z:\data\x.db", "a network drive"),
        ("win32", "Z", r"C:\data\x.db", ""),
        ("win32", "", r"\\?\C:\data\x.db", ""),
        ("freebsd14", None, "/mnt/x.db", ""),
    ],
)
def test_each_system_tells_it_in_its_own_way(system: str, mounts: str | None, path: str, kind: str) -> None:
    if not kind:
        refuse_network(Path(path), mounts, system)
        return
    with pytest.raises(StoreError, match=f"network file system .{kind}"):
        refuse_network(Path(path), mounts, system)


def test_an_empty_file_that_becomes_a_store_is_for_its_owner_alone(path: Path) -> None:
    path.touch(mode=0o644)
    path.chmod(0o644)
    with StoreWriter(path, "test"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_stores_in_other_places_are_remembered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "set"))
    own, other, gone = store_path("hall-1"), tmp_path / "other.db", tmp_path / "gone.db"
    for place in (own, other):
        StoreWriter(place, "test").close()
    for place in (own, other, gone, other):
        remember(place)
    assert all_stores() == (own, other)
    notes = tmp_path / "set" / "riselog" / "elsewhere.txt"
    assert notes.read_text().splitlines() == [str(other), str(gone)]
    assert stat.S_IMODE(notes.stat().st_mode) == 0o600
    monkeypatch.setenv("RISELOG_DATA_DIR", "/proc/nowhere")
    remember(other)  # cannot be noted, and harms nothing
    assert all_stores() == ()


def test_stores_lie_in_the_data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "set"))
    assert store_path("hall-1") == tmp_path / "set" / "riselog" / "hall-1.db"
    assert store_path("hall-1", tmp_path) == tmp_path / "riselog" / "hall-1.db"
    assert all_stores() == ()
    for job in ("b", "a"):
        StoreWriter(store_path(job), "test").close()
    assert [path.name for path in all_stores()] == ["a.db", "b.db"]
    monkeypatch.delenv("RISELOG_DATA_DIR")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    if sys.platform == "linux":  # XDG Base Directory Specification
        assert store_path("hall-1") == tmp_path / "xdg" / "riselog" / "hall-1.db"


@pytest.mark.parametrize("job", ["", "../x", "a b", "a/b", "x" * 65, "a\n"])
def test_job_names_are_checked(job: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="letters, digits, - and _"):
        store_path(job, tmp_path)


@pytest.mark.parametrize("word", ["file", "file/below", "link"])
def test_a_data_folder_that_is_none_is_named(
    word: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    monkeypatch.setenv(DATA_DIR_VARIABLE, str(tmp_path / word))
    named = re.escape(str(tmp_path / word.partition("/")[0]))
    with pytest.raises(StoreError, match=f"^RISELOG_DATA_DIR: {named} is no folder; set it to a folder"):
        store_path("north")
    monkeypatch.setenv(DATA_DIR_VARIABLE, str(tmp_path / "new" / "below"))
    assert store_path("north") == tmp_path / "new" / "below" / "riselog" / "north.db"
