"""What a study's numbers mean, for the page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from simulators.study.setting import cell_name

NAMED = 6  # cells without a trial that are named; assumed

TERMS = (
    ("bias", "mean of (output found - true output) over the true output"),
    ("u95", "median of the expanded uncertainty that the trials state, in percent of their output"),
    ("coverage", "share of the trials whose interval, output ± u95, holds the true output; 95 % is stated"),
    ("99 % limits", "exact limits of a rate that was counted (Clopper and Pearson, 1934)"),
    (
        "false steady",
        "share of the trials whose steady stretch began when the true output was further off than asked, and "
        "than the program allowed for when it first said steady; where there is no plateau, every stretch",
    ),
    (
        "residual",
        "share of the trials whose published mean lacks more of the end value than was asked, and than its "
        "own residual drift says",
    ),
    ("steady", "minutes from when the unit came on to when the program first says steady; median"),
    ("delay", "seconds from when the true output is as near to its end as asked to steady; median"),
    ("settled", "minutes to a result that `riselog run --until result` would end with; median"),
    ("missed", "share of the trials without a steady stretch where there is a plateau"),
    (
        "withheld",
        "results of which the program says itself that they cannot be judged, and why; bias, u95 and "
        "coverage are those of the others",
    ),
    (
        "latent heat, its ratio, condensate",
        "parts of a cooling unit's total: each against where the unit would rest at the conditions of the "
        "stretch, by its own u95; where nothing condenses the truth of two of them is none",
    ),
    (
        "wrong of decided",
        "verdicts that contradict the true output, of those that were given; none is given where the plate "
        "holds for other conditions than the visit's",
    ),
)
UNSEEN = "Faults of which no line of the budget speaks:"
METHOD = (
    "Each trial draws what its budget states: zero error of each probe and one common to all, gain, place in "
    "the stream, how much later the one side follows than the other, airflow and live velocity, their way "
    "from the traverse to the firing, barometer, humidity of each side, share of outdoor air, heat that an "
    "earlier firing left, the fan's heat where no fan phase shows it, casing loss. The probes' noise, timing "
    "and drop-outs are simulated, and the program itself reads them.",
    "Of a unit that cools the truth is the fall of the air's enthalpy, of a heat pump the air's heat with "
    "the fan's in it, both where the unit would rest at the conditions of the stretch. A trial of a unit "
    "that defrosts reads past the first defrost.",
    "What a scenario has beyond that (a slow cabinet, a room that climbs) is in no budget line by its size: "
    "its coverage shows how the method bears it.",
)


def undone(rows: Sequence[dict[str, Any]]) -> str:
    """What a study that was ended has, and has not."""
    without = [cell_name(row) for row in rows if not row["trials"]]
    text = "Ended before all trials were done: the rows hold those that were"
    if not without:
        return f"{text}."
    more = f" and {len(without) - NAMED} more" if len(without) > NAMED else ""
    return f"{text}; none yet of {', '.join(without[:NAMED])}{more}."
