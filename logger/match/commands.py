"""Body of ``riselog match``: watch, answer, and write into the config what was agreed to."""

from __future__ import annotations

import asyncio
import os
import sys
from datetime import date
from pathlib import Path

from logger.clock import SystemClock, local_date
from logger.config.edit import Changes, by_hand, edit_file
from logger.config.load import LoadedConfig, load_config, loads_config
from logger.config.quantities import Dimension, QuantityError, parse
from logger.core.errors import UsageError
from logger.core.match import Match
from logger.core.match_gain import LEAST_SPAN_K, gains, no_gain_reason
from logger.core.match_verdict import amount_text
from logger.core.params import MAIN_QUANTITY, ProbeParams
from logger.core.readings import Quantity
from logger.documents import print_json, print_lines
from logger.faults import ENDED_AT_ONCE, complain
from logger.match.answer import Answer, changes, document, lines
from logger.match.live import LiveMatch
from logger.match.progress import Teller
from logger.plugins import not_ended
from logger.registry import DriverOptions
from logger.safety import SHORT_CAUTION
from logger.screen.plain import event_line
from logger.screen.terminal import somebody
from logger.signals import signals

COULD_NOT = 4  # exit code: the command could not do its work
PLACES = ("return", "supply")
FOR_S = (30.0, 3600.0)  # s that may be collected: shorter tells nothing, longer needs no match; assumed
MOST_GAIN = 0.05  # fraction: more than the config takes, and than any probe has; assumed
HOW = {
    "return": "Hold all probes together in ONE stream of moving air, such as the return with the fan on, "
    "away from hands, sun and hot metal.",
    "supply": "Hold all probes together in the supply air of a steady firing, out of sight of the heat "
    "exchanger.",
}


def match_command(path: Path, *, for_text: str, at: str, write: bool, json: bool) -> int:
    """Body of ``riselog match``; the exit code."""
    if at not in PLACES:
        raise UsageError(f"--at '{at}': give one of {', '.join(PLACES)}")
    collect_s = _collect_s(for_text)
    config = load_config(path, DriverOptions())
    probes = _temperature_probes(config)
    if at == "supply" and (missing := no_gain_reason(probes)):
        raise UsageError(f"{path}: {missing}")
    for line in (*SHORT_CAUTION.splitlines(), HOW[at]):
        complain(line)
    match, stuck = asyncio.run(_watch(config, collect_s))
    answer = _answer(config, match, by_gain=at == "supply")
    code = _tell(path, config, answer, write=write, json=json)
    if stuck:
        complain(not_ended(stuck))
        sys.stdout.flush()
        os._exit(code)  # the loop would wait for that driver
    return code


def _temperature_probes(config: LoadedConfig) -> tuple[ProbeParams, ...]:
    return tuple(p for p in config.job.probes if MAIN_QUANTITY[p.role] is Quantity.TEMPERATURE)


def _collect_s(text: str) -> int:
    try:
        seconds = parse(text, Dimension.TIME)
    except QuantityError as error:
        raise UsageError(f"--for: {error}") from error
    if not FOR_S[0] <= seconds <= FOR_S[1]:
        raise UsageError(
            f"--for '{text}': give from {FOR_S[0]:.0f} s to {FOR_S[1] / 60:.0f} min, such as 3min"
        )
    return round(seconds)


async def _watch(config: LoadedConfig, collect_s: int) -> tuple[Match, list[str]]:
    """The match, and whether a driver hangs; a signal ends it in order."""
    loop = asyncio.get_running_loop()
    teller = Teller(sys.stderr, config.units, loop.time)
    live = LiveMatch(
        config,
        collect_s,
        show=teller.show,
        note=lambda event: teller.line(event_line(event)),
        complain=teller.complain,
    )
    try:
        with signals(live.stop, lambda: os._exit(ENDED_AT_ONCE), terminal=True):
            match = await live.go()
    finally:
        teller.close()
    return match, live.stuck


def _answer(config: LoadedConfig, match: Match, *, by_gain: bool) -> Answer:
    """Add the gains where they were asked for, and why there may be none."""
    found: dict[str, tuple[float, float]] = {}
    reason = match.reason
    if by_gain and not reason and match.at_c is not None:
        warm = [o for o in match.offsets if o.quantity is Quantity.TEMPERATURE]
        found = gains(warm, {p.name: p for p in config.job.probes}, match.at_c)
        wild = [name for name, (gain, _) in found.items() if abs(gain) > MOST_GAIN]
        if not found:
            span = amount_text(Quantity.TEMPERATURE, LEAST_SPAN_K, 0)
            reason = f"The air is not {span} warmer than in the first match: wait for a steady firing."
        elif wild:
            reason = (
                f"The gain of {', '.join(wild)} is beyond {MOST_GAIN:.0%}: not the same air, or a broken "
                "probe; put all probes side by side, or replace it."
            )
    return Answer(match=match, simulated=config.simulated, gains=found, by_gain=by_gain, reason=reason)


def _tell(path: Path, config: LoadedConfig, answer: Answer, *, write: bool, json: bool) -> int:
    """Answer, ask, write; the exit code."""
    day = local_date(SystemClock().utc_us())
    new = changes(answer, config.units, day)
    if not json:
        print_lines(lines(answer, config.units))
    if answer.reason:
        complain(answer.reason)
        complain("nothing was written")
    written = bool(new) and (write or (not json and _agreed(path))) and _write(path, new, day)
    if new and not written:
        complain(f"not written; this would go into {path} (--write does it without asking):\n{by_hand(new)}")
    if json:
        print_json(document(answer, written=written))
    return COULD_NOT if answer.reason else 0


def _agreed(path: Path) -> bool:
    """Whether somebody is there to ask, and says yes."""
    if not somebody():
        return False
    try:
        return input(f"Write this into {path}? [y/N] ").strip().casefold() in {"y", "yes"}
    except (EOFError, KeyboardInterrupt):
        return False


def _write(path: Path, new: Changes, day: date) -> bool:
    """Set the keys; the new text must load before it takes the old one's place."""
    copy = edit_file(
        path, new, day, lambda text: loads_config(text, str(path), DriverOptions(), folder=path.parent)
    )
    complain(f"written into {path}; what it was before is in {copy}")
    return True
