"""The report's page, read by an independent HTML parser and held against the stored result.

Parser: html5lib, which follows the HTML standard (WHATWG) and, when strict, refuses what that calls a
parse error.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import re
import sqlite3
import webbrowser
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import html5lib
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.collect import Collector, Noted
from logger.config.load import loads_config
from logger.core.errors import UsageError
from logger.core.snapshot import TRACE_COLUMNS
from logger.documents import run_header
from logger.export import export_command
from logger.report import canvas
from logger.report.command import leave_report, report_command
from logger.report.evidence import Evidence, gather
from logger.report.page import render
from logger.report.trace import MOST_ROWS, thinned, trace_of
from logger.report.trace_drawing import PANELS
from logger.screen.format import DASH
from logger.store import StoreReader, StoreWriter
from logger.store.lock import StoreLock
from simulators.scenarios import SCENARIOS
from tests.shell.stand_ins import HandClock
from tests.shell.stored_run import stored_run

BTU_H_W = 0.2930711  # W in 1 Btu/h: NIST SP 811 (2008), appendix B.8, Btu (International Table) per hour
CSS = (Path(canvas.__file__).parent / "templates" / "report.css").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """One whole run of a simulated job, in a store."""
    path = tmp_path_factory.mktemp("report") / "sim-standard.db"
    _, stored = stored_run(SCENARIOS["standard"].config_text, path)
    return path, stored.header.run


@pytest.fixture(scope="module")
def evidence(store: tuple[Path, str]) -> Evidence:
    return gather(*store)


@pytest.fixture(scope="module")
def page(evidence: Evidence) -> str:
    return render(evidence)


def parsed(text: str) -> ElementTree.Element:
    """The page's tree; a parse error of the HTML standard fails the test."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


@pytest.fixture(scope="module")
def tree(page: str) -> ElementTree.Element:
    return parsed(page)


def local(element: ElementTree.Element) -> str:
    return str(element.tag).rpartition("}")[2]


def said(element: ElementTree.Element) -> str:
    return " ".join("".join(element.itertext()).split())


def bare(evidence: Evidence, **document: Any) -> Evidence:
    """The run without pictures, so that a page is quick to make."""
    empty = {**evidence.document, "firing": None, "nameplate": {}, **document}
    return replace(evidence, document=empty, trace=())


# ---- the page as such


def test_ids_are_there_once_and_what_is_named_is_there(tree: ElementTree.Element) -> None:
    ids = Counter(e.get("id") for e in tree.iter() if e.get("id"))
    assert [name for name, count in ids.items() if count > 1] == []
    named = {name for e in tree.iter() for name in (e.get("aria-labelledby") or "").split()}
    named |= {(e.get("href") or "#").removeprefix("#") for e in tree.iter()} - {""}
    named |= set(re.findall(r"url\(#([^)]+)\)", " ".join(" ".join(e.attrib.values()) for e in tree.iter())))
    assert named <= ids.keys()


def test_nothing_is_fetched_from_anywhere(page: str, tree: ElementTree.Element) -> None:
    """Neither address nor file is named where a browser would load one."""
    for element in tree.iter():
        for key, value in element.attrib.items():
            name = str(key).rpartition("}")[2]
            if name in ("src", "href", "srcset", "data", "action", "poster"):
                assert value.startswith("#"), (element.tag, key, value)
        assert local(element) not in ("link", "iframe", "object", "embed", "base", "img", "image")
    assert set(re.findall(r"url\(\s*[\"']?(.)", page)) <= {"#"}
    assert "://" not in page
    assert "@import" not in page
    scripts = [e for e in tree.iter() if local(e) == "script"]
    assert [e.get("type") for e in scripts] == ["application/json"]
    policy = next(e for e in tree.iter("meta") if e.get("http-equiv") == "Content-Security-Policy")
    assert "default-src 'none'" in (policy.get("content") or "")


def test_a_reader_of_the_page_aloud_finds_their_way(tree: ElementTree.Element) -> None:
    """WCAG 2.2: 3.1.1 language, 1.3.1 headings and table headers, 1.1.1 text alternatives."""
    html = tree if local(tree) == "html" else next(tree.iter("html"))
    assert html.get("lang") == "en"
    levels = [int(local(e)[1]) for e in tree.iter() if re.fullmatch(r"h[1-6]", local(e))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    for header in tree.iter("th"):
        assert header.get("scope") in ("row", "col")
    pictures = [e for figure in tree.iter("figure") for e in figure.iter() if local(e) == "svg"]
    assert len(pictures) == 2
    for picture in pictures:
        assert picture.get("role") == "img"
        title, text = list(picture)[:2]
        assert (local(title), local(text)) == ("title", "desc")
        assert picture.get("aria-labelledby") == f"{title.get('id')} {text.get('id')}"


def test_the_text_alternatives_say_the_numbers(tree: ElementTree.Element, evidence: Evidence) -> None:
    output, trace = (said(e) for e in tree.iter() if local(e) == "desc")
    told = [float(text.replace(",", "")) for text in re.findall(r"\d[\d,]+", output)]
    firing, plate = evidence.document["firing"], evidence.document["nameplate"]
    for watts in (firing["output_w"], plate["output_w"], 0.95 * plate["output_w"], 1.05 * plate["output_w"]):
        assert min(abs(number - watts / BTU_H_W) for number in told) <= 51.0  # told to 100 Btu/h
    assert "steady from" in trace
    assert f"{max(row[4] for row in evidence.trace if row[4] is not None) * 1.8 + 32.0:.1f} °F" in trace


def test_text_in_pictures_stays_text(tree: ElementTree.Element) -> None:
    words = {said(e) for e in tree.iter() if local(e) == "text"}
    assert {"supply", "return", "rise", "output", "nameplate", "steady", "warm-up"} <= words


# ---- the numbers


def at(document: Any, key: str) -> Any:
    if key.startswith("budget."):
        _, source, name = key.split(".")
        return next(line for line in document["budget"] if line["source"] == source)[name]
    for name in key.split("."):
        document = document[name]
    return document


def test_every_number_is_that_of_the_result(tree: ElementTree.Element, evidence: Evidence) -> None:
    shown = [(e.get("data-key") or "", float(e.get("value") or "nan")) for e in tree.iter("data")]
    assert {"firing.output_w", "firing.output_u95_w", "nameplate.ratio", "firing.rise_k"} <= {
        k for k, _ in shown
    }
    for key, value in shown:
        assert value == at(evidence.document, key), key


def test_what_is_read_is_what_stands_behind_it(tree: ElementTree.Element) -> None:
    """Conversions by NIST SP 811 (2008) B.8: Btu/h; °F = 1.8 °C + 32; cfm by 0.3048 m exactly."""
    section = next(e for e in tree.iter("section") if e.get("id") == "numbers")
    rows = {said(next(iter(row))): list(row)[1:3] for row in section.iter("tr")}

    def pair(label: str) -> tuple[str, str, float]:
        us, si = rows[label]
        value = next(us.iter("data")).get("value") or "nan"
        return said(us), said(si), float(value)

    us, si, watts = pair("Nameplate output")
    assert us == f"{round(watts / BTU_H_W, -2):,.0f} Btu/h"
    assert si == f"{watts / 1000.0:.1f} kW"
    us, si, kelvin = pair("Temperature rise")
    assert (us, si) == (f"{1.8 * kelvin:.1f} °F", f"{kelvin:.1f} K")
    us, si, celsius = pair("Supply air")
    assert (us, si) == (f"{1.8 * celsius + 32.0:.1f} °F", f"{celsius:.1f} °C")
    us, si, flow = pair("Airflow, at the return")
    assert (us, si) == (f"{flow / 0.3048**3 * 60.0:,.0f} cfm", f"{flow:.3f} m³/s")


def test_the_result_is_inside_as_json(tree: ElementTree.Element, store: tuple[Path, str]) -> None:
    path, run = store
    script = next(e for e in tree.iter("script"))
    with StoreReader(path) as reader:
        stored = [json.loads(r.document) for r in reader.results(run) if r.scope == "run"][-1]
    assert json.loads(script.text or "") == stored


def test_the_answer_is_one_sentence_and_no_grade(tree: ElementTree.Element) -> None:
    section = next(e for e in tree.iter("section") if e.get("id") == "answer")
    assert section.get("data-verdict") == "meets"
    answer = next(e for e in section.iter("p") if e.get("class") == "answer")
    assert re.fullmatch(
        r"The unit delivered [\d,]+ ± [\d,]+ Btu/h \([\d.]+ ± [\d.]+ kW\), which is [\d.]+ % of its "
        r"nameplate output of 109,000 Btu/h: it meets its nameplate within the tolerance of 5\.0 %\.",
        said(answer),
    )
    assert "not a grade" in said(section)


def test_a_simulation_says_so_in_words(tree: ElementTree.Element, page: str) -> None:
    assert any("SIMULATED" in said(e) for e in tree.iter("p") if e.get("class") == "banner")
    assert "(SIMULATED)" in page  # at the foot of every sheet


def test_assumed_lines_of_the_budget_are_marked_in_words(
    tree: ElementTree.Element, evidence: Evidence
) -> None:
    section = next(e for e in tree.iter("section") if e.get("id") == "budget")
    text = said(section)
    lines = evidence.document["budget"]
    assert any(line["assumed"] for line in lines)
    for line in lines:
        assert line["source"] in text
        assert (f"{line['source']} (assumed)" in text) is line["assumed"]
    heads = [said(next(iter(row))).removesuffix(" (assumed)") for row in section.iter("tr")][1:]
    by_share = sorted(lines, key=lambda line: -line["share"])
    assert heads == [line["source"] for line in by_share][: len(heads)]


def test_the_hash_is_that_of_the_exported_readings(
    tree: ElementTree.Element, store: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SHA-256 by FIPS 180-4, as ``sha256sum`` has it."""
    path, run = store
    monkeypatch.setattr("logger.stored.all_stores", lambda: (path,))
    table = tmp_path / "readings.csv"
    assert export_command(run, None, output=table, form="csv", what="readings") == 0
    assert len(table.read_bytes().splitlines()) > 10_000
    shown = next(e for e in tree.iter("code") if e.get("id") == "sha256")
    assert said(shown) == hashlib.sha256(table.read_bytes()).hexdigest()


def test_the_same_run_gives_the_same_bytes(page: str, evidence: Evidence) -> None:
    import matplotlib as mpl

    with mpl.rc_context({"font.size": 30, "axes.facecolor": "red"}):  # as a user may have it
        assert render(evidence) == page


# ---- colours


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (W3C Recommendation), definition of that name."""
    channels = [int(colour[n : n + 2], 16) / 255.0 for n in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, definition of that name."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_formula_has_the_ends_of_its_definition() -> None:
    """WCAG 2.2: from 1:1 to 21:1; #767676 on white is the darkest grey's edge of 4.5:1 (common practice)."""
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("ink", ["ink", "muted", "alarm"])
@pytest.mark.parametrize("ground", ["paper", "tint"])
def test_text_can_be_read(ink: str, ground: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5:1."""
    colours = dict(re.findall(r"--(\w+): (#\w{6});", CSS))
    assert contrast(colours[ink], colours[ground]) >= 4.5
    used = set(re.findall(r"(?<![-\w])color: ([^;]+);", CSS))
    assert used <= {"var(--ink)", "var(--muted)", "var(--alarm)"}


def test_lines_of_the_pictures_can_be_seen() -> None:
    """WCAG 2.2, 1.4.11: at least 3:1 on white and on the shaded stretch; they differ by dash as well."""
    for colour in (canvas.INK, canvas.SUPPLY, canvas.RETURN, canvas.PLATE):
        assert contrast(colour, "#ffffff") >= 4.5
        assert contrast(colour, canvas.BAND) >= 3.0
    for panel in PANELS:
        assert len({line.dash for line in panel.lines}) == len(panel.lines)


# ---- what comes from outside

HOSTILE = (
    "</script></title><script>alert(1)</script><img src=x onerror=alert(1)>\"' {{ 7*7 }} \x1b[31m\u202e\x00"
)


def hostile(evidence: Evidence) -> Evidence:
    header = replace(
        evidence.header,
        job=HOSTILE,
        run=HOSTILE,
        versions={"riselog": HOSTILE},
        replay_of=HOSTILE,
        scenario=HOSTILE,
    )
    document = json.loads(json.dumps(evidence.document))
    document |= {"verdict": HOSTILE, "reason": HOSTILE}
    document["budget"][0]["source"] = HOSTILE
    document["cycles"] = [{"verdict": HOSTILE, "output_w": 1.0, "output_u95_w": HOSTILE}] * 2
    document["events"] = [{"t_s": HOSTILE, "code": HOSTILE, "probe": HOSTILE, "text": HOSTILE}]
    table = {HOSTILE: HOSTILE, "role": HOSTILE, "u95": HOSTILE, "matched": HOSTILE}
    tables = {
        "probes": {HOSTILE: table},
        "airflow": table,
        "visit": table,
        HOSTILE: table,
        "unit": {"rise": [HOSTILE]},
    }
    return replace(
        evidence, header=header, document=document, settings=tables, config=None, remarks=(HOSTILE,)
    )


def test_hostile_names_stay_text(evidence: Evidence) -> None:
    text = render(hostile(evidence))
    found = parsed(text)
    assert Counter(local(e) for e in found.iter())["script"] == 1
    assert not [e for e in found.iter() if local(e) in ("img", "iframe")]
    assert not [key for e in found.iter() for key in e.attrib if str(key).startswith("on")]
    assert "<script>alert" not in text
    assert "{{" in said(found)  # what looks like a template is none
    assert not {"\x1b", "\x00", "\u202e"} & set(re.sub(r"<script.*?</script>", "", text, flags=re.DOTALL))
    script = next(e for e in found.iter("script")).text or ""
    assert json.loads(script)["reason"] == HOSTILE
    mark = re.search(r'@bottom-left \{ content: "([^"]*)"', text)
    assert mark is not None
    assert re.fullmatch(r"[\w -]*(\(SIMULATED\))?", mark[1])


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=20),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(st.text(max_size=8), below, max_size=3),
    max_leaves=12,
)
KEYS = ("verdict", "reason", "nameplate", "input", "budget", "cycles", "events", "readings", "p_meets")


@given(
    document=st.dictionaries(st.sampled_from(KEYS), JSON),
    tables=st.dictionaries(st.text(max_size=8), JSON, max_size=3),
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_stored_document_makes_a_page(evidence: Evidence, document: Any, tables: Any) -> None:
    found = parsed(render(replace(bare(evidence), document=document, settings=tables, config=None)))
    assert Counter(local(e) for e in found.iter())["script"] == 1


# ---- runs of every kind


def words_of(evidence: Evidence) -> str:
    return said(parsed(render(evidence)))


def test_a_run_without_a_steady_stretch_gives_the_reason(evidence: Evidence) -> None:
    text = words_of(
        bare(evidence, verdict="not-steady", reason="2 firing(s), none steady: let it fire longer.")
    )
    assert "No output can be stated" in text
    assert "let it fire longer" in text


def test_a_run_without_a_plate_has_an_output_and_no_verdict(evidence: Evidence) -> None:
    document = {
        **evidence.document,
        "verdict": None,
        "reason": "No verdict: the config gives no plate output.",
    }
    document["nameplate"] = dict.fromkeys(document["nameplate"])
    document |= {"p_low": None, "p_high": None, "p_meets": None}
    text = words_of(replace(evidence, document=document))
    assert "no verdict against a nameplate is given" in text
    assert "There is no nameplate output to hold it against" in text
    assert "probability of —" not in text


def test_a_unit_above_its_plate_is_to_be_stopped(evidence: Evidence) -> None:
    text = words_of(replace(bare(evidence), document={**evidence.document, "verdict": "above"}))
    assert "stop and call the licensed person" in text


def test_warnings_stand_beside_the_answer(evidence: Evidence) -> None:
    events = [{"t_s": 1.0, "code": "rise-above-window", "probe": None, "text": "Rise is above: stop."}] * 3
    found = parsed(render(bare(evidence, events=events)))
    section = next(e for e in found.iter("section") if e.get("id") == "answer")
    assert said(section).count("WARNING: Rise is above: stop.") == 1
    (entry,) = (e for e in found.iter("li") if "rise-above-window" in said(e))
    assert said(entry).startswith("00:01, 00:01, 00:01 rise-above-window")


def copy_of(store: tuple[Path, str], tmp_path: Path, *statements: str) -> Path:
    path = tmp_path / "copy.db"
    with sqlite3.connect(store[0]) as old, sqlite3.connect(path) as new:
        old.backup(new)
        for statement in statements:
            new.execute(statement)
    old.close()
    new.close()
    return path


def test_a_run_cut_off_is_computed_from_its_readings(
    store: tuple[Path, str], tmp_path: Path, evidence: Evidence
) -> None:
    """Neither result nor trace nor end are there: the numbers are those that were stored once."""
    path = copy_of(
        store,
        tmp_path,
        "DELETE FROM result",
        "DELETE FROM trace",
        "UPDATE run SET ended_utc_us=NULL, end_reason=NULL",
    )
    again = gather(path, store[1])
    assert again.document["firing"] == evidence.document["firing"]
    assert list(again.trace) == list(evidence.trace)
    assert again.sha256 == evidence.sha256
    text = words_of(replace(again, trace=()))
    assert "INTERRUPTED: the logger was cut off" in text  # nobody holds the store any more
    with StoreLock(path, "riselog run job.toml"):
        assert "STILL RUNNING" in words_of(replace(gather(path, store[1]), trace=()))
    assert "computed from the readings for this report" in text


def test_an_interrupted_run_says_so(evidence: Evidence) -> None:
    assert "INTERRUPTED" in words_of(replace(bare(evidence), end_reason="interrupted"))


def test_a_trace_that_was_dropped_is_drawn_again(
    store: tuple[Path, str], tmp_path: Path, evidence: Evidence
) -> None:
    again = gather(copy_of(store, tmp_path, "DELETE FROM trace"), store[1])
    assert list(again.trace) == list(evidence.trace)
    assert again.document == evidence.document
    assert again.remarks == ()


def test_settings_of_another_version_are_shown_as_written(store: tuple[Path, str], tmp_path: Path) -> None:
    path = copy_of(store, tmp_path, "UPDATE run SET config = config || '\n[bygone]\nkey = \"as it was\"\n'")
    strange = gather(path, store[1])
    assert strange.config is None
    text = words_of(replace(strange, trace=()))
    assert "settings are not those of this version" in text
    assert "as it was" in text


def test_a_run_of_another_version_says_so(evidence: Evidence) -> None:
    header = replace(evidence.header, versions={**evidence.header.versions, "riselog": "0.0.1"})
    assert "was logged with version 0.0.1" in words_of(replace(bare(evidence), header=header))


def test_a_run_without_one_reading(tmp_path: Path) -> None:
    config = loads_config(SCENARIOS["standard"].config_text, "test", None)
    with StoreWriter(tmp_path / "s.db", "test") as writer:
        writer.begin_run(run_header(config, "void"))
    text = words_of(gather(tmp_path / "s.db", "void"))
    assert "No output can be stated" in text
    assert "no trace to draw" in text


def test_the_visit_and_the_last_match_are_shown(evidence: Evidence) -> None:
    tables = json.loads(json.dumps(evidence.settings))
    tables["visit"] = {"filter": "loaded", "panels_on": True}
    tables["probes"]["ret"]["matched"] = "2026-11-20"
    found = parsed(render(replace(bare(evidence), settings=tables)))
    visit = next(e for e in found.iter("section") if e.get("id") == "visit")
    rows = [[said(e) for e in row] for row in visit.iter("div")]
    assert rows == [["filter", "loaded"], ["panels on", "yes"]]
    assert "2026-11-20" in said(found)


def test_what_a_probe_says_of_its_make_stands_with_the_probe(evidence: Evidence) -> None:
    collector = Collector(HandClock(), ["ret", "sup"])
    for serial in ("7", "7", "8"):  # another device in the same run
        collector.about("ret", {"maker": "Nobody <b>", "serial": serial})
    events = [
        {"t_s": 0.0, "code": note.event.code, "probe": note.event.probe, "text": note.event.text}
        for note in collector.take()
        if isinstance(note, Noted)
    ]
    found = parsed(render(bare(evidence, events=events)))
    probes = next(e for e in found.iter("section") if e.get("id") == "probes")
    rows = {said(row[0]): [said(cell) for cell in row] for row in probes.iter("tr")}
    assert rows["Probe"][-1] == "Device, by its own word"
    assert rows["ret"][-1] == "maker Nobody <b>, serial 7; then maker Nobody <b>, serial 8"
    assert rows["sup"][-1] == DASH
    assert "Device, by its own word" not in said(parsed(render(bare(evidence))))


def test_one_supply_probe_is_said_to_hide_its_place(evidence: Evidence) -> None:
    tables = json.loads(json.dumps(evidence.settings))
    assert "cannot be seen in its own readings" in said(parsed(render(bare(evidence))))
    tables["probes"]["beside"] = tables["probes"]["sup"]
    found = parsed(render(replace(bare(evidence), settings=tables)))
    assert "cannot be seen in its own readings" not in said(found)


def test_measured_input_stands_with_the_plain_word(evidence: Evidence) -> None:
    given_input = {
        "source": "timed",
        "measured_w": 39_000.0,
        "measured_u95_w": 700.0,
        "efficiency": 0.815,
        "efficiency_u95": 0.045,
    }
    text = words_of(bare(evidence, input=given_input))
    assert "39.0 ± 0.7 kW" in text
    assert "81.5 % ± 4.5 %" in text
    assert "Output over input is of the air side" in text
    assert "dial, timed by hand" in text


def test_an_input_that_could_not_be_measured_gives_its_reason(evidence: Evidence) -> None:
    given_input = {"measured_w": None, "reason": "the counter moved too little"}
    plate = {"input_w": 39_000.0}
    assert "No measured input: the counter moved too little." in words_of(
        bare(evidence, input=given_input, nameplate=plate)
    )


# ---- the trace

PLACE = {name: n for n, name in enumerate(TRACE_COLUMNS)}


def row(t_s: float, rise: float | None, phase: float = 2.0) -> tuple[float | None, ...]:
    values: dict[str, float | None] = {"t_s": t_s, "phase": phase, "rise_k": rise, "output_w": rise}
    return tuple(values.get(name) for name in TRACE_COLUMNS)


@given(
    seed=st.integers(0, 2**32 - 1),
    size=st.integers(MOST_ROWS + 1, 4 * MOST_ROWS),
    peaks=st.lists(st.tuples(st.integers(0, MOST_ROWS), st.floats(-50.0, 90.0)), max_size=3),
)
@settings(max_examples=20, deadline=None)
def test_thinning_loses_no_peak(seed: int, size: int, peaks: list[tuple[int, float]]) -> None:
    rises = np.random.default_rng(seed).normal(20.0, 1.0, size).tolist()
    for place, rise in peaks:
        rises[place] = rise
    rows = [row(float(t), rise) for t, rise in enumerate(rises)]
    kept = thinned(rows)
    assert set(kept) <= set(rows)
    assert [r[0] for r in kept] == sorted({r[0] for r in kept})
    assert len(kept) <= MOST_ROWS + 4
    found = [r[PLACE["rise_k"]] for r in kept]
    assert (max(found), min(found)) == (max(rises), min(rises))


def test_a_gap_breaks_the_line() -> None:
    trace = trace_of([row(0.0, 1.0), row(1.0, 1.0), row(500.0, 2.0)])
    assert trace.columns["rise_k"] == (1.0, 1.0, None, 2.0)


def test_phases_are_spans_without_holes() -> None:
    rows = [row(float(t), 1.0, phase) for t, phase in enumerate((0.0, 0.0, 1.0, 1.0, 2.0, 2.0))]
    assert trace_of(rows).phases == (("off", 0.0, 2.0), ("fan", 2.0, 4.0), ("warm-up", 4.0, 5.0))


# ---- the user's own template


def folder(tmp_path: Path, text: str) -> Path:
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "report.html").write_text(text, encoding="utf-8")
    return tmp_path / "own"


def test_a_template_folder_overrides_blocks(evidence: Evidence, tmp_path: Path) -> None:
    own = folder(
        tmp_path,
        '{% extends "riselog/report.html" %}\n'
        "{% block letterhead %}<p>An invented firm &amp; {{ page.job }}</p>{% endblock %}"
        "{% block cautions %}{{ super() }}<p>Ours too.</p>{% endblock %}",
    )
    text = said(parsed(render(bare(evidence), own)))
    assert "An invented firm & sim-standard" in text
    assert "controls nothing" in text
    assert "Ours too." in text


BASE = '{% extends "riselog/report.html" %}\n'


@pytest.mark.parametrize(
    ("text", "line", "reason"),
    [
        (BASE + "{% block letterhead %}\n{% if %}\n{% endblock %}", 3, "Expected an expression"),
        (BASE + "\n{% block letterhead %}{{ page.nothing }}{% endblock %}", 3, "nothing"),
        (BASE + "{% block letterhead %}{{ 1 / 0 }}{% endblock %}", 2, "ZeroDivisionError"),
        (BASE + "{% block closing %}{{ ''.__class__.__mro__ }}{% endblock %}", 2, "unsafe"),
        (BASE + "{% block closing %}{% include 'gone.html' %}{% endblock %}", None, "gone.html"),
    ],
)
def test_a_broken_template_is_told_with_file_and_line(
    evidence: Evidence, tmp_path: Path, text: str, line: int | None, reason: str
) -> None:
    own = folder(tmp_path, text)
    with pytest.raises(UsageError) as caught:
        render(bare(evidence), own)
    place = str(own / "report.html") + ("" if line is None else f":{line}")
    assert str(caught.value).startswith(place), caught.value
    assert reason in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_template_folder_without_the_template_is_told(evidence: Evidence, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no report\.html in that folder"):
        render(bare(evidence), tmp_path)


# ---- the command


@pytest.fixture
def here(store: tuple[Path, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setattr("logger.stored.all_stores", lambda: (store[0],))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def short(here: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The same with a page that is made at once, where its content is not asked for."""
    monkeypatch.setattr("logger.report.page.render", lambda *_: "a page")
    return here


def report(run: str = "last", **changes: Any) -> int:
    options: dict[str, Any] = {"output": None, "template": None, "force": False, "show": False}
    return report_command(run, None, **(options | changes))


def test_the_file_is_named_by_job_and_run(
    here: Path, store: tuple[Path, str], page: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert report() == 0
    name = f"sim-standard-{store[1][:8]}.html"
    assert (here / name).read_text(encoding="utf-8") == page
    assert name in capsys.readouterr().out


def test_a_file_that_is_there_is_kept_unless_forced(short: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = short / "mine.html"
    there.write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="is there already; give --force"):
        report(output=there)
    assert there.read_text(encoding="utf-8") == "mine"
    assert report(output=there, force=True) == 0
    assert there.read_text(encoding="utf-8") == "a page"
    assert "written over" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["job.db", "job.toml"])
def test_a_store_or_a_config_is_never_written_over(short: Path, name: str) -> None:
    with pytest.raises(UsageError, match=r"name an \.html file"):
        report(output=short / name)


def test_a_folder_is_no_file(short: Path) -> None:
    with pytest.raises(UsageError, match="is a folder"):
        report(output=short)


def test_without_a_screen_the_file_is_named(
    short: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setattr(webbrowser, "open", lambda _: pytest.fail("no browser is to be started"))
    assert report(output=short / "a.html", show=True) == 0
    assert str(short / "a.html") in capsys.readouterr().err


def test_with_a_screen_the_browser_is_given_the_file(short: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[str] = []
    monkeypatch.setenv("DISPLAY", ":0")
    monkeypatch.setattr(webbrowser, "open", lambda address: opened.append(address) or True)
    assert report(output=short / "a.html", show=True) == 0
    assert opened == [(short / "a.html").as_uri()]


def test_a_report_that_cannot_be_left_costs_nothing(
    store: tuple[Path, str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert leave_report(store[0], "no such run").startswith("no report was written: no run 'no such run'")
    monkeypatch.setenv("RISELOG_DATA_DIR", str(tmp_path))
    monkeypatch.setattr("logger.report.page.trace_figure", lambda *_: 1 / 0)
    said_of_it = leave_report(*store)
    assert said_of_it.startswith("no report was written: ")
    assert "ZeroDivisionError" in said_of_it
