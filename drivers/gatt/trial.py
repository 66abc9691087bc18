"""One look at what a connected probe says, for ``check``: each value that a run would use, once."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

from drivers.ble_errors import RadioError, Trouble
from drivers.causes import Cause, Value
from drivers.gatt.profile import OF_THE_PROBE, Plan, Source
from drivers.links import Connection
from drivers.probe import judge, reached
from drivers.wire import CutShortError
from logger.core.readings import QUANTITIES
from logger.driver_api import DecodeError, ProbeRequest, Quantity, Reach

STARTED = "it comes after the map's start command, which is written in a run alone"
LOST = Trouble("the connection was lost while it was looked at", "move closer and check its battery")
ON_CHANGE = "it comes only on a change, by the probe's own setting"


@dataclass(slots=True, kw_only=True, eq=False)
class Answer:
    """What one source said: ``values`` that can be used, and for each quantity why there is none.
    ``awaited``: nothing came, and that is no fault."""

    source: Source
    values: dict[Quantity, float] = field(default_factory=dict)
    causes: dict[Quantity, Cause] = field(default_factory=dict)
    awaited: str = ""
    heard: bool = False
    unpaired: bool = False

    @property
    def settled(self) -> bool:
        """Whether every quantity has a value."""
        return self.source.quantities <= set(self.values)

    def take(self, payload: bytes) -> None:
        """A packet: the newest word on each quantity counts."""
        self.heard = True
        try:
            found = [Value(*each) for each in self.source.decode(payload)]
        except DecodeError as error:
            found = [Value(*each) for each in error.values] if isinstance(error, CutShortError) else []
            missing = self.source.quantities - {each.quantity for each in found}
            self._lack(missing, self.source.fault(payload, error))
        for each in found:
            cause = self.source.lack(payload, each)
            if cause is not None:
                self._lack([each.quantity], cause)
            else:
                self.values[each.quantity] = each.value
                self.causes.pop(each.quantity, None)

    def refused(self, error: RadioError) -> None:
        """It cannot be had. What was said of it before stays."""
        self.unpaired = self.unpaired or error.asks_for_pairing
        cause = Cause(error.trouble.text, error.trouble.next_step)
        self._lack([each for each in self.source.quantities if each not in self.causes], cause)

    def silent(self, plan: Plan, waited_s: float) -> None:
        """No value came of what is still missing."""
        missing = self.source.quantities - set(self.values) - set(self.causes)
        if not missing:
            return
        self.awaited = _no_fault(plan, waited_s)
        if self.awaited:
            return
        title = _listed(missing)
        text = f"it sends no {title}: nothing came in {waited_s:g} s"
        next_step = "see that it measures, and that it is set to send; then check again"
        if self.heard:
            text = f"no packet of the {waited_s:g} s listened to had a {title}"
            next_step = "compare `when` of the map with the probe's packets"
        self._lack(missing, Cause(text, next_step))

    def _lack(
        self, quantities: Sequence[Quantity] | set[Quantity] | frozenset[Quantity], cause: Cause
    ) -> None:
        for quantity in quantities:
            if quantity not in self.values:
                self.causes[quantity] = cause


def _no_fault(plan: Plan, waited_s: float) -> str:
    """Why a silence of so long is none of the probe's faults; empty: it is one."""
    if plan.subscribed is not None:
        return STARTED
    if plan.on_change:
        return ON_CHANGE
    if plan.interval_s is not None and plan.interval_s > waited_s:
        return f"it comes every {plan.interval_s:g} s by the probe's own word, longer than is waited here"
    return ""


async def asked(connection: Connection, plan: Plan) -> list[Answer]:
    """Read each source once, where it can be read."""
    answers = [Answer(source=source) for source in plan.sources]
    for answer in answers:
        if answer.source.characteristic.can_read:
            with _told_to(answer):
                answer.take(await connection.read(answer.source.characteristic))
    return answers


async def tried(connection: Connection, plan: Plan, wait_s: float) -> list[Answer]:
    """Read each source once, and listen for so long to those that notify and gave nothing. Nothing is
    written but the subscriptions."""
    answers = await asked(connection, plan)
    listened = [each for each in answers if each.source.characteristic.can_notify and not each.settled]
    listened = [each for each in listened if each.source.measures]
    if listened and not connection.lost.is_set():
        await _listen(connection, listened, wait_s)
    for answer in answers:
        if connection.lost.is_set():
            answer.refused(RadioError("listening to the probe", LOST))
        answer.silent(plan, wait_s)
    return answers


async def _listen(connection: Connection, answers: Sequence[Answer], wait_s: float) -> None:
    failed: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def take(answer: Answer, payload: bytes) -> None:
        """A notification. The radio's library would swallow what is raised here."""
        try:
            answer.take(payload)
        except Exception as error:  # noqa: BLE001 - goes on to the caller
            if not failed.done():
                failed.set_exception(error)
        if not failed.done() and all(each.settled for each in answers):
            failed.set_result(None)

    for answer in answers:
        with _told_to(answer):
            await connection.notify(answer.source.characteristic, partial(take, answer))
    lost = asyncio.ensure_future(connection.lost.wait())
    waits: list[asyncio.Future[Any]] = [failed, lost]
    try:
        done, _ = await asyncio.wait(waits, timeout=wait_s, return_when=asyncio.FIRST_COMPLETED)
        for each in done:
            each.result()
    finally:
        lost.cancel()


@contextlib.contextmanager
def _told_to(answer: Answer) -> Iterator[None]:
    try:
        yield
    except RadioError as error:
        answer.refused(error)


def judged(request: ProbeRequest, plan: Plan, answers: Sequence[Answer], found: str) -> Reach:
    """What is said of the probe: its values, or the one cause for the first thing the job wants of it.
    ``found`` is how it was found."""
    values = {quantity: each for answer in answers for quantity, each in answer.values.items()}
    causes = {**plan.lacks} | {
        quantity: each for answer in answers for quantity, each in answer.causes.items()
    }
    awaited = [
        f"no {_listed(a.source.quantities - set(a.values))} seen yet: {a.awaited}"
        for a in answers
        if a.awaited
    ]
    remarks = [text for _, text in plan.remarks]
    wanted = request.quantities or tuple(each for each in causes if each not in OF_THE_PROBE)
    bad = {quantity: causes[quantity] for quantity in wanted if quantity in causes and quantity not in values}
    others = [
        f"no {q}: {each.text}" for q, each in causes.items() if q not in bad and each.text not in remarks
    ]
    told = "; ".join([*awaited, *others, *remarks])
    shown = tuple((quantity, values[quantity]) for quantity in QUANTITIES if quantity in values)
    if bad:
        first = next(iter(bad.values()))
        texts = "; ".join(dict.fromkeys(each.text for each in bad.values()))
        said = reached(request, f"{found}, but {texts}", first.next_step)
        return replace(said, values=shown, key=first.key)
    text = "; ".join(each for each in (f"{found} with {plan}", told) if each)
    return replace(judge(request, text, plan.has), values=shown)


def _listed(quantities: Sequence[Quantity] | set[Quantity] | frozenset[Quantity]) -> str:
    return " and ".join(quantity for quantity in QUANTITIES if quantity in quantities)
