"""From the truth to what a probe says: lag, noise, gain, offset, drift, steps, timing, silence, frost.

Every probe draws from streams of its own, keyed by seed, probe and purpose: another probe, or
another noise, changes nothing else.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from logger.core.readings import NS_PER_S, NS_PER_US, QUANTITIES, Quantity

Array = npt.NDArray[np.float64]
Spans = tuple[tuple[float, float], ...]
Column = tuple[Quantity, Array, npt.NDArray[np.bool_]]
"""A quantity, its value in each sample, and which samples are heard."""

_DECADES = 200.0  # of 308 that a float has (IEEE 754); assumed
PER_PPM = 1e-6  # of a clock; exact
HOUSEKEEPING_S = 60.0  # s between battery and signal strength; assumed
SIGNAL_DBM = -62.0  # dBm, a few metres of air and sheet metal; assumed
SIGNAL_SCATTER_DB = 3.0  # dB; assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """How one quantity is rendered, in the unit of ``QUANTITIES``.

    said = to the next step of ``resolution`` of (lagged truth + offset
    + gain x (lagged truth - gain_reference) + white noise + first-order noise).
    ``drift_noise`` is the standard deviation of the first-order noise, ``drift_phi`` its
    correlation from one sample to the next. ``drift_per_h`` makes the offset grow from the start on.
    ``offset_spread`` is the standard deviation of a further
    offset, drawn once for each probe by seed and name (``drawn_offset``).
    """

    lag_s: float = 0.0
    noise: float = 0.0
    drift_noise: float = 0.0
    drift_phi: float = 0.0
    offset: float = 0.0
    offset_spread: float = 0.0
    drift_per_h: float = 0.0
    gain: float = 0.0
    gain_reference: float = 0.0
    resolution: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe:
    """One simulated probe. ``silent`` and ``frozen`` are spans (from, to) in s of the scenario.

    With ``jitter_s`` the probe also starts at a moment of its own within the first interval.
    ``battery_pct`` is the level at the start; ``None`` for a probe that tells neither battery
    nor signal strength. Its own clock runs fast by ``clock_ppm`` and stands ahead by ``clock_offset_s``;
    it samples by that clock. A packet arrives ``late_s`` after its sample and up to ``late_spread_s``
    later still, drawn for each, so that packets may overtake each other.
    """

    responses: tuple[tuple[Quantity, Response], ...]
    interval_s: float = 1.0
    jitter_s: float = 0.0
    drop_probability: float = 0.0
    silent: Spans = ()
    frozen: Spans = ()
    battery_pct: float | None = None
    battery_pct_per_h: float = 0.2  # assumed
    clock_ppm: float = 0.0
    clock_offset_s: float = 0.0
    late_s: float = 0.0
    late_spread_s: float = 0.0

    def perfect(self) -> Probe:
        """The same quantities without any fault, on whole intervals."""
        clean = tuple((quantity, Response()) for quantity, _ in self.responses)
        return Probe(responses=clean, interval_s=self.interval_s)

    def with_response(self, quantity: Quantity, **changes: float) -> Probe:
        """The probe with some fields of one quantity's response changed."""
        responses = tuple(
            (q, replace(response, **changes) if q is quantity else response) for q, response in self.responses
        )
        return replace(self, responses=responses)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spoken:
    """What one probe says over a scenario: value ``i`` of ``quantity[i]`` arrives at ``t_ns[i]``, in
    order of arrival; whole microseconds from the scenario's start. ``own_ns`` is when the sample was
    taken, as the probe's own clock has it."""

    t_ns: tuple[int, ...]
    quantity: tuple[Quantity, ...]
    value: tuple[float, ...]
    own_ns: tuple[int, ...]


def lagged(t_s: Array, truth: Array, lag_s: float) -> Array:
    """First-order response to the truth, taken as straight between grid points; exact for that.

    At rest with the truth at the start. ``t_s`` is an even grid.
    """
    if lag_s <= 0.0:
        return truth
    step_s = float(t_s[1] - t_s[0])
    decay = math.exp(-step_s / lag_s)
    ramp = lag_s * (1.0 - decay) / step_s  # particular solution of tau y' + y = a + b t
    return np.asarray(truth + fading(np.concatenate(([0.0], -ramp * np.diff(truth))), decay))


def fading(drive: Array, share: float) -> Array:
    """y[i] = ``share`` x y[i - 1] + ``drive``[i], from nothing; ``share`` in 0..1.

    In pieces within which the sum of drive / share^i can be had at once; each piece then hears of the one
    before it. No piece is so long that share^i leaves what a float can hold.
    """
    if share <= 0.0:
        return drive
    most = 64 if share >= 1.0 else max(1, min(64, int(_DECADES / -math.log10(share))))
    pieces = -(-len(drive) // most)
    weight = share ** np.arange(most)
    padded = np.zeros(pieces * most)
    padded[: len(drive)] = drive
    own = np.cumsum(padded.reshape(pieces, most) / weight, axis=1) * weight
    before, whole = 0.0, share**most
    heard = [before, *[before := whole * before + last for last in own[:-1, -1].tolist()]]
    y = own + np.outer(heard, share * weight)
    return np.asarray(y.ravel()[: len(drive)])


def quantised(value: Array, resolution: float) -> Array:
    """To the nearest whole number of steps; unchanged for resolution 0.

    Steps that go evenly into 1 come out as the nearest float to the decimal, as a decoder has them.
    """
    if resolution <= 0.0:
        return value
    per_unit = round(1.0 / resolution)
    if per_unit * resolution == 1.0:
        return np.rint(value * per_unit) / per_unit
    return np.rint(value / resolution) * resolution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """As ``Spoken``, in arrays; ``which`` is the place of a value's quantity in ``quantities``."""

    quantities: tuple[Quantity, ...]
    t_ns: npt.NDArray[np.int64]
    which: npt.NDArray[np.int64]
    value: Array
    own_ns: npt.NDArray[np.int64]


def speak(probe: Probe, name: str, seed: int, t_s: Array, truth: Mapping[Quantity, Array]) -> Spoken:
    """Everything the probe called ``name`` says of ``truth``, which stands on the grid ``t_s``."""
    said = said_in_order(probe, name, seed, t_s, truth)
    return Spoken(
        t_ns=tuple(said.t_ns.tolist()),
        quantity=tuple([said.quantities[n] for n in said.which.tolist()]),
        value=tuple(said.value.tolist()),
        own_ns=tuple(said.own_ns.tolist()),
    )


def said_in_order(probe: Probe, name: str, seed: int, t_s: Array, truth: Mapping[Quantity, Array]) -> Columns:
    """The same as ``speak``, for whoever takes it in arrays."""
    at_s = _moments(probe, name, seed, float(t_s[-1]))
    heard = _heard(probe, name, seed, at_s)
    frozen_from = _frozen_from(probe, at_s)
    columns: list[Column] = []
    for quantity, response in probe.responses:
        own = replace(response, offset=drawn_offset(response, name, seed, quantity))
        value = _rendered(own, _rng(seed, name, quantity), at_s, t_s, truth[quantity])
        low, high = QUANTITIES[quantity].low, QUANTITIES[quantity].high
        columns.append((quantity, np.clip(value, low, high)[frozen_from], heard))
    columns.extend(_housekeeping(probe, name, seed, at_s, heard))
    return _in_order(columns, _arrivals(probe, name, seed, at_s), _own_clock(probe, at_s), float(t_s[-1]))


def _in_order(columns: list[Column], arrives_s: Array, own_s: Array, end_s: float) -> Columns:
    """In order of arrival; of one moment in the order of ``columns``. What comes after the end is unheard."""
    told = [heard & (arrives_s <= end_s) for _, _, heard in columns]
    t_us = np.concatenate([_whole_us(arrives_s[kept]) for kept in told])
    own_us = np.concatenate([_whole_us(own_s[kept]) for kept in told])
    value = np.concatenate([column[1][kept] for column, kept in zip(columns, told, strict=True)])
    which = np.repeat(np.arange(len(columns)), [np.count_nonzero(kept) for kept in told])
    order = np.argsort(t_us, kind="stable")
    return Columns(
        quantities=tuple(quantity for quantity, _, _ in columns),
        t_ns=t_us[order] * NS_PER_US,
        which=which[order],
        value=value[order],
        own_ns=own_us[order] * NS_PER_US,
    )


def _arrivals(probe: Probe, name: str, seed: int, at_s: Array) -> Array:
    if not (probe.late_s or probe.late_spread_s):
        return at_s
    return at_s + probe.late_s + probe.late_spread_s * _rng(seed, name, "late").random(at_s.shape)


def _own_clock(probe: Probe, at_s: Array) -> Array:
    return at_s * (1.0 + PER_PPM * probe.clock_ppm) + probe.clock_offset_s


def drawn_offset(response: Response, name: str, seed: int, quantity: Quantity) -> float:
    """The probe's own offset, drawn part included: what a match has to find."""
    if not response.offset_spread:
        return response.offset
    drawn = float(_rng(seed, name, f"offset of {quantity}").standard_normal())
    return response.offset + response.offset_spread * drawn


def _rng(seed: int, name: str, purpose: str) -> np.random.Generator:
    key = (zlib.crc32(name.encode()), zlib.crc32(purpose.encode()))
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


def _moments(probe: Probe, name: str, seed: int, end_s: float) -> Array:
    """When the probe takes its samples: even, each moved by up to the jitter, never out of order."""
    rng = _rng(seed, name, "timing")
    jitter_s = min(probe.jitter_s, 0.4 * probe.interval_s)
    interval_s = probe.interval_s / (1.0 + PER_PPM * probe.clock_ppm)
    count = math.floor(end_s / interval_s) + 1
    at_s = interval_s * np.arange(count, dtype=np.float64)
    if jitter_s > 0.0:
        at_s = at_s + rng.uniform(0.0, interval_s) + rng.uniform(-jitter_s, jitter_s, count)
    return at_s[(at_s >= 0.0) & (at_s <= end_s)]


def _whole_us(at_s: Array) -> npt.NDArray[np.int64]:
    return np.rint(at_s * (NS_PER_S / NS_PER_US)).astype(np.int64)


def _within(at_s: Array, spans: Spans) -> npt.NDArray[np.bool_]:
    inside = np.zeros(at_s.shape, dtype=bool)
    for start_s, end_s in spans:
        inside |= (at_s >= start_s) & (at_s < end_s)
    return inside


def _heard(probe: Probe, name: str, seed: int, at_s: Array) -> npt.NDArray[np.bool_]:
    """Which samples arrive; a lost one changes no other."""
    lost = _rng(seed, name, "drop-out").random(at_s.shape) < probe.drop_probability
    return ~(lost | _within(at_s, probe.silent))


def _frozen_from(probe: Probe, at_s: Array) -> npt.NDArray[np.int64]:
    """For each sample, the sample whose value is told: itself, or the last before the frost."""
    own = np.arange(len(at_s))
    last_free = np.maximum.accumulate(np.where(_within(at_s, probe.frozen), 0, own))
    return np.asarray(last_free, dtype=np.int64)


def _rendered(response: Response, rng: np.random.Generator, at_s: Array, t_s: Array, truth: Array) -> Array:
    seen = np.interp(at_s, t_s, lagged(t_s, truth, response.lag_s))
    white = rng.standard_normal(at_s.shape)
    shocks = rng.standard_normal(at_s.shape)
    value = seen + response.offset + response.gain * (seen - response.gain_reference)
    value = value + response.noise * white
    if response.drift_noise > 0.0:
        value = value + response.drift_noise * _first_order(shocks, response.drift_phi)
    if response.drift_per_h:
        value = value + response.drift_per_h * (at_s / 3600.0)
    return quantised(value, response.resolution)


def _first_order(shocks: Array, phi: float) -> Array:
    """AR(1) series of unit variance from unit white noise, in its stationary state from the start."""
    drive = math.sqrt(1.0 - phi * phi) * shocks
    drive[0] = shocks[0]
    return fading(drive, phi)


def _housekeeping(
    probe: Probe, name: str, seed: int, at_s: Array, heard: npt.NDArray[np.bool_]
) -> list[Column]:
    """Battery and signal strength in whole numbers, with every so-many-th sample."""
    if probe.battery_pct is None:
        return []
    every = max(1, round(HOUSEKEEPING_S / probe.interval_s))
    told = heard & (np.arange(len(at_s)) % every == 0)
    battery = np.clip(np.rint(probe.battery_pct - probe.battery_pct_per_h * at_s / 3600.0), 0.0, 100.0)
    scatter = _rng(seed, name, "signal").standard_normal(at_s.shape)
    signal = np.rint(SIGNAL_DBM + SIGNAL_SCATTER_DB * scatter)
    return [(Quantity.BATTERY, battery, told), (Quantity.SIGNAL, signal, told)]
