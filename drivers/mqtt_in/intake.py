"""What the messages of one probe become: samples, and sentences about it. No network here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from aiomqtt import Topic

from drivers.mqtt_in.decode import MessageError, ValueMap, decode, value_map
from drivers.mqtt_in.fresh import US_PER_S, Freshness, Judged
from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.topics import normal, shown
from drivers.probe import LinkReport, Rhythm, seconds
from drivers.quantity_key import check_unit
from logger.core.errors import ConfigError
from logger.core.readings import USABLE_FLAGS
from logger.driver_api import DriverContext, Flag, LinkState, ProbeRequest, Sample

SILENT_STEP = "see to the probe and its gateway, compare the topic, and check the broker's access list"


class Intake:
    """One probe: takes the messages of its topics.

    Raises
    ------
    ConfigError
        A unit is none of the quantity that the probe's role is there for.
    """

    def __init__(
        self, request: ProbeRequest, options: MqttInOptions, context: DriverContext, rhythm: Rhythm
    ) -> None:
        self.request = request
        self.maps = _maps(request, options)
        self._context = context
        self._rhythm = rhythm
        self._report = LinkReport(request.name, context.link)
        self._fresh = [Freshness(round(seconds(options.max_time_skew) * US_PER_S)) for _ in self.maps]
        self._told: set[str] = set()
        self._live = False
        self._listening = False
        self._useless = False  # messages come, and there is none among the last that could be used
        self.behind = False
        """Messages have waited at the broker or on their way, for longer than a moment."""
        self.refused = ""
        """Why the broker does not give a topic of it; empty if it gives all."""
        self.trouble = ""
        """Why the newest message was of no use; empty if it was."""

    @property
    def topics(self) -> tuple[str, ...]:
        """What to subscribe to."""
        return tuple(dict.fromkeys(normal(each.topic) for each in self.maps))

    def connecting(self, broker: str) -> None:
        """The broker is asked for the first time."""
        self._report.state(LinkState.CONNECTING, f"connecting to the {broker}")

    def start(self) -> None:
        """Listening begins (again)."""
        self._rhythm.start(self._context.now_ns())
        self._listening = True
        self._report.state(LinkState.SEARCHING, f"waiting for messages on {self.shown_topics}")

    def subscribed(self, refused: Mapping[str, str]) -> None:
        """The broker has answered; ``refused`` says why not and what to do, by topic."""
        reasons = [refused[topic] for topic in self.topics if topic in refused]
        self.refused = reasons[0] if reasons else ""
        if reasons and len(reasons) == len(self.topics):
            self._live = self._listening = False
            self._report.state(LinkState.REFUSED, self.refused)
            return
        if not self._listening:
            self.start()
        for reason in reasons:
            self._complain(reason, reason)

    def connection_lost(self, text: str, *, refused: bool) -> bool:
        """The broker is gone; whether the probe was live until then."""
        was_live, self._live, self._listening = self._live, False, False
        self._report.state(LinkState.REFUSED if refused else LinkState.LOST, text)
        return was_live

    def look(self) -> None:
        """See whether there has just been no usable reading for too long."""
        if not self._listening or self._context.now_ns() < self._rhythm.silent_at_ns():
            return
        self._rhythm.silence()
        self._rhythm.start(self._context.now_ns())
        for each in self._fresh:
            each.silence()
        if self._useless and not self._live:
            return  # said when the first of those messages came
        self._live = False
        why = f"no usable reading of it: {self.trouble}" if self._useless else self._silence()
        self._report.state(LinkState.LOST, f"{why}; still listening")

    def _silence(self) -> str:
        if self.behind:
            return "no reading of it has come: other messages come more quickly than they can be taken"
        return f"no reading of it comes on {self.shown_topics}; {SILENT_STEP}"

    def take(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """A message of the broker, on any topic."""
        here = Topic(topic)
        for wanted, fresh in zip(self.maps, self._fresh, strict=True):
            if here.matches(wanted.topic):
                self._take_value(wanted, fresh, topic, payload, retained=retained)

    def _take_value(
        self, wanted: ValueMap, fresh: Freshness, topic: str, payload: bytes, *, retained: bool
    ) -> None:
        try:
            content = decode(payload, wanted)
        except MessageError as error:
            what = "" if error.whole else f"{wanted.quantity} "
            self.trouble, self._useless = f"{what}on {shown(topic)}: {error}", True
            self._complain(f"{what}{error.kind}", self.trouble)
            return
        now_utc_us = self._context.utc_us()
        judged = fresh.judge(content, topic, now_utc_us, retained=retained, behind=self.behind)
        if judged.flag in USABLE_FLAGS:
            self._rhythm.update(self._context.now_ns())
            self._live, self._useless, self.trouble = True, False, ""
            self._report.state(LinkState.LIVE, f"live by {self.shown_topics}")
        elif judged.flag is not Flag.DUPLICATE:  # a repeat says nothing, good or bad
            self._useless = not retained
            self.trouble = f"{wanted.quantity}: {judged.remark or _flagged(judged.flag)}"
        self._remark(f"{judged.kind} {wanted.quantity}", f"{wanted.quantity}: {judged.remark}", judged)
        self._context.emit(
            Sample(probe=self.request.name, quantity=wanted.quantity, value=content.value, flag=judged.flag)
        )

    def _remark(self, kind: str, text: str, judged: Judged) -> None:
        """Say it once; what makes messages useless at once, the rest when it is known how the probe is."""
        if judged.remark and self._useless and judged.flag is Flag.LATE:
            self._complain(kind, text)
        elif judged.remark:
            self._report.remark(kind, text)

    def _complain(self, kind: str, text: str) -> None:
        """Say once what makes a message useless; at once, if there is no reading yet."""
        if kind in self._told:
            return
        self._told.add(kind)
        if self._live:
            self._report.remark(kind, text)
        else:
            self._report.state(LinkState.REFUSED, text)

    @property
    def shown_topics(self) -> str:
        """The topics as people are told them."""
        return ", ".join(shown(topic) for topic in self.topics)


def _maps(request: ProbeRequest, options: MqttInOptions) -> tuple[ValueMap, ...]:
    maps = []
    for option in options.maps:
        quantity = option.quantity or request.quantities[0]
        unit = option.unit or ""
        if not unit.startswith("/"):
            try:
                check_unit(unit, quantity)
            except ValueError as error:
                raise ConfigError(f'probe "{request.name}": {error}') from error
        maps.append(value_map(option, options, quantity))
    return tuple(maps)


def _flagged(flag: Flag) -> str:
    return f"its readings come with the flag {flag}; see to the probe"


def refuse_twins(intakes: Sequence[Intake]) -> None:
    """Two probes of one broker that read the same value: a copied topic, and a rise of 0 all day.

    Raises
    ------
    ConfigError
        There are such; the text names both.
    """
    first: dict[object, str] = {}
    for intake in intakes:
        for each in intake.maps:
            other = first.setdefault((each.topic, each.value_at, each.quantity), intake.request.name)
            if other != intake.request.name:
                raise ConfigError(
                    f'probes "{other}" and "{intake.request.name}" read the same {each.quantity} of the '
                    f"topic {shown(each.topic)}; every probe needs its own"
                )
