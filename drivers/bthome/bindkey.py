"""The bind key of a probe, from its file or from the environment. It is in no sentence."""

from __future__ import annotations

import os
from pathlib import Path

from drivers.adverts import NotUsableError
from drivers.ble_errors import Trouble
from drivers.bthome.options import BthomeOptions
from drivers.bthome.seal import KEY, Seal

_SIZE_LIMIT = 4096  # bytes read of a key file, assumed
_STEP = "write the bind key, 32 hex digits, into its first line, then start again"


def seal_of(options: BthomeOptions) -> Seal | None:
    """What decrypts the probe's packets; None where no key is named.

    Raises
    ------
    NotUsableError
        The key cannot be had.
    """
    if options.bindkey_env is not None:
        text = os.environ.get(options.bindkey_env, "")
        where = f"the environment variable {options.bindkey_env} of bindkey_env"
        step = "set it to the bind key, 32 hex digits, where riselog is started"
    elif options.bindkey_file is not None:
        where = f"bindkey_file {options.bindkey_file}"
        step = _STEP
        text = _first_line(Path(options.bindkey_file), where)
    else:
        return None
    if KEY.fullmatch(text.strip()) is None:
        what = (
            "is not set" if not text and options.bindkey_env else "does not hold a bind key of 32 hex digits"
        )
        raise NotUsableError(Trouble(f"{where} {what}", step))
    return Seal(bytes.fromhex(text.strip()), options.mac)


def _first_line(path: Path, where: str) -> str:
    try:
        if path.exists() and not path.is_file():  # a pipe may never begin
            raise NotUsableError(Trouble(f"{where} is no regular file", _STEP))
        with path.open("rb") as file:
            lines = file.read(_SIZE_LIMIT).splitlines()
    except (OSError, ValueError) as error:  # ValueError: a null character in the name
        why = getattr(error, "strerror", None) or "no such name is possible"
        raise NotUsableError(Trouble(f"{where} cannot be read ({why})", _STEP)) from error
    return lines[0].decode("utf-8-sig", errors="replace") if lines else ""
