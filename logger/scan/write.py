"""A scanned device as a probe of a config: what is asked for is checked before the radio is used."""

from __future__ import annotations

import re
import stat
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.clock import SystemClock, local_date
from logger.config.edit import Changes, by_hand, edit_file
from logger.config.fields import NAME
from logger.config.load import loads_config
from logger.core.errors import ConfigError, UsageError
from logger.core.params import Role
from logger.faults import complain, said
from logger.registry import DriverOptions, known_drivers
from logger.scan.roster import Device, Roster
from logger.screen.terminal import somebody
from logger.text import closest

_ROLES = ", ".join(Role)
_LACKING = re.compile(r": missing; add |: no probe has role = ")  # as the config's checks say it


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """Which device becomes which probe of which file; what is ``None`` is asked for."""

    config: Path
    probe: str | None
    role: str | None
    address: str | None
    driver: str | None = None
    adapter: str | None = None
    force: bool = False
    yes: bool


def check_wish(wish: Wish) -> None:
    """Raise ``UsageError`` or ``ConfigError`` for what cannot be done whatever is heard."""
    known = _probes_of(wish.config)
    if not wish.force:
        _refuse_read_only(wish.config)
    if wish.address is not None:
        _check_address(wish.address, known, wish.config)
    missing = [
        name
        for name, value in (("--probe", wish.probe), ("--role", wish.role), ("--address", wish.address))
        if value is None
    ]
    if missing and not somebody():
        raise UsageError(f"--write needs {' and '.join(missing)}: there is no terminal to ask on")
    if not wish.yes and not somebody():
        raise UsageError("--write asks before it writes, and there is no terminal to ask on; add --yes")
    if wish.probe is not None:
        _check_probe(wish.probe, known, wish.config)
    if wish.role is not None:
        _check_role(wish.role)
    if wish.driver is not None and wish.driver not in known_drivers():
        installed = ", ".join(known_drivers())
        raise UsageError(
            f"--driver {wish.driver!r} is not installed; installed drivers: {installed}"
            f"{closest(wish.driver, known_drivers())}"
        )


def _probes_of(path: Path) -> dict[str, Any]:
    try:
        data = tomllib.loads(path.read_bytes().removeprefix(b"\xef\xbb\xbf").decode("utf-8"))
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); name a job's config file") from error
    except RecursionError as error:
        raise ConfigError(f"{path}: is nested too deep; write plain tables") from error
    except ValueError as error:
        raise ConfigError(f"{path}: is no TOML ({error}); repair it first") from error
    probes = data.get("probes", {})
    if not isinstance(probes, dict):
        raise ConfigError(f"{path}: probes is no table; write each probe as [probes.NAME]")
    return probes


def _refuse_read_only(path: Path) -> None:
    """Who took the right to write from a file means it, though a file beside it could take its place."""
    mode = path.stat().st_mode
    if not mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH):
        raise UsageError(
            f"{path}: is read-only (mode {stat.S_IMODE(mode):04o}), nothing was written; give yourself the "
            "right (chmod u+w), or add --force"
        )


def _check_address(address: str, known: dict[str, Any], path: Path) -> None:
    for name, table in known.items():
        there = table.get("address") if isinstance(table, dict) else None
        if isinstance(there, str) and there.casefold() == address.casefold():
            raise UsageError(
                f"{path}: probe {name} has the address {there} already, nothing was written; choose another "
                "device, take that table out, or write a second table by hand where the device has two "
                "values of a kind, such as with temperature = 2"
            )


def _check_probe(name: str, known: dict[str, Any], path: Path) -> None:
    if not NAME.fullmatch(name):
        raise UsageError(f"probe name {name!r}: use letters, digits, - and _, at most 64")
    if name in known:
        raise UsageError(f"{path}: has a probe {name} already; choose another name, or take that table out")


def _check_role(role: str) -> None:
    if role not in tuple(Role):
        raise UsageError(f"role {role!r} is none of {_ROLES}{closest(role, tuple(Role))}")


def write_probe(wish: Wish, devices: list[Device], heard: Roster) -> bool:
    """Add the probe, having asked for what is missing; ``devices`` are the readable ones as they were
    numbered, ``heard`` has all. Whether it was written.

    Raises
    ------
    UsageError, ConfigError
        It cannot be done; the config is as it was.
    """
    device = _chosen(wish, devices, heard)
    if device is None:
        complain("nothing was written")
        return False
    known = _probes_of(wish.config)
    _check_address(device.address, known, wish.config)
    name = wish.probe or _asked("Name of the probe (letters, digits, - and _): ")
    _check_probe(name, known, wish.config)
    role = wish.role or _asked(f"Role ({_ROLES}): ")
    _check_role(role)
    driver = wish.driver or device.driver
    if driver is None:
        raise UsageError(f"no driver has read {device.address}: say which one is to, with --driver NAME")
    keys = {"role": role, "driver": driver, "address": device.address}
    if wish.adapter is not None:  # it need not be heard by another
        keys["adapter"] = wish.adapter
    new: Changes = {("probes", name): {**keys}}
    complain(f"for {wish.config}:\n{by_hand(new)}")
    if not (wish.yes or _asked("Write this? [y/N] ").casefold() in {"y", "yes"}):
        complain("nothing was written")
        return False
    day = local_date(SystemClock().utc_us())
    copy = edit_file(
        wish.config, new, day, lambda text: _accept(text, wish.config), adding=True, read_only_too=wish.force
    )
    complain(f"written into {wish.config}; what it was before is in {copy}")
    return True


def _named(wish: Wish, address: str, heard: Roster) -> Device:
    """The device of that address; with --force one that nobody has read, or even heard."""
    found = heard.find(address)
    if found is not None and (found.readable or wish.force):
        return found
    if not wish.force and found is not None:
        why = found.note or "no installed driver reads it"
        raise UsageError(
            f"{address} was heard and cannot be read ({why}), nothing was written; mend that, or add --force "
            "and --driver NAME"
        )
    if not wish.force:
        raise UsageError(
            f"{address} was not heard, nothing was written; switch it on, bring it closer, scan longer "
            "(--for 30s), compare the address, or add --force"
        )
    return Device(address)


def _chosen(wish: Wish, devices: list[Device], heard: Roster) -> Device | None:
    if wish.address is not None:
        return _named(wish, wish.address, heard)
    if not devices:
        complain("no device in reach can be read")
        return None
    asked = f"Which device (1 to {len(devices)}: those that can be read; empty for none)? "
    while number := _asked(asked):
        if number.isascii() and number.isdigit() and 1 <= int(number) <= len(devices):
            return devices[int(number) - 1]
        complain(f"{number!r} is no number from 1 to {len(devices)}")
    return None


def _asked(question: str) -> str:
    try:
        return input(question).strip()
    except (EOFError, KeyboardInterrupt):
        return ""


def _accept(text: str, path: Path) -> None:
    """A config that was right must stay so; one that is being made may lack more, and nothing else."""
    options = DriverOptions()
    try:
        loads_config(text, str(path), options, folder=path.parent)
    except ConfigError as error:
        try:
            loads_config(path.read_text(encoding="utf-8-sig"), str(path), options, folder=path.parent)
        except ConfigError as before:
            if _lacks(before) and _lacks(error):
                complain(f"the config is not complete yet: {said(error)}")
                return
            if not _lacks(before):
                raise ConfigError(f"{said(before)}\nnothing was written; mend that first") from error
        raise


def _lacks(error: ConfigError) -> bool:
    """Whether there is just something missing."""
    return all(_LACKING.search(line) for line in said(error).splitlines())
