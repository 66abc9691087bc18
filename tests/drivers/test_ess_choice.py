"""Which of several values of a probe is used, and what is said of it. The bytes of the descriptors
are those of ``test_ess_descriptors``."""

from dataclasses import replace
from typing import Any, cast

import pytest

from drivers.ess.choice import plan_of
from drivers.ess.descriptors import decode_measurement, decode_trigger
from drivers.ess.kinds import KINDS
from drivers.ess.offer import Offer
from drivers.ess.options import EssOptions
from drivers.ess.table import FIELDS
from drivers.gatt.profile import Plan
from drivers.heard import Characteristic, full_uuid

T, TRUE_WIND, WIND, BATTERY, THERMOMETER, INTERMEDIATE = 0x2A6E, 0x2A70, 0x2A72, 0x2A19, 0x2A1C, 0x2A1E
AIR, WATER, UPPER, INTERNAL = "01", "02", "0f", "1f"


def offer(uuid16: int, flags: str = "rn", label: str = "", descriptor: str = "", trigger: str = "") -> Offer:
    kind = KINDS[uuid16]
    characteristic = Characteristic(
        service_uuid=full_uuid(kind.service),
        uuid=full_uuid(uuid16),
        can_read="r" in flags,
        can_notify="n" in flags,
        can_write=False,
        handle=cast("Any", None),
    )
    return Offer(
        characteristic=characteristic,
        kind=kind,
        label=label,
        measurement=decode_measurement(bytes.fromhex(descriptor)) if descriptor else None,
        triggers=(decode_trigger(bytes.fromhex(trigger), FIELDS[uuid16]),) if trigger else (),
    )


def of(application: str, *, update: str = "000000", sampling: str = "00") -> str:
    return f"0000 {sampling} 000000 {update} {application} ff"


def plan(*offers: Offer, **options: Any) -> Plan:
    return plan_of(offers, [each.characteristic for each in offers], EssOptions(name="x", **options))


def used(got: Plan, *offers: Offer) -> list[int]:
    """Places of the used ones among the offers."""
    all_of_them = [id(each.characteristic) for each in offers]
    return [all_of_them.index(id(source.characteristic)) for source in got.sources]


def said(got: Plan) -> str:
    return "; ".join(text for _, text in got.remarks)


@pytest.mark.parametrize(
    ("applications", "first"),
    [
        ((WATER, AIR), 1),
        ((UPPER, AIR), 1),  # air by its own word goes first
        ((INTERNAL, "00"), 1),
        (("00", UPPER), 0),
        ((WATER, ""), 1),  # nothing said
    ],
)
def test_the_first_of_the_air_is_used_by_itself(applications: tuple[str, ...], first: int) -> None:
    offers = [offer(T, descriptor=of(each) if each else "") for each in applications]
    got = plan(*offers)
    assert used(got, *offers) == [first]
    assert f"to use it, write temperature = {2 - first}" in said(got)


def test_a_maximum_is_passed_over() -> None:
    offers = [offer(T, descriptor=of(AIR, sampling="04")), offer(T)]
    got = plan(*offers)
    assert used(got, *offers) == [1]
    assert "air, maximum value is passed over, by its own word it is not of the air now" in said(got)


def test_one_is_chosen_by_number_by_its_name_or_by_what_it_is_of() -> None:
    offers = [offer(T, label="Return air"), offer(T, label="Supply air"), offer(T, descriptor=of(WATER))]
    for asked, place in ((2, 1), ("supply AIR", 1), ("Return air", 0), ("water", 2), (3, 2)):
        assert used(plan(*offers, temperature=asked), *offers) == [place]


@pytest.mark.parametrize("asked", [3, "attic"])
def test_one_that_is_not_there_is_refused_with_what_there_is(asked: object) -> None:
    got = plan(offer(T, label="Return air"), offer(T, descriptor=of(WATER)), temperature=asked)
    assert not got.usable
    assert got.refused is not None
    assert 'fits none of it: it has 1 (temperature, "Return air"), 2 (temperature, water)' in got.refused[0]


def test_a_name_that_two_have_is_refused() -> None:
    got = plan(offer(T, label="air"), offer(T, descriptor=of(AIR)), temperature="air")
    assert got.refused is not None
    assert 'temperature = "air" fits several values' in got.refused[0]


def test_a_probe_of_water_alone_is_refused_unless_it_is_asked_for() -> None:
    lone = offer(T, descriptor=of(WATER))
    got = plan(lone, offer(BATTERY, "r"))
    assert got.refused is not None
    assert "not of the air now; to use it, write temperature = 1" in got.refused[0]
    assert plan(lone, temperature=1).usable


def test_the_true_wind_goes_before_the_apparent_one_whatever_the_order() -> None:
    apparent, true = offer(WIND, "n"), offer(TRUE_WIND, "n")
    for offers in ([apparent, true], [true, apparent]):
        got = plan(*offers)
        assert got.sources[0].characteristic is true.characteristic
        assert plan(*offers, velocity=2).sources[0].characteristic is apparent.characteristic


def test_environmental_sensing_goes_before_a_thermometer_and_that_before_its_intermediate_values() -> None:
    offers = [offer(INTERMEDIATE, "n"), offer(THERMOMETER, "n"), offer(T, "r")]
    assert used(plan(*offers), *offers) == [2]
    assert used(plan(*offers[:2]), *offers) == [1]
    assert "may first send what it has kept from before" in said(plan(*offers[:2]))
    assert "kept from before" not in said(plan(*offers))
    assert used(plan(*offers[:2], temperature=2), *offers) == [0]


def test_the_probes_own_update_interval_is_the_pace_unless_another_is_asked_for() -> None:
    slow = offer(T, "r", descriptor=of(AIR, update="0a0000"))
    got = plan(slow)
    assert (got.sources[0].read_every_s, got.interval_s) == (10.0, 10.0)
    assert "read every 10 s, as often as the probe has a new one; set the probe's max_age above that" in said(
        got
    )
    assert plan(slow, read_every="2 s").sources[0].read_every_s == 2.0
    assert plan(offer(T, "r", descriptor=of(AIR, update="ffffff"))).sources[0].read_every_s == 600.0
    assert plan(offer(T, "r")).sources[0].read_every_s == 1.0


def test_the_interval_is_that_of_the_value_that_comes_most_often() -> None:
    assert plan(offer(T, "n", trigger="01 1e0000")).interval_s == 30.0
    assert plan(offer(T, "n", trigger="03")).interval_s is None
    assert plan(offer(T, "rn", trigger="01 1e0000")).interval_s == 0.0  # it is asked in between
    assert plan(offer(T, "n", trigger="01 1e0000"), offer(WIND, "n")).interval_s == 30.0
    assert plan(offer(T, "r", descriptor=of(AIR, update="3c0000")), offer(WIND, "n")).interval_s == 60.0


def test_who_speaks_on_change_alone_may_be_silent() -> None:
    assert plan(offer(T, "n", trigger="03")).on_change
    assert not plan(offer(T, "rn", trigger="03")).on_change  # it is asked
    assert not plan(offer(T, "n")).on_change
    assert not plan(offer(T, "n", trigger="01 1e0000")).on_change  # it is regular
    both = tuple(decode_trigger(bytes.fromhex(each), FIELDS[T]) for each in ("01 1e0000", "03"))
    for any_of in (False, True):  # every 30 s but only when it has changed, or besides
        assert plan(replace(offer(T, "n"), triggers=both, any_of=any_of)).on_change is not any_of
    assert not plan(offer(T, "n", trigger="03"), offer(WIND, "n")).on_change


def test_a_trigger_is_told_in_words() -> None:
    assert (
        "temperature is notified only when the value changes, so that a silence is no fault; it is asked "
        in (said(plan(offer(T, trigger="03"))))
    )
    assert "it cannot be asked in between" in said(plan(offer(T, "n", trigger="06 5908")))
    assert said(plan(offer(T, trigger="01 050000"))) == (
        "temperature is notified every 5 s; that is the probe's setting and stays as it is"
    )


def test_what_the_job_has_no_use_for_is_named_once() -> None:
    more = [
        Characteristic(
            service_uuid=full_uuid(0x181A), uuid=full_uuid(uuid16), can_read=True, can_notify=False,
            can_write=False, handle=cast("Any", None),
        )
        for uuid16 in (0x2A7B, 0x2A7A, 0x2A7B, 0x2A6E)
    ]  # fmt: skip
    one = offer(T)
    got = plan_of([one], [one.characteristic, *more], EssOptions(name="x"))
    assert said(got) == "it also has dew point, heat index: not used by this job"
