"""Wrong use: one clear sentence on stderr, nothing on stdout, exit code 2."""

import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

PARTS = {
    "unknown key": (('tolerance = "5 %"', 'tolerence = "5 %"'), ("job.toml:", "tolerence", "tolerance")),
    "unknown unit": (
        ('input = "135000 Btu/h"', 'input = "135000 Btuh"'),
        ("job.toml:", "unit.input", "Btu/h"),
    ),
    "bare number": (('u95 = "4 %"', "u95 = 4"), ("job.toml:", "airflow.u95")),
    "unknown driver": (
        ('[probes.ret]\nrole = "return"\ndriver = "sim"', '[probes.ret]\nrole = "return"\ndriver = "sym"'),
        ("job.toml:", "sym", "'sim'"),
    ),
    "rise reversed": (('rise = ["35 °F", "65 °F"]', 'rise = ["65 °F", "35 °F"]'), ("job.toml:", "unit.rise")),
    "no supply": (('role = "supply"', 'role = "outdoor"'), ("job.toml", "supply")),
    "no return": (('role = "return"', 'role = "outdoor"'), ("job.toml", "return")),
    "not TOML": (("[unit]", "[unit"), ("job.toml:", "TOML")),
    "unknown scenario": (('scenario = "standard"', 'scenario = "standerd"'), ("standerd", "standard")),
}


def one_sentence(done: Any, *parts: str) -> None:
    assert done.code == 2, done.err
    assert done.out == ""
    lines = [line for line in done.err.splitlines() if any(part in line for part in parts)]
    assert len(lines) == 1, done.err
    for part in parts:
        assert part in lines[0]


@pytest.mark.parametrize("command", ["run", "replay"])
@pytest.mark.parametrize("case", PARTS, ids=lambda case: case.replace(" ", "-"))
def test_a_bad_config(program: Any, write_config: Any, case: str, command: str) -> None:
    change, parts = PARTS[case]
    config = write_config(change)
    if command == "run":
        one_sentence(program("run", config, "--json"), *parts)
    elif case != "unknown scenario":  # a replay opens no driver
        one_sentence(program("replay", "last", "--config", config, "--json"), *parts)


def test_a_bad_line_in_a_csv_leaves_nothing_stored(program: Any, write_config: Any) -> None:
    rows = [f"{t},ret,temperature,21.0,degC,ok" for t in range(100)]
    rows[70] = "70,ret,temperature,warm,degC,ok"
    path = program.folder / "readings.csv"
    path.write_text("time,probe,quantity,value,unit,flag\n" + "\n".join(rows) + "\n", encoding="utf-8")
    one_sentence(program("replay", path, "--config", write_config(), "--json"), "readings.csv:72", "warm")
    assert program("runs", "--json").document == []


def test_a_csv_needs_a_config(program: Any) -> None:
    one_sentence(program("replay", "some/readings.csv"), "--config")


@pytest.mark.parametrize(
    ("arguments", "parts"),
    [
        (("replay", "zzz", "--json"), ("no run is stored", "riselog demo")),
        (("export", "last"), ("no run is stored",)),
        (("run", "nowhere.toml", "--json"), ("nowhere.toml", "cannot be read")),
        (("replay", "x" * 300, "--json"), ("no run is stored",)),
        (("replay", "x" * 300 + ".csv", "--config", "nowhere.toml"), ("nowhere.toml", "cannot be read")),
        (("demo", "--scenario", "standart"), ("standart", "closest: standard")),
        (("demo", "--speed", "fast"), ("--speed 'fast'", "max")),
        (("demo", "--speed", "-1"), ("--speed", "above 0")),
        (("demo", "--seed", "-1"), ("sim.seed",)),
        (
            ("output", "--airflow", "1850", "--return", "70F", "--supply", "118F"),
            ("--airflow", "needs a unit"),
        ),
        (("output", "--airflow", "1850 cfm", "--return", "118F", "--supply", "70F"), ("below the return",)),
        (
            ("output", "--airflow", "1850 cfm", "--return", "70F", "--supply", "118F", "--at", "roof"),
            ("--at 'roof'", "return or supply"),
        ),
        (
            (
                "output",
                *("--airflow", "1850 cfm", "--return", "70F", "--supply", "118F"),
                *("--altitude", "700 ft", "--pressure", "98 kPa"),
            ),
            ("--altitude and --pressure",),
        ),
    ],
)
def test_bad_arguments(program: Any, arguments: tuple[str, ...], parts: tuple[str, ...]) -> None:
    one_sentence(program(*arguments), *parts)


def test_a_check_of_a_file_that_is_not_there(program: Any) -> None:
    done = program("check", "nowhere.toml", "--json")
    assert done.code == 2
    (line,) = done.document["checks"]
    assert (line["code"], line["ok"]) == ("config", False)
    assert "nowhere.toml: cannot be read (No such file or directory)" in line["text"]
    assert line["next"]


def test_a_csv_whose_name_is_too_long(program: Any, write_config: Any) -> None:
    done = program("replay", "x" * 300 + ".csv", "--config", write_config(), "--json")
    one_sentence(done, ".csv: cannot be read (File name too long)")


@pytest.mark.parametrize(
    ("options", "parts"),
    [
        (("--for", "45"), ("--for", "needs a unit")),
        (("--for", "0 min"), ("--for", "above 0")),
        (("--for", "-3min"), ("--for", "above 0")),
        (("--until", "tomorrow"), ("--until 'tomorrow'", "'result'")),
    ],
)
def test_bad_limits(
    program: Any, write_config: Any, options: tuple[str, ...], parts: tuple[str, ...]
) -> None:
    one_sentence(program("run", write_config(), *options), *parts)


def test_an_unknown_run_names_candidates(demo: Any) -> None:
    program, live = demo
    one_sentence(program("replay", "zzzz"), "zzzz", live.document["run"])
    one_sentence(program("export", "last", "--what", "rows"), "--what 'rows'", "readings or trace")
    one_sentence(program("export", "last", "--format", "xls"), "--format 'xls'", "csv")
    one_sentence(program("export", "last", "--output", "no/such/folder/x.csv"), "x.csv")
    one_sentence(program("export", "last", "--output", "."), "--output . is a folder")
    one_sentence(program("export", "last", "--output", "/"), "--output / is a folder")
    (program.folder / "f.txt").write_text("x")
    one_sentence(program("export", "last", "--output", "f.txt/x.csv"), "x.csv", "Not a directory")


def test_a_store_that_is_none(program: Any, write_config: Any) -> None:
    other = program.folder / "other.db"
    other.write_text("this is a diary, not a store, and it is quite a bit longer than a header\n" * 40)
    config = write_config(("[sim]", f'[store]\npath = "{other}"\n\n[sim]'))
    done = program("run", config, "--json")
    assert done.code == 4
    assert "not a riselog store" in done.err
    assert other.read_text().startswith("this is a diary")


def test_usage_errors_of_the_command_line(program: Any) -> None:
    assert program("nonsense").code == 2
    assert program("run").code == 2
    assert program("runs", "--nonsense").code == 2


def test_a_fault_of_our_own_is_one_sentence_and_a_log(program: Any, tmp_path: Path) -> None:
    """A plug-in's command that breaks stands for any fault that nobody foresaw."""
    info = tmp_path / "plug" / "breaking-1.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: breaking\nVersion: 1\n")
    (info / "entry_points.txt").write_text("[riselog.commands]\nbreak = breaking:app\n")
    (info.parent / "breaking.py").write_text(
        "import typer\napp = typer.Typer()\n@app.command()\ndef go() -> None:\n    raise KeyError('gone')\n"
    )
    done = program("break", env={"PYTHONPATH": str(info.parent)})
    assert done.code == 1
    (line,) = done.err.splitlines()
    assert "KeyError" in line
    log = program.data / "riselog" / "log" / "riselog.log"
    assert str(log) in line
    assert "Traceback" in log.read_text()
    assert log.stat().st_mode & 0o077 == 0


TYPED = ("output", "--airflow", "1850 cfm", "--return", "70F", "--supply", "118F")


def test_an_answer_on_an_output_that_has_only_ascii(program: Any) -> None:
    ascii_only = {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0"}
    done = program(*TYPED, env=ascii_only)
    assert (done.code, done.err) == (0, "")
    assert "rise         48.0 F" in done.out


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("to", ["/dev/full", "&-"])
@pytest.mark.parametrize(
    "command",
    [
        TYPED,
        (*TYPED, "--json"),
        ("runs", "--json"),
        ("runs",),
        ("demo", "--list"),
        ("check", "nowhere.toml"),
        ("demo", "--speed", "max", "--scenario", "short-firing", "--json"),
        ("demo", "--speed", "max", "--scenario", "short-firing", "--headless"),
    ],
    ids=lambda command: " ".join(command[:1] + command[-1:]),
)
def test_an_output_that_cannot_be_written(program: Any, command: tuple[str, ...], to: str) -> None:
    shown = shlex.join([sys.executable, "-m", "logger", *command])
    done = subprocess.run(
        ["bash", "-c", f"{shown} >{to}"],
        env=program.environment,
        cwd=program.folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 4, done.stderr
    (line,) = [line for line in done.stderr.splitlines() if "standard output" in line]
    assert "closed" in line if to == "&-" else "No space left on device" in line
    assert "internal fault" not in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_an_export_that_cannot_be_written(demo: Any) -> None:
    program, _ = demo
    for to, part in (("/dev/full", "No space left"), ("&-", "closed")):
        done = subprocess.run(
            ["bash", "-c", f"{shlex.quote(sys.executable)} -m logger export last >{to}"],
            env=program.environment,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 4
        (line,) = done.stderr.splitlines()
        assert part in line


FAILING = """
from pydantic import BaseModel
class Options(BaseModel): ...
class Driver:
    name, simulated, Options = "failing", False, Options
    def __init__(self, probes, context):
        raise KeyError("planted")
    async def run(self): ...
    async def reach(self, seconds): return []
"""


def test_a_plug_in_that_cannot_be_started_is_named(
    program: Any, write_config: Any, install_driver: Any
) -> None:
    install_driver("failing", FAILING)
    config = write_config(('driver = "sim"', 'driver = "failing"'))
    text = config.read_text(encoding="utf-8")
    config.write_text(text[: text.index("[sim]")], encoding="utf-8")
    done = program("run", config, "--json")
    assert (done.code, done.out) == (4, "")
    (line,) = [line for line in done.err.splitlines() if "failing" in line]
    assert (
        "driver 'failing' cannot be started (KeyError: 'planted'); report it to the author of failing 1;"
        in line
    )
    checked = program("check", config, "--json")
    assert checked.code == 4
    (bad,) = [c for c in checked.document["checks"] if not c["ok"]]
    assert "driver 'failing' cannot be started" in bad["text"]
    assert bad["next"].startswith("report it to the author of failing 1; details: ")
    assert bad["next"].endswith("; then check again")
    assert "config" not in bad["next"]


def test_a_store_path_that_is_a_folder(program: Any, write_config: Any) -> None:
    folder = program.folder / "folder"
    folder.mkdir()
    config = write_config(("[sim]", f'[store]\npath = "{folder}"\n\n[sim]'))
    done = program("run", config, "--json")
    assert done.code == 4
    assert f"{folder} is a folder; name a file in it" in done.err
    checked = program("check", config, "--json")
    assert checked.code == 4
    (bad,) = [c for c in checked.document["checks"] if not c["ok"]]
    assert f"{folder} is a folder; name a file in it" in bad["text"]


def test_a_store_in_a_place_where_none_can_be(program: Any, write_config: Any) -> None:
    config = write_config(("[sim]", '[store]\npath = "/proc/nowhere/x.db"\n\n[sim]'))
    done = program("run", config, "--json")
    assert done.code == 4
    assert "[Errno" not in done.err


GOOD_COMMAND = """
import typer
app = typer.Typer()
@app.command(help="Says hello.")
def go() -> None:
    typer.echo("hello")
"""


def test_commands_of_plug_ins_are_in_the_help(program: Any, tmp_path: Path) -> None:
    folder = tmp_path / "plug"
    for name, text in (("greet", GOOD_COMMAND), ("shatter", "raise KeyError('planted')")):
        info = folder / f"{name}-1.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1\n")
        (info / "entry_points.txt").write_text(f"[riselog.commands]\n{name} = {name}:app\n")
        (folder / f"{name}.py").write_text(text)
    env = {"PYTHONPATH": str(folder)}
    done = program("--help", env=env)
    assert done.code == 0
    listed = [line.split()[0] for line in done.out.splitlines() if line.startswith("  ")]
    assert listed.index("export") < listed.index("greet") < listed.index("shatter")
    assert "Says hello." in done.out
    assert program("greet", env=env).out == "hello\n"
    broken = program("shatter", "--whatever", "x", env=env)
    assert broken.code == 2
    assert "command 'shatter' of shatter cannot be loaded (KeyError: 'planted')" in broken.err
