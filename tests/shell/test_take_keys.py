"""Typed lines and terminal keys of a traverse. Factors: NIST SP 811 (2008) appendix B.8."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.quantities import QuantityError
from logger.take.entry import read_entry, read_line
from logger.take.keys import Ui, press
from logger.take.walk import Entry, Key

INCH_WATER = 249.08891  # Pa, NIST SP 811 B.8, conventional


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ("812 fpm", Entry(velocity_m_s=812 * 0.3048 / 60)),
        ("812fpm", Entry(velocity_m_s=812 * 0.3048 / 60)),
        (" 4.12 m/s ", Entry(velocity_m_s=4.12)),
        ("-0.3 m/s", Entry(velocity_m_s=-0.3)),
        ("0.041 in.wg", Entry(velocity_pressure_pa=pytest.approx(0.041 * INCH_WATER, rel=1e-6))),
        ("10.2 Pa", Entry(velocity_pressure_pa=10.2)),
    ],
)
def test_values_with_their_units(text: str, entry: Entry) -> None:
    assert read_entry(text) == entry


@pytest.mark.parametrize("text", ["118 °F, 812 fpm", "812 fpm 118 °F", "118F;812fpm", "118 degF 812 ft/min"])
def test_temperature_and_velocity_in_either_order(text: str) -> None:
    entry = read_entry(text, temperature=True)
    assert entry.velocity_m_s == pytest.approx(812 * 0.3048 / 60)
    assert entry.temperature_c == pytest.approx((118 - 32) / 1.8)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("812", "needs a unit"),
        ("812 furlongs", "unknown unit"),
        ("812 cfm", "a unit of volume flow"),
        ("118 °F", "a unit of temperature"),
        ("99 m/s", "beyond 60.00 m/s (11811 fpm)"),
        ("40 kPa", "beyond 2500 Pa, 10 in.wg"),
        ("-40 kPa", "no velocity pressure"),
        ("812 fpm 4 m/s", "two values"),
        ("812 fpm 4 Pa", "two values"),
        ("1,812 fpm", "separator"),
        ("nan m/s", "plain decimal number"),
        ("1e999 m/s", "finite"),
        ("hello", "plain decimal number"),
        ("\x1b[2J", "plain decimal number"),
    ],
)
def test_bad_values_are_told_in_one_sentence(text: str, part: str) -> None:
    with pytest.raises(QuantityError) as caught:
        read_entry(text)
    assert part in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "\x1b" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "key"),
    [("", Key.TAKE), ("r", Key.REDO), ("Skip", Key.SKIP), ("BACK ", Key.BACK), ("q", Key.LEAVE)],
)
def test_words(text: str, key: Key) -> None:
    assert read_line(text).key is key


@settings(max_examples=200)
@given(st.text(max_size=60), st.booleans())
def test_any_line_is_followed_or_refused(text: str, temperature: bool) -> None:  # noqa: FBT001
    said = ""
    try:
        line = read_line(text, temperature=temperature)
        assert line.key is not Key.VALUE or line.entry != Entry()
    except QuantityError as error:
        said = str(error)
    assert said.isprintable()


WALK = Ui(page="")


def typed(ui: Ui, text: str, **more: bool) -> tuple[Ui, object]:
    asked: object = None
    for char in text:
        ui, asked = press(ui, {"\r": "c-m"}.get(char, char), char, **more)
    return ui, asked


def test_enter_and_space_take() -> None:
    for key in ("c-m", "c-j", " "):
        _, asked = press(WALK, key)
        assert asked is not None
        assert asked.key is Key.TAKE


@pytest.mark.parametrize(
    ("key", "walk"), [("r", Key.REDO), ("S", Key.SKIP), ("b", Key.BACK), ("q", Key.LEAVE), ("c-c", Key.LEAVE)]
)
def test_letters(key: str, walk: Key) -> None:
    _, asked = press(WALK, key)
    assert asked is not None
    assert asked.key is walk


def test_the_start_page_takes_no_point() -> None:
    ui, asked = press(Ui(), "c-m")
    assert (ui.page, asked) == ("", None)


def test_help_and_units() -> None:
    assert press(WALK, "h")[0].page == "help"
    assert press(press(WALK, "h")[0], "escape")[0].page == ""
    assert press(WALK, "u")[0].units == "si"


def test_a_digit_begins_a_value_and_letters_are_then_text() -> None:
    ui, asked = typed(WALK, "812 fpm\r")
    assert ui.typing is None
    assert asked is not None
    assert asked.entry == Entry(velocity_m_s=812 * 0.3048 / 60)


def test_a_number_alone_takes_the_unit_typed_before() -> None:
    ui, _ = typed(WALK, "812 fpm\r")
    assert ui.unit == "fpm"
    ui, asked = typed(ui, "790\r")
    assert asked is not None
    assert asked.entry == Entry(velocity_m_s=790 * 0.3048 / 60)


def test_a_first_number_alone_is_refused_and_stays_to_be_mended() -> None:
    ui, asked = typed(WALK, "812\r")
    assert asked is None
    assert "needs a unit" in ui.fault
    assert ui.typing == "812"
    ui, asked = typed(ui, " fpm\r")
    assert asked is not None
    assert not ui.fault


def test_escape_and_backspace() -> None:
    assert press(typed(WALK, "81")[0], "escape")[0].typing is None
    assert press(typed(WALK, "81")[0], "c-h")[0].typing == "8"
    assert press(typed(WALK, "8")[0], "c-h")[0].typing is None


def test_a_paste_is_text() -> None:
    ui, _ = press(WALK, "<bracketed-paste>", "812 fpm\n")
    assert ui.typing == "812 fpm "


@settings(max_examples=200)
@given(st.lists(st.one_of(st.characters(), st.sampled_from(["c-m", "escape", "c-h", "up", "f1", "c-a"]))))
def test_any_keys_keep_the_state_in_bounds(keys: list[str]) -> None:
    ui = WALK
    for key in keys:
        ui, _ = press(ui, key, key)
        assert ui.typing is None or (len(ui.typing) <= 40 and ui.typing.isprintable())
