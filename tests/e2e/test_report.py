"""The report by the program itself: the demo leaves one, and two processes write the same."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

from tests.architecture.test_startup import loaded_after


def test_the_demo_leaves_a_report_and_names_it(demo: Any) -> None:
    program, done = demo
    (named,) = re.findall(r"^riselog: report: (.+)$", done.err, re.MULTILINE)
    path = Path(named)
    assert path.parent == program.data / "riselog"
    assert path.name == f"sim-standard-{done.document['run'][:8]}.html"
    page = path.read_text(encoding="utf-8")
    assert f'value="{done.document["firing"]["output_w"]!r}" data-key="firing.output_w"' in page


def test_two_processes_write_the_same_bytes_and_the_hash_of_the_export(demo: Any, tmp_path: Path) -> None:
    """The order of a set or a dict of one process must not show; SHA-256 by FIPS 180-4."""
    program, live = demo
    run, pages = live.document["run"], []
    for name in ("one.html", "two.html"):
        done = program("report", run, "--output", tmp_path / name, env={"PYTHONHASHSEED": str(len(pages))})
        assert (done.code, done.err) == (0, "")
        assert name in done.out
        pages.append((tmp_path / name).read_bytes())
    assert pages[0] == pages[1]
    assert program("export", run, "--output", tmp_path / "r.csv").code == 0
    assert hashlib.sha256((tmp_path / "r.csv").read_bytes()).hexdigest().encode() in pages[0]


def test_what_cannot_be_is_told_in_a_sentence(demo: Any, tmp_path: Path) -> None:
    program, _ = demo
    own = tmp_path / "own"
    own.mkdir()
    (own / "report.html").write_text('{% extends "riselog/report.html" %}\n{% block style %}\n{% if %}\n')
    there = tmp_path / "there.html"
    there.write_text("kept")
    for arguments, words in (
        (("nosuchrun",), "no run 'nosuchrun'"),
        (("last", "--output", there), "give --force"),
        (("last", "--template", own, "--output", tmp_path / "a.html"), "report.html:3: "),
        (("last", "--output", tmp_path / "no" / "a.html"), "cannot be written"),
    ):
        done = program("report", *arguments)
        assert (done.code, done.out) == (2, "")
        assert words in done.err
    assert there.read_text() == "kept"
    assert not (tmp_path / "a.html").exists()


def test_the_run_itself_waits_for_no_drawing_library() -> None:
    assert not loaded_after("import logger.app, logger.report.command") & {"matplotlib", "jinja2"}
