"""Every message against ``config/asyncapi.json``: its topic has one channel, its payload that schema."""

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import jsonschema

DOCUMENT = json.loads(
    (Path(__file__).resolve().parents[2] / "config/asyncapi.json").read_text(encoding="utf-8")
)
_LEVEL = "[A-Za-z0-9_-]+"  # of a topic: no name of ours has more


def at(reference: str) -> Any:
    """What a reference inside the document points to (RFC 6901)."""
    assert reference.startswith("#/"), reference
    found = DOCUMENT
    for part in reference[2:].split("/"):
        found = found[part.replace("~1", "/").replace("~0", "~")]
    return found


@cache
def channels() -> dict[str, re.Pattern[str]]:
    """Name of each channel -> its topics."""
    return {
        name: re.compile(re.sub(r"\{\w+\}", _LEVEL, channel["address"]))
        for name, channel in DOCUMENT["channels"].items()
    }


@cache
def validator(channel: str) -> jsonschema.Draft202012Validator:
    (message,) = DOCUMENT["channels"][channel]["messages"].values()
    schema = at(at(message["$ref"])["payload"]["$ref"])
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def check(topic: str, payload: bytes, *, retain: bool, live: bool = True) -> str:
    """The channel of a message that keeps to the document; ``live``: as sent, not as kept by a broker."""
    (channel,) = [name for name, topics in channels().items() if topics.fullmatch(topic)]
    document = json.loads(payload, parse_constant=lambda word: pytest_fail(f"{word} is no JSON"))
    errors = [f"{list(e.path)}: {e.message}" for e in validator(channel).iter_errors(document)]
    assert errors == [], f"{topic}: {errors}"
    (operation,) = [
        o for o in DOCUMENT["operations"].values() if o["channel"]["$ref"] == f"#/channels/{channel}"
    ]
    if live:
        assert retain is operation["bindings"]["mqtt"]["retain"], topic
    return channel


def pytest_fail(text: str) -> None:
    raise AssertionError(text)
