"""Lines of keys in odd layouts, and data written as TOML; ``tomllib`` is the oracle."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.toml_text import key_lines, toml_text

ODD = '''# comment with [brackets] and key = 1
top = "a # no comment" # comment = 2

[ job ]   # table
  name='x = 1'
a.b . c = 3
"quoted key" = [ 1, # one = 1
  "]", [2,
  3], {p = 1, q.r = 2},
]
text = """
[not.a.table]
no = "key\\"""
"""
raw = \'\'\'
no = 'key'
\'\'\'

[unit]
derate = { done = true, "x.y" = { z = "}" } }
[probes."ret 1"]
role = "return"
[[list]]
n = 1
[[list]]
n = 2
[list.sub]
m = 1
[probes.sup]
role = "supply"'''

ODD_LINES = {
    ("top",): 2,
    ("job",): 4,
    ("job", "name"): 5,
    ("job", "a"): 6,
    ("job", "a", "b", "c"): 6,
    ("job", "quoted key"): 7,
    ("job", "quoted key", 1): 8,
    ("job", "quoted key", 2, 1): 9,
    ("job", "quoted key", 3, "p"): 9,
    ("job", "quoted key", 3, "q", "r"): 9,
    ("job", "text"): 11,
    ("job", "raw"): 15,
    ("unit", "derate"): 20,
    ("unit", "derate", "done"): 20,
    ("unit", "derate", "x.y", "z"): 20,
    ("probes",): 21,
    ("probes", "ret 1", "role"): 22,
    ("list", 0, "n"): 24,
    ("list", 1, "n"): 26,
    ("list", 1, "sub", "m"): 28,
    ("probes", "sup", "role"): 30,
}


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_lines_in_odd_layouts(ending: str) -> None:
    text = ODD.replace("\n", ending)
    lines = key_lines(text)
    assert {path: lines[path] for path in ODD_LINES} == ODD_LINES
    assert set(lines) == set(_paths(tomllib.loads(text)))


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in inner:
        yield (*path, key)
        yield from _paths(part, (*path, key))


_KEYS = st.text(max_size=5)
_PLAIN = (
    st.booleans()
    | st.integers()
    | st.floats(allow_nan=False)
    | st.text()
    | st.datetimes()
    | st.dates()
    | st.times()
)
_VALUES = st.recursive(
    _PLAIN,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=3),
    max_leaves=10,
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(_KEYS, _VALUES, max_size=4))
def test_written_data_reads_back_and_every_key_has_a_line(data: dict[str, Any]) -> None:
    text = toml_text(data)
    assert tomllib.loads(text) == data
    lines = key_lines(text)
    assert set(lines) == set(_paths(data))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
