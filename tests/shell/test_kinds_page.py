"""The whole of what a run of another heat source prints and leaves as a page: nothing of gas in it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import html5lib
import pytest

from logger.report.page import render
from logger.safety import CAUTIONS, SHORT_CAUTION, cautions_of, short_caution_of
from logger.screen.plain import result_lines
from simulators.scenarios import SCENARIOS
from tests.shell.stored_run import stored_run

OF_GAS = re.compile(
    r"\b(firings?|fired|burner|flue|carbon|CO|over-fir\w+|gas input|gas meter|full fire)\b", re.IGNORECASE
)
OF_KIND = {
    "cooling-wet": "rise|heat exchanger|warm-up|cool-down",
    "heat-pump": "heat exchanger|cool-down",
    "electric-stages": "",
}


def told(document: Mapping[str, Any]) -> list[str]:
    """The sentences of a result document: its keys and codes are those of gas, for programs."""
    reasons = [document["reason"], document["input"]["reason"]]
    return [*reasons, *(event["text"] for event in document["events"])]


@pytest.mark.parametrize("name", OF_KIND)
def test_no_word_of_gas(name: str, tmp_path: Path) -> None:
    config, evidence = stored_run(SCENARIOS[name].config_text, tmp_path / "job.db")
    page = html5lib.HTMLParser(namespaceHTMLElements=False).parse(render(evidence))
    for script in [parent for parent in page.iter() if any(e.tag in ("script", "style") for e in parent)]:
        for element in [e for e in script if e.tag in ("script", "style")]:
            script.remove(element)
    texts = [" ".join("".join(page.itertext()).split()).replace("gas or electric unit", "")]
    texts += result_lines(evidence.document, "us")
    texts += told(evidence.document)
    for text in texts:
        assert not OF_GAS.findall(text), text
        assert not (OF_KIND[name] and re.findall(rf"\b({OF_KIND[name]})\b", text)), text
    for caution in cautions_of(config.job.unit.kind.value):
        assert caution in texts[0]


@pytest.mark.parametrize("kind", ["electric", "heat-pump", "cooling"])
def test_the_cautions_are_those_of_the_kind(kind: str) -> None:
    text = " ".join(cautions_of(kind))
    for word in (
        "mains",
        "roof edges",
        "licensed",
        "burning or gas",
        "drill",
        "shut the unit down",
        "only reads",
    ):
        assert word in text
    assert not OF_GAS.findall(text + short_caution_of(kind))
    assert len(short_caution_of(kind).split("\n")) <= 2


def test_a_unit_of_gas_keeps_its_own() -> None:
    for kind in ("gas", "", "unheard-of"):
        assert cautions_of(kind) == CAUTIONS
        assert short_caution_of(kind) == SHORT_CAUTION
