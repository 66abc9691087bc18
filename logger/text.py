"""Text from outside made fit to be kept or shown, and hints at what was meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

TEXT_LIMIT = 1000  # characters of an event's or a command's text; assumed
_WORD_LOOKED_AT = 64  # characters; assumed: no word of ours is longer


def clean_text(text: str, limit: int = TEXT_LIMIT) -> str:
    r"""No control characters, of bounded length.

    >>> clean_text("pro\x1b[31mbe\n")
    'pro[31mbe'
    """
    return "".join(c for c in text if c.isprintable())[:limit]


def one_line(text: str) -> str:
    r"""A message as one printable line.

    >>> one_line("a\n\tb")
    'a b'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def closest(word: str, known: Iterable[str]) -> str:
    """A hint at the nearest known word, or nothing.

    >>> closest("Suply", ["return", "supply"])
    "; did you mean 'supply'?"
    """
    folded = {k.casefold(): k for k in known}
    near = difflib.get_close_matches(word[:_WORD_LOOKED_AT].casefold(), folded, n=1)
    return f"; did you mean '{folded[near[0]]}'?" if near else ""
