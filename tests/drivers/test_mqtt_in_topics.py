"""Which subscriptions are enough, against the matching of an MQTT library."""

import itertools

from aiomqtt import Topic
from hypothesis import given
from hypothesis import strategies as st

from drivers.mqtt_in.topics import covers, subscriptions

TOPICS = [
    Topic("/".join(levels)) for depth in range(1, 6) for levels in itertools.product("abx", repeat=depth)
]
"""Every topic of up to five levels; no filter below names the level x."""
LEVELS = st.sampled_from(["a", "b", "+"])
FILTERS = st.builds(
    lambda levels, rest: "/".join([*levels, *rest]),
    st.lists(LEVELS, max_size=4, min_size=1),
    st.sampled_from([[], ["#"]]),
) | st.just("#")


@given(FILTERS, FILTERS)
def test_a_filter_covers_another_if_all_its_topics_match(wide: str, narrow: str) -> None:
    all_match = all(topic.matches(wide) for topic in TOPICS if topic.matches(narrow))
    assert covers(wide, narrow) is all_match


@given(st.lists(FILTERS, max_size=5))
def test_nothing_is_missed_and_nothing_is_covered_twice(filters: list[str]) -> None:
    kept = subscriptions(filters)
    for topic in TOPICS:
        assert any(topic.matches(one) for one in kept) is any(topic.matches(one) for one in filters)
    assert not any(covers(one, other) for one, other in itertools.permutations(kept, 2))


def test_a_wildcard_does_not_stand_for_the_brokers_own_topics() -> None:
    """MQTT 5.0, 4.7.2."""
    assert subscriptions(["#", "$SYS/broker/uptime", "a"]) == ("#", "$SYS/broker/uptime")
