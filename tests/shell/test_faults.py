"""Whatever happens ends in an exit code and one sentence that is true of it."""

import errno
import sys
from pathlib import Path
from typing import Any

import pytest

import logger.stored
from logger.cli import main
from logger.faults import complain, guarded


def raising(error: BaseException) -> Any:
    def command(*_args: Any, **_more: Any) -> int:
        raise error

    return command


def ended(arguments: list[str]) -> int:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert isinstance(end.value.code, int)
    return end.value.code


def test_ctrl_c_in_a_command_that_is_no_run_is_said(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(logger.stored, "runs_command", raising(KeyboardInterrupt()))
    assert ended(["runs"]) == 130
    assert "ended by Ctrl-C" in capsys.readouterr().err


def test_a_fault_does_not_speak_of_what_was_logged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Most commands log nothing; a run says for itself what of it is stored."""
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr(logger.stored, "runs_command", raising(ZeroDivisionError("planted")))
    assert ended(["runs"]) == 1
    said = capsys.readouterr().err
    assert "internal fault in 'runs' (ZeroDivisionError: planted)" in said
    assert "stored" not in said


def test_a_file_of_our_own_that_fails_is_not_taken_for_the_output(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    assert guarded(raising(OSError(errno.ENOSPC, "No space left on device", "some.file")), "x") == 1
    assert "internal fault" in capsys.readouterr().err


def test_without_standard_error_a_message_does_not_land_in_the_answer(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "stderr", None)
    complain("hello")
    monkeypatch.undo()
    assert capsys.readouterr().out == ""
