"""[visit]: what was found and set at the unit before the test; asked once a visit, kept with the run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import Annotated, NamedTuple

from pydantic import BeforeValidator

from logger.config import fields as f
from logger.config.problems import Problem
from logger.config.quantities import Dimension, show
from logger.config.table import Table
from logger.core.params import VisitParams

FILTERS = ("clean", "loaded", "none")
FUEL_J_M3 = {"natural gas": (25e6, 60e6), "propane": (70e6, 120e6)}  # J/m3, wide about 39 and 93 (assumed)
FUELS = tuple(FUEL_J_M3)


def _yes_or_no(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError("must be true or false, without quotes")


def _date(value: object) -> dt.date:
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        return value
    raise ValueError("must be a date without quotes, such as 2026-11-25")


YesNo = Annotated[bool, BeforeValidator(_yes_or_no)]
Date = Annotated[dt.date, BeforeValidator(_date)]
GasPressure = Annotated[float, BeforeValidator(f.Amount(Dimension.PRESSURE, "0 Pa", "50 kPa"))]
DuctPressure = Annotated[float, BeforeValidator(f.Amount(Dimension.PRESSURE, "-2 kPa", "2 kPa"))]


class VisitTable(Table):
    """[visit]: every key may be left out; what is left out was not looked at."""

    date: Date | None = None
    panels_on: YesNo | None = None
    filter: Annotated[str, BeforeValidator(f.Choice(FILTERS))] | None = None
    outdoor_air_shut: YesNo | None = None
    zone_dampers_open: YesNo | None = None
    stage_forced: YesNo | None = None
    fan_at_heating_speed: YesNo | None = None
    other_appliances_off: YesNo | None = None
    fuel: Annotated[str, BeforeValidator(f.Choice(FUELS))] | None = None
    gas_inlet_pressure: GasPressure | None = None
    gas_manifold_pressure: GasPressure | None = None
    external_static: DuctPressure | None = None
    note: f.Text | None = None


class Question(NamedTuple):
    """One key as it is asked; ``no`` is what a "no" means for the result, where it matters.

    ``bars``: no verdict stands then.
    """

    key: str
    text: str
    answers: str
    no: str = ""
    bars: bool = False


YES_NO = "y/n"
QUESTIONS: tuple[Question, ...] = (
    Question(
        "panels_on", "Are all panels of the unit on?", YES_NO, "air may pass by the heat exchanger", bars=True
    ),
    Question("filter", "How is the filter?", "/".join(FILTERS)),
    Question(
        "outdoor_air_shut",
        "Is the outdoor-air damper shut?",
        YES_NO,
        "the entering air is mixed air; tell its share in unit.outdoor_air, or use a probe of role mixed",
        bars=True,
    ),
    Question(
        "zone_dampers_open",
        "Are the zone dampers open?",
        YES_NO,
        "the airflow is not the one of all zones, and may change during the test",
    ),
    Question(
        "stage_forced",
        "Is the highest stage forced, so that the burner fires at full rate (one stage: y)?",
        YES_NO,
        "a lower stage would be compared with the full plate",
        bars=True,
    ),
    Question(
        "fan_at_heating_speed",
        "Did the fan run at its heating speed in the traverse?",
        YES_NO,
        "the airflow is not that of the firing",
        bars=True,
    ),
    Question(
        "other_appliances_off",
        "Are all other appliances on the gas meter off?",
        YES_NO,
        "the meter counts more gas than this unit burns",
    ),
    Question("fuel", "Which fuel?", "/".join(FUELS)),
    Question("gas_inlet_pressure", "Gas pressure at the unit's inlet?", 'such as "7.0 in.wg"'),
    Question("gas_manifold_pressure", "Gas pressure at the manifold?", 'such as "3.5 in.wg"'),
    Question("external_static", "External static pressure of the fan?", 'such as "0.6 in.wg"'),
    Question("note", "Anything else to keep with this visit?", "one line"),
)
"""In the order in which one walks around the unit."""


def visit_notes(visit: VisitTable | None) -> Iterator[str]:
    """What the record says against the result, or that there is none."""
    if visit is None:
        yield "[visit] is left out: nobody has confirmed panels, dampers, stage and fan speed."
    for question in _noes(visit):
        yield f"visit.{question.key} is false: {question.no}."


def visit_params(visit: VisitTable | None, spared: frozenset[str]) -> VisitParams:
    """What the core is told; ``spared``: keys whose "no" the rest of the config makes up for."""
    if visit is None:
        return VisitParams()
    bars = tuple(q.no for q in _noes(visit) if q.bars and q.key not in spared)
    return VisitParams(
        bars=bars,
        full_fire=visit.stage_forced is True,
        meter_shared=visit.other_appliances_off is False,
    )


def visit_problems(
    visit: VisitTable | None, *, said_closed: bool, heating_value_j_m3: float | None
) -> Iterator[Problem]:
    """Where the record speaks against the rest of the config."""
    if visit is None:
        return
    if said_closed and visit.outdoor_air_shut is False:
        yield Problem(
            ("visit", "outdoor_air_shut"),
            'is false and unit.outdoor_air is "closed": shut the damper, or tell its share there',
        )
    inlet_pa, manifold_pa = visit.gas_inlet_pressure, visit.gas_manifold_pressure
    if inlet_pa is not None and manifold_pa is not None and manifold_pa > inlet_pa:
        yield Problem(
            ("visit", "gas_manifold_pressure"),
            "is above gas_inlet_pressure, and the gas flows the other way; were they swapped?",
        )
    if visit.fuel is not None and heating_value_j_m3 is not None:
        low, high = FUEL_J_M3[visit.fuel]
        if not low <= heating_value_j_m3 <= high:
            value, dimension = heating_value_j_m3, Dimension.HEATING_VALUE
            yield Problem(
                ("visit", "fuel"),
                f"is {visit.fuel} and gas.heating_value is {show(value, dimension, 'si')} "
                f"({show(value, dimension, 'us')}): that is another gas; correct one of the two",
            )


def _noes(visit: VisitTable | None) -> Iterator[Question]:
    if visit is not None:
        yield from (q for q in QUESTIONS if q.no and getattr(visit, q.key) is False)
