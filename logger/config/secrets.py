"""Which of a driver's own keys may be stored: all but those that hold a secret, or may hold one.

A secret is what the driver's model made a pydantic ``SecretStr`` or ``SecretBytes``, at any depth.
What cannot be looked into is left out as well: a replay opens no driver and needs none of it.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from enum import Enum
from pathlib import PurePath
from typing import Any

from pydantic import SecretBytes, SecretStr

_PLAIN = (
    str, bytes, int, float, bool, type(None), datetime.date, datetime.time, datetime.timedelta,
    Decimal, Enum, PurePath,
)  # fmt: skip
_LEFT_OUT = object()


def without_secrets(raw: Mapping[str, Any], checked: Mapping[str, Any]) -> dict[str, Any]:
    """The keys of ``raw``, as the file has them, that may be stored; ``checked`` is what the driver's
    model made of them.

    >>> without_secrets({"a": 1, "api": {"token": "x"}}, {"a": 1, "api": {"token": SecretStr("x")}})
    {'a': 1, 'api': {}}
    """
    kept = _kept(raw, checked)
    words = [word for word in _secret_words(checked) if word]
    return {key: value for key, value in kept.items() if not _speaks(value, words)}


def _kept(raw: Any, checked: Any) -> Any:  # noqa: ANN401 - any TOML value, any value of a model
    """``raw`` without what is secret in ``checked``, or ``_LEFT_OUT``."""
    if isinstance(raw, Mapping) and isinstance(checked, Mapping):
        pairs = {key: _kept(raw[key], checked[key]) for key in raw if key in checked}
        return {key: value for key, value in pairs.items() if value is not _LEFT_OUT}
    if isinstance(raw, list) and isinstance(checked, list | tuple) and len(raw) == len(checked):
        items = [_kept(one, made) for one, made in zip(raw, checked, strict=True)]
        return _LEFT_OUT if any(item is _LEFT_OUT for item in items) else items
    return raw if all(isinstance(leaf, _PLAIN) for leaf in _leaves(checked)) else _LEFT_OUT


def _leaves(value: Any) -> Iterator[Any]:  # noqa: ANN401 - as above
    if isinstance(value, Mapping):
        for key, part in value.items():
            yield from _leaves(key)
            yield from _leaves(part)
    elif isinstance(value, list | tuple | set | frozenset):
        for part in value:
            yield from _leaves(part)
    else:
        yield value


def _secret_words(checked: Any) -> Iterator[str]:  # noqa: ANN401 - as above
    for leaf in _leaves(checked):
        if isinstance(leaf, SecretStr):
            yield leaf.get_secret_value()
        elif isinstance(leaf, SecretBytes):
            yield leaf.get_secret_value().decode(errors="replace")


def _speaks(value: Any, words: Iterable[str]) -> bool:  # noqa: ANN401 - as above
    """Whether a secret stands in a value in the clear, as in an address with a password."""
    return any(word in str(leaf) for leaf in _leaves(value) for word in words)
