"""Which of a probe's values are used, one for each quantity, and what is said of them. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from drivers.causes import Cause
from drivers.ess.descriptors import in_words, interval_s
from drivers.ess.kinds import KINDS
from drivers.ess.offer import Offer
from drivers.ess.options import EssOptions
from drivers.ess.table import AIR, ENVIRONMENTAL_SENSING, NOT_USED
from drivers.ess.thermometer import HEALTH_THERMOMETER
from drivers.gatt.profile import PASSED_OVER, Plan, Source
from drivers.heard import Characteristic, services_in_words
from drivers.probe import seconds
from logger.driver_api import Quantity

READ_EVERY_S = 1.0  # s, where the probe does not tell how often it has a new value, assumed
KINDS_OF_VALUE = tuple(dict.fromkeys(kind.quantity for kind in KINDS.values()))
LONGEST_S = 600.0  # s: a longer interval told by a probe is taken for so long, assumed


def plan_of(offers: Sequence[Offer], everything: Sequence[Characteristic], options: EssOptions) -> Plan:
    """What is used of a probe that offers this, and has all these characteristics."""
    used: list[Offer] = []
    over: list[tuple[str, str]] = []
    found = _by_quantity(offers)
    for quantity in KINDS_OF_VALUE:
        if quantity not in found and (asked := options.which(quantity)) is not None:
            return _refused(quantity, _absent(quantity, asked, found, everything))
    for quantity, rivals in found.items():
        chosen, trouble = _chosen(rivals, options.which(quantity), quantity)
        if trouble:
            return _refused(quantity, trouble)
        if chosen is not None:
            used.append(chosen)
        over += _passed_over(rivals, chosen, quantity)
    plan = Plan(
        sources=tuple(_source(each, options) for each in used),
        remarks=(*over, *(said for each in used for said in _said_of(each, options)), *_not_used(everything)),
        interval_s=_interval_s(used, options),
        on_change=_speaks_on_change_alone(used),
    )
    if over and not plan.usable:
        return replace(plan, refused=(over[0][1], "or use a probe that measures the air"))
    return plan


def _refused(quantity: Quantity, trouble: tuple[str, str]) -> Plan:
    return Plan(sources=(), refused=trouble, lacks={quantity: Cause(*trouble, key=(quantity,))})


def _absent(
    quantity: Quantity,
    asked: int | str,
    found: Mapping[Quantity, object],
    everything: Sequence[Characteristic],
) -> tuple[str, str]:
    """What to say where one of several values of a quantity is asked for, and the probe has none at all."""
    has = ", ".join(found) or f"none of these values, only {services_in_words(everything)}"
    return (
        f"{quantity} = {_quoted(asked)} asks for one of several, and it has no {quantity}: it has {has}",
        f"remove {quantity} = {_quoted(asked)}, or use a probe with {quantity}",
    )


def _quoted(asked: int | str) -> str:
    return f"{asked}" if isinstance(asked, int) else f'"{asked}"'


def _by_quantity(offers: Sequence[Offer]) -> dict[Quantity, list[Offer]]:
    """What gives one quantity, numbered as the user counts: the table's order, then the probe's."""
    found: dict[Quantity, list[Offer]] = {}
    for uuid16, kind in KINDS.items():
        for each in offers:
            if each.characteristic.uuid16 == uuid16:
                found.setdefault(kind.quantity, []).append(each)
    return found


def _chosen(
    rivals: Sequence[Offer], asked: int | str | None, quantity: Quantity
) -> tuple[Offer | None, tuple[str, str] | None]:
    """The value to use, or why the probe cannot be used as it is asked for."""
    if asked is None:
        return _best(rivals), None
    if isinstance(asked, int):
        fits = list(rivals[asked - 1 : asked])
    else:
        fits = [each for each in rivals if asked.casefold() in _names(each)]
    if len(fits) == 1:
        return fits[0], None
    has = ", ".join(f"{n} ({_name(each)})" for n, each in enumerate(rivals, 1))
    amount = "several values" if fits else "none"
    return None, (
        f"{quantity} = {_quoted(asked)} fits {amount} of it: it has {has}",
        f"write one of the numbers, like {quantity} = 1",
    )


def _best(rivals: Sequence[Offer]) -> Offer | None:
    """Air by its own word, else what nothing speaks against; None: nothing of the air now."""
    fit = [each for each in rivals if each.measurement is None or each.measurement.of_the_air_now]
    same = [each for each in fit if each.kind is fit[0].kind]
    air = [each for each in same if each.measurement is not None and each.measurement.application == AIR]
    return next(iter([*air, *same]), None)


def _names(offer: Offer) -> set[str]:
    place = offer.measurement.place if offer.measurement is not None else ""
    return {offer.label.casefold(), place.casefold()} - {""}


def _name(offer: Offer) -> str:
    told = [offer.kind.title, f'"{offer.label}"' if offer.label else "", str(offer.measurement or "")]
    return ", ".join(each for each in told if each)


def _passed_over(
    rivals: Sequence[Offer], chosen: Offer | None, quantity: Quantity
) -> Iterator[tuple[str, str]]:
    for n, each in enumerate(rivals, 1):
        if each is chosen:
            continue
        why = (
            "by its own word it is not of the air now"
            if each.measurement is not None and not each.measurement.of_the_air_now
            else f"another one already gives the {quantity}"
        )
        how = f"; to use it, write {quantity} = {n}" if quantity is not Quantity.BATTERY else ""
        alike = chosen is not None and each.kind is chosen.kind
        yield (
            f"{PASSED_OVER if alike else 'beside '}{quantity} {n}",
            f"one {_name(each)} value is passed over, {why}{how}",
        )


def _said_of(offer: Offer, options: EssOptions) -> Iterator[tuple[str, str]]:
    """What is worth telling of a value in use."""
    title = offer.kind.title
    yield from ((f"fault {title} {n}", fault) for n, fault in enumerate(offer.faults))
    if offer.measurement is not None and (words := str(offer.measurement)):
        yield (
            f"own {title}",
            f"{title} by the probe's own word: {words}; the config's u95 counts",
        )
    if offer.kind.service == HEALTH_THERMOMETER:
        yield (
            f"old {title}",
            "a thermometer may first send what it has kept from before; such values count as new ones, for a "
            "time of its own clock is not used",
        )
    if offer.characteristic.can_notify:
        if offer.triggers and offer.kind.field is not None:
            yield f"trigger {title}", _trigger_remark(offer)
        return
    pace_s = _read_every_s(offer, options)
    if options.read_every is None and pace_s > READ_EVERY_S:
        yield (
            f"pace {title}",
            f"{title} is read every {pace_s:g} s, as often as the probe has a new one; set the probe's "
            "max_age above that",
        )


def _trigger_remark(offer: Offer) -> str:
    assert offer.kind.field is not None
    words = in_words(offer.triggers, offer.kind.field, any_of=offer.any_of)
    asked = "it is asked in between" if offer.characteristic.can_read else "it cannot be asked in between"
    silence = (
        "" if interval_s(offer.triggers, any_of=offer.any_of) else f", so that a silence is no fault; {asked}"
    )
    return f"{offer.kind.title} is notified {words}{silence}; that is the probe's setting and stays as it is"


def _not_used(everything: Sequence[Characteristic]) -> list[tuple[str, str]]:
    titles = [
        NOT_USED[each.uuid16]
        for each in everything
        if each.service == ENVIRONMENTAL_SENSING and each.uuid16 in NOT_USED
    ]
    names = ", ".join(dict.fromkeys(titles))
    return [("not used", f"it also has {names}: not used by this job")] if names else []


def _source(offer: Offer, options: EssOptions) -> Source:
    return Source(
        characteristic=offer.characteristic,
        title=offer.kind.title,
        quantities=frozenset({offer.kind.quantity}),
        decode=offer.kind.decode,
        explain=offer.kind.explain,
        read_every_s=_read_every_s(offer, options),
        alone=True,
    )


def _read_every_s(offer: Offer, options: EssOptions) -> float:
    if options.read_every is not None:
        return seconds(options.read_every)
    told_s = offer.measurement.update_s if offer.measurement is not None else 0
    return min(float(told_s), LONGEST_S) or READ_EVERY_S


def _interval_s(used: Sequence[Offer], options: EssOptions) -> float | None:
    """How often the probe is heard at the latest, where one of its values tells."""
    times = [_heard_every_s(each, options) for each in used if each.kind.quantity is not Quantity.BATTERY]
    return min((min(each, LONGEST_S) for each in times if each is not None), default=None)


def _speaks_on_change_alone(used: Sequence[Offer]) -> bool:
    air = [each for each in used if each.kind.quantity is not Quantity.BATTERY]
    return bool(air) and all(
        each.characteristic.can_notify
        and not each.characteristic.can_read
        and each.triggers
        and not interval_s(each.triggers, any_of=each.any_of)
        for each in air
    )


def _heard_every_s(offer: Offer, options: EssOptions) -> float | None:
    if not offer.characteristic.can_notify:
        return _read_every_s(offer, options)
    if offer.characteristic.can_read:
        return 0.0  # it is asked whenever it is silent
    told_s = offer.measurement.update_s if offer.measurement is not None else 0
    return interval_s(offer.triggers, any_of=offer.any_of) or offer.interval_s or told_s or None
