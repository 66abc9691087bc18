"""`check`: one line for each thing a run needs, what to do next, and the exit code of the worst."""

import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, ClassVar

import pytest
from pydantic import BaseModel

import logger.sources
from logger import check
from logger.core.errors import DriverError
from logger.driver_api import DriverContext, ProbeRequest, Quantity, Reach
from logger.publish import login
from logger.store import Batch, StoreWriter, store_path
from logger.store.records import OutboxMark
from simulators.scenarios import SCENARIOS
from tests.shell.stand_ins import job_head
from tests.shell.test_outbox import Desk


class Options(BaseModel):
    pass


def driver(answer: Callable[[Sequence[ProbeRequest]], Sequence[Reach]]) -> type[Any]:
    class Fake:
        name: ClassVar[str] = "sim"
        simulated: ClassVar[bool] = True

        def __init__(self, probes: Sequence[ProbeRequest], context: DriverContext) -> None:
            self.probes = probes

        async def run(self) -> None: ...

        async def reach(self, seconds: float) -> Sequence[Reach]:
            return answer(self.probes)

    return Fake


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    path = tmp_path / "job.toml"
    path.write_text(SCENARIOS["standard"].config_text, encoding="utf-8")
    return path


def run(config: Path, capsys: pytest.CaptureFixture[str], *, offline: bool = False) -> tuple[int, Any]:
    code = check.check_command(config, offline=offline, json=True)
    document = json.loads(capsys.readouterr().out)
    assert document["schema"] == "riselog.check/1"
    assert all(set(line) == {"code", "ok", "text", "next"} for line in document["checks"])
    assert document["ok"] is (code == 0)
    return code, document["checks"]


def line(checks: Any, code: str) -> Any:
    return next(c for c in checks if c["code"] == code)


def test_all_is_well(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, checks = run(config, capsys)
    assert code == 0
    assert [c["text"].split(":")[0] for c in checks if c["code"] == "probe"] == ["ret", "sup", "duct", "baro"]
    assert "will be made" in line(checks, "store")["text"]
    assert "tolerance of" in line(checks, "verdict")["text"]
    assert not store_path("sim-standard").exists()  # a look makes nothing


def test_offline_looks_for_no_probe(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, checks = run(config, capsys, offline=True)
    assert code == 0
    assert not [c for c in checks if c["code"] == "probe"]
    assert "--offline" in line(checks, "probes")["text"]


def test_what_a_driver_knows_without_a_look_is_told_with_and_without_one(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        heard = {"ret": "found, but no key", "sup": "not heard"}
        return [
            Reach(probe=p.name, ok=p.name not in heard, text=heard.get(p.name, "found"), next_step="x")
            for p in probes
        ]

    class Knows(driver(answer)):  # type: ignore[misc]
        def beforehand(self) -> Sequence[Reach]:
            return [
                Reach(probe=name, ok=False, text="no key", next_step="write it") for name in ("ret", "sup")
            ]

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: Knows)
    code, checks = run(config, capsys, offline=True)
    assert code == 4
    assert [c["text"] for c in checks if not c["ok"]] == ["ret: no key", "sup: no key"]
    code, checks = run(config, capsys)
    assert code == 4
    assert [c["text"] for c in checks if not c["ok"]] == [
        "ret: found, but no key",
        "sup: not heard",
        "sup: no key",
    ]


def test_a_driver_that_breaks_without_a_look_is_named(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Breaks(driver(lambda probes: [])):  # type: ignore[misc]
        def beforehand(self) -> Sequence[Reach]:
            raise KeyError("planted")

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: Breaks)
    code, checks = run(config, capsys, offline=True)
    assert code == 4
    (bad,) = [c for c in checks if not c["ok"]]
    assert bad["text"].startswith("driver 'sim' broke (KeyError: 'planted')")
    assert bad["next"].startswith("report it to the author of riselog ")


BTHOME_JOB = """
[probes.ret]
role = "return"
driver = "bthome"
address = "AA:BB:CC:00:00:01"
{key}
[probes.sup]
role = "supply"
driver = "bthome"
address = "AA:BB:CC:00:00:02"
"""


@pytest.mark.parametrize(
    ("key", "content", "words"),
    [
        ('bindkey_file = "ret.key"', None, "ret.key cannot be read (No such file or directory)"),
        ('bindkey_file = "ret.key"', "", "ret.key does not hold a bind key of 32 hex digits"),
        ('bindkey_file = "ret.key"', "0" * 34, "does not hold a bind key of 32 hex digits"),
        ('bindkey_file = "ret.key"', "x" * 32, "does not hold a bind key of 32 hex digits"),
        ('bindkey_file = "ret.key"', "\n" + "0" * 32, "does not hold a bind key of 32 hex digits"),
        ('bindkey_file = "/dev/zero"', None, "/dev/zero is no regular file"),
        ('bindkey_env = "ABSENT_KEY"', None, "ABSENT_KEY of bindkey_env is not set"),
        ('bindkey_env = "SHORT_KEY"', None, "SHORT_KEY of bindkey_env does not hold a bind key"),
        ('bindkey_file = "ret.key"', "0" * 32, ""),
    ],
)
def test_a_bind_key_that_cannot_be_had_is_told_before_the_probe_is_heard(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    key: str,
    content: str | None,
    words: str,
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("SHORT_KEY", "0011")
    if content is not None:
        (tmp_path / "ret.key").write_text(content)
    config = tmp_path / "job.toml"
    config.write_text(job_head("sealed") + BTHOME_JOB.format(key=key), encoding="utf-8")
    code, checks = run(config, capsys, offline=True)
    bad = [c for c in checks if not c["ok"]]
    if not words:
        assert (code, bad) == (0, [])
        return
    assert code == 4
    ((text, step),) = [(c["text"], c["next"]) for c in bad]
    assert text.startswith("ret: ")
    assert words in text
    assert "32 hex digits" in step


def test_a_probe_that_is_not_there(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        return [Reach(probe=p.name, ok=p.name != "sup", text="x", next_step="wake it") for p in probes]

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: driver(answer))
    code, checks = run(config, capsys)
    assert code == 4
    (bad,) = [c for c in checks if not c["ok"]]
    assert bad == {"code": "probe", "ok": False, "text": "sup: x", "next": "wake it"}


@pytest.mark.parametrize(
    ("error", "part"), [(DriverError("no adapter; plug one in"), "no adapter"), (KeyError("odd"), "KeyError")]
)
def test_a_driver_that_fails(
    config: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    part: str,
) -> None:
    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        raise error

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: driver(answer))
    code, checks = run(config, capsys)
    assert code == 4
    (bad,) = [c for c in checks if not c["ok"]]
    assert part in bad["text"]
    assert bad["next"]


def test_a_bad_config_is_the_one_line(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config.write_text(config.read_text(encoding="utf-8").replace('"supply"', '"outdoor"'), encoding="utf-8")
    code, checks = run(config, capsys)
    assert code == 2
    (only,) = checks
    assert only["code"] == "config"
    assert "supply" in only["text"]


def test_lines_come_as_they_are_known(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is known without the probes is on the screen while they are looked for."""
    seen: list[str] = []

    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        seen.append(capsys.readouterr().out)
        return [Reach(probe=probe.name, ok=True, text="found") for probe in probes]

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: driver(answer))
    assert check.check_command(config, offline=False, json=False) == 0
    assert seen[0].startswith("ok   config")


def test_a_store_that_is_held(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with StoreWriter(store_path("sim-standard"), "riselog run"):
        code, checks = run(config, capsys, offline=True)
    assert code == 0  # a logger at work is no fault
    assert line(checks, "store")["text"].endswith("(riselog run)")
    assert "riselog watch" in line(checks, "store")["next"]
    code, checks = run(config, capsys, offline=True)
    assert code == 0
    assert "holds 0 run(s)" in line(checks, "store")["text"]


def test_probes_of_a_logger_at_work_are_left_alone(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look that connects, and lets go again, would end the logger's own connections."""

    def answer(_: object) -> list[Reach]:
        pytest.fail("they were looked for")

    monkeypatch.setattr(logger.sources, "load_driver", lambda _: driver(answer))
    with StoreWriter(store_path("sim-standard"), "riselog run"):
        code, checks = run(config, capsys)
    assert code == 0
    assert line(checks, "probes")["text"].startswith("not looked for: a logger is at work")


def test_a_full_disk_and_a_clock_that_is_not_set(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Usage:
        free = 1_000_000

    monkeypatch.setattr(check.shutil, "disk_usage", lambda path: Usage())
    monkeypatch.setattr(check.SystemClock, "utc_us", lambda self: 0)
    code, checks = run(config, capsys, offline=True)
    assert code == 4
    assert {c["code"] for c in checks if not c["ok"]} == {"disk", "clock"}
    assert all(c["next"] for c in checks if not c["ok"])


def test_a_broker_is_not_contacted_offline(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = config.read_text(encoding="utf-8")
    config.write_text(text + '\n[mqtt]\nhost = "broker.example"\n', encoding="utf-8")
    code, checks = run(config, capsys, offline=True)
    assert code == 0
    assert line(checks, "broker")["text"] == "broker.example:8883 not contacted (--offline)"


def test_records_that_the_broker_refused_are_not_well(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The login alone would say that all is well."""
    text = config.read_text(encoding="utf-8")
    config.write_text(text + '\n[mqtt]\nhost = "broker.example"\n', encoding="utf-8")
    monkeypatch.setattr(login, "try_broker", lambda *_, **__: "logged in")
    desk = Desk(store_path("sim-standard"))
    with desk.writer:
        desk.begin("r1", broker="broker")
        desk.readings(3)
    code, checks = run(config, capsys)
    lines = [c for c in checks if c["code"] == "broker"]
    assert code == 0
    assert [c["text"] for c in lines] == [
        "logged in",
        "still to be sent, by this run or the next: 3",
    ]
    desk = Desk(store_path("sim-standard"))
    with desk.writer:
        desk.begin("r2", broker="broker")
        desk.writer.write(
            Batch(run="r2", marks=[OutboxMark(broker="broker", run="r2", seq=9, kind="event", parked="no")])
        )
    with StoreWriter(store_path("sim-standard"), "riselog run"):  # while a logger is at work too
        for offline in (False, True):
            code, checks = run(config, capsys, offline=offline)
            assert code == 4
            [bad] = [c for c in checks if not c["ok"]]
            assert bad["text"] == "refused by the broker when last sent, and kept: 1 (no)"
            assert bad["next"].startswith("mend that at the broker")


def test_lines_for_people(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check.check_command(config, offline=True, json=False) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("ok   config")
    assert any(text.startswith("ok   clock") for text in lines)


@pytest.mark.parametrize("answer", [lambda _: [], lambda _: [Reach(probe="nobody", ok=True, text="found")]])
def test_a_probe_of_which_a_driver_says_nothing_is_not_well(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, answer: Any
) -> None:
    monkeypatch.setattr(logger.sources, "load_driver", lambda _name: driver(answer))
    code, checks = run(config, capsys)
    assert code == 4
    unsaid = {c["text"].split(":")[0] for c in checks if c["code"] == "probe" and not c["ok"]}
    assert {"ret", "sup"} <= unsaid


@pytest.mark.parametrize("answer", [lambda _: None, lambda _: sys.exit(7), lambda _: [3]])
def test_a_driver_that_breaks_while_it_looks_is_a_line(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, answer: Any
) -> None:
    monkeypatch.setattr(logger.sources, "load_driver", lambda _name: driver(answer))
    code, checks = run(config, capsys)
    assert code == 4
    assert "broke" in line(checks, "driver")["text"]


def test_what_a_probe_says_is_shown_in_the_units_of_the_config_and_a_low_battery_has_a_line(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """21 °C is 69.8 °F: definition of the degree Fahrenheit."""

    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        values = {
            "ret": ((Quantity.TEMPERATURE, 21.0), (Quantity.HUMIDITY, 45.0), (Quantity.BATTERY, 12.0)),
            "sup": ((Quantity.TEMPERATURE, 48.0), (Quantity.BATTERY, 80.0)),
        }
        return [Reach(probe=p.name, ok=True, text="found", values=values.get(p.name, ())) for p in probes]

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: driver(answer))
    code, checks = run(config, capsys)
    assert code == 0
    assert line(checks, "probe")["text"].startswith("ret: 69.8 °F, 45")
    assert [(c["ok"], c["text"]) for c in checks if c["code"] == "battery"] == [
        (True, "ret: its battery is at 12 %")
    ]


MAP = """schema = "riselog.gatt-map/1"
title = "invented"
[[value]]
quantity = "temperature"
unit = "degC"
service = "fff0"
characteristic = "fff1"
format = "sint16"
length = 9
"""


@pytest.mark.parametrize(
    ("key", "place"),
    [
        (("map", "value", 0, "length"), "probe.toml:9: "),
        (("map", "value", 0, "min_length"), "probe.toml:3: "),  # not written: its table
        (("address",), "job.toml:"),
        (("nothing",), "job.toml:"),
        ((), ""),
    ],
)
def test_what_is_to_be_mended_is_named_by_file_and_line(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    key: tuple[str | int, ...],
    place: str,
) -> None:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    (tmp_path / "probe.toml").write_text(MAP, encoding="utf-8")
    probe = '[probes.{0}]\nrole = "{1}"\ndriver = "gatt-map"\nmap = "probe.toml"\naddress = "{0}"\n'
    text = job_head("mapped") + probe.format("ret", "return") + probe.format("sup", "supply")
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")

    def answer(probes: Sequence[ProbeRequest]) -> Sequence[Reach]:
        return [Reach(probe=p.name, ok=False, text="bad", next_step="mend it", key=key) for p in probes]

    monkeypatch.setattr(logger.sources, "load_driver", lambda name: driver(answer))
    code, checks = run(tmp_path / "job.toml", capsys)
    assert code == 4
    said = line(checks, "probe")["next"]
    assert said.endswith("mend it")
    assert said.startswith(f"{tmp_path / place}" if place else "mend it")
    if place.startswith("job"):
        n = int(said.removeprefix(f"{tmp_path / 'job.toml'}:").partition(":")[0])
        wanted = 'address = "ret"' if key == ("address",) else "[probes.ret]"
        assert text.splitlines()[n - 1] == wanted
