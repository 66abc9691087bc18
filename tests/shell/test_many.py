"""Many runs computed at once: each as `replay` computes it alone, and none lost by another's failure."""

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.load import loads_config
from logger.core.errors import RiselogError, UsageError
from logger.documents import versions
from logger.export import export_command
from logger.many.cluster import Versions, need_cluster
from logger.many.command import many_command, many_document, many_exit_code, many_lines
from logger.many.inputs import jobs_of
from logger.many.job import Answer, Content, Job, answered
from logger.many.spread import Load, Room, flown, over_processes
from logger.replay import replay_command
from logger.source_file import file_source
from tests.benchmarks.day import CONFIG, write_day
from tests.shell.cluster import ROOT, local_cluster

GUARD_S = 120.0  # a hang fails the test; nothing waits for this in the good case
SECONDS = 2_700  # one firing of the invented unit


class Fleet:
    """Two stores with three runs, and one of them as CSV and as Parquet, in a folder of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = os.environ | {"RISELOG_DATA_DIR": str(folder / "data"), "NO_COLOR": "1"}
        self.serial: dict[str, Any] = {}  # what `replay` says of each run alone
        write_day(folder / "day.csv", SECONDS)
        for job, output in (("north", "31.9 kW"), ("south", "36 kW")):
            text = CONFIG.replace("bench-day", job).replace("31.9 kW", output)
            place = f'\n[store]\npath = "{folder.as_posix()}/{job}.db"\n'
            (folder / f"{job}.toml").write_text(text + place, encoding="utf-8")
        for job in ("north", "south", "north"):
            document = said(
                replay_command, str(folder / "day.csv"), folder / f"{job}.toml", store=True, json=True
            )
            self.serial[json.loads(document)["run"]] = json.loads(document)
        self.runs = list(self.serial)
        north = folder / "north.toml"
        for ending in ("csv", "parquet"):
            export_command(self.runs[0], north, output=folder / f"r.{ending}", form=None, what="readings")

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "logger", "replay", "--many", *arguments],
            cwd=self.folder,
            env=self.environment | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def __call__(self, *arguments: str) -> tuple[int, str, str]:
        with self.start(*arguments) as process:
            out, err = process.communicate(timeout=GUARD_S)
        assert "Traceback" not in err, err
        return process.returncode, out, err


def said(command: Any, *arguments: Any, **options: Any) -> str:
    raw = io.BytesIO()
    sink = io.TextIOWrapper(raw, encoding="utf-8")
    with contextlib.redirect_stdout(sink), contextlib.redirect_stderr(io.StringIO()):
        command(*arguments, **options)
        sink.flush()
    return raw.getvalue().decode()


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return Fleet(tmp_path_factory.mktemp("fleet"))


def numbers(document: dict[str, Any]) -> dict[str, Any]:
    """What was computed: all but where it stands and when a file of it was read."""
    apart = ("source", "run", "stored", "started_utc", "ended_utc")
    return {key: value for key, value in document.items() if key not in apart}


INPUTS = ("north.db", "r.parquet", "south.db", "gone.csv", "r.csv")


@pytest.fixture(scope="module")
def local(fleet: Fleet) -> tuple[int, str, str]:
    return fleet(*INPUTS, "--jobs", "2", "--json")


def test_each_is_what_replay_says_of_it_alone(fleet: Fleet, local: tuple[int, str, str]) -> None:
    """Floats compared exactly; a run of a store keeps its id, and the order is that of the inputs."""
    document = json.loads(local[1])
    assert document["schema"] == "riselog.many/1"
    first, parquet, last, second = [document["results"][n] for n in (0, 2, 3, 1)]
    north = [fleet.runs[0], fleet.runs[2]]
    assert [(r["source"], r["run"]) for r in (first, second)] == [(f"north.db:{run}", run) for run in north]
    assert last["run"] == fleet.runs[1]
    for found, run in ((first, north[0]), (second, north[1]), (parquet, north[0]), (last, fleet.runs[1])):
        assert numbers(found) == numbers(fleet.serial[run])
        assert found["stored"] is False
    assert first["firing"] is not None
    assert (first["verdict"], last["verdict"]) != (None, first["verdict"])


def test_a_failing_input_is_told_and_harms_no_other(local: tuple[int, str, str]) -> None:
    code, out, err = local
    assert code == 2
    gone, table = json.loads(out)["failed"]
    assert (gone["input"], table["input"]) == ("gone.csv", "r.csv")
    assert gone["reason"].startswith("gone.csv: there is no such file")
    assert "name the job's config with --config" in table["reason"]
    assert gone["reason"] in err
    assert table["reason"] in err
    assert len(json.loads(out)["results"]) == 4


def test_a_fault_in_a_file_names_its_line(fleet: Fleet) -> None:
    lines = (fleet.folder / "r.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    (fleet.folder / "bad.csv").write_text("".join([*lines[:6], "2026,x,y\n", *lines[6:]]), encoding="utf-8")
    code, out, _ = fleet("bad.csv", "r.csv", "--config", "south.toml", "--json")
    document = json.loads(out)
    assert code == 2
    assert document["failed"][0]["reason"].startswith("bad.csv:7: 3 fields")
    assert numbers(document["results"][0]) == numbers(fleet.serial[fleet.runs[1]])  # with that config


def test_the_same_file_gives_the_same_document(fleet: Fleet, local: tuple[int, str, str]) -> None:
    again = json.loads(fleet("r.parquet", "--json")[1])
    assert again["results"] == [r for r in json.loads(local[1])["results"] if r["source"] == "r.parquet"]


def test_a_table_for_people(fleet: Fleet) -> None:
    code, out, _ = fleet("south.db", "gone.csv")
    assert code == 2
    head, line, lost = out.splitlines()
    firing = fleet.serial[fleet.runs[1]]["firing"]
    assert head.split() == ["run", "job", "verdict", "output", "of", "plate", "input"]
    assert f"{firing['output_w'] / 1000:.1f} ± {firing['output_u95_w'] / 1000:.1f} kW" in line
    assert fleet.serial[fleet.runs[1]]["verdict"] in line
    assert "failed" in lost
    assert "gone.csv" in lost


def test_a_cluster_gives_the_same_bytes(fleet: Fleet, local: tuple[int, str, str], tmp_path: Path) -> None:
    """Dask's scheduler and two workers, processes in another folder, where the names mean nothing."""
    with local_cluster(tmp_path / "cluster") as address:
        done = fleet(*INPUTS, "--scheduler", address, "--json")
        assert done == local
        broken = fleet("bad-there.csv", "--config", "north.toml", "--scheduler", address, "--json")
    assert broken[0] == 2
    assert "bad-there.csv" in broken[1]


LOST = """
import os, signal, sys
from logger.many.cluster import over_cluster
from logger.many.inputs import jobs_of

def main():
    jobs = list(enumerate(jobs_of(["r.parquet"] * 9, None, 0)))
    answers = over_cluster(jobs, sys.argv[1])
    print(next(answers)[1].reason or "good", flush=True)
    sys.stdin.readline()
    for _, answer in answers:
        print(answer.reason or "good", flush=True)

if __name__ == "__main__":
    main()
"""


def test_a_cluster_that_dies_is_told_for_each_that_it_lost(fleet: Fleet, tmp_path: Path) -> None:
    with local_cluster(tmp_path / "cluster") as address:
        process = subprocess.Popen(
            [sys.executable, "-c", LOST, address],
            cwd=fleet.folder,
            env=fleet.environment | {"PYTHONPATH": str(ROOT)},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "good\n"
    out, err = process.communicate("\n", timeout=GUARD_S)
    rest = out.splitlines()
    assert err == ""
    assert process.returncode == 0
    assert len(rest) == 8
    assert {line for line in rest if line != "good"}
    assert all(line == "good" or line.startswith("the cluster lost it (") for line in rest)


def test_no_scheduler_and_no_address(fleet: Fleet) -> None:
    code, out, err = fleet("r.parquet", "--scheduler", "tcp://127.0.0.1:9", "--json")
    assert (code, out) == (4, "")
    assert "no scheduler answers at tcp://127.0.0.1:9" in err
    with pytest.raises(UsageError, match=r"'lab' is no address; write it as tcp://"):
        need_cluster("lab")


def test_the_missing_extra_is_named(monkeypatch: pytest.MonkeyPatch, fleet: Fleet) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match=r"pip install 'riselog\[cluster\]'"):
        many_command(["r.parquet"], None, scheduler="tcp://127.0.0.1:9", jobs=None, json=True)
    monkeypatch.setitem(sys.modules, "logger.tables.parquet_read", None)
    with pytest.raises(UsageError, match=r"pip install 'riselog\[parquet\]'"):
        file_source(fleet.folder / "r.parquet", None, 0)


def test_a_worker_of_another_version(capsys: pytest.CaptureFixture[str]) -> None:
    """Of another riselog nothing is taken; another numpy is told, once."""
    checked = Versions()
    good = Answer(label="a", document={"firing": None}, versions=versions())
    assert checked.checked(good) == good
    assert capsys.readouterr().err == ""
    other = replace(good, versions=versions() | {"numpy": "0.1"})
    assert [checked.checked(other), checked.checked(other)] == [other, other]
    assert capsys.readouterr().err.count("numpy 0.1") == 1
    refused = checked.checked(replace(good, versions=versions() | {"riselog": "9.9"}))
    assert refused.document is None
    assert "has riselog 9.9" in refused.reason
    assert refused.exit_code == 4


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["a", "b"], "say --many"),
        (["a", "--jobs", "2"], "say --many"),
        (["a", "--many", "--jobs", "0"], "at least one process"),
        (["a", "--many", "--jobs", "2", "--scheduler", "tcp://x:1"], "leave it out with --scheduler"),
    ],
)
def test_wrong_use(arguments: list[str], part: str, capsys: pytest.CaptureFixture[str]) -> None:
    from logger.cli import main

    with pytest.raises(SystemExit) as end:
        main(["replay", *arguments])
    assert end.value.code == 2
    assert part in capsys.readouterr().err


class Deadly(str):
    """Ends the process that is handed it."""

    __slots__ = ()

    def __reduce__(self) -> Any:
        return os._exit, (9,)


def test_a_process_that_is_killed_loses_its_own_job_alone(fleet: Fleet) -> None:
    jobs = [job for job in jobs_of([str(fleet.folder / "r.parquet")] * 4, None, 0) if isinstance(job, Job)]
    jobs[1] = replace(jobs[1], path=Deadly("x"))
    answers = dict(over_processes(list(enumerate(jobs)), 2))
    assert sorted(answers) == [0, 1, 2, 3]
    assert "was killed" in answers[1].reason
    assert all(answers[n].document == answered(jobs[0]).document for n in (0, 2, 3))


def children(pid: int) -> set[int]:
    """Of a process, as Linux tells them."""
    try:
        return set(map(int, Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()))
    except FileNotFoundError:
        return set()


def until(condition: Any) -> None:
    deadline = time.monotonic() + GUARD_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.02)  # other processes; nothing tells us


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_an_end_before_its_time(fleet: Fleet, number: int) -> None:
    """What is computed is kept, one document is written, and no process stays behind; even by SIGKILL."""
    process = fleet.start(*["r.parquet"] * 400, "--jobs", "2", "--json")
    until(lambda: len(children(process.pid)) >= 3)  # two that compute, and Python's own tracker
    started = children(process.pid)
    process.send_signal(number)
    out, err = process.communicate(timeout=GUARD_S)
    # a child that starts while its parent is killed says so itself: Python's words, nobody is left to help
    assert number == signal.SIGKILL or "Traceback" not in err
    until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in started))
    if number != signal.SIGKILL:
        assert process.returncode == 130
        assert "ended before all were computed; what is computed is shown" in err
        document = json.loads(out)
        assert len(document["results"]) + len(document["failed"]) == 400
        assert {one["reason"] for one in document["failed"]} == {"not computed: ended before"}


def test_exit_codes() -> None:
    """The gravest of the failures; without any: 3 where nothing was steady."""
    steady, none = {"firing": {"output_w": 1.0}}, {"firing": None}

    def code(*answers: dict[str, Any]) -> int:
        return many_exit_code([Answer(label="x", **answer) for answer in answers])

    assert code({"document": steady}, {"document": none}) == 0
    assert code({"document": none}) == 3
    assert code({"document": steady}, {"reason": "x", "exit_code": 2}) == 2
    assert code({"reason": "x", "exit_code": 2}, {"reason": "x", "exit_code": 4}) == 4
    assert code({"reason": "x", "exit_code": 4}, {"reason": "x", "exit_code": 1}) == 1


def test_text_from_outside_is_cleaned() -> None:
    lost = Answer(label="a\x1b[31m\nb", reason="x")
    assert "\x1b" not in "".join(many_lines([lost]))
    assert len(many_lines([lost])) == 2
    assert many_document([lost])["results"] == []


class Waiting(Executor):
    """Answers only when it has been given as much as there is room for."""

    def __init__(self, room: int) -> None:
        self.room = room
        self.most = 0
        self._given: list[tuple[Future[Answer], Job]] = []

    def submit(self, _function: Any, /, *args: Any, **_: Any) -> Any:
        self._given.append((Future(), args[0]))
        self.most = max(self.most, len(self._given))
        future = self._given[-1][0]
        if len(self._given) >= self.room:
            self.answer()
        return future

    def answer(self) -> None:
        for future, job in self._given:
            future.set_result(Answer(label=job.label))
        self._given = []


@settings(deadline=None)
@given(st.lists(st.integers(0, 9), max_size=40), st.integers(1, 7))
def test_no_more_is_in_flight_than_there_is_room_for(sizes: list[int], room: int) -> None:
    """Each comes back once; one that is larger than all the room goes alone."""
    executor = Waiting(room)

    def loads() -> Iterator[Load]:
        for number, size in enumerate(sizes):
            content = Content(table=bytes(size))
            yield Load(number=number, job=Job(label=str(number), path="x", now_utc_us=0, content=content))
        executor.answer()

    seen = []
    for load, future in flown(executor, loads(), Room(loads=room)):
        seen.append(load.number)
        assert future.result().label == str(load.number)
    assert sorted(seen) == list(range(len(sizes)))
    assert executor.most <= room

    flying: dict[Future[Answer], Load] = {}
    for load in loads():
        if not Room(loads=room, size=10).left(flying):
            break
        flying[Future()] = load
    assert sum(load.size for load in list(flying.values())[:-1]) < 10


def test_what_nobody_computes_any_more_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.many.spread.LOOK_S", 0.0)
    job = Job(label="a", path="x", now_utc_us=0)
    ((load, future),) = flown(Waiting(9), iter([Load(number=0, job=job)]), Room(loads=1), alive=lambda: False)
    assert load.job == job
    assert isinstance(future.exception(), ConnectionError)


COLUMNS: dict[str, Any] = {
    "time": pa.array([0, 10**6], pa.timestamp("us", tz="UTC")),
    "probe": ["ret", "ret"],
    "quantity": ["temperature", "temperature"],
    "value": [20.0, 21.0],
    "unit": ["degC", "degC"],
}


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"value": [20.0, None]}, r"row 2: .*value"),
        ({"value": [float("nan"), 1.0]}, r"row 1: .*nan"),
        ({"value": ["x", "y"]}, r"not readable as Parquet of readings"),
        ({"unit": ["degC", "furlong"]}, r"row 2: .*furlong"),
        ({"quantity": ["temperature", None]}, r"row 2: "),
        ({"time": pa.array([0, None], pa.timestamp("us", tz="UTC"))}, r"row 2: .*time"),
        ({"time": [{"a": 1}, {"a": 2}]}, r"not readable as Parquet of readings"),
        ({"probe": None}, r"no column probe"),
        ({}, r"carries no config"),
    ],
)
def test_parquet_with_a_fault(change: dict[str, Any], sentence: str, tmp_path: Path) -> None:
    columns = {name: column for name, column in (COLUMNS | change).items() if column is not None}
    pq.write_table(pa.table(columns), tmp_path / "t.parquet")
    with pytest.raises(RiselogError, match=sentence):
        file_source(tmp_path / "t.parquet", None, 0)


@pytest.mark.parametrize("data", [b"", b"PAR1", b"PAR1" + bytes(40) + b"PAR1", b"time,probe\n"])
def test_what_is_no_parquet(data: bytes, tmp_path: Path) -> None:
    (tmp_path / "t.parquet").write_bytes(data)
    with pytest.raises(RiselogError, match=r"not readable as Parquet of readings"):
        file_source(tmp_path / "t.parquet", None, 0)


def test_parquet_of_another_program(tmp_path: Path) -> None:
    """Other order, other units, other precision, a column more: as in CSV, with a config beside it."""
    table = pa.table(
        {
            "note": ["a", "b"],
            "value": pa.array([68.0, 212.0], pa.float32()),  # °F
            "time": pa.array([1_000, 2_000], pa.timestamp("ms")),
            "unit": pa.array(["°F", "°F"]).dictionary_encode(),
            "probe": ["ret", "ret"],
            "quantity": ["temperature", "temperature"],
        }
    )
    pq.write_table(table, tmp_path / "t.parquet")
    found = file_source(tmp_path / "t.parquet", loads_config(CONFIG, "t", None), 0)
    (block,) = found.source.blocks
    assert block.value.tolist() == [20.0, 100.0]  # freezing 32, boiling 212: the definition of the scale
    assert block.t_ns.tolist() == [0, 10**9]
    assert found.source.started_utc_us == 10**6
