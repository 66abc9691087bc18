"""Keys of the job's config that an airflow comes to, as the config itself would take them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from pydantic import ValidationError

from logger.config.airflow import WARM_SUPPLY_C
from logger.config.plane import HOTTEST_RETURN_C
from logger.config.quantities import Dimension, Units, show
from logger.config.schema import AirflowTable
from logger.config.toml_text import toml_text
from logger.config.traverse import POOREST_U95
from logger.core.airflow import MeasuredAirflow
from logger.core.electric_step import mass_u95
from logger.core.params import Burner, Plane, VelocityBasis
from logger.core.traverse import Traverse
from logger.core.traverse_factor import ProbeFactor

_OR_SUPPLY = 'or "supply"'


class Key(NamedTuple):
    """A key of [airflow]; ``comment`` stands behind it, and alone where there is no value."""

    key: str
    value: str | float | None
    comment: str = ""

    def line(self) -> str:
        """One line of TOML."""
        if self.value is None:
            return f"# {self.key}: {self.comment}"
        text = toml_text({self.key: self.value}).rstrip("\n")
        return f"{text}  # {self.comment}" if self.comment else text


def block(keys: Sequence[Key], u95: float) -> list[str]:
    """The lines for people to paste, or one sentence why a config would not take them."""
    if u95 > POOREST_U95:
        return [
            "",
            f"Nothing for the job's config: ± {u95:.0%} is more than any output can be judged by.",
            "Mend the largest parts of its uncertainty first.",
        ]
    try:
        AirflowTable.model_validate({key.key: key.value for key in keys if key.value is not None})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        reason = " ".join(first["msg"].split()).removeprefix("Value error, ")
        return ["", f"Nothing for the job's config: {'.'.join(map(str, first['loc']))}: {reason}."]
    return ["", "for the job's config:", "  [airflow]", *(f"  {key.line()}" for key in keys)]


def _plane(warm_c: float, at: Plane | None = None, other: str = _OR_SUPPLY) -> Key:
    """Where the air of a temperature was met: as it was said, else as no return air is so warm."""
    if at is not None:
        return Key("at", at.value)
    return Key("at", "supply") if warm_c >= HOTTEST_RETURN_C else Key("at", "return", other)


def traverse_keys(path: Path, traverse: Traverse) -> list[Key]:
    """A traverse to be carried to the firing."""
    warm_c = traverse.temperature_c
    hot = warm_c >= HOTTEST_RETURN_C
    keys = [Key("source", "fixed"), _file(path), _plane(warm_c, traverse.at)]
    if traverse.burner is not None:
        return keys
    if hot:
        keys.append(Key("burner", Burner.ON.value, '"off" if the unit did not heat during the traverse'))
    elif warm_c >= WARM_SUPPLY_C:
        keys.append(Key("burner", None, 'add "on" or "off", as the unit was during the traverse'))
    return keys


def _file(path: Path, comment: str = "") -> Key:
    return Key("traverse", str(path), comment if path.is_absolute() else "from the config's folder")


def factor_keys(found: ProbeFactor, traverse: Traverse, path: Path) -> list[Key]:
    """A velocity probe that stays."""
    keys = [
        Key("source", "probe"),
        Key("probe", "duct", "the velocity probe's name"),
        Key("area", f"{found.flow.area_m2 or 0.0:.6g} m2"),
        Key("factor", _six(found.factor)),
        Key("basis", found.basis.value),
    ]
    if found.basis is VelocityBasis.STANDARD:
        keys.append(Key("reference_density", f"{traverse.reference_density_kg_m3:.6g} kg/m3"))
    return [
        *keys,
        _plane(traverse.temperature_c, traverse.at),
        Key("u95", _percent(found.config_u95), "beside the velocity probe's own u95"),
        _file(path, "the live airflow is compared with it"),
    ]


def volume_keys(flow: MeasuredAirflow) -> list[Key]:
    """A volume at its state, in the plane where the fan stands."""
    both: tuple[Units, Units] = "si", "us"
    said = "{} ({})".format(*(show(flow.state.pressure_pa, Dimension.PRESSURE, units) for units in both))
    return [
        Key("source", "fixed"),
        Key("volume", f"{flow.volume_m3_s:.6g} m3/s"),
        _plane(flow.state.temperature_c, other='"return", or "supply" with a draw-through fan'),
        Key("temperature", f"{flow.state.temperature_c:.2f} °C"),
        Key("humidity", f"{100.0 * flow.state.humidity:.1f} %"),
        Key("u95", _percent(flow.u95)),
        Key("[job]", None, f"needs this air's pressure, {said}, or the altitude"),
    ]


def mass_keys(flow: MeasuredAirflow) -> list[Key]:
    """A mass of dry air."""
    return [
        Key("source", "mass"),
        Key("mass", f"{flow.dry_air_kg_s:.6g} kg/s", "dry air"),
        Key("u95", _percent(mass_u95(flow))),
    ]


def _six(value: float) -> float:
    return float(f"{value:.6g}")


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:.1f} %"
