"""A cooling run, stored, and its replay: the airflow measured behind or before the coil, cold or off."""

from __future__ import annotations

from pathlib import Path

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from logger.recompute import compute, source_of_run
from logger.store import StoreReader
from simulators.scenarios import find
from simulators.standard import PRESSURE_PA
from tests.shell.stored_run import stored_run

SCENARIO = find("cooling-wet")
TRUTH = SCENARIO.truth


def of_air(what: str, temp_c: float, w: float) -> float:
    """Source: CoolProp HumidAir."""
    return float(HAPropsSI(what, "T", temp_c + 273.15, "P", PRESSURE_PA, "W", w))


def return_w() -> float:
    """Moisture whose volume at the return is the plant's, by bisection."""
    low, high = 0.0, 0.03
    for _ in range(50):
        w = (low + high) / 2.0
        small = of_air("Vda", TRUTH.return_c, w) < TRUTH.volume_m3_s / TRUTH.dry_air_kg_s
        low, high = (w, high) if small else (low, w)
    return low


def airflow(at: str, cold: bool, told: bool) -> str:  # noqa: FBT001 - of a table
    """[airflow] as a traverse finds it; the coil off: all the air is the return's."""
    w1 = return_w()
    w2 = w1 - TRUTH.condensate_kg_s / TRUTH.dry_air_kg_s
    temp_c, w = (TRUTH.supply_c, w2) if cold and at == "supply" else (TRUTH.return_c, w1)
    lines = (
        'source = "fixed"',
        f'volume = "{TRUTH.dry_air_kg_s * of_air("Vda", temp_c, w):.5f} m3/s"',
        f'at = "{at}"',
        f'temperature = "{temp_c:.2f} °C"',
        f'humidity = "{100.0 * of_air("R", temp_c, w):.1f} %"',
        f'burner = "{"on" if cold else "off"}"',
        f'inlet_temperature = "{TRUTH.return_c:.2f} °C"' if told else "",
        'u95 = "4 %"',
    )
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("at", "cold", "told"),
    [("supply", False, False), ("supply", True, False), ("supply", True, True)],
)
def test_run_and_replay_hold_the_plants_truth(at: str, cold: bool, told: bool, tmp_path: Path) -> None:  # noqa: FBT001
    """The mass within 0.3 %, fixed beforehand: the seed's own room; the output within its U95."""
    text = SCENARIO.config_text
    start, end = text.index('source = "fixed"'), text.index("[probes.ret]")
    text = f"{text[:start]}{airflow(at, cold, told)}\n\n{text[end:]}"
    config, evidence = stored_run(text, path := tmp_path / "job.db")
    document, run = evidence.document, evidence.header.run
    firing = document["firing"]
    assert firing["dry_air_kg_s"] == pytest.approx(TRUTH.dry_air_kg_s, rel=0.003)
    for key in ("output", "sensible", "latent"):
        assert abs(firing[f"{key}_w"] - getattr(TRUTH, f"{key}_w")) < firing[f"{key}_u95_w"]
    with StoreReader(path) as reader:
        again, _ = compute(config, source_of_run(reader, run), run)
    assert again["firing"] == firing
