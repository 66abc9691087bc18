"""Airflow from electric heat of known power and the rise it makes, where no traverse can be had.

Source: GUM (JCGM 100) for the budget; the energy balance of an air stream.
"""

from __future__ import annotations

from collections.abc import Collection
from math import sqrt

from logger.core.air import enthalpy_j_kg
from logger.core.airflow import AirState, FlowCheck, MeasuredAirflow, density_u, water_u
from logger.core.airflow_sources import POORER, measured
from logger.core.budget import BudgetLine, combine
from logger.core.errors import UsageError
from logger.core.heat import WATER_CP_RATIO
from logger.core.texts import difference_text, power_text
from logger.core.traverse import Assumed

PLACEMENT_U = 0.015  # of the rise: one probe stands for each stream (assumed, as in the job's budget)
LEAST_RISE_K = 3.0  # K: below it the rise is no measure of a flow (assumed)


def from_electric_step(
    power_w: float,
    loss_w: float,
    return_state: AirState,
    supply_c: float,
    *,
    power_u95: float = 0.02,
    rise_u95_k: float = 0.7,
    assumed: Collection[Assumed] = (),
) -> tuple[MeasuredAirflow, tuple[FlowCheck, ...]]:
    """Airflow from electric heat of known power: m = (P - loss) / dh. ``power_u95`` a fraction.

    Power is all that becomes heat between the two probes, fan included. The volume is that at the
    return; the lines beside "density" are those of the mass. ``assumed``: what of ``return_state``
    nobody measured. Raises UsageError where the rise or the power cannot be.

    The job's output is Q = m c T2 with the job's rise T2, m = P / (c T1) with this one's T1. A gain
    common to both cancels. A zero offset d of the same probes is in both rises, and
    dQ/Q = d (1/T2 - 1/T1). The lines count d/T1 here and d/T2 in the job as independent, and
    (a - b)^2 <= a^2 + b^2 for a, b of one sign: never too small where the job heats. Where it cools
    (T2 < 0) the two add up, and nothing here can know T2: that is told. With other probes, or a fan
    phase that takes the offset out of T2, the two lines are just right. Of the offset the line has
    the whole effect, 1/(1 - d/T1) - 1 at 95 %, not its slope. Source: GUM 5.1.2, 5.2.
    """
    rise_k = supply_c - return_state.temperature_c
    heat_w = power_w - loss_w
    _check(rise_k, rise_u95_k, heat_w, loss_w)
    w = return_state.humidity_ratio
    dry_air_kg_s = heat_w / float(enthalpy_j_kg(supply_c, w) - enthalpy_j_kg(return_state.temperature_c, w))
    lines = (
        BudgetLine("power", power_u95 / 2.0 * power_w / heat_w),
        BudgetLine("loss", 0.5 * loss_w / heat_w / sqrt(3.0), assumed=True),
        BudgetLine("rise", rise_u95_k / (rise_k - rise_u95_k) / 2.0),
        BudgetLine("placement", PLACEMENT_U, assumed=True),
        BudgetLine("humidity", WATER_CP_RATIO * water_u(return_state, assumed), assumed=True),
        BudgetLine("density", density_u(return_state, assumed), assumed=True),
    )
    flow = measured(dry_air_kg_s * return_state.volume_m3_kg, return_state, lines)
    text = "Only heat between the two probes may be in the power, and the air must be steady."
    return flow, (
        FlowCheck(code="rise", ok=True, text=f"The rise is {difference_text(rise_k)}."),
        FlowCheck(code="same-probes", ok=True, text=_SAME_PROBES),
        FlowCheck(code="carry-over", ok=True, text=_HELD_MASS),
        FlowCheck(code="source", ok=True, text=f"{text} {POORER}"),
    )


_SAME_PROBES = (
    "With the same probes in the job a zero offset is in both rises: it cancels in part where the job heats, "
    "and is counted whole; where the job cools it adds up and is counted too small: match the probes before, "
    "or take another way."
)
_HELD_MASS = (
    "A job holds this mass. A constant-speed fan moves 3.4 % more of it with air 10 K (18 °F) colder at its "
    "inlet: take the step with the entering air of the firing."
)


def _check(rise_k: float, rise_u95_k: float, heat_w: float, loss_w: float) -> None:
    if heat_w <= 0.0:
        raise UsageError(
            f"the loss of {power_text(loss_w)} is not below the power of {power_text(heat_w + loss_w)}:"
            " check both"
        )
    if rise_k < LEAST_RISE_K:
        raise UsageError(
            f"the rise is {difference_text(rise_k)}: below {difference_text(LEAST_RISE_K)} it measures no"
            " flow; use more power, or check whether return and supply were swapped"
        )
    if rise_k <= 2.0 * rise_u95_k:
        raise UsageError(
            f"the rise of {difference_text(rise_k)} is known to ± {difference_text(rise_u95_k)} only, and"
            " that measures no flow: use more power, or match the probes"
        )


def mass_u95(flow: MeasuredAirflow) -> float:
    """U95 of the mass of an electric step, a fraction: the density weighs on the volume alone."""
    return combine([line for line in flow.lines if line.source != "density"]).u95_w
