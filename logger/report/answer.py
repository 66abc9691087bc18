"""The answer in one sentence, how sure it is, and the main numbers in both unit systems."""

from __future__ import annotations

from dataclasses import dataclass

from logger.config.quantities import SHORTCUT, Dimension
from logger.core.kind_words import ABOVE, CHANGE, ENERGY, PAUSES_MEAN, STARTER, STEADILY, kind_of
from logger.core.stage_words import only_if
from logger.core.texts import SURE, probability_text
from logger.report.values import SYSTEMS, Cell, Numbers, Part, Row, Table, items, known, text_cell, words
from logger.screen.format import (
    DASH,
    change_text,
    clock,
    condensate_text,
    energy,
    percent,
    ratio_text,
    rise_words,
    since_on,
    tons_text,
)

COVERAGE = "± is the expanded uncertainty: the true output lies within it with a probability of about 95 %."
NOT_A_GRADE = (
    "This is a measurement of one visit, with its doubt; it is not a grade of the unit or of anybody's work."
)

CONCLUSIONS: dict[object, str] = {  # {within}: the tolerance where it is known
    "meets": ": it meets its nameplate{within}.",
    "below": ": it is below its nameplate{beyond}.",
    "above": ": it is ABOVE its nameplate{beyond}. {above}",
    "undecided": ": whether it meets its nameplate{within} stays undecided, the uncertainty is too "
    "wide for that.",
}
NO_VERDICT = ", and no verdict against a nameplate is given."
NO_OUTPUT = "No output can be stated: the unit was not seen {steadily}."
NO_AIRFLOW = "No output can be stated: the unit was {steadily}, but the airflow of its stage is not known."


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the page says first."""

    sentence: Cell
    reason: str
    doubt: Cell


def answer(numbers: Numbers, tolerance: float | None) -> Answer:
    """The sentence, the result's own reason, and how sure it is."""
    reason = words(numbers.raw("reason"))
    if numbers.get("firing.output_w") is None:
        if numbers.get("firing.sensible_w") is not None:
            return Answer(
                sentence=(*_sensible(numbers), Part(NO_VERDICT)), reason=reason, doubt=(Part(COVERAGE),)
            )
        steadily = STEADILY[kind_of(numbers.raw("nameplate.kind"))]
        sentence = NO_AIRFLOW if items(numbers.raw("stage_results")) else NO_OUTPUT
        return Answer(
            sentence=(Part(sentence.format(steadily=steadily)),), reason=reason, doubt=(Part(NOT_A_GRADE),)
        )
    verdict = words(numbers.raw("verdict"))
    end = CONCLUSIONS.get(verdict, NO_VERDICT)
    size = "" if tolerance is None else percent(tolerance).replace(" ", "\u00a0")
    end = end.format(
        within=f" within the tolerance of {size}" if size else "",
        beyond=f" by more than the tolerance of {size}" if size else "",
        above=ABOVE[kind_of(numbers.raw("nameplate.kind"))],
    )
    return Answer(
        sentence=(*_delivered(numbers), Part(end)),
        reason=reason,
        doubt=(Part(COVERAGE), *_chances(numbers), Part(f" {NOT_A_GRADE}")),
    )


def _delivered(numbers: Numbers) -> Cell:
    first, second = (
        numbers.spread("firing.output_w", "firing.output_u95_w", Dimension.POWER, units)
        for units in numbers.systems
    )
    condition = only_if(numbers.raw("verdict"), items(numbers.raw("stage_results")))
    start = f"{condition.capitalize()}, the unit delivered " if condition else "The unit delivered "
    cell = (Part(start), *first, Part(" ("), *second, Part(")"))
    if numbers.get("nameplate.ratio") is None:
        return cell
    which = (
        "derated nameplate output of " if numbers.raw("nameplate.derated") is True else "nameplate output of "
    )
    plate = numbers.part("nameplate.output_w", Dimension.POWER)
    return (*cell, Part(", which is "), numbers.share("nameplate.ratio"), Part(f" of its {which}"), plate)


def _sensible(numbers: Numbers) -> Cell:
    """Where a unit that cools has no total."""
    first, second = (
        numbers.spread("firing.sensible_w", "firing.sensible_u95_w", Dimension.POWER, units)
        for units in numbers.systems
    )
    return (
        Part("The unit took out sensible heat of "),
        *first,
        Part(" ("),
        *second,
        Part("), no total is known"),
    )


def _chances(numbers: Numbers) -> Cell:
    if numbers.get("p_meets") is None:
        return ()
    return (
        Part(" It lies within the tolerance with a probability of "),
        _chance(numbers, "p_meets"),
        Part(", below it with "),
        _chance(numbers, "p_low"),
        Part(", above it with "),
        _chance(numbers, "p_high"),
        Part("."),
    )


def _chance(numbers: Numbers, key: str) -> Part:
    """A probability; never said to be certain."""
    p = numbers.get(key)
    text = "less than 1 %" if p is not None and p < 1.0 - SURE else probability_text(p or 0.0)
    return Part(text, key, p)


def key_numbers(numbers: Numbers) -> Table | None:
    """The main numbers in both unit systems, the job's own first; None without a steady stretch."""
    if numbers.get("firing.output_w") is None and numbers.get("firing.sensible_w") is None:
        return None
    cools = kind_of(numbers.raw("nameplate.kind")) == "cooling"
    rows = [
        _pair(
            numbers,
            *("Output", "firing.output_w", Dimension.POWER),
            u_key="firing.output_u95_w",
            note=_tons(numbers, "firing.output_w", "firing.output_u95_w"),
        ),
        *_capacities(numbers),
        _pair(
            numbers,
            *("Nameplate output", "nameplate.output_w", Dimension.POWER),
            note=_tons(numbers, "nameplate.output_w"),
        ),
        *_derated(numbers),
        _change(numbers),
        _pair(numbers, "Return air", "firing.return_c", Dimension.TEMPERATURE),
        _pair(numbers, "Supply air", "firing.supply_c", Dimension.TEMPERATURE),
        _pair(
            numbers,
            "Airflow, at the return",
            "firing.airflow_m3_s",
            Dimension.VOLUME_FLOW,
            note=_airflow_note(numbers),
        ),
        _pair(numbers, "Dry air", "firing.dry_air_kg_s", Dimension.MASS_FLOW),
        *(
            []
            if cools
            else [_pair(numbers, "Heat taken up by the air", "firing.air_heat_w", Dimension.POWER)]
        ),
        _pair(numbers, "Of it, from the fan", "firing.fan_heat_w", Dimension.POWER),
        _pair(numbers, "Lost through the casing", "firing.casing_loss_w", Dimension.POWER),
        _energy(numbers),
        _shortcut(numbers),
    ]
    heads = ("Quantity", *(SYSTEMS[units] for units in numbers.systems), "Remark")
    return Table(heads=heads, rows=tuple(row for row in rows if known(row.cells[0])))


def _pair(
    numbers: Numbers, label: str, key: str, dimension: Dimension, *, u_key: str = "", note: str = ""
) -> Row:
    cells = tuple(
        numbers.spread(key, u_key, dimension, units) if u_key else (numbers.part(key, dimension, units),)
        for units in numbers.systems
    )
    return Row(label=label, cells=(*cells, text_cell(note)))


def _tons(numbers: Numbers, key: str, u_key: str = "") -> str:
    """What a cooling unit gives in tons of refrigeration, where US units come first."""
    u95_w = numbers.get(u_key) if u_key else None
    text = tons_text(numbers.get(key), numbers.raw("nameplate.kind"), numbers.units, u95_w)
    return f"{text} of refrigeration" if text else ""


def _capacities(numbers: Numbers) -> list[Row]:
    """Parts of a cooling unit's output, and a heat pump's defrosts and pauses."""
    rows = []
    if numbers.get("firing.sensible_w") is not None:
        ratio = numbers.get("firing.sensible_heat_ratio")
        known_to = numbers.get("firing.sensible_heat_ratio_u95")
        share = "" if ratio is None else f"sensible heat ratio {ratio_text(ratio, known_to)}"
        rows = [
            _pair(
                numbers,
                *("Sensible heat", "firing.sensible_w", Dimension.POWER),
                u_key="firing.sensible_u95_w",
                note=share,
            ),
            _pair(
                numbers,
                *("Latent heat", "firing.latent_w", Dimension.POWER),
                u_key="firing.latent_u95_w",
                note="the rest of the output",
            ),
            _condensate(numbers),
        ]
    for label, key, note in (
        ("Defrosts", "firing.defrosts", "left out of the steady stretch"),
        ("Pauses", "firing.pauses", PAUSES_MEAN),
    ):
        count = numbers.get(key)
        if count:
            cells = tuple((Part(str(round(count)), key, count),) for _ in numbers.systems)
            rows.append(Row(label=label, cells=(*cells, text_cell(note))))
    return rows


def _condensate(numbers: Numbers) -> Row:
    key = "firing.condensate_kg_s"
    value, u95 = numbers.get(key), numbers.get("firing.condensate_u95_kg_s")
    cells = tuple((Part(condensate_text(value, units, u95), key, value),) for units in numbers.systems)
    return Row(label="Condensate", cells=(*cells, text_cell("what the air loses of its moisture")))


def _change(numbers: Numbers) -> Row:
    """The rise, or the drop without its sign."""
    kind, value = kind_of(numbers.raw("nameplate.kind")), numbers.get("firing.rise_k")
    cells = tuple(
        (Part(change_text(value, kind, units), "firing.rise_k", value),) for units in numbers.systems
    )
    return Row(label=f"Temperature {CHANGE[kind]}", cells=(*cells, text_cell(_window(numbers))))


def _window(numbers: Numbers) -> str:
    return rise_words(numbers.raw("nameplate.rise_ok"), numbers.raw("nameplate.rise_sure"))


def _airflow_note(numbers: Numbers) -> str:
    u95 = numbers.get("firing.airflow_u95_percent")
    return "" if u95 is None else f"known to ± {percent(u95 / 100.0)} (95 %) in this stretch"


def _derated(numbers: Numbers) -> list[Row]:
    if numbers.raw("nameplate.derated") is not True:
        return []
    note = "the plate's own; the unit was derated for its altitude"
    return [_pair(numbers, "Before derating", "nameplate.plate_output_w", Dimension.POWER, note=note)]


def _energy(numbers: Numbers) -> Row:
    key = "firing.energy_j"
    value = numbers.get(key)
    cells = tuple((Part(energy(value, units), key, value),) for units in numbers.systems)
    kind = kind_of(numbers.raw("nameplate.kind"))
    of = " of cool-down" if kind in ("gas", "electric") else ""
    return Row(
        label=ENERGY[kind],
        cells=(*cells, text_cell(f"from its first sign to the end{of}")),
    )


def _shortcut(numbers: Numbers) -> Row:
    output_w, shortcut_w = numbers.get("firing.output_w"), numbers.get("firing.shortcut_w")
    degree = "K" if numbers.units == "si" else "°F"
    note = f"{SHORTCUT[numbers.units]} x {degree} of standard air"
    if kind_of(numbers.raw("nameplate.kind")) == "cooling":  # it knows no moisture
        note, output_w = f"{note}, sensible heat alone", numbers.get("firing.sensible_w")
    if output_w and shortcut_w is not None:
        note += f": {shortcut_w / output_w - 1.0:+.1%} off here"
    return _pair(numbers, "Shortcut, for comparison", "firing.shortcut_w", Dimension.POWER, note=note)


def stretch_words(numbers: Numbers) -> str:
    """Where the steady stretch lies; empty where there is none."""
    start, end = (clock(numbers.get(f"firing.{key}")) for key in ("steady_start_s", "steady_end_s"))
    if DASH in (start, end):
        return ""
    starter = STARTER[kind_of(numbers.raw("nameplate.kind"))]
    bound = numbers.get("firing.start_residual_bound")
    rest = "" if bound is None else f"; at its start at most {percent(bound)} was still to come"
    wait = since_on(numbers.get("firing.time_to_steady_s"), starter)
    return f"from {start} to {end} of the run, {wait}{rest}"


def title(numbers: Numbers, job: str) -> str:
    """The page's title."""
    return f"What the unit delivers: {words(job)}"
