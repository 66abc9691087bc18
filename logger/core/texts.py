"""How events speak: in both unit systems, for an event does not know its reader's."""

from __future__ import annotations

from typing import Protocol


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


def clock_text(t_s: float) -> str:
    """Run time as h:mm:ss.

    >>> clock_text(3723)
    '1:02:03'
    """
    minutes, seconds = divmod(int(t_s), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{seconds:02d}"
