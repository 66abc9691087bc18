"""The real program in processes of its own, with a data folder of its own."""

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

GUARD_S = 120  # a hang fails the test; nothing waits for this in the good case


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str

    @property
    def document(self) -> Any:
        """The one JSON document that stdout is."""
        return json.loads(self.out)


class Program:
    """Runs ``riselog`` with ``RISELOG_DATA_DIR`` in a folder of the test."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / "data"
        self._started: list[subprocess.Popen[str]] = []

    @property
    def environment(self) -> dict[str, str]:
        return os.environ | {
            "RISELOG_DATA_DIR": str(self.data),
            "PYTHONUNBUFFERED": "1",
            "NO_COLOR": "1",
        }

    def __call__(self, *arguments: str | Path, env: dict[str, str] | None = None) -> Done:
        done = subprocess.run(
            [sys.executable, "-m", "logger", *map(str, arguments)],
            env=self.environment | (env or {}),
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=GUARD_S,
            check=False,
        )
        assert "Traceback" not in done.stderr, done.stderr
        return Done(done.returncode, done.stdout, done.stderr)

    async def begin(self, *arguments: str) -> asyncio.subprocess.Process:
        """For a test that has a loop to keep."""
        return await asyncio.create_subprocess_exec(
            sys.executable,
            "-m",
            "logger",
            *arguments,
            env=self.environment,
            cwd=self.folder,
            stdin=asyncio.subprocess.DEVNULL,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
        )

    def start(self, *arguments: str | Path) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", "logger", *map(str, arguments)],
            env=self.environment,
            cwd=self.folder,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self._started.append(process)
        return process

    def wait_for(self, process: subprocess.Popen[str], part: str) -> str:
        """Read the process's messages up to the line that has the part."""
        assert process.stderr is not None
        seen = []
        for line in process.stderr:
            seen.append(line)
            if part in line:
                return line
        raise AssertionError(f"{part!r} never came: {seen}")

    def end(self, process: subprocess.Popen[str]) -> Done:
        """Wait for the end of a started process."""
        out, err = process.communicate(timeout=GUARD_S)
        assert "Traceback" not in err, err
        return Done(process.returncode, out, err)

    @property
    def store(self) -> Path:
        """The one store of the data folder."""
        (path,) = (self.data / "riselog").glob("*.db")
        return path

    def close(self) -> None:
        for process in self._started:
            if process.poll() is None:
                process.kill()
            process.communicate()


@pytest.fixture
def program(tmp_path: Path) -> Iterator[Program]:
    made = Program(tmp_path)
    yield made
    made.close()


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Program, Done]:
    """One whole run of the standard scenario, shared by the tests that only look at it."""
    made = Program(tmp_path_factory.mktemp("demo"))
    return made, made("demo", "--headless", "--speed", "max", "--json")


@pytest.fixture
def install_driver(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str], None]:
    """A plug-in with the class ``Driver``, found by the program's next start."""

    def install(name: str, text: str) -> None:
        info = tmp_path / "plug" / f"{name}-1.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1\n")
        (info / "entry_points.txt").write_text(f"[riselog.drivers]\n{name} = {name}:Driver\n")
        (info.parent / f"{name}.py").write_text(text)
        before = os.environ.get("PYTHONPATH")
        path = str(info.parent) if before is None else f"{info.parent}{os.pathsep}{before}"
        monkeypatch.setenv("PYTHONPATH", path)

    return install


@pytest.fixture
def write_config(tmp_path: Path) -> Callable[..., Path]:
    """A config file of the standard scenario with some words changed."""
    from simulators.scenarios import SCENARIOS

    def write(*changes: tuple[str, str], scenario: str = "standard", name: str = "job.toml") -> Path:
        text = SCENARIOS[scenario].config_text
        for old, new in changes:
            assert old in text, f"{old!r} is not in the config"
            text = text.replace(old, new)
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return write
