"""``config/asyncapi.json`` is an AsyncAPI 3.0.0 document, and no laxer than it looks.

The shape below is written from the text of the specification (asyncapi.com/docs/reference/specification/
v3.0.0), for the objects that are used here; it is not the official JSON Schema. Against that (3.0.0) the
document was held once, by hand, without a fault found; it is not part of these tests.
"""

import copy
import re
from typing import Any

import jsonschema
import pytest

from logger.core.readings import QUANTITIES, Flag
from logger.core.snapshot import Freshness, Phase
from tests.shell.contract import DOCUMENT, at, channels, check

REFERENCE = {
    "type": "object",
    "properties": {"$ref": {"type": "string", "pattern": "^#/"}},
    "required": ["$ref"],
    "additionalProperties": False,
}
KEY = "^[\\w\\d\\.\\-_]+$"
SHAPE: dict[str, Any] = {
    "type": "object",
    "required": ["asyncapi", "info"],
    "additionalProperties": False,
    "properties": {
        "asyncapi": {"const": "3.0.0"},
        "id": {"type": "string", "format": "uri"},
        "defaultContentType": {"type": "string"},
        "info": {
            "type": "object",
            "required": ["title", "version"],
            "properties": {
                "title": {"type": "string"},
                "version": {"type": "string"},
                "description": {"type": "string"},
                "license": {"type": "object", "required": ["name"]},
            },
            "additionalProperties": False,
        },
        "channels": {
            "type": "object",
            "additionalProperties": {
                "type": "object",
                "required": ["address", "messages"],
                "properties": {
                    "address": {"type": "string"},
                    "messages": {"type": "object", "additionalProperties": REFERENCE, "minProperties": 1},
                    "parameters": {"type": "object", "additionalProperties": REFERENCE},
                },
                "additionalProperties": False,
            },
        },
        "operations": {
            "type": "object",
            "additionalProperties": {
                "type": "object",
                "required": ["action", "channel"],
                "properties": {
                    "action": {"enum": ["send", "receive"]},
                    "channel": REFERENCE,
                    "messages": {"type": "array", "items": REFERENCE},
                    "bindings": {
                        "type": "object",
                        "properties": {
                            "mqtt": {
                                "type": "object",
                                "properties": {
                                    "qos": {"enum": [0, 1, 2]},
                                    "retain": {"type": "boolean"},
                                    "messageExpiryInterval": {"type": "integer", "minimum": 0},
                                    "bindingVersion": {"const": "0.2.0"},
                                },
                                "additionalProperties": False,
                            }
                        },
                        "additionalProperties": False,
                    },
                },
                "additionalProperties": False,
            },
        },
        "components": {
            "type": "object",
            "properties": {
                "schemas": {"type": "object", "propertyNames": {"pattern": KEY}},
                "messages": {
                    "type": "object",
                    "propertyNames": {"pattern": KEY},
                    "additionalProperties": {
                        "type": "object",
                        "properties": {
                            "name": {"type": "string"},
                            "contentType": {"type": "string"},
                            "summary": {"type": "string"},
                            "payload": REFERENCE,
                        },
                        "additionalProperties": False,
                    },
                },
                "parameters": {
                    "type": "object",
                    "additionalProperties": {
                        "type": "object",
                        "properties": {
                            "description": {"type": "string"},
                            "default": {"type": "string"},
                            "enum": {"type": "array", "items": {"type": "string"}},
                        },
                        "additionalProperties": False,
                    },
                },
            },
            "additionalProperties": False,
        },
    },
}


def references(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        return own + [ref for part in node.values() for ref in references(part)]
    return [ref for part in node for ref in references(part)] if isinstance(node, list) else []


def test_the_document_has_the_shape_of_the_specification() -> None:
    jsonschema.Draft202012Validator(SHAPE).validate(DOCUMENT)
    for reference in references(DOCUMENT):
        at(reference)


def test_the_shape_finds_what_is_wrong() -> None:
    for path, value in (
        (("operations", "sendStatus", "action"), "publish"),  # the word of version 2
        (("channels", "status", "subscribe"), {}),
        (("asyncapi",), "2.6.0"),
    ):
        broken = copy.deepcopy(DOCUMENT)
        node = broken
        for part in path[:-1]:
            node = node[part]
        node[path[-1]] = value
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft202012Validator(SHAPE).validate(broken)


def test_parameters_are_those_of_the_address() -> None:
    """Channel Object: parameters MUST be those of the address; an operation names messages of its channel."""
    for channel in DOCUMENT["channels"].values():
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == set(channel["parameters"])
    for operation in DOCUMENT["operations"].values():
        channel = operation["channel"]["$ref"]
        assert all(m["$ref"].startswith(f"{channel}/messages/") for m in operation["messages"])
    assert len(DOCUMENT["operations"]) == len(channels())


def test_the_words_are_those_of_the_program() -> None:
    schemas = DOCUMENT["components"]["schemas"]
    assert schemas["Reading"]["properties"]["flag"]["enum"] == [str(flag) for flag in Flag]
    units = sorted({info.unit for info in QUANTITIES.values()})
    assert schemas["Reading"]["properties"]["unit"]["enum"] == units
    assert DOCUMENT["components"]["parameters"]["quantity"]["enum"] == [str(q) for q in QUANTITIES]
    assert schemas["Snapshot"]["properties"]["phase"]["enum"] == [str(phase) for phase in Phase]
    probe = schemas["Snapshot"]["properties"]["probes"]["items"]
    assert probe["properties"]["state"]["enum"] == [str(state) for state in Freshness]


GOOD = b'{"id":"a1/7","t":"2025-01-02T03:04:05.000000Z","value":20.5,"unit":"degC","flag":"ok"}'


@pytest.mark.parametrize(
    ("topic", "payload"),
    [
        ("riselog/hall/north/reading/sup/temperature", GOOD.replace(b"20.5", b'"20.5"')),
        ("riselog/hall/north/reading/sup/temperature", GOOD.replace(b"20.5", b"NaN")),
        ("riselog/hall/north/reading/sup/temperature", GOOD.replace(b"degC", b"F")),
        ("riselog/hall/north/reading/sup/temperature", GOOD.replace(b'"id":"a1/7",', b"")),
        ("riselog/hall/north/reading/sup/temperature", GOOD.replace(b"a1/7", b"a1/snapshot-7")),
        ("riselog/hall/north/reading/sup", GOOD),
    ],
)
def test_a_wrong_message_is_found(topic: str, payload: bytes) -> None:
    assert check("riselog/hall/north/reading/sup/temperature", GOOD, retain=False) == "reading"
    with pytest.raises((AssertionError, ValueError)):
        check(topic, payload, retain=False)
    with pytest.raises(AssertionError):
        check("riselog/hall/north/reading/sup/temperature", GOOD, retain=True)
