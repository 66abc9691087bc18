"""`riselog --help` starts at once: what is heavy is imported by the command that needs it."""

import subprocess
import sys

HEAVY = {
    "asyncio",
    "bleak",
    "drivers",
    "jinja2",
    "matplotlib",
    "numpy",
    "prompt_toolkit",
    "psychrolib",
    "pyarrow",
    "pydantic",
    "sqlite3",
}
"""Of the simulators the few lines of `play`'s options are no burden: what is heavy of them needs numpy."""


def loaded_after(code: str) -> set[str]:
    script = f"{code}\nimport sys\nprint('\\n'.join(sys.modules))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    return {name.split(".")[0] for name in done.stdout.split()}


def test_help_imports_nothing_heavy() -> None:
    code = "from logger.cli import cli\ntry:\n    cli(['--help'])\nexcept SystemExit:\n    pass"
    assert "typer" in loaded_after(code)
    assert not loaded_after(code) & HEAVY


def test_a_replay_loads_no_driver_and_no_radio() -> None:
    assert not loaded_after("import logger.replay") & {"bleak", "drivers", "simulators", "prompt_toolkit"}


def test_an_export_as_csv_does_without_the_extra() -> None:
    assert "pyarrow" not in loaded_after("import logger.export")
