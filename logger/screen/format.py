"""Numbers as people read them: text with units, a dash for what cannot be had.

Rounding depends on the size of a value alone, so that digits do not come and go between frames.
"""

from __future__ import annotations

import math
import unicodedata

from logger.config.quantities import SHOWN, Dimension, Shown, from_si, to_si
from logger.core.kind_words import CHANGE, kind_of

DASH = "—"
TEXT_LIMIT = 500  # characters of a text from outside; assumed: longer than what we say of one event
MARKS_LIMIT = 2  # combining marks kept on one letter; assumed
SECONDS_PER_MINUTE = 60
SECONDS_PER_HOUR = 3600
J_PER_MJ = 1e6
TON_W = to_si(1.0, "ton", Dimension.POWER)  # W: a ton of refrigeration
GROUPED_LIMIT = 1e9  # from here on exponents: no quantity of the job is so large


# What our own texts use beyond ASCII, in plain spelling.
PLAIN_SPELLING: tuple[tuple[str, str], ...] = (
    ("°F", "F"),
    ("°C", "C"),
    ("°", " deg"),
    ("±", "+/-"),
    ("—", "-"),
    ("…", "..."),
    ("²", "2"),
    ("³", "3"),
    ("×", "x"),
    ("≤", "<="),
)


def scale_of(dimension: Dimension, units: str) -> Shown:
    """How a dimension is shown; anything but ``us`` reads as SI."""
    return SHOWN[dimension][units != "us"]


def _rounded(value: float, decimals: int) -> str:
    if not math.isfinite(value):  # ran over in conversion
        return DASH
    if abs(value) >= GROUPED_LIMIT:
        return f"{value:.3g}"
    kept = round(value, decimals) + 0.0  # + 0.0 turns -0.0 into 0.0
    return f"{kept:,.{max(decimals, 0)}f}"


def number(value: float | None, dimension: Dimension, units: str, *, like: float | None = None) -> str:
    """Text of an SI value without its unit; as many decimals as ``like`` (SI) would have.

    >>> number(31_790.0, Dimension.POWER, "us"), number(31_790.0, Dimension.POWER, "si")
    ('108,500', '31.8')
    >>> number(1_510.0, Dimension.POWER, "us", like=31_790.0)
    '5,200'
    """
    if value is None or not math.isfinite(value):
        return DASH
    scale = scale_of(dimension, units)
    shown = from_si(value, scale.unit, dimension)
    judge = abs(shown)
    if like is not None and math.isfinite(like):
        judge = abs(from_si(like, scale.unit, dimension))
    return _rounded(shown, scale.places(judge))


def show(value: float | None, dimension: Dimension, units: str, *, like: float | None = None) -> str:
    """Text of an SI value with its unit.

    >>> show(20.0, Dimension.TEMPERATURE, "us"), show(None, Dimension.DIFFERENCE, "si")
    ('68.0 °F', '—')
    """
    text = number(value, dimension, units, like=like)
    return text if text == DASH else f"{text} {scale_of(dimension, units).unit}"


def change_text(rise_k: float | None, kind: object, units: str) -> str:
    """Text of a rise; of the drop that it is where a unit cools, without its sign.

    >>> change_text(-11.0, "cooling", "si"), change_text(27.1, "gas", "si")
    ('11.0 K', '27.1 K')
    """
    drop = CHANGE[kind_of(kind)] == "drop"
    return show(-rise_k if drop and rise_k is not None else rise_k, Dimension.DIFFERENCE, units)


def tons_text(value_w: float | None, kind: object, units: str, u95_w: float | None = None) -> str:
    """Text of a cooling unit's heat in tons of refrigeration, where US units are shown; else nothing.

    >>> tons_text(19_342.7, "cooling", "us"), tons_text(19_342.7, "cooling", "us", 950.0)
    ('5.50 tons', '5.50 ± 0.27 tons')
    >>> tons_text(19_342.7, "cooling", "si"), tons_text(19_342.7, "gas", "us")
    ('', '')
    """
    if kind_of(kind) != "cooling" or units != "us" or value_w is None or not math.isfinite(value_w):
        return ""
    tons = f"{value_w / TON_W:,.2f}"
    known = "" if u95_w is None or not math.isfinite(u95_w) else f" ± {u95_w / TON_W:,.2f}"
    return f"{tons}{known} tons"


def condensate_text(value_kg_s: float | None, units: str, u95_kg_s: float | None = None) -> str:
    """Text of the water that a coil takes from the air, an hour.

    >>> condensate_text(0.002, "us"), condensate_text(0.002, "si", 0.0004), condensate_text(-1e-5, "si")
    ('16 lb/h', '7.2 ± 1.4 kg/h', '0.0 kg/h')
    """
    if value_kg_s is None or not math.isfinite(value_kg_s):
        return DASH
    least_kg_s = max(value_kg_s, 0.0)  # noise about a dry coil
    if units == "us":
        unit = scale_of(Dimension.MASS_FLOW, units).unit
        cells = [number(x, Dimension.MASS_FLOW, units) for x in (least_kg_s, u95_kg_s) if x is not None]
    else:
        unit = "kg/h"
        cells = [f"{x * SECONDS_PER_HOUR:.1f}" for x in (least_kg_s, u95_kg_s) if x is not None]
    return f"{' ± '.join(cells)} {unit}"


def ratio_text(ratio: float, u95: float | None) -> str:
    """Text of a ratio of two heats.

    >>> ratio_text(0.762, 0.0591), ratio_text(0.762, None)
    ('0.76 ± 0.06', '0.76')
    """
    return f"{ratio:.2f}" if u95 is None else f"{ratio:.2f} ± {u95:.2f}"


def energy(value_j: float | None, units: str) -> str:
    """Text of an energy in J: Btu or MJ.

    >>> energy(5.7e7, "us"), energy(5.7e7, "si")
    ('54,000 Btu', '57.0 MJ')
    """
    if value_j is None or not math.isfinite(value_j):
        return DASH
    if units == "us":
        return f"{number(value_j / SECONDS_PER_HOUR, Dimension.POWER, units)} Btu"
    return f"{_rounded(value_j / J_PER_MJ, 1)} MJ"


def percent(fraction: float | None, decimals: int = 1) -> str:
    """A fraction in per cent.

    >>> percent(0.995)
    '99.5 %'
    """
    if fraction is None or not math.isfinite(fraction):
        return DASH
    return f"{_rounded(fraction * 100, decimals)} %"


def seconds(value: float | None) -> str:
    """A short time as whole seconds, beyond two minutes as a clock.

    >>> seconds(35.2), seconds(125.0), seconds(None)
    ('35 s', '02:05', '—')
    """
    if value is None or not math.isfinite(value):
        return DASH
    return f"{_rounded(value, 0)} s" if abs(value) <= 2 * SECONDS_PER_MINUTE else clock(value)


def clock(value: float | None) -> str:
    """Elapsed time; parts of a second are cut off as a clock does.

    >>> clock(754.9), clock(3_725.0)
    ('12:34', '1:02:05')
    """
    if value is None or not math.isfinite(value):
        return DASH
    whole = max(0, int(value))
    if whole < SECONDS_PER_HOUR:
        return f"{whole // SECONDS_PER_MINUTE:02d}:{whole % SECONDS_PER_MINUTE:02d}"
    hours, rest = divmod(whole, SECONDS_PER_HOUR)
    return f"{hours}:{rest // SECONDS_PER_MINUTE:02d}:{rest % SECONDS_PER_MINUTE:02d}"


def rise_words(fits: object, sure: object) -> str:
    """Where a steady rise lies against the plate's window; only what is sure calls for action.

    >>> rise_words(False, False)
    "at the edge of the plate's window, not surely outside"
    """
    if not isinstance(fits, bool):
        return ""
    if sure is False:
        return f"at the edge of the plate's window, not surely {'inside' if fits else 'outside'}"
    return (
        "inside the plate's window" if fits else "OUTSIDE the plate's window: follow the maker's instructions"
    )


def since_on(wait_s: float | None, starter: str) -> str:
    """How long after its start a unit was steady; None: the start was not seen.

    >>> since_on(340.0, "burner"), since_on(None, "burner")
    ('05:40 after the burner came on', 'on before it was seen')
    """
    return "on before it was seen" if wait_s is None else f"{clock(wait_s)} after the {starter} came on"


def clean(text: str, limit: int = TEXT_LIMIT) -> str:
    r"""Text from outside made fit for one line of a terminal: no controls, no invisible characters,
    white space as single spaces, combining marks not piled up, length capped.

    >>> clean("a\x1b[31mb\n\tc")
    'a[31mb c'
    """
    kept: list[str] = []
    marks = 0
    for char in " ".join(text[: 4 * limit].split()):  # line ends and tabs become spaces
        category = unicodedata.category(char)
        marks = marks + 1 if category.startswith("M") else 0
        if category.startswith("C") or category in {"Zl", "Zp"} or marks > MARKS_LIMIT:
            continue
        kept.append(char)
    whole = " ".join("".join(kept).split())
    return whole if len(whole) <= limit else whole[: limit - 1].rstrip() + "…"


def plain_spelling(text: str) -> str:
    """The text in ASCII, for terminals and files that have nothing else.

    >>> plain_spelling("31.8 ± 1.5 kW at 20 °C")
    '31.8 +/- 1.5 kW at 20 C'
    """
    for char, spelling in PLAIN_SPELLING:
        text = text.replace(char, spelling)
    return text.encode("ascii", "replace").decode("ascii")
