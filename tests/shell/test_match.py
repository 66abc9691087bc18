"""`riselog match`: from the drivers to the config file, on simulated probes and on scripted ones."""

from __future__ import annotations

import asyncio
import io
import json
import re
import tomllib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zlib import crc32

import pytest

from logger.check import check_command
from logger.clock import SteppedClock, SystemClock
from logger.config.load import load_config, loads_config
from logger.core.errors import ConfigError, DriverError, UsageError
from logger.core.match import Match, MatchStage, Progress
from logger.core.readings import NS_PER_S, Quantity, Sample
from logger.match import commands, live
from logger.match.answer import difference
from logger.match.commands import match_command
from logger.match.live import LiveMatch
from logger.match.progress import Teller, progress_text
from logger.registry import DriverOptions
from simulators.probes import drawn_offset
from simulators.scenarios import SCENARIOS

T, RH = Quantity.TEMPERATURE, Quantity.HUMIDITY
TEXT = SCENARIOS["match"].config_text
ROLE = {"ret": "return", "sup": "supply"}


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path / "data"))
    path = tmp_path / "job.toml"
    path.write_text(TEXT, encoding="utf-8")
    return path


def run(path: Path, capsys: pytest.CaptureFixture[str], **more: Any) -> tuple[int, Any, str]:
    options = {"for_text": "3min", "at": "return", "write": False, "json": True, **more}
    code = match_command(path, **options)
    out, err = capsys.readouterr()
    if options["json"]:
        document = json.loads(out)
        assert document["schema"] == "riselog.match/1"
        for row in document["probes"]:
            assert {"probe", "quantity", "offset", "u95", "ok", "text"} <= set(row)
        return code, document, err
    return code, out, err


def true_offset(probe: str, quantity: Quantity, seed: int = 1) -> float:
    return drawn_offset(
        dict(SCENARIOS["match"].probes[ROLE[probe]].responses)[quantity], probe, seed, quantity
    )


# -- on the simulation -------------------------------------------------------------------------


def test_what_is_written_brings_the_probes_together(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = config.read_text(encoding="utf-8")
    code, document, err = run(config, capsys, write=True)
    assert (code, document["written"], document["simulated"]) == (0, True, True)
    assert [(r["probe"], r["quantity"], r["ok"]) for r in document["probes"]] == [
        (name, quantity, True) for quantity in ("temperature", "humidity") for name in ("ret", "sup")
    ]
    loaded = load_config(config, DriverOptions())
    probes = {p.name: p for p in loaded.job.probes}
    ret, sup = probes["ret"], probes["sup"]
    u95 = (ret.u95**2 + sup.u95**2) ** 0.5
    assert abs((ret.offset - sup.offset) - (true_offset("ret", T) - true_offset("sup", T))) < u95 < 0.15
    humidity = ret.humidity_offset - sup.humidity_offset
    assert abs(humidity - (true_offset("ret", RH) - true_offset("sup", RH))) < 1.0
    for row in document["probes"]:
        kept = probes[row["probe"]]
        found = kept.offset if row["quantity"] == "temperature" else kept.humidity_offset
        assert found == pytest.approx(row["offset"], abs=0.0006)
        kept_u95 = kept.u95 if row["quantity"] == "temperature" else kept.humidity_u95
        assert row["u95"] <= kept_u95 <= row["u95"] + 0.0011  # rounded up
    today = datetime.now(UTC).date()
    assert {today, today - timedelta(days=1)} & {datetime.fromordinal(ret.matched_day or 1).date()}
    assert ret.matched_at_c == pytest.approx(document["at_c"], abs=0.03)
    assert [p.offset for p in loaded.job.probes if p.name not in ROLE] == [0.0, 0.0]
    copies = list(config.parent.glob("job.toml.bak-*"))
    assert [c.read_text(encoding="utf-8") for c in copies] == [before]
    assert str(copies[0]) in err
    assert "# shows whether the fan runs" in config.read_text(encoding="utf-8")


def test_without_consent_it_says_what_it_would_write(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document, err = run(config, capsys)
    assert (code, document["written"]) == (0, False)
    assert config.read_text(encoding="utf-8") == TEXT
    block = err[err.index("[probes.ret]") :]
    assert set(tomllib.loads(block)["probes"]["ret"]) == {
        *("offset", "u95", "matched", "matched_at", "humidity_offset", "humidity_u95")
    }
    assert "--write" in err


@pytest.mark.parametrize(("word", "written"), [("y", True), ("YES ", True), ("", False), ("n", False)])
def test_it_asks_where_somebody_is_there(
    config: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    word: str,
    written: bool,  # noqa: FBT001
) -> None:
    asked = []

    def answer(question: str) -> str:
        asked.append(question)
        return word

    monkeypatch.setattr("builtins.input", answer)
    monkeypatch.setattr(commands, "somebody", lambda: True)
    code, out, _ = run(config, capsys, json=False, for_text="60 s")
    assert code == 0
    assert len(asked) == 1
    assert f"{config}? [y/N]" in asked[0]
    assert (config.read_text(encoding="utf-8") != TEXT) is written
    lines = out.splitlines()
    assert lines[0] == "SIMULATED PROBES"
    assert "°F ±" in lines[2]
    assert " K ±" not in out.split("(")[0]


def test_the_end_of_input_is_a_no(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(_question: str) -> str:
        raise EOFError

    monkeypatch.setattr("builtins.input", gone)
    monkeypatch.setattr(commands, "somebody", lambda: True)
    assert run(config, capsys, json=False, for_text="60 s")[0] == 0
    assert config.read_text(encoding="utf-8") == TEXT


def test_a_file_that_was_broken_meanwhile_is_not_made_worse(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = TEXT.replace('units = "us"', 'units = "imperial"')
    real = commands._answer

    def answer(*given: Any, **more: Any) -> Any:
        config.write_text(broken, encoding="utf-8")
        return real(*given, **more)

    monkeypatch.setattr(commands, "_answer", answer)
    with pytest.raises(ConfigError, match=r"units.*imperial"):
        run(config, capsys, write=True)
    assert config.read_text(encoding="utf-8") == broken
    assert not list(config.parent.glob("*.bak-*"))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"for_text": "5 s"}, "from 30 s to 60 min"),
        ({"for_text": "soon"}, "--for"),
        ({"at": "attic"}, "return, supply"),
        ({"at": "supply"}, "stored for ret, sup"),
    ],
)
def test_wrong_use(
    config: Path, capsys: pytest.CaptureFixture[str], more: dict[str, str], words: str
) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        run(config, capsys, **more)
    assert caught.value.exit_code == 2


# -- on scripted probes ------------------------------------------------------------------------


class Scripted:
    """A driver whose probes say what a function of probe and second gives; None is silence."""

    def __init__(self, value: Callable[[str, int], float | None], seconds: int) -> None:
        self.value, self.seconds = value, seconds
        self.collector: Any = None
        self.clock: Any = None
        self.names: list[str] = []

    async def run(self) -> None:
        for second in range(self.seconds):
            for name in self.names:
                await self.clock.wait_until(self.clock.now_ns() + NS_PER_S // len(self.names))
                if (value := self.value(name, second)) is not None:
                    self.collector.emit(Sample(probe=name, quantity=T, value=value))


@pytest.fixture
def scripted(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    def install(value: Callable[[str, int], float | None], seconds: int = 1200) -> None:
        def build(config: Any, collector: Any, clock: Any) -> dict[str, Any]:
            driver = Scripted(value, seconds)
            driver.collector, driver.clock = collector, clock
            driver.names = [p.name for p in config.probes]
            return {"sim": driver}

        monkeypatch.setattr(live, "build_drivers", build)

    return install


def noisy(name: str, second: int) -> float:
    """Up to two steps of 0.04 K without trend or memory, the same in every process."""
    return 0.04 * (crc32(f"{name} {second}".encode()) % 5 - 2)


def refusal(config: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Any, str]:
    code, document, err = run(config, capsys, write=True)
    assert (code, document["written"]) == (4, False)
    assert config.read_text(encoding="utf-8") == TEXT
    assert not list(config.parent.glob("*.bak-*"))
    assert document["reason"] in err
    assert "nothing was written" in err
    return document, err


def test_a_probe_far_off_is_told_and_nothing_is_written(
    config: Path, capsys: pytest.CaptureFixture[str], scripted: Any
) -> None:
    scripted(lambda name, s: 20.0 + noisy(name, s) + (3.0 if name == "sup" else 0.0))
    document, _ = refusal(config, capsys)
    assert re.search(r"(2\.9|3\.0)\d K \(5\.\d\d °F\)", document["reason"])
    assert [r["ok"] for r in document["probes"]] == [False, False]


def test_a_silent_probe_is_told(config: Path, capsys: pytest.CaptureFixture[str], scripted: Any) -> None:
    scripted(lambda name, s: None if name == "sup" else 20.0 + noisy(name, s))
    document, _ = refusal(config, capsys)
    assert "No usable reading from sup" in document["reason"]
    assert (document["probes"], document["at_c"]) == ([], None)


def test_readings_that_end_too_early(config: Path, capsys: pytest.CaptureFixture[str], scripted: Any) -> None:
    scripted(lambda name, s: 20.0 + noisy(name, s), seconds=150)
    assert "readings ended" in refusal(config, capsys)[0]["reason"]


def test_no_probe_at_all(config: Path, capsys: pytest.CaptureFixture[str], scripted: Any) -> None:
    scripted(lambda _name, _s: None)
    assert "No probe gave a reading" in refusal(config, capsys)[0]["reason"]


def test_a_driver_that_cannot_work(
    config: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Broken:
        async def run(self) -> None:
            raise DriverError("there is no radio; plug one in")

    monkeypatch.setattr(live, "build_drivers", lambda *_: {"ess": Broken()})
    _, err = refusal(config, capsys)
    assert "driver 'ess': there is no radio; plug one in" in err


def test_a_second_match_in_warm_air_gives_the_gain(
    config: Path, capsys: pytest.CaptureFixture[str], scripted: Any
) -> None:
    """Two probes whose gains differ by 1 %, each half of it off their mean: from 20 to 45 °C, 0.25 K."""
    gain = {"ret": 0.007, "sup": -0.003}

    def at(true_c: float) -> Callable[[str, int], float]:
        return lambda name, s: (
            true_c + noisy(name, s) + (0.2 if name == "ret" else 0.0) + gain[name] * (true_c - 20)
        )

    scripted(at(20.0))
    assert run(config, capsys, write=True)[0] == 0
    cool = config.read_text(encoding="utf-8")
    scripted(at(26.0))
    code, document, _ = run(config, capsys, at="supply", write=True)
    assert (code, document["written"]) == (4, False)
    assert "not 10 K (18 °F) warmer" in document["reason"]
    assert config.read_text(encoding="utf-8") == cool
    scripted(at(45.0))
    code, document, _ = run(config, capsys, at="supply", write=True)
    assert (code, document["written"]) == (0, True)
    rows = {r["probe"]: r for r in document["probes"]}
    assert rows["ret"]["gain"] == pytest.approx(0.005, abs=0.0005)
    assert rows["sup"]["gain"] == pytest.approx(-0.005, abs=0.0005)
    probes = {p.name: p for p in load_config(config, DriverOptions()).job.probes}
    for name, row in rows.items():
        assert probes[name].gain == pytest.approx(row["gain"], abs=6e-6)
        assert row["gain_u95"] <= probes[name].gain_u95 < row["gain_u95"] + 2e-5
        assert not probes[name].gain_assumed
        # common to all 0.35 %, what a mean of two keeps of the own 0.36 %: 0.43 %, and the two matches
        assert 0.0043 < row["gain_u95"] < 0.0055
    left = [probes[n].correction(T)[0] * at(45.0)(n, 0) - probes[n].correction(T)[1] for n in ("ret", "sup")]
    noise = noisy("ret", 0) - noisy("sup", 0)
    assert left[0] - left[1] - noise == pytest.approx(0.0, abs=0.03)
    assert {p.matched_day for p in probes.values() if p.name in ROLE} == {probes["ret"].matched_day}


async def test_a_stop_ends_it_without_a_result(scripted: Any) -> None:
    scripted(lambda name, s: 20.0 + noisy(name, s))
    loaded = loads_config(TEXT, "job", DriverOptions())
    begun = asyncio.Event()
    run = LiveMatch(loaded, 180, show=lambda _: begun.set(), clock=SteppedClock(speed=None, utc_start_us=0))
    task = asyncio.create_task(run.go())
    await begun.wait()
    run.stop()
    assert await task == Match(reason="Ended before the match was done.")
    assert not run.stuck


# -- how it goes on ----------------------------------------------------------------------------


class Terminal(io.StringIO):
    encoding = "utf-8"  # type: ignore[assignment]

    def isatty(self) -> bool:
        return True


LOOKS = [
    Progress(stage=MatchStage.LISTENING, for_s=0.0, waiting=("sup",)),
    Progress(stage=MatchStage.SETTLING, for_s=70.0, moving=(("sup", 0.1),)),
    Progress(stage=MatchStage.SETTLING, for_s=71.0, moving=(("sup", 0.1),)),
    Progress(stage=MatchStage.COLLECTING, for_s=0.0, left_s=180.0),
]


def test_on_a_terminal_one_line_is_written_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    now, out = iter(range(100)), Terminal()
    teller = Teller(out, "us", lambda: float(next(now)))
    for look in LOOKS:
        teller.show(look)
    teller.line("00:10 probe-lost sup: gone")
    teller.close()
    text = out.getvalue()
    assert text.count("\n") == 1  # the line of its own alone
    assert text.count("\r\x1b[K") == len(LOOKS) + 1
    assert "sup 0.180 °F/min" in text  # 0.1 K is 0.18 °F


@pytest.mark.parametrize("term", ["dumb", ""])
def test_elsewhere_a_line_for_each_stage(monkeypatch: pytest.MonkeyPatch, term: str) -> None:
    monkeypatch.setenv("TERM", term)
    out = Terminal()
    teller = Teller(out, "si", lambda: 0.0)
    for look in LOOKS:
        teller.show(look)
    assert [line.split(" ")[0] for line in out.getvalue().splitlines()] == [
        "waiting",
        "settling",
        "collecting:",
    ]
    Teller(None, "si", lambda: 0.0).show(LOOKS[0])  # closed standard error


def test_every_stage_has_words() -> None:
    for stage in MatchStage:
        assert progress_text(Progress(stage=stage, for_s=1.0), "si")


@pytest.mark.parametrize(
    ("value_k", "us", "si"), [(-0.0001, "0.000 °F", "0.000 K"), (1.0, "1.800 °F", "1.000 K")]
)
def test_differences_in_both_units(value_k: float, us: str, si: str) -> None:
    assert (difference(value_k, "us", 3), difference(value_k, "si", 3)) == (us, si)


# -- age ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("days", "told"), [(29, False), (45, True)])
def test_check_asks_for_a_new_match(
    config: Path,
    capsys: pytest.CaptureFixture[str],
    days: int,
    told: bool,  # noqa: FBT001
) -> None:
    day = datetime.fromtimestamp(SystemClock().utc_us() / 1e6, UTC).date() - timedelta(days=days)
    config.write_text(TEXT.replace("[probes.sup]\n", f"[probes.sup]\nmatched = {day}\n"), encoding="utf-8")
    assert check_command(config, offline=True, json=True) == 0
    lines = [c for c in json.loads(capsys.readouterr().out)["checks"] if c["code"] == "match"]
    assert len(lines) == int(told)
    for line in lines:
        assert "sup was matched 45 days ago" in line["text"]
        assert "riselog match" in line["next"]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("matched = '2026-01-31'", "date without quotes"),
        ("matched = 2026-01-31T10:00:00", "date without quotes"),
        ('gain = "0.1 %"', "needs the temperature it counts from"),
        ('gain = "9 %"', "not between -5 % and 5 %"),
        ("humidity_offset = 1.0", "needs a unit"),
    ],
)
def test_keys_of_a_match_that_cannot_be(line: str, words: str) -> None:
    with pytest.raises(ConfigError, match=words):
        loads_config(TEXT.replace("[probes.ret]\n", f"[probes.ret]\n{line}\n"), "job", DriverOptions())


def test_keys_of_a_match_are_for_temperature_probes() -> None:
    text = TEXT.replace("[probes.baro]\n", "[probes.baro]\nmatched = 2026-01-31\n")
    with pytest.raises(ConfigError, match=r"probes\.baro\.matched.*temperature probe only"):
        loads_config(text, "job", DriverOptions())
