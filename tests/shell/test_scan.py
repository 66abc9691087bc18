"""``riselog scan``: who is heard, how it is shown, and a device that becomes a probe of a config."""

import asyncio
import contextlib
import json
import threading
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.errors import ConfigError, DriverError, UsageError
from logger.core.readings import Quantity
from logger.driver_api import Look, Seen
from logger.scan import command, surveying, write
from logger.scan.command import ScanOptions, scan_command
from logger.scan.roster import MOST, Roster
from logger.scan.screen import frame
from logger.scan.view import HEAD, ScanView, row, table
from logger.scan.write import Wish, check_wish
from logger.screen.glyphs import ASCII, UNICODE, Glyphs
from tests.shell.stand_ins import job_head

TEMPERATURE, HUMIDITY, BATTERY = Quantity.TEMPERATURE, Quantity.HUMIDITY, Quantity.BATTERY
DUCT = Seen(
    address="AA:00:00:00:00:01",
    name="duct",
    signal_dbm=-50.0,
    readable=True,
    values=((TEMPERATURE, 21.0), (BATTERY, 87.0)),
)
PHONE = Seen(address="AA:00:00:00:00:02", name=None, signal_dbm=-40.0)
SEALED = Seen(address="AA:00:00:00:00:03", name="sealed", signal_dbm=-80.0, note="encrypted: give its key")


def roster(*seen: tuple[str, Seen]) -> Roster:
    found = Roster()
    for n, (driver, one) in enumerate(seen):
        found.see(driver, one, float(n))
    return found


def options(**more: Any) -> ScanOptions:
    asked: dict[str, Any] = {"for_text": "0.05 s", "readable_only": False, "adapter": None, "config": None}
    asked |= {
        "probe": None,
        "role": None,
        "address": None,
        "yes": False,
        "driver": None,
        "force": False,
        "connect": True,
        "known": None,
        "units": "si",
        "json": False,
    }
    return ScanOptions(**asked | more)


# -- who is there ------------------------------------------------------------------------------


def test_what_can_be_read_stands_first_then_what_could_be_then_the_strongest() -> None:
    faint = Seen(address="AA:00:00:00:00:04", name="faint", signal_dbm=-90.0)
    found = roster(("b", faint), ("b", PHONE), ("b", SEALED), ("b", DUCT))
    assert [d.name for d in found.listed()] == ["duct", "sealed", "", "faint"]
    assert [d.name for d in found.listed(readable_only=True)] == ["duct"]


def test_a_signal_that_flickers_moves_no_row() -> None:
    other = Seen(address="AA:00:00:00:00:05", name="other", signal_dbm=-52.0, readable=True)
    found = roster(("b", DUCT), ("b", other))
    for dbm in (-55.0, -50.0, -56.0, -51.0) * 5:
        found.see("b", Seen(address=DUCT.address, name="duct", signal_dbm=dbm, readable=True), 1.0)
        assert [d.name for d in found.listed()] == ["duct", "other"]
    for _ in range(20):
        found.see("b", Seen(address=DUCT.address, name="duct", signal_dbm=-90.0, readable=True), 2.0)
    assert [d.name for d in found.listed()] == ["other", "duct"]


@pytest.mark.parametrize("order", [("ess", "bthome"), ("bthome", "ess")])
def test_the_driver_that_reads_it_has_it_whoever_speaks_last(order: tuple[str, str]) -> None:
    says = {"ess": Seen(address="AA:00:00:00:00:01", name="duct", signal_dbm=-50.0), "bthome": DUCT}
    found = roster(*((driver, says[driver]) for driver in order * 3))
    (device,) = found.listed()
    assert (device.driver, device.readable) == ("bthome", True)
    assert device.values == {TEMPERATURE: 21.0, BATTERY: 87.0}


@pytest.mark.parametrize("order", [("ess", "bthome"), ("bthome", "ess")])
def test_who_has_its_values_has_it_before_who_could_have_them(order: tuple[str, str]) -> None:
    says = {"ess": replace(DUCT, values=(), note="not read yet"), "bthome": DUCT}
    (device,) = roster(*((driver, says[driver]) for driver in order * 3)).listed()
    assert (device.driver, device.note) == ("bthome", "")


def test_a_packet_without_a_value_leaves_the_last_one() -> None:
    found = roster(("b", DUCT))
    found.see("b", Seen(address=DUCT.address, name=None, signal_dbm=None, readable=True,
                        values=((TEMPERATURE, 22.0),)), 9.0)  # fmt: skip
    (device,) = found.listed()
    assert (device.name, device.values, device.heard_s) == ("duct", {TEMPERATURE: 22.0, BATTERY: 87.0}, 9.0)


def test_addresses_that_change_for_ever_do_not_fill_the_memory() -> None:
    found = roster(("b", DUCT))
    for n in range(MOST + 50):
        found.see("b", Seen(address=f"{n:012x}", name=None, signal_dbm=-60.0), 1.0)
    assert len(found.listed()) == MOST
    assert found.find("aa:00:00:00:00:01") is not None


# -- how it is shown ---------------------------------------------------------------------------


@given(
    st.text(max_size=60),
    st.text(max_size=60),
    st.integers(-127, 20),
    st.integers(40, 200),
    st.sampled_from([ASCII, UNICODE]),
)
def test_whatever_a_device_calls_itself_a_row_is_one_line_of_its_width(
    name: str, note: str, dbm: int, width: int, glyphs: Glyphs
) -> None:
    from rich.cells import cell_len

    seen = Seen(address="AA:00:00:00:00:01", name=name, signal_dbm=float(dbm), note=note)
    found = roster(("b", seen), ("b", DUCT))
    view = ScanView(
        rows=tuple(row(d, n, "us", 1.0) for n, d in enumerate(found.listed(), 1)), head="2", left_s=1.0
    )
    lines = frame(view, width, 24, glyphs)
    assert len(lines) == 24
    for line in lines:
        assert "\n" not in line
        assert "\x1b" not in line
        assert cell_len(line) <= width


def test_values_come_in_the_units_asked_for_and_nothing_by_colour() -> None:
    (device,) = roster(("bthome", DUCT)).listed()
    assert row(device, 1, "us", 3.0) == (
        "1", "AA:00:00:00:00:01", "duct", "-50dBm", "3s", "bthome", "69.8 °F, battery 87 %"
    )  # fmt: skip
    assert row(device, 1, "si", 3.0)[-1] == "21.0 °C, battery 87 %"
    assert table([row(device, 1, "si", 3.0)], 100, UNICODE)[0].split() == " ".join(HEAD).split()


@pytest.mark.parametrize(
    ("width", "head"),
    [
        (80, ["", "address", "name", "signal", "age", "driver", "what it says"]),
        (60, ["", "address", "signal", "what it says"]),
        (40, ["", "address", "what it says"]),
    ],
)
def test_a_narrow_table_keeps_what_matters(width: int, head: list[str]) -> None:
    lines = table([row(device, 1, "si", 3.0) for device in roster(("bthome", DUCT)).listed()], width, UNICODE)
    assert lines[0].split() == " ".join(head).split()
    assert "AA:00:00:00:00:01" in lines[1]
    assert "21.0 °C" in lines[1]
    assert len(lines[1]) <= width


def test_more_devices_than_lines_say_so() -> None:
    many = [Seen(address=f"AA:{n:02}", name=f"n{n}", signal_dbm=-50.0 - n) for n in range(50)]
    found = roster(*(("b", one) for one in many))
    rows = tuple(row(d, n, "us", 1.0) for n, d in enumerate(found.listed(), 1))
    lines = frame(ScanView(rows=rows, head="50 devices, 0 readable", left_s=3.2), 80, 24, ASCII)
    assert len(lines) == 24
    assert lines[-1].rstrip().endswith("30 more below")
    assert lines[0] == "50 devices, 0 readable; 3 s left"


# -- the command -------------------------------------------------------------------------------


def heard(*seen: Seen) -> Callable[..., Any]:
    async def survey(look: Look, tell: Callable[[Seen], None]) -> None:
        for one in seen:
            tell(one)
        await asyncio.sleep(look.seconds)

    return survey


async def deaf(_look: object, _tell: object) -> None:
    raise DriverError("no radio; plug one in")


@pytest.fixture
def drivers(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """The drivers that listen, to be filled."""
    found: dict[str, Any] = {}
    monkeypatch.setattr(command, "surveys", lambda: (found, ()))
    return found


def test_one_document_with_stored_units(drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    drivers |= {"bthome": heard(DUCT, SEALED), "ess": heard(PHONE)}
    assert scan_command(options(json=True)) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "riselog.scan/1"
    assert document["devices"][0] == {
        "address": "AA:00:00:00:00:01",
        "name": "duct",
        "signal_dbm": -50,
        "driver": "bthome",
        "readable": True,
        "values": [
            {"quantity": "temperature", "value": 21.0, "unit": "degC"},
            {"quantity": "battery", "value": 87.0, "unit": "%"},
        ],
        "note": "",
        "probe": None,
    }
    assert [(d["driver"], d["readable"]) for d in document["devices"]] == [
        ("bthome", True), ("bthome", False), (None, False)
    ]  # fmt: skip


def test_one_driver_without_a_radio_does_not_end_the_others(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    drivers |= {"one": deaf, "two": heard(DUCT)}
    assert scan_command(options()) == 0
    captured = capsys.readouterr()
    assert "21.0 °C" in captured.out
    assert captured.err.count("no radio; plug one in") == 1


def test_no_radio_at_all(drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    drivers |= {"one": deaf, "two": deaf}
    assert scan_command(options(json=True)) == 4
    captured = capsys.readouterr()
    assert json.loads(captured.out) == {"schema": "riselog.scan/1", "devices": []}
    assert captured.err.count("no radio; plug one in") == 1


def test_a_driver_that_breaks_is_named_without_a_traceback(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    async def broken(*_: object) -> None:
        raise ZeroDivisionError("odd")

    drivers |= {"one": broken, "two": heard(DUCT)}
    assert scan_command(options()) == 0
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "driver 'one' broke while it looked for devices (ZeroDivisionError: odd); report it to " in err


def test_a_driver_that_breaks_is_named_with_its_package(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    async def broken(*_: object) -> None:
        raise ZeroDivisionError("odd")

    drivers["ess"] = broken
    assert scan_command(options()) == 4
    assert "report it to the author of riselog " in capsys.readouterr().err


@pytest.mark.parametrize("end", [SystemExit, KeyboardInterrupt])
def test_a_driver_that_ends_the_program_ends_its_own_survey_alone(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str], end: type[BaseException]
) -> None:
    async def ends(*_: object) -> None:
        raise end

    drivers |= {"one": ends, "two": heard(DUCT)}
    assert scan_command(options()) == 0
    captured = capsys.readouterr()
    assert "21.0 °C" in captured.out
    assert (
        f"driver 'one' broke while it looked for devices (PluginBrokeError: it has raised {end.__name__})"
        in (captured.err)
    )


def test_nothing_heard_is_no_failure(drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    drivers["one"] = heard()
    assert scan_command(options()) == 0
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "no device was heard" in captured.err


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"for_text": "0s"}, "--for '0s'"),
        ({"for_text": "soon"}, "--for"),
        ({"for_text": "2 h"}, "60 min"),
        ({"units": "metric"}, "--units 'metric'"),
        ({"probe": "sup"}, "--probe: only with --write"),
        ({"yes": True}, "--yes: only with --write"),
        ({"force": True, "driver": "ess"}, "--driver, --force: only with --write"),
        ({"config": Path("job.toml"), "json": True}, "--json with --write"),
    ],
)
def test_wrong_use(drivers: dict[str, Any], more: dict[str, Any], words: str) -> None:
    drivers["one"] = heard(DUCT)
    with pytest.raises(UsageError) as caught:
        scan_command(options(**more))
    assert words in str(caught.value)


def test_hundreds_of_devices_with_names_meant_to_harm(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    bad = ["[red]x[/red]", "a\x1b[2Jb\r\n", "\u202eevil", "\U0001f525" * 60, "\ud800", "\x00", "w" * 5000]
    many = [
        Seen(address=f"AA:00:00:00:{n // 256:02X}:{n % 256:02X}", name=bad[n % len(bad)], signal_dbm=-127.0)
        for n in range(300)
    ]
    drivers["bthome"] = heard(*many)
    assert scan_command(options()) == 0
    captured = capsys.readouterr()
    lines = captured.out.splitlines()
    assert len(lines) == 301
    assert "[red]x[/red]" in captured.out
    for text in (captured.out, captured.err):
        assert not {"\x1b", "\r", "\u202e", "\x00", "\ud800"} & set(text)
    news = [
        line for line in captured.err.splitlines() if " heard AA:" in line or line.startswith("heard AA:")
    ]
    assert 0 < len(news) <= 20
    assert captured.err.count("and 280 more") == 1


def test_the_probes_of_a_config_are_marked_and_given_to_their_driver(
    drivers: dict[str, Any], job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    looks: list[Look] = []

    async def survey(look: Look, tell: Callable[[Seen], None]) -> None:
        looks.append(look)
        tell(DUCT)
        tell(Seen(address="aa:00:00:00:00:09", name=None, signal_dbm=-50.0))

    drivers["bthome"] = survey
    job.write_text(job_head("scan") + PROBES + SUPPLY, encoding="utf-8")
    assert scan_command(options(known=job, json=True, connect=False)) == 0
    devices = json.loads(capsys.readouterr().out)["devices"]
    assert [d["probe"] for d in devices] == ["sup", "ret"]
    assert [(p.name, p.role) for p in looks[0].probes] == [("ret", "return"), ("sup", "supply")]
    assert not looks[0].connect
    assert scan_command(options(known=job)) == 0
    assert "probe sup: 21.0 °C" in capsys.readouterr().out


# -- a device becomes a probe ------------------------------------------------------------------

PROBES = """
[probes.ret]  # in the grille
role = "return"
driver = "bthome"
address = "AA:00:00:00:00:09"
"""

SUPPLY = """
[probes.sup]
role = "supply"
driver = "bthome"
name = "duct"
"""


@pytest.fixture
def job(tmp_path: Path) -> Path:
    path = tmp_path / "job.toml"
    path.write_text(job_head("scan") + PROBES, encoding="utf-8")
    return path


def wish(job: Path, **more: Any) -> dict[str, Any]:
    asked = {"probe": "sup", "role": "supply", "address": "aa:00:00:00:00:01", "yes": True}
    return {"config": job, **asked, **more}


def test_a_probe_is_added_and_nothing_else_touched(
    drivers: dict[str, Any], job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drivers["bthome"] = heard(DUCT)
    before = job.read_text(encoding="utf-8")
    assert scan_command(options(**wish(job))) == 0
    after = job.read_text(encoding="utf-8")
    assert after.startswith(before.rstrip())
    assert after[len(before.rstrip()) :].split("\n") == [
        "",
        "",
        "[probes.sup]",
        'role = "supply"',
        'driver = "bthome"',
        'address = "AA:00:00:00:00:01"',
        "",
    ]
    assert len(list(job.parent.glob("job.toml.bak-*"))) == 1
    assert "not complete" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "error", "words"),
    [
        ({"probe": "ret"}, UsageError, "has a probe ret already"),
        ({"probe": "a b"}, UsageError, "letters, digits"),
        ({"role": "suply"}, UsageError, "did you mean 'supply'"),
        ({"probe": None}, UsageError, "--write needs --probe"),
        ({"yes": False}, UsageError, "add --yes"),
        ({"driver": "bthom"}, UsageError, "did you mean 'bthome'"),
        ({"config": Path("/nowhere/job.toml")}, UsageError, "cannot be read"),
        ({"address": "aa:00:00:00:00:09"}, UsageError, "probe ret has the address AA:00:00:00:00:09 already"),
    ],
)
def test_what_cannot_be_is_told_before_the_radio_is_used(
    drivers: dict[str, Any], job: Path, more: dict[str, Any], error: type[Exception], words: str
) -> None:
    drivers["bthome"] = None  # calling it would fail otherwise
    before = job.read_bytes()
    with pytest.raises(error) as caught:
        scan_command(options(**wish(job, **more)))
    assert words in str(caught.value)
    assert job.read_bytes() == before


def test_an_address_that_is_there_is_refused_while_the_config_is_being_made(
    drivers: dict[str, Any], tmp_path: Path
) -> None:
    drivers["bthome"] = heard(DUCT)
    path = tmp_path / "half.toml"
    path.write_text('[probes.ret]\ndriver = "bthome"\naddress = "AA:00:00:00:00:01"\n', encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(UsageError, match="probe ret has the address"):
        scan_command(options(**wish(path, force=True)))
    assert path.read_bytes() == before


def test_a_read_only_config_is_written_only_when_that_is_forced(drivers: dict[str, Any], job: Path) -> None:
    drivers["bthome"] = heard(DUCT)
    job.chmod(0o444)
    before = job.read_bytes()
    with pytest.raises(UsageError, match=r"read-only \(mode 0444\)"):
        scan_command(options(**wish(job)))
    assert job.read_bytes() == before
    assert scan_command(options(**wish(job, force=True))) == 0
    assert "[probes.sup]" in job.read_text(encoding="utf-8")
    assert job.stat().st_mode & 0o777 == 0o444


@pytest.mark.parametrize("text", ["probes = 3\n", "[probes\n"])
def test_a_file_that_is_no_config(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=r"x\.toml"):
        check_wish(Wish(config=path, probe="a", role="supply", address="AA", yes=True))


def test_a_file_nested_too_deep_is_no_fault_of_ours(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(f"a={5000 * '['}", encoding="utf-8")
    with pytest.raises(ConfigError, match="is nested too deep"):
        check_wish(Wish(config=path, probe="a", role="supply", address="AA", yes=True))


def test_a_device_that_was_not_heard_is_not_written(drivers: dict[str, Any], job: Path) -> None:
    drivers["bthome"] = heard(SEALED, PHONE)
    before = job.read_bytes()
    with pytest.raises(UsageError, match="aa:00:00:00:00:01 was not heard, nothing was written"):
        scan_command(options(**wish(job)))
    assert job.read_bytes() == before


def test_a_device_that_was_not_read_is_written_when_that_is_forced(
    drivers: dict[str, Any], job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drivers["bthome"] = heard(SEALED)
    with pytest.raises(UsageError, match="encrypted: give its key"):
        scan_command(options(**wish(job, address=SEALED.address)))
    with pytest.raises(UsageError, match="--driver NAME"):
        scan_command(options(**wish(job, force=True)))
    assert scan_command(options(**wish(job, address=SEALED.address, force=True))) == 0
    assert scan_command(options(**wish(job, probe="oa", role="outdoor", force=True, driver="ess"))) == 0
    capsys.readouterr()
    probes = tomllib.loads(job.read_text(encoding="utf-8"))["probes"]
    assert probes["sup"] == {"role": "supply", "driver": "bthome", "address": SEALED.address}
    assert probes["oa"] == {"role": "outdoor", "driver": "ess", "address": "aa:00:00:00:00:01"}


def test_probes_in_one_line_are_put_in_by_hand(drivers: dict[str, Any], job: Path) -> None:
    drivers["bthome"] = heard(DUCT)
    inline = 'probes = { ret = { role = "return", driver = "bthome", address = "AA:00:00:00:00:09" } }\n'
    job.write_text(inline + job_head("scan"), encoding="utf-8")
    before = job.read_bytes()
    with pytest.raises(ConfigError, match="put in by hand"):
        scan_command(options(**wish(job)))
    assert job.read_bytes() == before


def test_a_config_that_is_being_made_may_lack_more(
    drivers: dict[str, Any], job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drivers["bthome"] = heard(DUCT)
    job.write_text(job_head("scan"), encoding="utf-8")
    assert scan_command(options(**wish(job))) == 0
    assert "not complete yet" in capsys.readouterr().err
    assert "[probes.sup]" in job.read_text(encoding="utf-8")


def test_a_config_that_is_wrong_is_not_called_incomplete(drivers: dict[str, Any], job: Path) -> None:
    drivers["bthome"] = heard(DUCT)
    job.write_text(job_head("scan").replace("[job]", "[job]\ncolour = 1"), encoding="utf-8")
    before = job.read_bytes()
    with pytest.raises(
        ConfigError, match=r"job\.toml:\d+: key 'job\.colour': unknown key(.|\n)*mend that first"
    ):
        scan_command(options(**wish(job)))
    assert job.read_bytes() == before


def test_a_device_that_was_heard_and_no_driver_reads_is_told_so(drivers: dict[str, Any], job: Path) -> None:
    drivers["bthome"] = heard(PHONE)
    with pytest.raises(UsageError, match=r"was heard and cannot be read \(no installed driver reads it\)"):
        scan_command(options(**wish(job, address=PHONE.address)))


async def _alone(look: Look) -> None: ...


NAN = float("nan")


@pytest.mark.parametrize(
    ("survey", "words"),
    [
        (heard(replace(DUCT, signal_dbm=NAN)), "it told of a device whose signal is no finite number"),
        (
            heard(replace(DUCT, values=((Quantity.TEMPERATURE, NAN),))),
            "with a value that is no finite number",
        ),
        (
            heard(replace(DUCT, values=(("warmth", 20.0),))),
            "with a value that is no finite number",
        ),
        (heard(replace(DUCT, values=(3,))), "whose values are no pairs"),
        (
            heard(replace(DUCT, values=((Quantity.TEMPERATURE, True),))),
            "with a value that is no finite number",
        ),
        (heard(replace(DUCT, address=b"AA")), "whose address is no text"),
        (heard(replace(DUCT, name=7)), "whose name is no text"),
        (heard(replace(DUCT, note=["x"])), "whose note is no text"),
        (heard(object()), "it told of a device that is no Seen"),
        (_alone, "_alone() takes 1 positional argument but 2 were given"),
        (lambda *_: None, "its survey is no coroutine"),
        (lambda *_: 1 / 0, "ZeroDivisionError"),
    ],
)
def test_whatever_one_driver_says_the_others_are_heard(
    survey: Any, words: str, drivers: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    drivers |= {"one": survey, "two": heard(DUCT)}
    assert scan_command(options(json=True)) == 0
    captured = capsys.readouterr()
    (device,) = json.loads(captured.out, parse_constant=pytest.fail)["devices"]
    assert device["driver"] == "two"
    assert "driver 'one' broke while it looked for devices" in captured.err
    assert words in captured.err
    assert "Traceback" not in captured.err


def test_a_survey_that_does_not_end_holds_no_scan_up(
    drivers: dict[str, Any], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The program's end would wait for it: so it is ended by force, with what was heard on the screen."""
    monkeypatch.setattr(surveying, "OVER_S", 0.0)
    monkeypatch.setattr(surveying, "CLEAN_UP_S", 0.1)
    ended: list[int] = []
    monkeypatch.setattr(command.os, "_exit", ended.append)
    stubborn: list[asyncio.Task[None]] = []

    async def for_ever(look: Look, tell: Callable[[Seen], None]) -> None:
        task = asyncio.current_task()
        assert task is not None
        stubborn.append(task)
        while not ended:
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(3600.0)

    drivers |= {"one": for_ever, "two": heard(DUCT)}
    scan_command(options(json=True))
    captured = capsys.readouterr()
    assert ended == [0]
    assert [d["driver"] for d in json.loads(captured.out)["devices"]] == ["two"]
    assert "driver 'one' did not end its look for devices when told to; report it to" in captured.err
    loop = stubborn[0].get_loop()
    stubborn[0].cancel()
    loop.run_until_complete(asyncio.wait(stubborn))
    loop.close()


def test_a_survey_that_blocks_the_program_is_named() -> None:
    told: list[str] = []
    done = threading.Event()

    def tell(text: str) -> None:
        told.append(text)
        done.set()

    async def blocks() -> None:
        timer = surveying.when_blocked(-11.0, asyncio.get_running_loop(), {"one"}, tell)  # at once
        assert done.wait(10.0)  # nothing else runs meanwhile
        timer.cancel()

    async def main() -> None:
        await asyncio.create_task(blocks(), name="one")

    asyncio.run(main())
    assert told == [
        "driver 'one' holds the whole program up while it looks for devices; report it to its author; what "
        "was heard is not shown"
    ]


def test_what_is_missing_is_asked_for(
    drivers: dict[str, Any], job: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    drivers["bthome"] = heard(PHONE, DUCT)
    monkeypatch.setattr(write, "somebody", lambda: True)
    answers = iter(["2", "one", "1", "sup", "supply", "y"])  # a slip costs no scan
    monkeypatch.setattr("builtins.input", lambda _question: next(answers))
    asked = wish(job, probe=None, role=None, address=None, yes=False)
    assert scan_command(options(**asked)) == 0
    assert "'2' is no number from 1 to 1" in capsys.readouterr().err
    assert 'address = "AA:00:00:00:00:01"' in job.read_text(encoding="utf-8")
