"""What a run's result says in words: the verdict's name and one sentence, for reader and screen."""

from __future__ import annotations

from logger.core.already_on import CODE as ON_ALREADY
from logger.core.already_on import judged_text
from logger.core.firing import (
    STAGE_CHANGE,
    Firing,
    SteadyStretch,
    full_fire,
    plate_output_w,
    verdict_of,
)
from logger.core.gas import GasInput
from logger.core.humidity_watch import CODE as HUMIDITY_LOST
from logger.core.humidity_watch import lost_text
from logger.core.kind_words import ABOVE as ABOVE_WORDS
from logger.core.kind_words import (
    ANOTHER_HIGHER,
    CHANGE,
    FULL,
    GO_ON,
    HIGHER,
    NO_FIRING,
    NO_TOTAL,
    OTHER_CAUSE,
    SPELL,
    STARTER,
    TODAY,
)
from logger.core.kind_words import BELOW as BELOW_WORDS
from logger.core.narrow import narrowly
from logger.core.params import JobParams, OutdoorAir, OutputAt, Role, UnitKind
from logger.core.pipeline import Outcome
from logger.core.stage import not_shown
from logger.core.stage_doubts import NO_STAGES, Level
from logger.core.stage_results import levels
from logger.core.stage_words import not_shown_full
from logger.core.texts import probability_text
from logger.core.verdict import ABOVE, BELOW, UNDECIDED, Verdict, deciding_line

MISMATCH = "the two humidities contradict each other, and the total hangs on them; see the events"
NOT_STEADY = "not-steady"
WRONG_WAY = {
    cools: f"The supply air was {side} than the entering air for minutes, as when the probes of return and "
    "supply are swapped: look where each of them is, put it right (or their roles in the config) and measure "
    f"again. A unit that {does} is another unit.kind."
    for cools, side, does in ((False, "cooler", "cools"), (True, "warmer", "heats"))
}
"""What is said of a run without a steady stretch; by whether the unit cools."""
ALARMS = frozenset({"rise-above-window", "supply-above-maximum"})


def judge_outcome(
    outcome: Outcome, firing: Firing | None, stretch: SteadyStretch | None, *, advised: bool = True
) -> tuple[Verdict | None, str | None, str]:
    """The verdict with its probabilities, its name (None: cannot be given) and one sentence.

    ``advised``: the sentence also tells what would decide an undecided one, which takes long to find.
    """
    verdict, name, reason = _judge(outcome, firing, stretch, advised=advised)
    if verdict is not None and firing is not None and firing.on_already:
        reason += judged_text(outcome.job, firing)
    return verdict, name, reason


def _judge(
    outcome: Outcome, firing: Firing | None, stretch: SteadyStretch | None, *, advised: bool
) -> tuple[Verdict | None, str | None, str]:
    job = outcome.job
    untold = [s.untold for f in outcome.firings for s in f.stretches if s.untold]
    if untold and stretch is None:
        return None, None, f"No output, and no verdict: {untold[-1]}."
    if firing is None or stretch is None:
        return None, NOT_STEADY, _why_not_steady(outcome)
    verdict = verdict_of(job, stretch)
    if verdict is None:
        why = "No verdict: the config gives no plate output (and no input with an efficiency)."
        return None, None, why
    full = _full_fire(outcome, stretch) if job.unit.stages > 1 else ""
    bar = (
        _no_total(outcome, stretch)
        or _no_verdict(outcome, firing)
        or _no_full_fire(outcome, stretch, verdict, full)
        or _no_conditions(job, stretch)
    )
    if bar is not None:
        return None, None, bar
    plate_w = plate_output_w(job) or 1.0
    size = _size(job, stretch)
    tolerance = f"the tolerance of {job.unit.tolerance:.1%}"
    if verdict.verdict == "meets":
        return verdict, "meets", f"{size}: within {tolerance}."
    if verdict.verdict == "below":
        return (
            verdict,
            "below",
            f"{size}: below {tolerance} with {probability_text(verdict.p_low)} probability.{full or ''}"
            f"{BELOW_WORDS[job.unit.kind]}{narrowly(verdict.p_low, stretch, plate_w, 'more')}",
        )
    if verdict.verdict == "above":
        # too much gas is acted on, however narrowly it shows
        gas = job.unit.kind is UnitKind.GAS
        hardly = "" if gas else narrowly(verdict.p_high, stretch, plate_w, "less")
        text = (
            f"{size}: above {tolerance} with {probability_text(verdict.p_high)} probability. "
            f"{ABOVE_WORDS[job.unit.kind]}{hardly}"
        )
        return verdict, "above", text
    what = f" {_what_decides(job, stretch, plate_w)}" if advised else ""
    return verdict, UNDECIDED, f"{size}: undecided for {tolerance}.{what}"


def _size(job: JobParams, stretch: SteadyStretch) -> str:
    plate_w = plate_output_w(job) or 1.0
    return (
        f"Output is {stretch.means.output_w / plate_w:.1%} ± {stretch.combined.u95_w / plate_w:.1%} "
        f"of the plate's {'derated ' if job.unit.derated else ''}output"
    )


def _no_conditions(job: JobParams, stretch: SteadyStretch) -> str | None:
    """Why the plate of a heat pump or a coil is not that of this visit: it holds at its rating conditions."""
    if job.unit.kind.fan_apart or job.unit.output_at is OutputAt.VISIT:
        return None
    return f"No verdict: the plate holds at its rating conditions. {_size(job, stretch)}. {TODAY}."


def _what_decides(job: JobParams, stretch: SteadyStretch, plate_w: float) -> str:
    line = deciding_line(stretch.lines, stretch.means.output_w, plate_w, job.unit.tolerance)
    if line is None:
        return ""
    if line.shrink is None:
        return f"No line of the budget decides it alone; the largest is {line.source}."
    return f"It would be decided if {line.source} were known {max(line.shrink, 1.01):.2f} times better."


def _no_total(outcome: Outcome, stretch: SteadyStretch) -> str | None:
    """Why a unit that cools has no total to be held against the plate."""
    if stretch.total_told:
        return None
    lost = dict.fromkeys(event.probe or "?" for event in outcome.events if event.code == HUMIDITY_LOST)
    return f"No verdict: {lost_text(tuple(lost)) if lost else NO_TOTAL}."


def _no_verdict(outcome: Outcome, firing: Firing) -> str | None:
    """Why a number stands but no verdict does."""
    job = outcome.job
    has_mixed = bool(job.probes_of(Role.MIXED))
    if job.visit.bars:
        return f"No verdict: by the visit record {'; '.join(job.visit.bars)}."
    if job.unit.outdoor_air is OutdoorAir.OPEN and not has_mixed:
        return "No verdict: outdoor air is open and no probe of role mixed measures the entering air."
    if _latent(firing) and "humidity-mismatch" in {event.code for event in outcome.events}:
        return f"No verdict: {MISMATCH}."
    if firing.outdoor_suspected and "rise-wrong-way" in {event.code for event in outcome.events}:
        return f"No verdict: {WRONG_WAY[job.unit.kind.cools]}"
    if firing.outdoor_suspected:
        return "No verdict: the fan phase shows outdoor air in the entering air; see the events."
    if firing.fan_implausible:
        return (
            "No verdict: the fan phase gives a fan heat that no fan has, and the output hangs on it; see the "
            "events, run the fan alone for longer, match the probes."
        )
    level = _no_one_level(job, firing)
    if level is None and not firing.onset_seen:
        return (
            f"No verdict: the {SPELL[job.unit.kind]}'s beginning was not seen and no velocity probe shows "
            f"that air moves; start the log before the {STARTER[job.unit.kind]}."
        )
    return level


def _latent(firing: Firing) -> bool:
    """Whether the total has latent heat in it that two humidities made up. A little less than none is within
    what they may be off by, one sound dry coil in forty shows it: told, and no bar."""
    best = firing.best
    coil = best.line.coil if best is not None else None
    return best is not None and coil is not None and best.means.output_w > coil.sensible_w


def _no_one_level(job: JobParams, firing: Firing) -> str | None:
    """Why the firing's level is not one that the stated airflow and the full plate belong to."""
    best = firing.best
    if best is not None and firing.flow_changed_s is not None and firing.flow_changed_s < best.end_s:
        return (
            "No verdict: the velocity probe shows that the airflow changed within the "
            f"{SPELL[job.unit.kind]}, and the output hangs on the stated one; see the events, take the "
            "traverse again."
        )
    if firing.higher_level_seen():
        return (
            f"No verdict: the {CHANGE[job.unit.kind]} stood more than 10 % higher for a while without being "
            f"steady there; {HIGHER[job.unit.kind]}."
        )
    if firing.stages_differ() and job.unit.stages == 1:
        return (
            f"No verdict: two steady levels more than 10 % apart; {OTHER_CAUSE[job.unit.kind]}, or the "
            "airflow has changed: take one traverse point again."
        )
    return None


def _full_fire(outcome: Outcome, stretch: SteadyStretch) -> str | None:
    """What shows that a unit of several stages was at full fire; None if nothing does."""
    job, gas = outcome.job, stretch.gas
    full = FULL[job.unit.kind].removeprefix("the ").capitalize()
    if job.visit.full_fire:
        return f" {full}: held so, by what the visit's record says."
    input_w = job.unit.plate_input_w
    if input_w and isinstance(gas, GasInput):
        share = gas.input_w / (input_w * job.unit.derate_factor)
        if share >= 1.0 - job.unit.tolerance:
            return f" {full}: the measured input is {share:.1%} of the plate's."
    found = _levels(outcome)
    lower = any(s.means.output_w < (1.0 - STAGE_CHANGE) * stretch.means.output_w for s in _steady(outcome))
    if lower and found and found[-1].stage == job.unit.stages:
        return f" {full}: the highest of the levels seen in this run."
    return None


def _levels(outcome: Outcome) -> list[Level]:
    """The levels whose output is known, lowest first."""
    found = levels(outcome.job, outcome.firings, outcome.speechless)
    return [level for level in found if not level.stretch.untold]


def _no_full_fire(outcome: Outcome, stretch: SteadyStretch, verdict: Verdict, full: str | None) -> str | None:
    """Why a level cannot be held against the full plate."""
    if stretch not in full_fire([*_steady(outcome), stretch]):
        return (
            f"No verdict: another {SPELL[outcome.job.unit.kind]} of this run stood more than 10 % higher; "
            f"{ANOTHER_HIGHER[outcome.job.unit.kind]}."
        )
    unit = outcome.job.unit
    found = _levels(outcome) if unit.stages > 1 else []
    doubt = next((level.doubt for level in found if level.doubt), "")
    unfull = verdict.verdict == BELOW and full is None
    above = doubt == not_shown(unit.kind) and verdict.verdict == ABOVE
    if doubt in NO_STAGES or (doubt and full is None) or above:
        return f"No verdict: {doubt}."
    if unfull:
        full_load = FULL[unit.kind]
        gas = "or measure the gas input, " if unit.kind is UnitKind.GAS else ""
        kinds = "modulates" if unit.modulating else f"has {unit.stages} stages"
        return (
            f"No verdict: the unit {kinds}, and nothing shows that this level "
            f"was {full_load}. Hold {full_load} and set visit.stage_forced, {gas}or let the lower stage "
            "settle too."
        )
    if unit.stages > 1 and found and found[-1].unproven:
        alarm = f" {ABOVE_WORDS[unit.kind]}" if verdict.verdict == ABOVE else ""
        return f"No verdict.{alarm} {not_shown_full(outcome.job, _size(outcome.job, stretch))}"
    return None


def _steady(outcome: Outcome) -> list[SteadyStretch]:
    return [stretch for firing in outcome.firings for stretch in firing.stretches if not stretch.untold]


def _why_not_steady(outcome: Outcome) -> str:
    """What kept the run from a steady stretch, and what to do; never more heat against a warning."""
    codes = {event.code for event in outcome.events}
    needed = [p.name for p in outcome.job.probes_of(Role.RETURN, Role.MIXED, Role.SUPPLY)]
    dumb = [name for name in needed if name in outcome.speechless]
    if dumb:
        return (
            f"No {CHANGE[outcome.job.unit.kind]} could be had: no usable reading of {', '.join(dumb)}; "
            "run `riselog check`."
        )
    frozen = sorted({event.probe or "?" for event in outcome.events if event.code == "frozen"})
    if frozen:
        return f"Not steady: probe {', '.join(frozen)} repeated one value; restart it and measure again."
    if "rise-wrong-way" in codes and not any(firing.highest_k for firing in outcome.firings):
        return WRONG_WAY[outcome.job.unit.kind.cools]  # a duct in still air too may have been so before
    if not outcome.firings:
        maybe = next((f" {event.text}" for event in outcome.events if event.code == ON_ALREADY), "")
        return f"{NO_FIRING[outcome.job.unit.kind]}{maybe}"
    longest_s = max((f.fall_s or f.end_s or f.start_s) - f.start_s for f in outcome.firings)
    kind = outcome.job.unit.kind
    seen = f"{len(outcome.firings)} {SPELL[kind]}(s), the longest {longest_s} s, none steady"
    if outcome.job.unit.kind.cools and "humidity-mismatch" in codes:
        return (
            f"{seen}: the supply air shows more water than the entering air, so no total could settle. Shut "
            "the damper, match the humidity probes and cool again; the event humidity-mismatch says which "
            "and by how much."
        )
    if "limit-cycling" in codes:
        return f"{seen}: a limit seems to trip again and again; do not {GO_ON[kind]} on, see the events."
    if codes & ALARMS:
        return (
            f"{seen}: a limit of the plate was broken; find the cause before any more {SPELL[kind]}, see the "
            "events."
        )
    return f"{seen}: let it {GO_ON[kind]} longer, and see the events for what kept it from settling."
