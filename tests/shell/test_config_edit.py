"""Keys set in a TOML file: those asked for, and not one byte more.

Reference: the reader of Python's standard library, and the lines themselves.
"""

import os
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.config.edit import by_hand, edit_file, edited_text
from logger.core.errors import ConfigError

FOLDER = Path(__file__).parents[2] / "config"
TEMPLATES = sorted(FOLDER.glob("*.toml"))
DAY = date(2026, 1, 31)
KEYS = ("offset", "u95", "matched", "matched_at", "humidity_offset")
VALUES = {"offset": "0.061 K", "u95": "0.05 °F", "matched": DAY}


def accept(_text: str) -> None:
    """Anything goes."""


def only_asked(old: str, new: str, changes: dict[tuple[str, ...], dict[str, Any]]) -> None:
    """Every old line is there, in order and byte for byte, but those that hold a key that was set."""
    asked = {key for values in changes.values() for key in values}
    left = iter(new.splitlines(keepends=True))
    for line in old.splitlines(keepends=True):
        head = line.split("=")[0].strip().strip("\"'").rpartition(".")[2].strip("\"'")
        if head in asked:
            continue
        assert any(kept.rstrip("\r\n") == line.rstrip("\r\n") for kept in left), line
    wanted = tomllib.loads(old)
    for path, values in changes.items():
        table = wanted
        for key in path:
            table = table[key]
        table.update(values)
    assert tomllib.loads(new) == wanted


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda p: p.name)
def test_every_template_keeps_all_but_the_keys_asked_for(path: Path) -> None:
    old = path.read_text(encoding="utf-8")
    changes = {("probes", name): dict(VALUES) for name in tomllib.loads(old)["probes"]}
    new = edited_text(old, path.name, changes)
    only_asked(old, new, changes)
    for name in tomllib.loads(old)["probes"]:  # each key stands in the probe's own block of lines
        block = new.split(f"[probes.{name}]")[1].split("\n\n")[0]
        assert 'offset = "0.061 K"' in block
        assert "matched = 2026-01-31" in block
    assert edited_text(new, path.name, changes) == new  # a second match alike changes nothing


def test_a_comment_that_speaks_of_the_next_table_is_not_overtaken() -> None:
    old = '[probes.sup]\nrole = "supply" # hot\n\n# [mqtt]\n# host = "broker.example"\n'
    new = edited_text(old, "f", {("probes", "sup"): {"offset": "1 K"}})
    assert (
        new == '[probes.sup]\nrole = "supply" # hot\noffset = "1 K"\n\n# [mqtt]\n# host = "broker.example"\n'
    )


WAYS = [  # (before the new key, after it): the key's own line is put between
    ('[probes.a]\nrole="x" # c\n', "\n[b]\n"),
    ('[probes.a]\n  role = "x"\n  ', "  # end\n"),
    ("[probes.a]\n", "[job]\n"),
    ('probes.a.role="x"\nprobes.a.', 'probes.b.role="y"\n'),
    ('[probes."a"]\nq=[1, # one\n2]\n', "[probes.a.m]\nx=1\n"),
    ("[probes.a]\nr=1\n", "[job]\nz=1\n[probes.b]\nr=2\n"),
    ("[job]\nz=1\n[probes.b]\nr=2\n[probes.a]\nr=1\n", "# end"),
]


@pytest.mark.parametrize(("before", "after"), WAYS)
def test_every_way_to_write_a_table(before: str, after: str) -> None:
    old = before.removesuffix("  ").removesuffix("probes.a.") + after
    assert edited_text(old, "f", {("probes", "a"): {"offset": "1 K"}}) == f'{before}offset = "1 K"\n{after}'


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("[probes.a]\noffset = '0 K'   # c\n", '[probes.a]\noffset = "1 K"   # c\n'),
        ("[probes.a]\r\nr=1\r\n\r\n[b]\r\n", '[probes.a]\r\nr=1\r\noffset = "1 K"\r\n\r\n[b]\r\n'),
        ("[probes.a]\nr=1", '[probes.a]\nr=1\noffset = "1 K"\n'),
        ('[probes]\na={role="x"}\n', '[probes]\na={role="x",offset = "1 K"}\n'),
    ],
)
def test_values_line_ends_and_inline_tables(old: str, new: str) -> None:
    assert edited_text(old, "f", {("probes", "a"): {"offset": "1 K"}}) == new


_comment = st.text(st.characters(exclude_categories=["Cc", "Cs"]), max_size=12).map(lambda s: f"  # {s}")
_value = st.sampled_from(
    ["1", "1.5", "true", "'raw \\ text'", '"°F # no comment"', "[1, 2]", "2026-01-31", "{ q = 1 }"]
)
_line = st.tuples(st.sampled_from(["role", '"driver"', "x-1", *KEYS]), _value, _comment | st.just(""))
_table = st.lists(_line, max_size=5, unique_by=lambda line: line[0].strip('"'))
_filler = st.lists(st.sampled_from(["", "# key = 1", "   # [mqtt]", "#"]), max_size=3)


@given(
    tables=st.lists(st.tuples(_table, _filler), min_size=1, max_size=4),
    asked=st.lists(st.tuples(st.integers(0, 3), st.sampled_from(KEYS)), min_size=1, max_size=6),
    newline=st.sampled_from(["\n", "\r\n"]),
)
def test_only_the_asked_keys_change(tables: Any, asked: Any, newline: str) -> None:
    lines = ["# head", "[job]", 'name = "hall"', ""]
    for n, (pairs, filler) in enumerate(tables):
        lines += [f"[probes.p{n}] # {n}", *(f"{k} = {v}{c}" for k, v, c in pairs), *filler]
    old = newline.join(lines) + newline
    tomllib.loads(old)
    changes: dict[tuple[str, ...], dict[str, Any]] = {}
    for n, key in asked:
        values = changes.setdefault(("probes", f"p{n % len(tables)}"), {})
        values[key] = DAY if key == "matched" else "0.1 K"
    new = edited_text(old, "f", changes)
    only_asked(old, new, changes)
    assert new.count("\r\n") == (new.count("\n") if newline == "\r\n" else 0)
    for values in changes.values():
        for key in values:
            assert key in new
    comments = [line[line.rindex("  # ") :] for line in old.split(newline) if "  # " in line]
    for comment in comments:  # those behind a value that was set are kept too
        assert comment in new


@pytest.mark.parametrize("text", ["[[probes.a]]\n", "probes = 1\n", "[job]\n"])
def test_a_table_that_is_gone_is_told_with_the_lines_to_put_in(text: str) -> None:
    with pytest.raises(
        ConfigError, match=r"no table \[probes\.a\].*\n\[probes\.a\]\noffset = \"1 K\""
    ) as caught:
        edited_text(text, "job.toml", {("probes", "a"): {"offset": "1 K"}})
    assert caught.value.exit_code == 2


def test_the_file_keeps_its_mode_its_link_and_a_copy(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    data = b'\xef\xbb\xbf[probes.a]\r\nrole = "return"\r\n'
    real.write_bytes(data)
    real.chmod(0o640)
    link = tmp_path / "job.toml"
    link.symlink_to(real.name)
    changes = {("probes", "a"): {"offset": "1 K"}}
    copy = edit_file(link, changes, DAY, accept)
    assert link.is_symlink()
    assert real.read_bytes() == data + b'offset = "1 K"\r\n'
    assert real.stat().st_mode & 0o777 == 0o640
    assert copy == tmp_path / "real.toml.bak-2026-01-31"
    assert (copy.read_bytes(), copy.stat().st_mode & 0o777) == (data, 0o640)
    again = edit_file(link, {("probes", "a"): {"offset": "2 K"}}, DAY, accept)
    assert again.name == "real.toml.bak-2026-01-31-2"  # the first copy is not lost
    assert copy.read_bytes() == data
    assert sorted(p.name for p in tmp_path.iterdir()) == ["job.toml", "real.toml", copy.name, again.name]


def test_a_text_that_is_not_accepted_is_not_written(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[probes.a]\n")

    def refuse(_text: str) -> None:
        raise ConfigError("no")

    with pytest.raises(ConfigError, match=r"^no$"):
        edit_file(path, {("probes", "a"): {"offset": "1 K"}}, DAY, refuse)
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("job.toml", "[probes.a]\n")]


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[probes.a]\n")
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(ConfigError, match=r"cannot be written .* by hand:\n\[probes\.a\]"):
            edit_file(path, {("probes", "a"): {"offset": "1 K"}}, DAY, accept)
    finally:
        tmp_path.chmod(0o700)
    assert path.read_text() == "[probes.a]\n"


def test_a_disk_that_is_full_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[probes.a]\n")
    calls = iter([None, OSError(28, "No space left on device")])

    def fsync(_handle: int) -> None:
        if (error := next(calls)) is not None:
            raise error

    monkeypatch.setattr("logger.config.edit.os.fsync", fsync)
    with pytest.raises(ConfigError, match=r"No space left on device\), it is as it was"):
        edit_file(path, {("probes", "a"): {"offset": "1 K"}}, DAY, accept)
    assert path.read_text() == "[probes.a]\n"
    assert not list(tmp_path.glob(".*.part"))


def test_lines_by_hand_are_toml() -> None:
    changes = {("probes", "a"): {"offset": "1 K", "matched": DAY}}
    assert tomllib.loads(by_hand(changes)) == {"probes": {"a": {"offset": "1 K", "matched": DAY}}}


def test_a_read_only_file_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[probes.ret]\n", encoding="utf-8")
    path.chmod(0o444)
    new = {("probes", "ret"): {"offset": "0.1 K"}}
    with pytest.raises(ConfigError, match=r"is read-only \(mode 0444\), nothing was written(.|\n)*offset = "):
        edit_file(path, new, DAY, accept, adding=True)
    assert path.read_text(encoding="utf-8") == "[probes.ret]\n"
    edit_file(path, new, DAY, accept, adding=True, read_only_too=True)
    assert "offset" in path.read_text(encoding="utf-8")
