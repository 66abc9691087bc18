"""Output over measured gas input, and what of it cannot be.

An air-side efficiency is no flue-loss efficiency: "thermal efficiency" of a commercial warm-air
furnace is 100 % less the flue loss (10 CFR 431.72); casing loss and fan heat lie between the two.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from logger.core.budget import BudgetLine, Combined, combine
from logger.core.gas import GasInput
from logger.core.params import JobParams, UnitKind, UnitParams
from logger.core.texts import power_text
from logger.core.verdict import Verdict, judge, probability_below

OFF_PLATE = 0.05  # of the plate's input: further off is said (design; common practice, no source)
MOST_EFFICIENCY = 0.85  # of a non-condensing unit, gross heating value (common practice, no source)
SURE = 0.95  # probability from which a thing is said (design)


@dataclass(frozen=True, slots=True, kw_only=True)
class Efficiency:
    """Output over input, a fraction, and its combined uncertainty (``u_w``, ``u95_w`` as fractions)."""

    value: float
    combined: Combined


def efficiency(output_w: float, output: Combined, gas: GasInput) -> Efficiency:
    """Efficiency with its uncertainty; relative parts add squared (JCGM 100 5.1.6).

    Output and input are taken as independent. Where both go with the site's pressure, that moves them
    the same way and cancels in part, so the uncertainty is rather too large; where one of them does not
    (a standard velocity, a heating value of the site), there is nothing to cancel.
    """
    value = output_w / gas.input_w
    lines = [
        BudgetLine("output", output.u_w / gas.input_w, nu=output.nu_eff),
        BudgetLine("input", abs(value) * gas.combined.u_w / gas.input_w, nu=gas.combined.nu_eff),
    ]
    return Efficiency(value=value, combined=combine(lines))


def against_plate(gas: GasInput, plate_w: float) -> Verdict:
    """The input against the plate's (derated where the unit is): JCGM 106 clause 7, two limits."""
    return judge(gas.input_w, gas.combined.u_w, gas.combined.nu_eff, plate_w, OFF_PLATE)


def gas_warnings(
    job: JobParams, output_w: float, output: Combined, gas: GasInput
) -> Iterator[tuple[str, str]]:
    """Code and text of what is implausible with more than 95 % probability."""
    if job.unit.plate_input_w is not None:
        full_w = job.unit.plate_input_w * job.unit.derate_factor
        yield from _off_plate(gas, full_w, low_fire=job.unit.stages > 1)
    if job.unit.kind is not UnitKind.GAS:
        return
    found = efficiency(output_w, output, gas)
    sum_, (most, of_what) = found.combined, most_efficiency(job.unit)
    if probability_below(most, found.value, sum_.u_w, sum_.nu_eff) < 1.0 - SURE:
        yield (
            "efficiency-implausible",
            f"Output over gas input is {found.value:.1%} ± {sum_.u95_w:.1%}: more than {most:.0%} "
            f"is not to be had from {of_what}. Suspect the airflow first and take the traverse again, "
            "then the supply probe's place, then the gas: turns counted, heating value, pressure.",
        )


def most_efficiency(unit: UnitParams) -> tuple[float, str]:
    """The most that output over input may be, gross, and of what: a plate beyond the usual is condensing.

    >>> most_efficiency(UnitParams(plate_input_w=40e3, plate_output_w=38e3, tolerance=0.04))[0]
    0.988
    """
    if unit.plate_input_w and unit.plate_output_w:
        plate = unit.plate_output_w / unit.plate_input_w
        if plate > MOST_EFFICIENCY:
            return min(plate * (1.0 + unit.tolerance), 1.0), "this unit by its own plate"
    return MOST_EFFICIENCY, "a non-condensing unit"


def _off_plate(gas: GasInput, plate_w: float, *, low_fire: bool) -> Iterator[tuple[str, str]]:
    """``low_fire``: the unit has lower stages, so less than the plate is no fault."""
    verdict = against_plate(gas, plate_w)
    if verdict.p_high <= SURE and (verdict.p_low <= SURE or low_fire):
        return
    much = verdict.p_high > SURE
    what_next = (
        "Check the turns counted, the heating value, and that nothing else burns gas on this meter. If the "
        "input stands, the unit is over-fired and carbon monoxide is possible: stop and call the licensed "
        "person."
        if much
        else "See that the burner is at full fire, and check turns counted, heating value and pressure; "
        "the gas pressure is for the licensed person to set."
    )
    yield (
        "input-off-plate",
        f"The gas input of {power_text(gas.input_w)} ± {gas.combined.u95_w / gas.input_w:.1%} is "
        f"{abs(gas.input_w / plate_w - 1.0):.1%} {'above' if much else 'below'} the plate's "
        f"{power_text(plate_w)}. {what_next}",
    )
