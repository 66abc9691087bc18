"""From any exception to one sentence and an exit code; the traceback goes to a log file."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TextIO, TypeGuard

from logger.core.errors import RiselogError
from logger.text import one_line

INTERNAL_FAULT = 1
ENDED_AT_ONCE = 130  # by a second Ctrl-C: 128 + SIGINT, the convention of POSIX shells
_OUTPUT_ERRORS = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)
LOG_LIMIT = 1 << 20  # bytes; assumed: some hundred tracebacks, then the log starts anew


class ReaderGoneError(Exception):
    """Who reads our output has had enough: `| head`."""


class CutOffError(Exception):
    """Ctrl-C, as it comes out of the command line library."""


class OutputError(RiselogError):
    """What a command has to say cannot be written."""

    exit_code = 4


def log_path() -> Path:
    """Where tracebacks go: beside the data when its folder is set, else the platform's log folder."""
    if data := os.environ.get("RISELOG_DATA_DIR"):
        return Path(data).expanduser() / "riselog" / "log" / "riselog.log"
    from platformdirs import user_log_path  # noqa: PLC0415 - costs start-up time

    return user_log_path("riselog", appauthor=False) / "riselog.log"


def log_fault(error: BaseException, what: str) -> str:
    """Append the traceback to the log file; the path as text, or why there is none."""
    from logger.clock import SystemClock, utc_text  # noqa: PLC0415 - costs start-up time

    try:
        path = log_path()
    except RuntimeError:  # neither HOME nor a home folder in the user database
        return "no log: there is no home folder; set RISELOG_DATA_DIR"
    lines = "".join(traceback.format_exception(error))
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        mode = "w" if path.exists() and path.stat().st_size > LOG_LIMIT else "a"
        with path.open(mode, encoding="utf-8") as log:
            path.chmod(0o600)
            log.write(f"{utc_text(SystemClock().utc_us())} {what}\n{lines}\n")
    except OSError as trouble:
        return f"no log: {path} cannot be written, {trouble.strerror}"
    return str(path)


def said(error: RiselogError) -> str:
    """An error's own text, line by line, without control characters."""
    lines = [one_line(line) for line in str(error).splitlines()]
    return "\n".join(line for line in lines if line) or type(error).__name__


@contextlib.contextmanager
def standard_output() -> Iterator[TextIO]:
    """Standard output to write to; what keeps it from being written becomes an ``OutputError``."""
    if sys.stdout is None:
        raise OutputError("standard output is closed; run the command with an output that takes its answer")
    try:
        yield sys.stdout
    except BrokenPipeError:
        raise
    except OSError as error:
        raise _unwritable(error) from error


def _unwritable(error: OSError) -> OutputError:
    return OutputError(
        f"standard output cannot be written ({error.strerror}); free some space, or send it elsewhere"
    )


_spelling: list[Callable[[str, str], str]] = [lambda text, _level: f"riselog: {text}"]


@contextlib.contextmanager
def complaints_as(spelling: Callable[[str, str], str]) -> Iterator[None]:
    """Messages in another form, of text and level (info, warning, error), for as long as it lasts."""
    _spelling.append(spelling)
    try:
        yield
    finally:
        _spelling.remove(spelling)


def complaint(text: str, level: str = "info") -> str:
    """One message for the user as it is printed."""
    return _spelling[-1](text, level)


def complain(text: str, level: str = "info") -> None:
    """One message for the user, on standard error."""
    if sys.stderr is None:
        return  # print would take standard output in its place
    with contextlib.suppress(OSError, ValueError):
        print(complaint(text, level), file=sys.stderr, flush=True)  # noqa: T201 - the user's message


def fault_sentence(error: BaseException, what: str) -> str:
    """Log a fault of our own; the sentence about it."""
    where = log_fault(error, what)
    reason = one_line(f"{type(error).__name__}: {error}")[:200]
    return f"internal fault in '{what}' ({reason}); details: {where}; please report it with that file"


def internal_fault(error: BaseException, what: str) -> int:
    """Say and log a fault of our own; the exit code."""
    complain(fault_sentence(error, what), "error")
    return INTERNAL_FAULT


def guarded(command: Callable[[], int], what: str) -> int:
    """Run a command; whatever happens ends in an exit code and at most one message."""
    try:
        code = command()
        if sys.stdout is not None:
            sys.stdout.flush()
    except RiselogError as error:
        if isinstance(error, OutputError):
            _silence_stdout()
        complain(said(error), "error")
        return error.exit_code
    except (BrokenPipeError, ReaderGoneError):
        _silence_stdout()
        return 0  # the reader has had enough: `| head`
    except (KeyboardInterrupt, CutOffError):
        complain("ended by Ctrl-C before it was done; of an unfinished command nothing is stored", "error")
        return ENDED_AT_ONCE
    except Exception as error:  # noqa: BLE001 - the last line of defence
        if not _is_output(error):
            return internal_fault(error, what)
        _silence_stdout()
        complain(said(_unwritable(error)), "error")
        return OutputError.exit_code
    return code


def _is_output(error: Exception) -> TypeGuard[OSError]:
    """Whether standard output failed: it alone is written without a file's name in the error."""
    return isinstance(error, OSError) and error.filename is None and error.errno in _OUTPUT_ERRORS


def _silence_stdout() -> None:
    """Keep the interpreter from complaining about the closed pipe once more at its exit."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        null = os.open(os.devnull, os.O_WRONLY)
        os.dup2(null, sys.stdout.fileno())
