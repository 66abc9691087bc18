"""How events speak: in both unit systems, for an event does not know its reader's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

_MINUTES_FROM_S = 300.0  # s
_HOURS_FROM_S = 10_800.0  # s
_DAYS_FROM_S = 172_800.0  # s
_WHOLE_DAYS_FROM = 10.0  # days
LIST_LIMIT = 200  # characters of a list of points (assumed)
SURE = 0.99  # beyond it a probability is only said to be beyond it


class Say(Protocol):
    """Notes an event of the core at a tick."""

    def __call__(self, t_s: int, code: str, text: str, probe: str | None = None) -> None:
        """``text`` ends with what to do next, where there is something to do."""


def power_text(power_w: float) -> str:
    """Power. 1 Btu = 1055.056 J (NIST SP 811).

    >>> power_text(450.0)
    '450 W (1,535 Btu/h)'
    """
    return f"{power_w:,.0f} W ({power_w * 3600.0 / 1055.056:,.0f} Btu/h)"


def difference_text(difference_k: float) -> str:
    """Temperature difference.

    >>> difference_text(36.1)
    '36.1 K (65.0 °F)'
    """
    return f"{difference_k:.1f} K ({difference_k * 1.8:.1f} °F)"


def temperature_text(temp_c: float) -> str:
    """Temperature.

    >>> temperature_text(71.0)
    '71.0 °C (159.8 °F)'
    """
    return f"{temp_c:.1f} °C ({temp_c * 1.8 + 32.0:.1f} °F)"


def velocity_text(velocity_m_s: float) -> str:
    """Velocity. 1 ft = 0.3048 m exactly.

    >>> velocity_text(0.5)
    '0.50 m/s (98 fpm)'
    """
    return f"{velocity_m_s:.2f} m/s ({velocity_m_s * 60.0 / 0.3048:.0f} fpm)"


def duct_pressure_text(pressure_pa: float) -> str:
    """Pressure of a fan or in a duct. 1 in of water = 249.08891 Pa (NIST SP 811, conventional).

    >>> duct_pressure_text(224.18)
    '224 Pa (0.900 in.wg)'
    """
    return f"{pressure_pa:.0f} Pa ({pressure_pa / 249.08891:.3f} in.wg)"


def density_text(density_kg_m3: float) -> str:
    """Density. 1 lb/ft3 = 16.018463 kg/m3 (NIST SP 811).

    >>> density_text(1.2014)
    '1.2014 kg/m3 (0.0750 lb/ft3)'
    """
    return f"{density_kg_m3:.4f} kg/m3 ({density_kg_m3 / 16.018463:.4f} lb/ft3)"


def counted(count: int, noun: str) -> str:
    """So many of a thing whose plural ends in s.

    >>> counted(1, "point"), counted(3, "point")
    ('1 point', '3 points')
    """
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def duration_text(seconds: float) -> str:
    """How long something took.

    >>> [duration_text(s) for s in (95, 733, 10_800, 45_000, 1_209_600, 217_820_777)]
    ['95 s', '12 min', '180 min', '12.5 h', '14 days', '2521 days']
    """
    if seconds < _MINUTES_FROM_S:
        return f"{seconds:.0f} s"
    if seconds <= _HOURS_FROM_S:
        return f"{seconds / 60.0:.0f} min"
    if seconds < _DAYS_FROM_S:
        return f"{round(seconds / 3600.0, 1):g} h"
    days = seconds / 86_400.0
    return f"{round(days, 1):g} days" if days < _WHOLE_DAYS_FROM else f"{days:.0f} days"


def clock_text(t_s: float) -> str:
    """Run time as h:mm:ss.

    >>> clock_text(3723)
    '1:02:03'
    """
    minutes, seconds = divmod(int(t_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}"


def probability_text(p: float) -> str:
    """Probability in words that never claim certainty.

    >>> probability_text(0.9962), probability_text(0.957)
    ('more than 99 %', '96 %')
    """
    return "more than 99 %" if p > SURE else f"{100.0 * p:.0f} %"


def points_text(numbers: Sequence[int]) -> str:
    """Points by their rising numbers, or how many there are where the list would be long.

    >>> points_text([3]), points_text([1, 2, 3, 7, 9]), points_text(range(1, 200, 2))
    ('point 3', 'points 1 to 3, 7, 9', '100 points')
    """
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    parts = [f"{run[0]}" if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    listed = f"point{'' if len(numbers) == 1 else 's'} {', '.join(parts)}"
    return listed if len(listed) <= LIST_LIMIT else counted(len(numbers), "point")
