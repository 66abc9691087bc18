"""What was told already: the same trouble is news once, not at each try. Pure."""

from __future__ import annotations

from logger.core.readings import NS_PER_S

DAY_S = 86_400.0  # elapsed time before what did not change is told again; assumed
AGAIN_S = 3600.0  # the same, where it was well in between; assumed
AGAIN_BY_CODE_S = {"broker-away": 600.0, "broker-back": 0.0}  # as ``AGAIN_S``; assumed: someone waits for it


class News:
    """``code`` is that of an event, ``what`` makes it the same news.

    >>> news = News()
    >>> [news.is_fresh("broker-away", "no route", t_s * NS_PER_S) for t_s in (0, 700, 86_400)]
    [True, False, True]
    >>> news.over("broker-away")
    >>> [news.is_fresh("broker-away", "no route", t_s * NS_PER_S) for t_s in (86_500, 87_000)]
    [False, True]
    >>> news.is_fresh("record-refused", "a/event 135", 0)
    True
    >>> news.over("record-refused", "a/event")
    >>> news.is_fresh("record-refused", "a/event 135", 3600 * NS_PER_S)
    True
    """

    def __init__(self) -> None:
        self._told: dict[tuple[str, str], tuple[int, bool]] = {}  # when, and whether it was well since

    def is_fresh(self, code: str, what: str, now_ns: int) -> bool:
        """Whether to tell it now; if so it counts as told."""
        told_ns, over = self._told.get((code, what), (None, False))
        wait_s = AGAIN_BY_CODE_S.get(code, AGAIN_S) if over else DAY_S
        if told_ns is not None and now_ns - told_ns < wait_s * NS_PER_S:
            return False
        self._told[code, what] = now_ns, False
        return True

    def over(self, code: str, what: str | None = None) -> None:
        """It is well again: all of that code, or what begins with that word."""
        for key, (told_ns, _) in self._told.items():
            if key[0] == code and (what is None or f"{key[1]} ".startswith(f"{what} ")):
                self._told[key] = told_ns, True
