"""Evidence into one HTML page: the view is put into the template, everything from outside escaped.

A folder of the user's may override the template's blocks; what is wrong in it is told with file and line.
"""

from __future__ import annotations

import json
import traceback
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from jinja2 import (
    BaseLoader,
    ChoiceLoader,
    FileSystemLoader,
    PackageLoader,
    PrefixLoader,
    StrictUndefined,
    TemplateError,
    TemplateNotFound,
    TemplateSyntaxError,
)
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markupsafe import Markup

from logger.clock import utc_text
from logger.core.errors import UsageError
from logger.core.kind_words import CHANGE, SPELL, kind_of
from logger.report import answer, sections
from logger.report.airflow_part import airflow_part
from logger.report.budget_part import budget_part
from logger.report.canvas import Plate
from logger.report.events_part import told, warnings
from logger.report.evidence import Evidence
from logger.report.input_part import input_part
from logger.report.output_drawing import output_figure
from logger.report.svg import Drawing
from logger.report.trace import trace_of
from logger.report.trace_drawing import trace_figure
from logger.report.values import Numbers, words
from logger.safety import cautions_of
from logger.text import one_line

TEMPLATE = "report.html"
BUILT_IN = "riselog"  # `{% extends "riselog/report.html" %}` in a folder of the user's

_ENTHALPY = (
    "Output: dry-air mass flow times the enthalpy difference of the moist air between supply and entering "
    "air (ASHRAE Handbook Fundamentals, chapter 1)"
)
_FIRED = (
    f"{_ENTHALPY}, less the heat of the fan, plus the casing's loss: what the plate of a gas or electric "
)
_FIRED += "unit speaks of (10 CFR part 431)."
OUTPUT_METHOD = {
    "gas": _FIRED,
    "electric": _FIRED,
    "heat-pump": f"{_ENTHALPY}; the indoor fan's heat is in it, as in the plate's (recalled). What a defrost "
    "takes back is in the energy and not in the output; auxiliary (strip) heat that was on is in both.",
    "cooling": f"{_ENTHALPY}, each side with its own moisture; the indoor fan's heat and the condensate's "
    "own are in it, as in the plate's (recalled). Sensible: the same at the supply's moisture; latent: the "
    "rest.",
}
METHOD = (
    "Steady: a least-squares slope of {change} and output, with its confidence limits, within a limit; mean "
    "over the longest steady stretch.",
    "Uncertainty: JCGM 100:2008 (GUM), 95 % coverage, degrees of freedom by Welch and Satterthwaite.",
    "Verdict: JCGM 106:2012, probability of conformity; `meets` is said when the risk of lying beyond it is "
    "below 5 % at either limit, `below` and `above` when it lies beyond that limit with more than 95 %.",
)


def render(evidence: Evidence, template: Path | None = None) -> str:
    """The whole page.

    Raises
    ------
    UsageError
        The template folder cannot be used; the text names file, line and reason.
    """
    view = page_view(evidence)
    environment = ImmutableSandboxedEnvironment(
        loader=_loader(template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    try:
        return environment.get_template(TEMPLATE).render(page=view)
    except Exception as error:
        if template is None:
            raise
        raise UsageError(_fault(error, template)) from error


def _loader(template: Path | None) -> BaseLoader:
    own = PackageLoader("logger.report", "templates")
    if template is None:
        return own
    if not (template / TEMPLATE).is_file():
        raise UsageError(
            f"--template {template}: there is no {TEMPLATE} in that folder; put one there that begins with "
            f'{{% extends "{BUILT_IN}/{TEMPLATE}" %}}'
        )
    return ChoiceLoader([FileSystemLoader(template), PrefixLoader({BUILT_IN: own}), own])


def _fault(error: Exception, folder: Path) -> str:
    """Which file and line of the user's templates, and what is wrong there."""
    reason = one_line(str(error))[:300] or type(error).__name__
    where = str(folder / TEMPLATE)
    if isinstance(error, TemplateSyntaxError):
        where = f"{error.filename or error.name or where}:{error.lineno}"
    elif isinstance(error, TemplateNotFound):
        reason = f"there is no template {reason}"
    else:
        frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename.startswith(str(folder))]
        where = f"{frames[-1].filename}:{frames[-1].lineno}" if frames else where
        reason = reason if isinstance(error, TemplateError) else f"{type(error).__name__}: {reason}"
    return f"{where}: {reason}; repair the template, or leave --template out"


def page_view(evidence: Evidence) -> dict[str, Any]:
    """All that the template may use, by name."""
    numbers = Numbers(evidence.document, evidence.units)
    job, plate = words(evidence.header.job), _plate(evidence, numbers)
    said = answer.answer(numbers, plate.tolerance)
    return _evidence_view(evidence, numbers) | {
        "title": answer.title(numbers, job),
        "job": job,
        "run": words(evidence.header.run),
        "mark": evidence.mark,
        "date": f"{utc_text(evidence.header.started_utc_us)[:16].replace('T', ' ')} UTC",
        "simulated": evidence.header.simulated,
        "remarks": sections.remarks(evidence),
        "answer": said.sentence,
        "reason": said.reason,
        "warnings": warnings(numbers),
        "doubt": said.doubt,
        "verdict": words(numbers.raw("verdict")) or "none",
        "output_figure": _markup(output_figure(numbers, plate)),
        "key_numbers": answer.key_numbers(numbers),
        "stretch": answer.stretch_words(numbers),
        "trace_figure": _markup(trace_figure(numbers, plate, trace_of(evidence.trace))),
        "stages": sections.stage_table(numbers),
        "firings": sections.firing_table(numbers),
        "firings_title": f"All {SPELL[kind_of(numbers.raw('nameplate.kind'))]}s",
        "result_json": _script(evidence.document),
    }


def _evidence_view(evidence: Evidence, numbers: Numbers) -> dict[str, Any]:
    """What stands below the answer: how it was had."""
    airflow, kind = airflow_part(evidence), kind_of(numbers.raw("nameplate.kind"))
    return {
        "budget": budget_part(numbers),
        "airflow": airflow,
        "input": input_part(numbers),
        "settings": sections.settings_rows(evidence.settings),
        "assumed": _assumed(evidence, airflow.checks),
        "probes": sections.probe_table(evidence),
        "unmatched": sections.unmatched(evidence),
        "one_spot": sections.one_spot(evidence, kind),
        "events": told(numbers, course=False),
        "course": told(numbers, course=True),
        "visit": sections.visit_rows(evidence.settings),
        "method": (OUTPUT_METHOD[kind], *(text.replace("{change}", CHANGE[kind]) for text in METHOD)),
        "cautions": cautions_of(kind),
        "origin": sections.origin_rows(evidence),
        "sha256": evidence.sha256,
    }


def _assumed(evidence: Evidence, checks: Sequence[str]) -> tuple[str, ...]:
    """The config's notes, without what the airflow's section says already."""
    notes = evidence.config.notes if evidence.config else ()
    return tuple(words(note) for note in notes if not any(check in note for check in checks))


def _plate(evidence: Evidence, numbers: Numbers) -> Plate:
    tolerance = evidence.config.job.unit.tolerance if evidence.config else None
    return Plate(output_w=numbers.get("nameplate.output_w"), tolerance=tolerance)


def _markup(drawn: Drawing | None) -> Markup | None:
    """Our own drawing; the texts in it were escaped when it was written."""
    return None if drawn is None else Markup(drawn.svg)


def _script(document: object) -> Markup:
    """The result document as JSON in ASCII, in which no end of a script can hide."""
    text = json.dumps(document, allow_nan=False)
    for char in "<>&\x7f":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)
