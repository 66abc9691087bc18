"""Whom the search blames for how connections end, and which records a connection sends first; no broker."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, cast

import pytest

from logger.publish.connection import Barred, Connection, Flight
from logger.publish.culprit import Culprit, Search
from logger.publish.outbox import Outbox
from logger.publish.post import Post
from logger.publish.records import Item, others_first
from logger.publish.settings import BrokerError
from logger.store.waiting import PublishedRun
from tests.shell.publish_bench import Bench

RUN = PublishedRun(
    run_key=3, run="r1", started_utc_us=0, simulated=False, next_seq=0, above=(), passed_over=0
)
SILENT = BrokerError("acknowledges nothing")


def item(seq: int, topic: str, *, again: bool = False) -> Item:
    return Item(run=RUN, seq=seq, kind="reading", post=Post(topic=topic, payload=b""), again=again)


@dataclass
class Ended:
    """What is left of a connection: what was acknowledged, and what was on its way, in order."""

    answered: set[str] = field(default_factory=set)
    on_its_way: Sequence[Item] = ()
    passed_by: bool = False
    barred: Barred | None = None
    passing: str = ""
    careful: bool = True
    lasted: bool = False
    silent: bool = True

    @property
    def flying(self) -> dict[int, Flight]:
        return {number: Flight(one, 0.0) for number, one in enumerate(self.on_its_way)}

    @property
    def unanswered(self) -> Item | None:
        return self.on_its_way[0] if self.on_its_way and self.silent else None


def after(search: Search, *items: Item, **how: Any) -> Culprit | None:
    return search.after(cast("Connection", Ended(on_its_way=items, **how)), SILENT)


def test_a_record_is_blamed_at_its_third_silence_and_at_once_when_it_was_kept_apart() -> None:
    search, first = Search(), item(1, "a")
    assert after(search, first, answered={"b"}) is None
    assert after(search, item(2, "c"), answered={"b"}) is None  # not in a row
    assert after(search, first, answered={"b"}) is None
    assert after(search, first, answered={"b"}) is None
    found = after(search, first, answered={"b"})
    assert found is not None
    assert (found.item, found.tried, found.whole) == (first, False, False)
    again = after(search, item(1, "a", again=True))
    assert again is not None
    assert (again.tried, again.whole) == (True, False)


def test_a_record_that_others_passed_by_is_blamed_though_nothing_else_waits() -> None:
    search = Search()
    assert after(search, item(1, "a"), answered={"a"}, passed_by=True) is None
    assert after(search, item(1, "a")) is None
    assert after(search, item(1, "a")) is not None


def test_nothing_is_blamed_while_nothing_is_acknowledged() -> None:
    search = Search()
    for times in range(1, 50):
        assert after(search, item(1, "a"), item(2, "b")) is None
        assert (search.proof, search.swallows) == (times >= 3, times >= 5)
    assert after(search, item(7, "c"), answered={"b"}) is not None  # it acknowledges, and that one not
    assert not search.swallows
    assert search.proof  # for the next one as well


def test_a_topic_is_held_at_its_second_record_unless_one_in_between_is_acknowledged() -> None:
    search = Search()

    def blamed(seq: int, answered: set[str]) -> Culprit:
        found = [after(search, item(seq, "a"), answered=answered) for _ in range(3)][-1]
        assert found is not None
        return found

    assert not blamed(1, {"b"}).whole
    assert not blamed(2, {"a", "b"}).whole
    assert after(search, item(2, "a", again=True), answered={"b"}) is not None  # counts once
    assert blamed(3, {"b"}).whole
    found = after(search, item(4, "a"), answered={"b"})  # tried for the whole topic
    assert found is not None
    assert (found.tried, found.whole) == (True, True)
    assert not blamed(5, {"a"}).whole


def test_a_record_of_each_other_topic_goes_first_and_each_topic_keeps_its_order() -> None:
    items = [item(seq, topic) for seq, topic in enumerate("aaababcba")]
    assert [one.seq for one in others_first(items)] == [3, 6, 0, 1, 2, 4, 5, 7, 8]
    alone = [item(seq, "a") for seq in range(3)]
    assert [one.seq for one in others_first(alone)] == [0, 1, 2]
    assert others_first(alone[:1]) == alone[:1]
    assert others_first([]) == []


def lost(search: Search, *items: Item, code: int | None = None, **how: Any) -> Culprit | None:
    """The broker ended it."""
    ended = Ended(on_its_way=items, silent=False, **how)
    return search.after(cast("Connection", ended), BrokerError("lost", code, by_peer=True))


def test_what_was_acknowledged_makes_nobody_less_careful_before_a_connection_has_lasted() -> None:
    search = Search()
    for times in range(1, 9):
        assert lost(search, item(times, "a"), answered={"a", "b"}, careful=search.careful) is None
        assert search.careful == (times >= 3)
    assert lost(search, item(9, "a"), lasted=True) is None
    assert not search.careful


# OASIS MQTT 5.0, 3.14.2.1: server busy, session taken over, shutting down, moved; keep alive timeout
@pytest.mark.parametrize("code", [0x89, 0x8B, 0x8D, 0x8E, 0x9C, 0x9D])
def test_nothing_is_blamed_for_an_end_that_speaks_of_the_connection(code: int) -> None:
    search, first = Search(), item(1, "a")
    for _ in range(20):
        assert lost(search, first, code=code) is None
        assert not search.careful


def test_a_topic_is_held_when_a_refusal_of_it_ended_two_connections() -> None:
    search = Search()
    assert lost(search, barred=Barred("a", 0x87, trial=False), careful=False) is None
    found = lost(search, barred=Barred("a", 0x87, trial=False), careful=False)
    assert found is not None
    assert (found.topic, found.item, found.whole) == ("a", None, True)
    assert "ends the connection each time it refuses a: it does not allow it (reason 0x87)" in found.deed


def test_a_refusal_before_an_end_that_came_by_chance_is_forgotten() -> None:
    search, barred = Search(), Barred("a", 0x87, trial=False)
    assert lost(search, barred=barred, careful=False) is None
    assert lost(search, item(1, "b"), lasted=True) is None
    assert lost(search, barred=barred, careful=False, lasted=True) is None
    assert lost(search, barred=barred, careful=False, lasted=True) is not None  # one after the other


def test_no_record_is_blamed_while_the_broker_hangs_up_at_every_topic() -> None:
    search = Search()
    assert lost(search, item(1, "a")) is None
    assert lost(search, item(1, "a")) is not None
    for times in range(1, 9):
        assert lost(search, item(2, "b")) is None
        assert (search.proof, search.hangs_up) == (times >= 2, times >= 4)
    assert lost(search, item(2, "b"), answered={"c"}) is not None  # it takes one, and that one not
    assert not search.hangs_up


class Parking:
    """An outbox that takes what is parked or held."""

    def refused(self, *_: object) -> None: ...

    hold = refused


async def test_another_culprit_does_not_put_off_the_next_try_of_all(
    make: Callable[..., Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = make()
    bench.begin("r1", publish=False)
    rounds = bench.publisher_of()._rounds
    now = iter((100, 200, 300))
    monkeypatch.setattr(rounds, "_clock", SimpleNamespace(now_ns=lambda: next(now)))
    monkeypatch.setattr(rounds, "_outward", SimpleNamespace(say=lambda *_: True))
    for topic, tried, since in (("a", False, 100), ("b", False, 200), ("a", False, 100), ("a", True, 300)):
        found = Culprit(topic, "why", "deed", item(1, topic), tried=tried)
        rounds._keep_apart(cast("Outbox", Parking()), found)
        assert rounds._put_off[topic] == since
