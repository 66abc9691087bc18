"""The words of a scenario's job config (TOML)."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.unit import FanPlace, Kind


def air_table(name: str, role: str, signal: str = "", note: str = "") -> str:
    """Table of a probe in an air stream; ``signal`` where it looks at another than its role's."""
    u95 = 'u95 = "0.3 K"' if not note else f'u95 = "0.3 K"                  # {note}'
    looks = f'signal = "{signal}"\n' if signal else ""
    return f'[probes.{name}]\nrole = "{role}"\ndriver = "sim"\n{looks}{u95}\nplacement_u95 = "2 %"\n'


RETURN_TABLE = air_table("ret", "return", note="as matched against the supply probe")
SUPPLY_TABLE = air_table("sup", "supply")
OUTDOOR_TABLE = air_table("out", "outdoor")
DUCT_TABLE = """\
[probes.duct]
role = "velocity"              # shows whether the fan runs
driver = "sim"
"""
PRESSURE_TABLE = """\
[probes.baro]
role = "pressure"
driver = "sim"
"""
GAS_PLATE = (
    'input = "135000 Btu/h"         # from the plate',
    'output = "109000 Btu/h"        # from the plate',
    'rise = ["35 °F", "65 °F"]',
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfigWords:
    """What a scenario's config says. ``volume`` is the plant's flow, for a fan of fixed volume;
    ``airflow_keys`` take the place of it and of the state it was found at, of which ``state_keys`` are
    further lines; ``unit_keys`` are such of ``[unit]``."""

    volume: str
    altitude: str = "700 ft"
    state: tuple[str, str] = ("70 °F", "40 %")
    state_keys: tuple[str, ...] = ()
    airflow_keys: tuple[str, ...] = ()
    plate: tuple[str, ...] = GAS_PLATE
    fan_drive: str = "constant-speed"
    outdoor_air: str = "closed"
    unit_keys: tuple[str, ...] = ()
    probes: tuple[str, ...] = (RETURN_TABLE, SUPPLY_TABLE, DUCT_TABLE, PRESSURE_TABLE)

    def text(self, name: str, line: str, kind: Kind, fan: FanPlace) -> str:
        """The whole config of the scenario ``name``."""
        last = () if kind is Kind.COOLING else ('max_supply = "160 °F"',)
        return _CONFIG.format(
            name=name,
            line=line,
            kind=kind.value,
            fan=fan.value,
            altitude=f'"{self.altitude}"',
            plate=_lines(self.plate),
            fan_drive=self.fan_drive,
            outdoor_air=self.outdoor_air,
            unit_keys=_lines((*last, *self.unit_keys)),
            airflow=_lines(self.airflow_keys or self._fixed()),
            probes="\n".join(self.probes),
        )

    def _fixed(self) -> tuple[str, ...]:
        return (
            'source = "fixed"               # the unit\'s own flow, as a careful traverse would find it',
            f'volume = "{self.volume}"',
            'at = "return"',
            f'temperature = "{self.state[0]}"',
            f'humidity = "{self.state[1]}"',
            *self.state_keys,
        )


def _lines(keys: tuple[str, ...]) -> str:
    return "".join(key + "\n" for key in keys)


_CONFIG = """\
# {name}: {line}
# Simulated throughout: unit, site and probes are invented.

[job]
name = "sim-{name}"
units = "us"
altitude = {altitude:<20}# the barometer below beats it

[unit]
kind = "{kind}"
{plate}tolerance = "5 %"
fan = "{fan}"
fan_heat = "measured"          # from the fan phase before the firing
fan_drive = "{fan_drive}"
outdoor_air = "{outdoor_air}"
{unit_keys}
[airflow]
{airflow}u95 = "4 %"

{probes}
[sim]
scenario = "{name}"
speed = "max"                  # or a number: how many times faster than the wall clock
seed = 1
"""
