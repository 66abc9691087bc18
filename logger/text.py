"""Text from outside made fit to be kept or shown, and hints at what was meant."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable

TEXT_LIMIT = 1000  # characters of an event's or a command's text; assumed
_KEY = re.compile(r"(?<![0-9A-Fa-f])[0-9A-Fa-f]{28,63}(?![0-9A-Fa-f])")  # no digest of 64, which is no secret
FAR_FETCHED = 0.4  # of 1: likeness of words that are offered where none is nearer (assumed)
_WORD_LOOKED_AT = 64  # characters; assumed: no word of ours is longer


def hide_keys(text: str) -> str:
    """Without what may be a secret key that slipped into a wrong place: 28 hex digits or more in a row.

    >>> hide_keys("max_age = 00112233445566778899aabbccddeeff")
    'max_age = (hidden: it looks like a key)'
    """
    return _KEY.sub("(hidden: it looks like a key)", text)


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
    return hide_keys(" ".join("".join(c if c.isprintable() else " " for c in text).split()))


def closest(word: str, known: Iterable[str]) -> str:
    """A hint at the nearest known word, or nothing.

    >>> closest("Suply", ["return", "supply"])
    "; did you mean 'supply'?"
    """
    folded = {k.casefold(): k for k in known}
    near = difflib.get_close_matches(word[:_WORD_LOOKED_AT].casefold(), folded, n=1)
    return f"; did you mean '{folded[near[0]]}'?" if near else ""


def nearest(word: str, known: Iterable[str]) -> str:
    """The three nearest known words, or nothing where all are far.

    >>> nearest("cool", ["weak", "cooling-dry", "cooling-wet"]), nearest("x", ["weak"])
    ('cooling-wet, cooling-dry', '')
    """
    meant, choice = word[:_WORD_LOOKED_AT].casefold(), tuple(known)
    near = difflib.get_close_matches(meant, choice, n=3)
    return ", ".join(near or difflib.get_close_matches(meant, choice, n=3, cutoff=FAR_FETCHED))
