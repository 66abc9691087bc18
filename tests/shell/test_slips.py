"""What is typed where a number or a scenario's name belongs: in our words, with what to do next."""

from __future__ import annotations

import pytest

from logger.cli import main
from simulators.scenarios import SCENARIOS


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main(list(arguments))
    assert ended.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("riselog: ")
    assert err.count("\n") == 1
    return err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("study", "--trials", "1e9"), "--trials 1e9: write a whole number"),
        (("study", "--trials", ""), "--trials : write a whole number"),
        (("study", "--seed", "x\x1b[31m"), "--seed x[31m: write a whole number"),
        (("study", "--jobs", "2.5"), "--jobs 2.5: write a whole number"),
        (("study", "--trials", "9" * 5000), f"--trials {'9' * 20}: write a whole number"),
        (("demo", "--seed", "one"), "see `riselog demo --help`"),
        (("clock", "--turns", "a"), "--turns a: write a whole number"),
        (("traverse", "fan-curve", "f.csv", "--rpm", "fast"), "--rpm fast: write a number"),
    ],
)
def test_a_number_that_is_none(
    arguments: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert words in said(capsys, *arguments)


@pytest.mark.parametrize(("scenarios", "most"), [(1, 500_000), (2, 250_000)])
def test_more_trials_than_anybody_waits_for(
    scenarios: int, most: int, capsys: pytest.CaptureFixture[str]
) -> None:
    named = [word for name in list(SCENARIOS)[:scenarios] for word in ("--scenario", name)]
    text = said(capsys, "study", *named, "--trials", str(most + 1))
    assert f"{most} of each at most" in text


@pytest.mark.parametrize(
    ("typed", "nearest"),
    [("nope", "no-fan-phase"), ("Standard", "standard"), ("cool", "cooling-wet"), ("swap", "swapped")],
)
@pytest.mark.parametrize("command", ["study", "demo"])
def test_a_name_that_is_none_is_answered_with_the_nearest(
    command: str, typed: str, nearest: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(capsys, command, "--scenario", typed)
    offered = text.split("closest: ")[1].split(".")[0].split(", ")
    assert nearest in offered
    assert len(offered) <= 3
    assert "`riselog demo --list` shows all" in text


def test_a_name_like_none_is_not_answered_with_all(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "study", "--scenario", "x" * 100_000)
    assert "closest" not in text
    assert "`riselog demo --list` shows all" in text
    assert len(text) < 200


@pytest.mark.parametrize("command", [(), ("run",), ("study",), ("traverse",)])
@pytest.mark.parametrize("columns", [80, 60])
def test_help_is_whole_in_a_narrow_window(
    columns: int,
    command: tuple[str, ...],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    with pytest.raises(SystemExit):
        main([*command, "--help"])
    lines = capsys.readouterr().out.splitlines()
    assert lines
    assert [line for line in lines if len(line) > columns] == []
    assert [line for line in lines if line.endswith("...") and "COMMAND" not in line] == []
