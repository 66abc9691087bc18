"""``traverse take`` in processes of its own: on a pseudo-terminal of 80 x 24, and from a pipe."""

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.traverse.file import load_traverse, loads_traverse

pytestmark = pytest.mark.terminal

ENTER, LEAVE = b"\x1b[?1049h", b"\x1b[?1049l"
GUARD_S = 60.0  # a hang fails the test
FPM = 0.00508  # m/s, exact: 0.3048 / 60
TYPED = ("--duct", "20 in x 14 in", "--points", "2x2", "--method", "equal-area", "--temperature", "70 °F")


class Terminal:
    """``riselog traverse take`` on a terminal; ``wait_for`` looks only at what came after the last one."""

    def __init__(self, program: Any, *arguments: str, term: str = "xterm-256color") -> None:
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self.before = termios.tcgetattr(self.slave)
        self.seen = b""
        self.at = 0
        self.process = subprocess.Popen(
            [sys.executable, "-m", "logger", "traverse", "take", *arguments],
            env=program.environment | {"TERM": term, "LANG": "C.UTF-8"},
            cwd=program.folder,
            stdin=self.slave,
            stdout=self.slave,
            stderr=self.slave,
            start_new_session=True,
        )

    def wait_for(self, *parts: str) -> str:
        """The first of some texts that comes."""
        until_s = time.monotonic() + GUARD_S
        while not (found := [(at, p) for p in parts if (at := self.seen.find(p.encode(), self.at)) >= 0]):
            left_s = until_s - time.monotonic()  # the screen is redrawn all the time
            ready = left_s > 0.0 and select.select([self.master], [], [], left_s)[0]
            assert ready, f"{parts!r} never came: {self.seen[self.at :][-2000:]!r}"
            self.seen += os.read(self.master, 65536)
        at, part = min(found)
        self.at = at + len(part.encode())
        return part

    def capture(self, key: str, then: str) -> None:
        """Take a steady value; on a busy computer it moves again before the key is there."""
        while True:
            self.wait_for("[Enter] takes the average")
            self.type(key)
            if self.wait_for(then, "Not taken") == then:
                return

    def type(self, text: str) -> None:
        os.write(self.master, text.encode())

    def begin(self) -> None:
        """Past the start page."""
        self.wait_for("BEFORE YOU START")
        self.type("\r")
        self.wait_for("Point 1 of 4")

    def end(self) -> int:
        """Drain the terminal until the process has ended; its exit code."""
        while self.process.poll() is None:
            if select.select([self.master], [], [], 0.05)[0]:
                self.seen += os.read(self.master, 65536)
        while select.select([self.master], [], [], 0)[0]:
            self.seen += os.read(self.master, 65536)
        assert b"Traceback" not in self.seen
        return self.process.returncode

    @property
    def after(self) -> str:
        """What was said after the screen was given back."""
        return self.seen[self.seen.rindex(LEAVE) :].decode()

    def assert_restored(self) -> None:
        assert termios.tcgetattr(self.slave) == self.before
        assert self.seen.rindex(LEAVE) > self.seen.rindex(ENTER)
        assert self.seen.rindex(b"\x1b[?25h") > self.seen.rindex(b"\x1b[?25l")

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def take(program: Any) -> Iterator[Callable[..., Terminal]]:
    made: list[Terminal] = []

    def start(*arguments: str, term: str = "xterm-256color") -> Terminal:
        made.append(Terminal(program, *arguments, term=term))
        return made[-1]

    yield start
    for one in made:
        one.close()


@pytest.fixture
def file(program: Any) -> Path:
    return Path(program.folder) / "traverse.json"


def speeds(path: Path) -> list[int]:
    """Velocities in fpm, in walking order."""
    return [round((p.velocity_m_s or 0.0) / FPM) for p in load_traverse(path).points]


def test_a_typed_walk_with_redo_back_and_skip(take: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("800 fpm\r")
    shown.wait_for("Point 1 is saved")
    assert speeds(file) == [800]
    shown.type("810\r")  # the unit typed before
    shown.wait_for("Point 2 is saved")
    shown.type("r")
    shown.wait_for("Again point 2")
    assert speeds(file) == [800, 810]  # nothing is lost before there is a new value
    shown.type("815 fpm\r")
    shown.wait_for("Point 2 is saved")
    shown.type("s")
    shown.wait_for("Point 3 is skipped")
    shown.type("830 fpm\r")
    shown.wait_for("Point 1 of 4 ONCE MORE")
    assert speeds(file) == [800, 815, 830]
    shown.type("b")
    shown.wait_for("Back at point 4")
    shown.type("b")
    shown.wait_for("Back at point 3")
    shown.type("0.0424 in.wg\r")
    shown.wait_for("ONCE MORE")
    shown.type("792 fpm\r")
    shown.wait_for("END OF THE WALK")
    shown.wait_for("airflow ")
    shown.type("\r")
    assert shown.end() == 0
    shown.assert_restored()
    traverse = load_traverse(file)
    assert traverse.complete
    assert [p.velocity_pressure_pa is not None for p in traverse.points] == [False, False, True, False]
    # conventional inch of water 249.0889 Pa (NIST SP 811 B.8)
    assert traverse.points[2].velocity_pressure_pa == pytest.approx(0.0424 * 249.0889, rel=1e-5)
    assert traverse.repeat_first is not None
    assert traverse.repeat_first.velocity_m_s == pytest.approx(792 * FPM)
    assert "4 of 4 points are saved" in shown.after
    assert 'traverse = "traverse.json"' in shown.after
    assert "(-1.0 %)" in shown.after  # 792 / 800


@pytest.fixture
def sim_config(write_config: Any) -> Path:
    path: Path = write_config(('speed = "max"', "speed = 40"))
    return path


def test_a_probe_captures_when_it_stands(take: Any, file: Path, sim_config: Path) -> None:
    shown = take(str(sim_config), "--duct", "20 in x 14 in", "--points", "2x2", "--method", "equal-area")
    shown.wait_for("SIMULATED")
    shown.begin()
    for n in range(4):
        shown.capture("\r", f"Point {n + 1} is saved")
    shown.wait_for("ONCE MORE")
    shown.capture(" ", "END OF THE WALK")
    shown.type("q")
    assert shown.end() == 0
    shown.assert_restored()
    traverse = load_traverse(file)
    # the scenario's own flow through its own duct: simulators.unit, 2120 cfm through 0.25 m2
    true_m_s = 2120 * 0.3048**3 / 60 / 0.25
    for point in (*traverse.points, traverse.repeat_first):
        assert point is not None
        assert point.velocity_m_s == pytest.approx(true_m_s, rel=0.05)
        assert point.scatter_m_s is not None
        assert 0.0 < point.scatter_m_s < 0.4
    assert "SIMULATED" in (traverse.notes or "")
    assert traverse.temperature_c == pytest.approx(21.0, abs=1.5)  # from the return probe
    assert traverse.probe == "duct (sim)"


def test_no_flow_is_never_captured_silently(take: Any, file: Path, write_config: Any) -> None:
    config = write_config(('speed = "max"', "speed = 5"))  # the fan is off for the first 12 s of wall time
    shown = take(str(config), "--duct", "20 in x 14 in", "--points", "2x2", "--method", "equal-area")
    shown.begin()
    shown.wait_for("LOOK AGAIN")
    shown.type("\r")
    shown.wait_for("Once more takes it as it is")
    assert speeds(file) == []
    shown.type("\r")
    shown.wait_for("Point 1 is saved with no flow")
    shown.type("q")
    assert shown.end() == 0
    traverse = load_traverse(file)
    assert traverse.points[0].velocity_m_s == pytest.approx(0.0, abs=0.15)
    assert "no flow" in (traverse.notes or "")


def test_kill_minus_nine_in_the_middle_and_resume(take: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    for n, value in enumerate(("800 fpm", "810 fpm", "820 fpm")):
        shown.type(f"{value}\r")
        shown.wait_for(f"Point {n + 1} is saved")
    shown.type("83")  # the point in hand is what may be lost
    shown.wait_for("value: 83_")
    shown.process.send_signal(signal.SIGKILL)
    shown.process.wait()
    assert speeds(file) == [800, 810, 820]
    assert not load_traverse(file).complete
    again = take("--resume", "traverse.json")
    again.wait_for("3 points are in traverse.json already")
    again.type("\r")
    again.wait_for("Point 4 of 4")
    again.type("830 fpm\r")
    again.wait_for("ONCE MORE")
    again.type("q")
    assert again.end() == 0
    again.assert_restored()
    assert speeds(file) == [800, 810, 820, 830]
    times = [p.t_s or 0.0 for p in load_traverse(file).points]
    assert times == sorted(times)


def test_a_bad_value_is_told_and_asked_again(take: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("812\r")
    shown.wait_for("needs a unit")
    shown.type(" furlongs\r")
    shown.wait_for("unknown unit")
    shown.type("\x1b")
    shown.wait_for("type the value")
    shown.type("\r")
    shown.wait_for("There is no probe")
    assert speeds(file) == []
    shown.type("812 fpm\r")
    shown.wait_for("Point 1 is saved")
    shown.type("q")
    assert shown.end() == 0
    assert speeds(file) == [812]


@pytest.mark.parametrize("how", ["ctrl-c", "sigterm", "sighup", "sigint"])
def test_every_way_out_saves_and_gives_the_terminal_back(take: Any, file: Path, how: str) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("812 fpm\r")
    shown.wait_for("Point 1 is saved")
    if how == "ctrl-c":
        shown.type("\x03")
    else:
        shown.process.send_signal(getattr(signal, how.upper()))
    assert shown.end() == 0
    shown.assert_restored()
    assert speeds(file) == [812]
    assert "--resume traverse.json" in shown.after


def test_a_take_without_a_point_leaves_no_file(take: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("q")
    assert shown.end() == 0
    shown.assert_restored()
    assert not file.exists()


def test_a_temperature_walk_with_typed_values(take: Any, file: Path) -> None:
    shown = take(*TYPED[:-2], "--quantity", "temperature")
    shown.begin()
    shown.type("118 °F 800 fpm\r")
    shown.wait_for("Point 1 is saved")
    shown.type("119 °F\r")
    shown.wait_for("now type its velocity")
    shown.type("790 fpm\r")
    shown.wait_for("Point 2 is saved")
    shown.type("q")
    assert shown.end() == 0
    points = load_traverse(file).points
    assert [round(p.temperature_c or 0.0, 2) for p in points] == [47.78, 48.33]
    assert speeds(file) == [800, 790]


def test_a_dumb_terminal_is_asked_line_by_line(take: Any, file: Path) -> None:
    shown = take(*TYPED, term="dumb")
    shown.wait_for("point 1 of 4: hole 1, mark 3 1/2 in")  # a quarter of 14 in
    shown.type("812\n")
    shown.wait_for("needs a unit")
    shown.type("812 fpm\n")
    shown.wait_for("Point 1 is saved")
    shown.process.send_signal(signal.SIGINT)
    assert shown.end() == 0
    assert ENTER not in shown.seen
    assert speeds(file) == [812]


# From a pipe


def piped(program: Any, text: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [sys.executable, "-m", "logger", "traverse", "take", *arguments],
        env=program.environment,
        cwd=program.folder,
        input=text,
        capture_output=True,
        text=True,
        timeout=GUARD_S,
        check=False,
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done


def test_lines_from_a_pipe(program: Any, file: Path) -> None:
    text = "# own notes\n800 fpm\n4.1 m/s\nr\n815 fpm\n\n820 fpm\n830 fpm\n805 fpm\n"
    done = piped(program, text, *TYPED)
    assert done.returncode == 0, done.stderr
    assert speeds(file) == [800, 815, 820, 830]
    assert load_traverse(file).repeat_first is not None
    assert "Before you drill" in done.stderr  # the cautions
    assert "airflow       " in done.stdout


def test_a_bad_line_ends_with_its_number_and_loses_nothing(program: Any, file: Path) -> None:
    done = piped(program, "800 fpm\n810 fpm\n12 apples\n820 fpm\n", *TYPED)
    assert done.returncode == 2
    assert "line 3 of standard input: '12 apples'" in done.stderr
    assert "2 points are saved in traverse.json; go on with --resume traverse.json" in done.stderr
    assert speeds(file) == [800, 810]
    done = piped(program, "820 fpm\n830 fpm\n", "--resume", "traverse.json")
    assert done.returncode == 0, done.stderr
    assert speeds(file) == [800, 810, 820, 830]


def test_lines_from_a_plain_file(program: Any, file: Path, tmp_path: Path) -> None:
    values = tmp_path / "values.txt"
    values.write_text("800 fpm\r\n810 fpm\r\n820 fpm\r\n830 fpm", encoding="utf-8")
    with values.open("rb") as source:
        done = subprocess.run(
            [sys.executable, "-m", "logger", "traverse", "take", *TYPED],
            env=program.environment,
            cwd=program.folder,
            stdin=source,
            capture_output=True,
            text=True,
            timeout=GUARD_S,
            check=False,
        )
    assert done.returncode == 0, done.stderr
    assert speeds(file) == [800, 810, 820, 830]


def test_a_pipe_that_ends_too_early_says_so_and_saves(program: Any, file: Path) -> None:
    done = piped(program, "800 fpm\n810 fpm\n820 fpm\n", *TYPED)
    assert done.returncode == 4
    assert "standard input ended before every point had a value" in done.stderr
    assert "go on with riselog traverse take --resume traverse.json" in done.stdout
    assert (speeds(file), load_traverse(file).complete) == ([800, 810, 820], False)
    done = piped(program, "q\n", "--resume", "traverse.json")
    assert done.returncode == 0, done.stderr  # left by a word of one's own
    done = piped(program, "s\n", "--resume", "traverse.json")
    assert done.returncode == 0, done.stderr  # the point was left out on purpose
    done = piped(program, "830 fpm\n", "--resume", "traverse.json")
    assert done.returncode == 0, done.stderr


def test_a_pipe_without_a_value(program: Any, file: Path) -> None:
    done = piped(program, "", *TYPED)
    assert done.returncode == 4
    assert "nothing was captured; nothing is kept" in done.stderr
    assert not file.exists()


def test_a_bad_first_line_names_no_file_that_is_not_there(program: Any, file: Path) -> None:
    done = piped(program, "12 apples\n820 fpm\n", *TYPED)
    assert done.returncode == 2
    assert "line 1 of standard input: '12 apples'" in done.stderr
    assert "nothing is kept" in done.stderr
    assert "--resume" not in done.stderr
    assert not file.exists()


def test_reverse_flow_in_a_pipe_is_taken_and_said(program: Any, file: Path) -> None:
    done = piped(program, "-12 Pa\n40 Pa\n-10 fpm\n820 fpm\n", *TYPED)
    assert done.returncode == 0, done.stderr
    assert "Point 1 is saved with reverse flow" in done.stdout
    assert "Point 3 is saved with no flow" in done.stdout
    traverse = load_traverse(file)
    assert traverse.points[0].velocity_pressure_pa == -12.0
    assert traverse.points[2].velocity_m_s == pytest.approx(-10 * FPM)
    assert "points 1, 3: no flow or reverse flow, taken as it was" in (traverse.notes or "")


def test_no_airflow_is_a_failure(program: Any, file: Path) -> None:
    done = piped(program, "-800 fpm\n-810 fpm\n-820 fpm\n-830 fpm\n", *TYPED)
    assert done.returncode == 4
    assert "No airflow: the mean velocity is" in done.stdout
    assert len(speeds(file)) == 4


def test_more_lines_than_points_are_told_beside_the_result(program: Any, file: Path) -> None:
    done = piped(program, "".join(f"{v} fpm\n" for v in range(800, 880, 10)), *TYPED)
    assert done.returncode == 0, done.stderr
    assert "3 values of standard input behind the last point took no part" in done.stderr
    assert "airflow       " in done.stdout
    assert speeds(file) == [800, 810, 820, 830]


@pytest.mark.parametrize("length", [1001, 5000, 200_000])
def test_a_line_too_long_is_refused_as_one(program: Any, file: Path, length: int) -> None:
    done = piped(program, f"800 fpm\n{'8' * length}\n810 fpm\n", *TYPED)
    assert done.returncode == 2
    assert "line 2 of standard input: it has more than 1000 bytes: give one value a line" in done.stderr
    assert speeds(file) == [800]
    done = piped(program, f"810 fpm{' ' * 993}\n820 fpm\n830 fpm", "--resume", "traverse.json")
    assert done.returncode == 0, done.stderr
    assert speeds(file) == [800, 810, 820, 830]


def test_nothing_but_the_file_stays_in_the_folder(program: Any, file: Path) -> None:
    before = {path.name for path in Path(program.folder).iterdir()}
    for text in ("800 fpm\n810 fpm\n820 fpm\n830 fpm\n", "12 apples\n", ""):
        file.unlink(missing_ok=True)
        piped(program, text, *TYPED)
    piped(program, "800 fpm\n", *TYPED)
    piped(program, "800 fpm\n", *TYPED)  # refused: the file is there
    assert {path.name for path in Path(program.folder).iterdir()} == before | {file.name}


def test_what_cannot_be_saved_is_printed_as_the_file_would_have_it(
    take: Any, program: Any, file: Path
) -> None:
    """The folder goes away under the walk, as a stick that is pulled."""
    folder = Path(program.folder) / "stick"
    folder.mkdir()
    shown = take(*TYPED, "--output", "stick/t.json")
    shown.begin()
    shown.type("800 fpm\r")
    shown.wait_for("Point 1 is saved")
    folder.rename(Path(program.folder) / "pulled")
    shown.type("810 fpm\r")
    shown.wait_for("NOT SAVED")
    shown.type("q")
    assert shown.end() == 4
    shown.assert_restored()
    text = shown.after[shown.after.index("{") : shown.after.rindex("}") + 1]
    points = loads_traverse(text.replace("\r\n", "\n"), "printed").points
    assert [round((p.velocity_m_s or 0.0) / FPM) for p in points] == [800, 810]
    assert "stands above as the text of its file" in shown.after


def test_a_second_take_of_one_file_is_refused(take: Any, program: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("800 fpm\r")
    shown.wait_for("Point 1 is saved")
    (Path(program.folder) / "other.json").symlink_to("traverse.json")
    for name in ("traverse.json", "other.json"):
        done = piped(program, "810 fpm\n", "--resume", name)
        assert done.returncode == 4
        assert f"{name}: another take (pid {shown.process.pid}) writes to it" in done.stderr
    done = piped(program, "810 fpm\n", *TYPED)  # not "is there already: go on with --resume"
    assert f"another take (pid {shown.process.pid}) writes to it" in done.stderr
    assert speeds(file) == [800]
    shown.type("810 fpm\rq")
    assert shown.end() == 0
    assert piped(program, "q\n", "--resume", "other.json").returncode == 0
    assert (Path(program.folder) / "other.json").is_symlink()


def test_typed_reverse_flow_is_asked_for_twice(take: Any, file: Path) -> None:
    shown = take(*TYPED)
    shown.begin()
    shown.type("-0.02 in.wg\r")
    shown.wait_for("TAKE IT AS IT IS?")
    shown.wait_for("hoses are swapped")
    assert speeds(file) == []
    shown.type("\r")
    shown.wait_for("Point 1 is saved with reverse flow")
    shown.type("q")
    assert shown.end() == 0
    assert load_traverse(file).points[0].velocity_pressure_pa == pytest.approx(-4.98, abs=0.01)


def test_an_empty_line_takes_what_the_probe_shows(program: Any, file: Path, sim_config: Path) -> None:
    grid = ("--duct", "20 in x 14 in", "--points", "2x2", "--method", "equal-area")
    done = piped(program, "\n\n\n\n\nq\n", str(sim_config), *grid)
    assert done.returncode == 0, done.stderr
    assert len(speeds(file)) == 4
    assert re.search(r"\d+ fpm ± \d+ fpm, \d+ readings", done.stdout)


def test_a_place_that_cannot_be_written_is_found_before_the_first_point(program: Any) -> None:
    done = piped(program, "800 fpm\n", *TYPED, "--output", "gone/t.json")
    assert done.returncode == 4
    assert "gone/t.json: cannot be written" in done.stderr


def test_wrong_use_is_one_sentence(program: Any) -> None:
    done = piped(program, "", "--duct", "20 in x 14 in")
    assert done.returncode == 2
    assert "--temperature is missing" in done.stderr


def test_json_is_one_document(program: Any) -> None:
    done = piped(program, "800 fpm\n810 fpm\n820 fpm\n830 fpm\n", *TYPED, "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert document["schema"] == "riselog.airflow/1"
    # mean of 800..830 fpm over 20 x 14 in, standard velocity: sum of products by hand
    assert document["standard_volume_m3_s"] == pytest.approx(815 * FPM * 20 * 14 * 0.0254**2, rel=1e-6)
    assert next(check for check in document["checks"] if check["code"] == "basis")["ok"]
