"""Watching a run from its store: what is shown, what it costs the logger, and how it ends."""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.config.load import loads_config
from logger.core.errors import StoreError, UsageError
from logger.core.readings import NS_PER_S
from logger.core.snapshot import Event, Phase, ProbeState, Snapshot
from logger.registry import DriverOptions
from logger.screen.glyphs import ASCII
from logger.screen.keys import press
from logger.screen.model import CommandKind, ScreenState
from logger.screen.state_blocks import footer
from logger.store import Batch, RunEnd, RunHeader, StorageGap, StoredEvent, StoreHeldError, StoreWriter
from logger.watching import Watcher, watch_command
from simulators.scenarios import SCENARIOS

UTC0 = 1_700_000_000_000_000
CONFIG = SCENARIOS["standard"].config_text
WATCHING = ScreenState(watching=True)


def picture(t_s: int, firing_start_s: float | None = None) -> Snapshot:
    return Snapshot(
        t_ns=t_s * NS_PER_S,
        phase=Phase.FAN,
        phase_since_s=0.0,
        firing_start_s=firing_start_s,
        output_w=31_790.0,
        rise_k=27.1,
        probes=(ProbeState(name="ret", role="return", temperature_c=20.8),),
    )


def trace(first_s: int, last_s: int) -> list[tuple[float | None, ...]]:
    """t_s, phase, entering_c, return_c, supply_c, rise_k, and the rest."""
    return [(float(t), 1.0, 21.0, 21.0, 48.0, 27.0, *([None] * 6)) for t in range(first_s, last_s)]


class Logger:
    """What a live run writes, by hand."""

    def __init__(self, path: Path, run: str = "r1", command: str = "riselog run hall.toml") -> None:
        self.path, self.run = path, run
        self.writer = StoreWriter(path, command)
        self._seq = 0

    def begin(self) -> None:
        header = RunHeader(run=self.run, job="hall", started_utc_us=UTC0, config_text=CONFIG, simulated=True)
        self.writer.write(Batch(run=self.run, header=header))

    def commit(self, t_s: int, *, firing: float | None = None, code: str = "", lost: int = 0) -> None:
        events = []
        if code:
            self._seq += 1
            event = Event(t_ns=t_s * NS_PER_S, code=code, text=f"{code} at {t_s}", origin="shell")
            events.append(StoredEvent(seq=self._seq, event=event))
        gaps = [StorageGap(first_seq=0, last_seq=9, count=lost)] if lost else []
        self.writer.write(
            Batch(
                run=self.run,
                trace=trace(max(t_s - 10, 0), t_s),
                snapshot=picture(t_s, firing),
                events=events,
                gaps=gaps,
                broker="connected, 3 wait",
            )
        )

    def end(self, reason: str = "stopped") -> None:
        end = RunEnd(ended_utc_us=UTC0, end_reason=reason, result_json='{"verdict": "meets"}')
        self.writer.write(Batch(run=self.run, end=end))


@pytest.fixture
def path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    return tmp_path / "riselog" / "hall.db"


def test_the_picture_is_that_of_the_logger(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    watcher = Watcher(path)
    watcher.look()
    assert (watcher.shown, watcher.ended) == (None, "")
    logger.commit(10, code="firing", lost=7)
    watcher.look()
    view = watcher.view(WATCHING)
    assert view.snapshot == picture(10)
    assert (view.job, view.simulated, view.elapsed_s, view.speed) == ("hall", True, 10.0, None)
    assert view.broker == "connected, 3 wait"
    assert [e.code for e in view.events] == ["firing"]
    assert view.store is not None
    assert view.store.lost == 7
    assert [p.t_s for p in view.history] == [float(t) for t in range(10)]
    logger.commit(20)
    watcher.look()
    watcher.look()  # nothing new: nothing twice
    assert [p.t_s for p in watcher.view(WATCHING).history] == [float(t) for t in range(20)]
    point = watcher.view(WATCHING).history[-1]
    assert (point.return_c, point.supply_c, point.rise_k, point.phase) == (21.0, 48.0, 27.0, Phase.FAN)
    logger.writer.close()


def test_a_late_watcher_sees_the_firing_from_before_its_start(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    logger.writer.write(Batch(run="r1", trace=trace(0, 5_000), snapshot=picture(5_000, 4_800.0)))
    watcher = Watcher(path)
    watcher.look()
    times = [p.t_s for p in watcher.view(WATCHING).history]
    assert times[0] <= 4_800.0 - 60.0
    assert times[0] > 4_800.0 - 200.0
    assert times[-1] == 4_999.0
    logger.writer.close()


def test_a_look_holds_nothing_back(path: Path) -> None:
    """sqlite.org/wal.html: a checkpoint can only run to its end when no reader uses the log."""
    logger = Logger(path)
    logger.begin()
    watcher = Watcher(path)
    for t_s in (10, 20, 30):
        logger.commit(t_s)
        watcher.look()
        with closing(sqlite3.connect(path)) as other:
            busy, _, _ = other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        assert busy == 0
    logger.commit(40)
    assert logger.writer.unended_runs() == ("r1",)
    logger.writer.close()


def test_the_end_of_a_run_is_told(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    logger.commit(10)
    watcher = Watcher(path)
    watcher.look()
    logger.end()
    watcher.look()
    assert watcher.ended == "run r1 has ended (stopped): meets; `riselog report r1` shows it"
    logger.writer.close()


def test_a_logger_that_is_gone_without_an_end(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    logger.commit(10)
    watcher = Watcher(path)
    watcher.look()
    logger.writer.close()  # the lock goes, the run stays open: as after a kill
    watcher.look()
    assert watcher.ended.startswith("the logger is gone and run r1 has no end; the next `riselog run`")


def test_a_logger_that_never_began_a_run(path: Path) -> None:
    logger = Logger(path)
    watcher = Watcher(path)
    watcher.look()
    logger.writer.close()
    watcher.look()
    assert watcher.ended == "the logger has ended; `riselog runs` lists what is stored"


def test_a_logger_that_is_started_again_is_told(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed and started again between two looks: another process holds the store."""
    logger = Logger(path)
    logger.begin()
    logger.commit(10)
    pid = [4_001]
    held = StoreHeldError("held", 0, "riselog run hall.toml")
    monkeypatch.setattr("logger.watching.logger_of", lambda _path: _with_pid(held, pid[0]))
    first, second = Watcher(path), Watcher(path)
    for watcher in (first, second):
        watcher.look()
        assert watcher.ended == ""
    pid[0] = 4_002
    first.look()  # the new one has not come to it yet
    assert (
        first.ended
        == "the logger has ended and another was started (pid 4002); `riselog watch` shows its run"
    )
    logger.writer.mark_ended("r1")
    second.look()
    assert second.ended.startswith("run r1 has ended (interrupted)")
    logger.writer.close()


def _with_pid(held: StoreHeldError, pid: int) -> StoreHeldError:
    held.pid = pid
    return held


def test_without_a_terminal_the_first_line_says_who_is_watched(
    path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    logger = Logger(path)
    logger.begin()
    logger.commit(10)
    looks = []

    def end_later(watcher: Watcher) -> None:
        looks.append(watcher)
        if len(looks) == 2:
            logger.end()
        look(watcher)

    look = Watcher.look
    monkeypatch.setattr(Watcher, "look", end_later)
    assert watch_command(None) == 0
    seen = capsys.readouterr()
    assert seen.out.splitlines()[0] == (
        "watching run r1 of job hall (simulated), begun 2023-11-14 22:13:20 UTC"
    )
    assert "run r1 has ended (stopped)" in seen.err
    logger.writer.close()


def test_a_run_that_the_logger_first_settles_is_not_the_one_to_watch(path: Path) -> None:
    old = Logger(path, "cut-off")
    old.begin()
    old.commit(10)
    old.writer.close()
    logger = Logger(path, "r2")
    watcher = Watcher(path)
    watcher.look()
    logger.writer.mark_ended("cut-off")
    watcher.look()
    assert watcher.ended == ""
    assert watcher.view(WATCHING).snapshot == picture(10)  # until there is a newer one
    logger.begin()
    logger.commit(3)
    watcher.look()
    assert watcher.view(WATCHING).snapshot == picture(3)
    assert [p.t_s for p in watcher.view(WATCHING).history] == [0.0, 1.0, 2.0]
    logger.writer.close()


def test_a_full_disk_and_a_silent_store_are_said(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    logger.commit(10, code="disk-full")
    watcher = Watcher(path)
    watcher.look()
    store = watcher.view(WATCHING).store
    assert store is not None
    assert not store.ok
    assert "disk-full at 10" in store.text
    logger.commit(20, code="disk-space-back")
    watcher.look()
    store = watcher.view(WATCHING).store
    assert store is not None
    assert store.ok
    assert store.committed_age_s is not None
    wal = path.with_name(path.name + "-wal")
    os.utime(wal, (wal.stat().st_atime, wal.stat().st_mtime - 60.0))
    watcher.look()
    store = watcher.view(WATCHING).store
    assert store is not None
    assert "nothing was stored for 6" in store.text
    logger.writer.close()


def test_a_store_that_cannot_be_read_for_a_moment_leaves_the_last_picture(path: Path) -> None:
    logger = Logger(path)
    logger.begin()
    logger.commit(10)
    watcher = Watcher(path)
    watcher.look()
    away = path.with_name("away.db")
    path.rename(away)
    watcher.look()
    view = watcher.view(WATCHING)
    assert view.snapshot == picture(10)
    assert view.store is not None
    assert "there is no store at" in view.store.text
    away.rename(path)
    watcher.look()
    assert watcher.trouble == ""
    logger.writer.close()


def test_without_a_logger_there_is_nothing_to_watch(path: Path, tmp_path: Path) -> None:
    config = tmp_path / "job.toml"
    config.write_text(CONFIG, encoding="utf-8")
    for asked in (None, config):
        with pytest.raises(StoreError, match="no logger runs") as caught:
            watch_command(asked)
        assert caught.value.exit_code == 4
    Logger(path).writer.close()  # a store whose lock file is there, and nobody holds it
    with pytest.raises(StoreError, match="no logger runs"):
        watch_command(None)


def test_a_command_that_only_holds_the_store_is_no_logger(path: Path) -> None:
    other = Logger(path, command="riselog replay last")
    with pytest.raises(StoreError, match="no logger runs"):
        watch_command(None)
    other.writer.close()


def test_of_several_loggers_one_must_be_named(path: Path) -> None:
    first = Logger(path)
    second = Logger(path.with_name("roof.db"), command="riselog run roof.toml")
    with pytest.raises(UsageError, match=r"2 loggers run here.*hall\.toml.*roof\.toml") as caught:
        watch_command(None)
    assert caught.value.exit_code == 2
    first.writer.close()
    second.writer.close()


def test_the_keys_of_who_only_watches() -> None:
    for key in ("e", "E"):
        assert press(WATCHING, key) == (WATCHING, None)
    state, command = press(WATCHING, "u")
    assert (state.units, state.watching) == ("si", True)
    assert press(WATCHING, "q")[1].kind is CommandKind.END  # type: ignore[union-attr]
    for width in (40, 80, 120):
        text = footer(WATCHING, width, ASCII).plain
        assert "WATCHING" in text
        assert "[e]" not in text
        assert "[q] leave" in text
    assert "[q] leave" in footer(ScreenState(watching=True, help_open=True), 80, ASCII).plain
    assert command is not None


def test_the_effective_config_of_a_run_gives_units_and_speed() -> None:
    config = loads_config(CONFIG, "test", DriverOptions())
    again = loads_config(config.effective_text, "stored", None, stored=config.files)
    assert (again.units, again.sim) == (config.units, config.sim)
