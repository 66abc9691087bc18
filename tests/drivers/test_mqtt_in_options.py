"""A probe table with ``driver = "mqtt-in"``: what can be used, and the sentence for what cannot."""

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.mqtt_in.broker import Broker
from drivers.mqtt_in.options import MqttInOptions
from logger.config.load import LoadedConfig, loads_config
from logger.core.errors import ConfigError
from logger.core.readings import Quantity

JOB = """[job]
name = "hall-north"
altitude = "700 ft"
[unit]
input = "135000 Btu/h"
output = "109000 Btu/h"
[airflow]
source = "mass"
mass = "1.0 kg/s"
[probes.ret]
role = "return"
driver = "mqtt-in"
host = "localhost"
topic = "gw/ret"
unit = "°F"
[probes.sup]
role = "supply"
driver = "mqtt-in"
"""
BROKER = 'host = "localhost"\n'


def load(table: str, folder: Path | None = None) -> LoadedConfig:
    return loads_config(JOB + table, "job.toml", {"mqtt-in": MqttInOptions}, folder=folder)


def sup(table: str, folder: Path | None = None) -> dict[str, Any]:
    return dict(load(table, folder).probes[1].options)


@pytest.mark.parametrize(
    "table",
    [
        BROKER + 'topic = "gw/sup"\nunit = "°F"',
        BROKER + 'topic = "gw/+/sup/#"\nvalue = "/air/t"\nunit = "/air/u"\nquantity = "temperature"',
        BROKER + 'topic = "a"\nvalue = "/v"\nunit = "K"\ntime = "/t"\nid = "/id"\nmax_time_skew = "500 ms"',
        BROKER
        + 'values = [{ topic = "a", unit = "°C" }, { topic = "b", quantity = "humidity", unit = "%" }]',
        'host = "broker.example"\ntopic = "a"\nunit = "°C"\nusername = "u"\npassword_env = "P"',
        'host = "broker.example"\ntls = false\ntopic = "a"\nunit = "°C"\nversion = "3.1.1"',
    ],
)
def test_tables_that_can_be_used(table: str) -> None:
    options = sup(table)
    assert MqttInOptions.model_validate(options).model_dump() == options  # as the driver takes them


@pytest.mark.parametrize(
    ("table", "key", "words"),
    [
        ('topic = "a"\nunit = "°C"', "probes.sup.host", 'missing; add for example host = "broker.example"'),
        (BROKER + 'unit = "°C"', "probes.sup", 'topic is missing; add for example topic = "gateway/'),
        (BROKER + 'topic = "a"', "probes.sup", "unit is missing: a number alone does not say what it is"),
        (BROKER + 'topic = "a/#/b"\nunit = "°C"', "probes.sup.topic", '"a/#/b" is no topic'),
        (BROKER + 'topic = "a+"\nunit = "°C"', "probes.sup.topic", '"a+" is no topic'),
        (BROKER + 'topic = ""\nunit = "°C"', "probes.sup.topic", '"" is no topic'),
        (BROKER + 'topic = "$share/g/a"\nunit = "°C"', "probes.sup.topic", "shared subscription"),
        (BROKER + 'topic = "a"\nunit = "°X"', "probes.sup", 'unit "°X" is not known'),
        (
            BROKER + 'topic = "a"\nunit = "%"\nquantity = "temperature"',
            "probes.sup",
            '"%" is no unit of temperature; accepted: °C, C, degC, °F, F, degF, K',
        ),
        (
            BROKER + 'topic = "a"\nunit = "°C"\nquantity = "warmth"',
            "probes.sup.quantity",
            '"warmth" is no quantity; use one of temperature, humidity',
        ),
        (BROKER + 'topic = "a"\nunit = "°C"\nvalue = "t"', "probes.sup.value", '"t" is no JSON pointer'),
        (BROKER + 'topic = "a"\nunit = "°C"\ntime = ""', "probes.sup.time", 'or "arrival"'),
        (BROKER + 'topic = "a"\nunit = "°C"\ntime = "/t"', "probes.sup", "time cannot be read from a plain"),
        (BROKER + 'topic = "a"\nunit = "/u"', "probes.sup", "unit cannot be read from a plain number"),
        (
            BROKER + 'topic = "a"\nunit = "°C"\nmax_time_skew = "10"',
            "probes.sup.max_time_skew",
            '"10" is not a duration',
        ),
        (BROKER + 'topic = "a"\nunit = "°C"\nmax_time_skew = "0 s"', "probes.sup.max_time_skew", '"0 s"'),
        (BROKER + 'topic = "a"\nunit = "°C"\nversion = "4"', "probes.sup.version", 'must be "5" or "3.1.1"'),
        (
            BROKER + 'topic = "a"\nunit = "°C"\nvalues = [{ unit = "°C" }]',
            "probes.sup",
            "give values = [...], or value, quantity and unit, one of the two",
        ),
        (
            BROKER + 'topic = "a"\nvalues = [{ unit = "°C", vlaue = "/t" }]',
            "probes.sup.values.0.vlaue",
            "unknown key",
        ),
        (BROKER + 'topic = "a"\nunit = "°C"\npassword = "x"', "probes.sup.password", "is refused"),
        (BROKER + 'topic = "a"\nunit = "°C"\npassword_env = "X"', "probes.sup", "username is missing"),
        (
            'host = "h.example"\ntls = false\ntopic = "a"\nunit = "°C"\nusername = "u"\npassword_env = "X"',
            "probes.sup",
            "would cross the network in the clear; set tls = true, or allow_plain = true",
        ),
        (BROKER + 'tls = false\nca_file = "x"\ntopic = "a"\nunit = "°C"', "probes.sup", "tls = true only"),
        (BROKER + 'cert_file = "x"\ntopic = "a"\nunit = "°C"', "probes.sup", "go together"),
        (BROKER + 'topic = "a"\nunit = "°C"\nport = 0', "probes.sup.port", "must be at least 1"),
        (BROKER + 'topic = "a"\nunit = "°C"\nport = 1.5', "probes.sup.port", "must be a whole number"),
        (
            BROKER + 'topic = "a"\nunit = "°C"\nport = ""',
            "probes.sup.port",
            "must be a whole number, without",
        ),
        (BROKER + 'topic = "a"\nunit = "°C"\ntls = 3', "probes.sup.tls", "must be true or false, without"),
        ('host = ""\ntopic = "a"\nunit = "°C"', "probes.sup.host", "must not be empty"),
    ],
)
def test_what_is_wrong_is_one_sentence_with_file_line_and_key(table: str, key: str, words: str) -> None:
    with pytest.raises(ConfigError) as caught:
        load(table)
    first = str(caught.value).splitlines()[0]
    line = int(first.removeprefix("job.toml:").split(":")[0])
    assert f"key '{key}': " in first
    assert words in first
    named = (JOB + table).splitlines()[line - 1]
    assert named.startswith(key.split(".")[2] if key.count(".") > 1 and "missing; add" not in first else "[")


def test_the_password_never_reaches_the_store() -> None:
    with pytest.raises(ConfigError) as caught:
        load(BROKER + 'topic = "a"\nunit = "°C"\npassword = "hunter2"')
    assert "hunter2" not in str(caught.value)


def test_files_are_named_from_the_configs_folder(tmp_path: Path) -> None:
    table = 'host = "b.example"\ntopic = "a"\nunit = "°C"\nca_file = "ca.pem"\nusername = "u"\n'
    options = sup(table + f'password_file = "{tmp_path}/deep/pw"', tmp_path / "jobs")
    assert options["ca_file"] == str(tmp_path / "jobs" / "ca.pem")
    assert options["password_file"] == str(tmp_path / "deep" / "pw")
    again = MqttInOptions.model_validate(options)
    assert again.ca_file == options["ca_file"]
    assert 'ca_file = "ca.pem"' in load(table + 'password_env = "P"', tmp_path).effective_text


@pytest.mark.parametrize(
    ("keys", "port"), [({}, 8883), ({"tls": False}, 1883), ({"tls": False, "port": 18830}, 18830)]
)
def test_the_usual_ports(keys: dict[str, Any], port: int) -> None:
    """IANA service names and port numbers: secure-mqtt 8883, mqtt 1883."""
    assert Broker.of(MqttInOptions(host="h", topic="a", unit="K", **keys)).port == port


def test_values_take_their_own_topic_before_the_probes() -> None:
    options = sup(
        BROKER + 'topic = "a"\nvalues = [{ unit = "K" }, { topic = "b", unit = "%", quantity = "humidity" }]'
    )
    maps = MqttInOptions.model_validate(options).maps
    assert [(each.topic, each.quantity) for each in maps] == [("a", None), ("b", Quantity.HUMIDITY)]


@given(
    st.dictionaries(st.sampled_from(list(MqttInOptions.model_fields)), st.text() | st.integers() | st.none())
)
def test_any_table_is_options_or_a_validation_error(table: dict[str, Any]) -> None:
    try:
        options = MqttInOptions.model_validate(table)
    except ValidationError:
        return
    assert all(each.topic and each.unit for each in options.maps)
