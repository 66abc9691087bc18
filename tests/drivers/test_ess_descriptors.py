"""What a probe says of its values in descriptors.

Layout of the literal bytes: Bluetooth SIG, Environmental Sensing Service 1.0, 3.1.2 (ES
Measurement: flags 2, sampling 1, period 3, update interval 3, application 1, uncertainty 1;
ES Trigger Setting: condition 1, operand). Steps of the uncertainty, codes of applications and of
conditions are `recalled`.
"""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.ess.descriptors import (
    Measurement,
    decode_description,
    decode_measurement,
    decode_trigger,
    in_words,
    interval_s,
)
from drivers.ess.table import FIELDS, Field
from logger.core.errors import DecodeError

TEMPERATURE, PRESSURE = FIELDS[0x2A6E], FIELDS[0x2A6D]


def test_literal_measurement_descriptors() -> None:
    told = decode_measurement(bytes.fromhex("0000 02 3c0000 0a0000 01 04"))
    assert told == Measurement(sampling=2, period_s=60, update_s=10, application=1, uncertainty_pc=2.0)
    assert str(told) == "air, arithmetic mean over 60 s, new every 10 s, uncertainty 2 %"
    silent = decode_measurement(bytes.fromhex("0000 00 000000 000000 00 ff"))
    assert (str(silent), silent.uncertainty_pc, silent.of_the_air_now) == ("", None, True)
    longest = decode_measurement(bytes.fromhex("0000 01 000000 ffffff 02 00"))
    assert longest.update_s == 16_777_215  # uint24
    assert (longest.place, longest.of_the_air_now) == ("water", False)


@pytest.mark.parametrize("sampling", ["04", "05", "06", "07"])
def test_a_maximum_or_a_count_is_not_the_air_now(sampling: str) -> None:
    assert not decode_measurement(bytes.fromhex(f"0000 {sampling} 000000 000000 01 ff")).of_the_air_now


@pytest.mark.parametrize("length", [*range(11), 12, 40])
def test_a_measurement_descriptor_of_another_length_is_refused(length: int) -> None:
    with pytest.raises(DecodeError, match=rf"0x290C.*{length} bytes instead of 11"):
        decode_measurement(bytes(length))


@pytest.mark.parametrize(
    ("payload", "words", "every_s"),
    [
        ("00", "never", None),
        ("01 050000", "every 5 s", 5.0),
        ("02 3c0000", "not more often than every 60 s", None),
        ("03", "only when the value changes", None),
        ("04 5908", "only while it is below 21.37 degC", None),
        ("06 0cfe", "only while it is above -5 degC", None),
        ("09 0000", "only while it is not 0 degC", None),
    ],
)
def test_literal_trigger_settings_in_words(payload: str, words: str, every_s: float | None) -> None:
    trigger = decode_trigger(bytes.fromhex(payload), TEMPERATURE)
    assert in_words([trigger], TEMPERATURE, any_of=False) == words
    assert interval_s([trigger], any_of=False) == every_s


def test_several_triggers_are_joined_as_the_configuration_says() -> None:
    triggers = [decode_trigger(bytes.fromhex(each), PRESSURE) for each in ("03", "01 0a0000", "07 3fdd0c00")]
    assert in_words(triggers, PRESSURE, any_of=True) == (
        "only when the value changes or every 10 s or only while it is 84307.1 Pa or above"
    )
    assert " and every 10 s and " in in_words(triggers, PRESSURE, any_of=False)
    assert interval_s(triggers, any_of=True) == 10.0
    assert interval_s(triggers, any_of=False) is None  # every 10 s, but only when it has changed


@pytest.mark.parametrize(
    ("settings", "every_s", "words"),
    [
        (("01 0a0000", "02 3c0000"), 60.0, "every 10 s and not more often than every 60 s"),
        (("01 0a0000", "01 050000"), 10.0, "every 10 s and every 5 s"),
        (("00", "01 0a0000"), 10.0, "every 10 s"),
        (("00", "00"), None, "never and never"),
        (
            ("02 3c0000", "02 3c0000"),
            None,
            "not more often than every 60 s and not more often than every 60 s",
        ),
    ],
)
def test_conditions_that_must_all_hold_are_regular_by_times_alone(
    settings: tuple[str, ...], every_s: float | None, words: str
) -> None:
    triggers = [decode_trigger(bytes.fromhex(each), TEMPERATURE) for each in settings]
    assert interval_s(triggers, any_of=False) == every_s
    assert in_words(triggers, TEMPERATURE, any_of=False) == words


@pytest.mark.parametrize(
    "payload", ["", "0a", "ff00", "0100", "01 05000000", "0300", "04", "04 59", "04 590800"]
)
def test_a_trigger_setting_that_does_not_follow_the_format_is_refused(payload: str) -> None:
    with pytest.raises(DecodeError, match="0x290D"):
        decode_trigger(bytes.fromhex(payload), TEMPERATURE)


@given(st.binary(max_size=12) | st.binary(max_size=512), st.sampled_from([*FIELDS.values()]))
def test_any_descriptor_gives_words_or_a_decode_error(payload: bytes, field: Field) -> None:
    shown = decode_description(payload)
    assert shown.isprintable()
    assert len(shown) <= 40
    with contextlib.suppress(DecodeError):
        assert str(decode_measurement(payload)).isprintable()
    with contextlib.suppress(DecodeError):
        assert in_words([decode_trigger(payload, field)], field, any_of=True)
