"""JSON Pointer, RFC 6901: which value of a document is meant."""

from __future__ import annotations

import re
from typing import Any

Pointer = tuple[str, ...]
"""Reference tokens, unescaped; none is the whole document."""

_ARRAY_INDEX = re.compile(r"0|[1-9][0-9]*")  # RFC 6901, 4: no leading zeros
_BAD_ESCAPE = re.compile(r"~(?![01])")


class NoValueError(LookupError):
    """The document has nothing at that place."""


def parse_pointer(text: str) -> Pointer:
    """The tokens of a pointer.

    Raises
    ------
    ValueError
        The text is no pointer.

    >>> parse_pointer("/air/t~1c")
    ('air', 't/c')
    """
    if not text:
        return ()
    if not text.startswith("/"):
        raise ValueError(f'"{text}" is no JSON pointer: it begins with /, like "/temperature"')
    if _BAD_ESCAPE.search(text):
        raise ValueError(f'"{text}" is no JSON pointer: write ~0 for ~ and ~1 for / inside a name')
    # RFC 6901, 4: ~1 first, or ~01 would become / instead of ~1
    return tuple(part.replace("~1", "/").replace("~0", "~") for part in text[1:].split("/"))


def resolve(document: Any, pointer: Pointer) -> Any:  # noqa: ANN401 - any JSON value
    """The value at that place.

    Raises
    ------
    NoValueError
        There is none.

    >>> resolve({"air": [20.5, 21.0]}, ("air", "1"))
    21.0
    """
    here = document
    for token in pointer:
        if isinstance(here, dict) and token in here:
            here = here[token]
        elif isinstance(here, list) and _ARRAY_INDEX.fullmatch(token) and len(token) <= len(str(len(here))):
            if int(token) >= len(here):
                raise NoValueError(token)
            here = here[int(token)]
        else:
            raise NoValueError(token)
    return here
