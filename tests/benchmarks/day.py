"""A day of five streams at 1 Hz as CSV: an invented unit that fires 24 times."""

from __future__ import annotations

from pathlib import Path

import numpy as np

DAY_S = 86_400
CYCLE_S = 3_600  # one firing an hour: fan from 600 s, burner 1,000 to 2,400 s, fan off at 3,000 s
CONFIG = """
[job]
name = "bench-day"
units = "si"
pressure = "98.6 kPa"

[unit]
kind = "gas"
input = "39.6 kW"
output = "31.9 kW"
rise = ["19 K", "36 K"]

[airflow]
source = "fixed"
volume = "1.0 m3/s"
at = "return"
temperature = "21 °C"
humidity = "40 %"
u95 = "4 %"

[probes.ret]
role = "return"
driver = "ess"
address = "00:00:00:00:00:02"
u95 = "0.3 K"

[probes.sup]
role = "supply"
driver = "ess"
address = "00:00:00:00:00:03"
u95 = "0.3 K"

[probes.duct]
role = "velocity"
driver = "ess"
address = "00:00:00:00:00:04"

[probes.baro]
role = "pressure"
driver = "ess"
address = "00:00:00:00:00:05"
"""


def write_day(path: Path, seconds: int = DAY_S) -> int:
    """Write the readings; the number of rows."""
    rng = np.random.default_rng(1)
    t = np.arange(seconds)
    into = t % CYCLE_S
    fan = (into >= 600) & (into < 3_000)
    heat = np.zeros(seconds)
    level = 0.0
    for s, burning in enumerate(((into >= 1_000) & (into < 2_400)).tolist()):
        level += ((27.0 if burning else 0.0) - level) / 120.0
        heat[s] = level
    returns = 20.0 + 1.5 * np.sin(2 * np.pi * t / 20_000) + rng.normal(0, 0.05, seconds)
    supply = returns + np.where(fan, 0.4, 0.0) + heat + rng.normal(0, 0.1, seconds)
    columns = (
        ("ret", "temperature", "degC", np.round(returns, 2)),
        ("ret", "humidity", "%", np.round(40 + rng.normal(0, 0.2, seconds), 2)),
        ("sup", "temperature", "degC", np.round(supply, 2)),
        ("duct", "velocity", "m/s", np.round(np.where(fan, 5.0, 0.0) + rng.normal(0, 0.05, seconds), 2)),
        ("baro", "pressure", "Pa", np.round(98_600 + rng.normal(0, 3, seconds), 1)),
    )
    with path.open("w", encoding="utf-8") as file:
        file.write("time,probe,quantity,value,unit,flag\n")
        days = np.datetime64("2026-01-12T06:00:00.000000") + (t * 1_000_000).astype("timedelta64[us]")
        texts = [(days + np.timedelta64(150_000 * n + 12_345, "us")).astype(str) for n in range(len(columns))]
        for s in range(seconds):
            for (probe, quantity, unit, values), stamp in zip(columns, texts, strict=True):
                file.write(f"{stamp[s]}Z,{probe},{quantity},{values[s]},{unit},ok\n")
    return seconds * len(columns)
