"""What is wrong with a config, as sentences: ``FILE:LINE: key 'unit.rise': what; what to do``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, get_args, get_origin

from pydantic import BaseModel, ValidationError

from logger.config.quantities import quoted
from logger.config.toml_text import KeyPath, key_lines
from logger.core.errors import ConfigError
from logger.text import closest

_SHOWN_AT_MOST = 10  # sentences, assumed: more would hide the first

_PHRASES = {
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "bool_type": "must be true or false, without quotes",
    "bool_parsing": "must be true or false, without quotes",
    "int_type": "must be a whole number, without quotes",
    "int_parsing": "must be a whole number, without quotes",
    "int_from_float": "must be a whole number",
    "string_type": "must be text in quotes",
    "float_type": "must be a number, without quotes",
    "finite_number": "must be a finite number, not nan or inf",
    "list_type": "must be an array in brackets",
    "tuple_type": "must be an array in brackets",
    "string_too_short": "must not be empty; write {min_length} character or more",
    "too_long": "has more than {max_length} items",
    "greater_than_equal": "must be at least {ge}",
    "less_than_equal": "must be at most {le}",
    "greater_than": "must be above {gt}",
    "less_than": "must be below {lt}",
}
"""Sentences for pydantic's error types; what is not here keeps pydantic's own."""


class Problem(NamedTuple):
    """One fault: the key it speaks of, and what to do about it."""

    path: KeyPath
    text: str


@dataclass(frozen=True, slots=True)
class Source:
    """A named TOML text and the lines of its keys."""

    name: str
    lines: Mapping[KeyPath, int]

    @classmethod
    def of(cls, name: str, text: str) -> Source:
        """Source of a text that ``tomllib`` accepts."""
        try:
            return cls(name, key_lines(text))
        except (ValueError, IndexError, RecursionError):
            return cls(name, {})  # the place is then line 1: a lesser evil than no message


def fault(problems: Iterable[Problem], sources: Iterable[Source]) -> ConfigError:
    """One error of all problems, a sentence each, in the order of the file.

    ``sources`` come with the strongest first: the one that has the key is named.
    """
    known = tuple(sources)
    placed = sorted((*_place(p.path, known), p) for p in dict.fromkeys(problems))
    sentences = [_sentence(known[n].name, line, p) for n, line, p in placed[:_SHOWN_AT_MOST]]
    if len(placed) > _SHOWN_AT_MOST:
        sentences.append(f"{known[-1].name}: {len(placed) - _SHOWN_AT_MOST} more faults; repair these first")
    return ConfigError("\n".join(sentences))


def _place(path: KeyPath, sources: tuple[Source, ...]) -> tuple[int, int]:
    while path:
        for n, source in enumerate(sources):
            if path in source.lines:
                return n, source.lines[path]
        path = path[:-1]
    return len(sources) - 1, 1


def _sentence(name: str, line: int, problem: Problem) -> str:
    key = quoted(".".join(str(part) for part in problem.path))
    return f"{name}:{line}: key {key}: {problem.text}"


def unknown_key(key: str, accepted: Iterable[str], meant: Mapping[str, str] | None = None) -> str:
    """What to say of a key that no table has; ``meant`` are other words for keys."""
    known = sorted(accepted)
    other = (meant or {}).get(key.casefold())
    hint = f"; did you mean '{other}'?" if other else closest(key, known)
    return f"unknown key; accepted here: {', '.join(known)}{hint}"


def problems_of(
    error: ValidationError, model: type[BaseModel], base: KeyPath = (), also_accepted: Iterable[str] = ()
) -> list[Problem]:
    """Problems that pydantic found in a table that stands at ``base``."""
    return [
        Problem((*base, *entry["loc"]), _text(dict(entry), model, tuple(also_accepted)))
        for entry in error.errors(include_url=False)
    ]


def _text(entry: Mapping[str, Any], model: type[BaseModel], also_accepted: tuple[str, ...]) -> str:
    kind, where, context = entry["type"], entry["loc"], entry.get("ctx") or {}
    if kind == "extra_forbidden":
        table = _table_at(model, where[:-1])
        accepted = (*_keys(table), *also_accepted)
        if where[-1] == "password" and "password_file" in accepted:
            return (
                "a password in the config file itself is refused; put it into a file of its own and name"
                " that in password_file, or name an environment variable in password_env"
            )
        return unknown_key(str(where[-1]), accepted, getattr(table, "meant", {}))
    if kind == "missing":
        return _missing(_table_at(model, where[:-1]), str(where[-1]))
    if kind == "value_error" and "error" in context:
        return " ".join(str(context["error"]).split())
    if kind == "literal_error":
        return _one_of(entry["input"], re.findall(r"'([^']*)'", str(context.get("expected"))))
    phrase = _PHRASES.get(kind)
    return phrase.format(**context) if phrase else " ".join(str(entry["msg"]).split())


def _one_of(given: object, words: Sequence[str]) -> str:
    if len(words) == 1:
        return f"must be {quoted(words[0])}"
    return f"must be one of {', '.join(words)}{closest(given, words) if isinstance(given, str) else ''}"


def _missing(table: type[BaseModel] | None, key: str) -> str:
    field = table.model_fields.get(key) if table else None
    if field is None or not field.examples:
        return "missing; add it"
    example = field.examples[0]
    if str(example).startswith("["):
        return f"missing; add the table {example}"
    value = str(example).lower() if isinstance(example, bool | int | float) else f'"{example}"'
    return f"missing; add for example {key} = {value}"


def _keys(table: type[BaseModel] | None) -> list[str]:
    fields = table.model_fields if table else {}
    return [field.alias or name for name, field in fields.items()]


def _table_at(model: type[BaseModel], where: tuple[int | str, ...]) -> type[BaseModel] | None:
    """The model of the table that an error's place leads to."""
    here: type[BaseModel] | None = model
    named = False  # the next step is a name that the user has given
    for part in where:
        if isinstance(part, int) or named:  # a table of a list, or of those with names: its step led here
            named = False
            continue
        field = here.model_fields.get(str(part)) if here else None
        named = field is not None and get_origin(field.annotation) is dict
        kinds = (field.annotation, *get_args(field.annotation)) if field else ()
        here = next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)
    return here
