"""How old a probe's match is, the traverse, and timed turns of the gas meter.

The day comes in: the core has no clock.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import floor

from logger.core.params import JobParams, Role
from logger.core.texts import counted

US_PER_DAY = 86_400_000_000
TRAVERSE_MAX_AGE_DAYS = 30  # d: filters load and belts wear within weeks (assumed)
TIMED_MAX_AGE_DAYS = 1  # d: gas pressure and heating value change by the day (assumed); 1 for a date line
EPOCH_DAY = 719_163  # ordinal of 1970-01-01, counted from 0001-01-01 = 1 (ISO 8601 calendar)


def day_of(utc_us: int) -> int | None:
    """Ordinal of the day of a moment in microseconds since 1970; None where there is no date (0).

    >>> day_of(1_795_000_000_000_000) - EPOCH_DAY
    20775
    """
    return EPOCH_DAY + floor(utc_us / US_PER_DAY) if utc_us > 0 else None


def stale_matches(job: JobParams, day: int | None) -> Iterator[tuple[str, str]]:
    """Each probe whose match is too old on that day, with a sentence that says what to do."""
    for probe in job.probes:
        if day is None or probe.matched_day is None:
            continue
        age = day - probe.matched_day
        if age < -TIMED_MAX_AGE_DAYS:
            yield (
                probe.name,
                f"Probe {probe.name} was matched {counted(-age, 'day')} after this run: look at the date in "
                "the config, and at the computer's clock.",
            )
        elif age > job.match_max_age_days:
            yield (
                probe.name,
                f"Probe {probe.name} was matched {age} days ago: match the probes again "
                "(riselog match); its offset may have moved since.",
            )


def stale_traverse(job: JobParams, day: int | None) -> str | None:
    """What to do about a traverse that is too old on that day; None where it is not."""
    measured_day = (job.airflow.reference or job.airflow).measured_day
    if day is None or measured_day is None or day - measured_day <= TRAVERSE_MAX_AGE_DAYS:
        return None
    return (
        f"The traverse was taken {day - measured_day} days before this run: fan speed, belt, filter and "
        "dampers may have changed since; take one traverse point again, and the traverse if it is off."
    )


def stale_timing(job: JobParams, day: int | None) -> str | None:
    """What to do about turns of the gas meter that were timed on another day; None where they were not."""
    timed = job.gas.timed if job.gas is not None and not job.probes_of(Role.GAS) else None
    if day is None or timed is None or timed.day is None or abs(day - timed.day) <= TIMED_MAX_AGE_DAYS:
        return None
    apart = f"{counted(abs(day - timed.day), 'day')} {'before' if day > timed.day else 'after'} this run"
    return (
        f"The gas meter's dial was timed {apart}: the input may have been another by then, and the "
        "efficiency and what is said of the plate's input rest on it; time the dial while this unit fires."
    )
