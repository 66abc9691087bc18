"""What is asked for at a broker that refuses topics; MQTT 5.0, 3.8 and 3.9."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from drivers.mqtt_in.intake import Intake
from drivers.mqtt_in.options import MqttInOptions
from drivers.mqtt_in.subscribing import Subscribing
from drivers.probe import Rhythm
from logger.driver_api import DriverContext, LinkState, ProbeRequest, Quantity


@dataclass
class Grants:
    """A connection that refuses topics, and keeps what it was asked."""

    refused: set[str]
    asked: list[list[str]] = field(default_factory=list)

    async def subscribe(self, topics: Sequence[str]) -> dict[str, str]:
        self.asked.append(sorted(topics))
        return {topic: f"{topic} is refused" for topic in topics if topic in self.refused}


@dataclass
class Said:
    links: list[tuple[str, LinkState, str]] = field(default_factory=list)

    def intake(self, name: str, *topics: str) -> Intake:
        request = ProbeRequest(
            name=name, role="supply", quantities=(Quantity.TEMPERATURE, Quantity.HUMIDITY), options={}
        )
        kinds = ("temperature", "humidity")
        units = ("°C", "%")
        values = [
            {"topic": topic, "quantity": kind, "unit": unit}
            for topic, kind, unit in zip(topics, kinds, units, strict=False)
        ]
        options = MqttInOptions.model_validate({"host": "localhost", "values": values})
        context = DriverContext(
            emit=lambda _: None,
            link=lambda probe, state, text: self.links.append((probe, state, text)),
            now_ns=lambda: 0,
            utc_us=lambda: 0,
            wait_until=lambda _: None,
        )
        intake = Intake(request, options, context, Rhythm(least_s=10.0, unknown_s=60.0))
        intake.connecting("broker")
        intake.start()
        return intake


async def test_one_that_is_refused_is_asked_for_again_and_listened_to_once_granted() -> None:
    said = Said()
    ret, sup = said.intake("ret", "gw/ret"), said.intake("sup", "gw/sup")
    broker, subscribing = Grants({"gw/sup"}), Subscribing([ret, sup])
    await subscribing.ask(broker)
    assert broker.asked == [["gw/ret", "gw/sup"]]
    assert subscribing.to_ask
    assert (ret.refused, sup.refused) == (
        "",
        "gw/sup is refused; check the topic, and the broker's access list",
    )
    assert said.links[-1] == ("sup", LinkState.REFUSED, f'probe "sup": {sup.refused}')
    await subscribing.ask(broker)
    assert broker.asked[1:] == [["gw/sup"]]
    broker.refused.clear()
    await subscribing.ask(broker)
    assert broker.asked[2:] == [["gw/sup"]]
    assert not subscribing.to_ask
    assert sup.refused == ""
    assert sup._listening
    await subscribing.ask(broker)
    assert len(broker.asked) == 3


async def test_what_a_refused_topic_stood_for_is_asked_for_and_never_twice() -> None:
    said = Said()
    both, ret = said.intake("both", "gw/+", "gw/h"), said.intake("ret", "gw/ret")
    broker, subscribing = Grants({"gw/+"}), Subscribing([both, ret])
    await subscribing.ask(broker)
    assert broker.asked == [["gw/+"], ["gw/h", "gw/ret"]]
    assert both.refused.endswith("it is asked for again at the next connection")
    assert said.links[-1] == ("both", LinkState.REFUSED, f'probe "both": {both.refused}')
    assert both._listening
    assert ret.refused == ""
    assert not subscribing.to_ask
    await subscribing.ask(broker)
    assert len(broker.asked) == 2


async def test_a_filter_for_all_is_one_whatever_its_spelling() -> None:
    said = Said()
    broker, subscribing = Grants({"#"}), Subscribing([said.intake("sup", "+/#")])
    await subscribing.ask(broker)
    assert broker.asked == [["#"]]
    assert said.links[-1][1] is LinkState.REFUSED


async def test_all_is_granted() -> None:
    said = Said()
    intake = said.intake("sup", "gw/+", "gw/h")
    broker, subscribing = Grants(set()), Subscribing([intake])
    await subscribing.ask(broker)
    assert broker.asked == [["gw/+"]]
    assert not subscribing.to_ask
    assert LinkState.REFUSED not in {state for _, state, _ in said.links}
