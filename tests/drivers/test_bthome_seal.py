"""Encrypted BTHome packets.

Sources: the format document's published example (recalled; its integrity code agrees, which a wrong
memory would not); packets made with the cryptography library; bthome-ble decrypts the same.
"""

import math
import traceback
from pathlib import Path
from typing import Any

import pytest
from bthome_ble import BTHomeBluetoothDeviceData
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from drivers.adverts import Heard, NotUsableError
from drivers.bthome.bindkey import seal_of
from drivers.bthome.form import BthomeForm
from drivers.bthome.options import BthomeOptions
from drivers.bthome.seal import NoAddressError, OldPacketError, Seal, SealError
from drivers.heard import Sighting
from logger.config.load import load_config, loads_config
from logger.core.errors import ConfigError
from logger.driver_api import DecodeError, Flag, Quantity
from tests.drivers.bthome_oracle import ADDRESS, oracle, sealed, told
from tests.shell.stand_ins import job_head

KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
OTHER_KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db933")
AIR = bytes.fromhex("02ca0903bf13")  # 25.06 degC, 50.55 %; the format document's example
S = 1_000_000_000  # ns
T, H = Quantity.TEMPERATURE, Quantity.HUMIDITY


def test_the_published_example_is_read() -> None:
    # BTHome v2 format document, encryption: key, address 54:48:E6:8F:80:A5, packet; 25.06 degC, 50.55 %.
    packet = bytes.fromhex("41a47266c95f730011223378237214")
    opened = Seal(KEY).open(packet, "54:48:E6:8F:80:A5")
    assert opened == (bytes.fromhex("40") + AIR, False)
    assert sealed(KEY, "54:48:E6:8F:80:A5", 0x33221100, AIR) == packet


@pytest.mark.parametrize("info", [0x41, 0x43, 0x45])
def test_the_address_comes_from_the_packet_from_the_config_or_from_the_radio(info: int) -> None:
    packet = sealed(KEY, ADDRESS, 7, AIR, info)
    on_a_mac = "5B6F1E30-0000-0000-0000-000000000002"
    prefix = bytes([info & ~1]) + (bytes.fromhex("020000000000") if info & 2 else b"")
    assert Seal(KEY).open(packet, ADDRESS.lower()).payload == prefix + AIR
    assert Seal(KEY, ADDRESS.replace(":", "-")).open(packet, on_a_mac).payload == prefix + AIR
    if info & 2:
        assert Seal(KEY).open(packet, on_a_mac).payload == prefix + AIR
    else:
        with pytest.raises(NoAddressError):
            Seal(KEY).open(packet, on_a_mac)


def test_not_one_bit_may_differ() -> None:
    packet = sealed(KEY, ADDRESS, 7, AIR)
    with pytest.raises(SealError):
        Seal(OTHER_KEY).open(packet, ADDRESS)
    with pytest.raises(SealError):
        Seal(KEY).open(packet, "00:00:00:00:00:03")
    for bit in range(8, 8 * len(packet)):
        changed = bytearray(packet)
        changed[bit // 8] ^= 1 << bit % 8
        with pytest.raises(SealError):
            Seal(KEY).open(bytes(changed), ADDRESS)


@pytest.mark.parametrize("info", [0x41, 0x43])
def test_truncation_is_an_error_at_every_byte(info: int) -> None:
    packet = sealed(KEY, ADDRESS, 7, AIR, info)
    for n in range(len(packet)):
        with pytest.raises(DecodeError):
            Seal(KEY).open(packet[:n], ADDRESS)


@given(
    st.lists(
        st.tuples(st.sampled_from([0, 1, 2, 98, 99, 100, 101, 150, 2**32 - 2, 2**32 - 1]), st.booleans()),
        max_size=12,
    )
)
def test_the_counter_is_judged_as_the_independent_decoder_judges_it(steps: list[tuple[int, bool]]) -> None:
    # Times 10 s apart: its rule for repeats then looks at the whole packet, as ours always does.
    parser, seal = BTHomeBluetoothDeviceData(KEY), Seal(KEY)
    accepted = b""
    for n, (counter, changed) in enumerate(steps):
        packet = sealed(KEY, ADDRESS, counter, bytes([0x3D, n if changed else 77, 0]))
        told(parser, packet, 10.0 * n)
        assert parser.last_service_info is not None
        theirs = parser.encryption_counter == counter and parser.last_service_info.time == 10.0 * n
        try:
            ours = not seal.open(packet, ADDRESS).again
        except OldPacketError:
            ours = False
        # Ours by intent: it forgets what it accepted when it has refused something in between.
        assert ours == theirs or (packet == accepted and not ours)
        accepted = packet if ours else accepted


@given(
    st.binary(min_size=16, max_size=16),
    st.integers(1, 2**32 - 1),
    st.integers(-5000, 9000),
    st.sampled_from([0x41, 0x43]),
)
def test_same_values_as_the_independent_decoder(key: bytes, counter: int, hundredths: int, info: int) -> None:
    objects = b"\x02" + hundredths.to_bytes(2, "little", signed=True)
    packet = sealed(key, ADDRESS, counter, objects, info)
    heard = take(BthomeForm({}, Seal(key)), packet)
    assert [(q, flag) for q, _, flag in heard.values] == [(T, Flag.OK)]
    assert math.isclose(heard.values[0][1], oracle(BTHomeBluetoothDeviceData(key), packet)["temperature"])


def take(form: BthomeForm, payload: bytes, t_s: float = 0.0, address: str = ADDRESS) -> Heard:
    device: Any = None
    sighting = Sighting(
        address=address, name="probe", signal_dbm=-60.0, service_data={0xFCD2: payload}, device=device
    )
    return form.take(sighting, round(t_s * S))


def test_an_encrypted_packet_sent_again_is_a_repeat_however_late() -> None:
    form = BthomeForm({}, Seal(KEY))
    first, second = sealed(KEY, ADDRESS, 7, AIR), sealed(KEY, ADDRESS, 8, AIR)
    flags = [take(form, packet, t_s).values[0][2] for packet, t_s in ((first, 0), (first, 9), (second, 10))]
    assert flags == [Flag.OK, Flag.DUPLICATE, Flag.OK]


def test_once_proven_somebody_elses_packets_are_left_out_and_said() -> None:
    form = BthomeForm({}, Seal(KEY))
    assert take(form, sealed(KEY, ADDRESS, 500, AIR)).values
    for packet, words in (
        (b"\x40" + AIR, "came unencrypted in its name"),
        (sealed(OTHER_KEY, ADDRESS, 501, AIR), "its bind key does not fit"),
        (sealed(KEY, ADDRESS, 499, AIR), "an old advertisement was sent again"),
    ):
        heard = take(form, packet)
        assert (heard.values, heard.foreign) == ((), True)
        [(_, text)] = heard.remarks
        assert words in text
    assert take(form, sealed(KEY, ADDRESS, 501, AIR)).values
    form.forget()  # after a silence: a new battery may begin with any counter
    assert take(form, sealed(KEY, ADDRESS, 200, AIR)).values


@pytest.mark.parametrize(
    ("seal", "packet", "words"),
    [
        (None, sealed(KEY, ADDRESS, 1, AIR), "encrypted, and no bind key is given; write the probe's"),
        (
            Seal(OTHER_KEY),
            sealed(KEY, ADDRESS, 1, AIR),
            "cannot be decrypted with the bind key given; compare",
        ),
        (Seal(KEY), b"\x40" + AIR, "not encrypted although a bind key is given"),
    ],
)
def test_what_was_never_proven_is_refused_with_a_next_step(
    seal: Seal | None, packet: bytes, words: str
) -> None:
    with pytest.raises(NotUsableError, match=words):
        take(BthomeForm({}, seal), packet)


def test_the_independent_decoder_refuses_unencrypted_packets_too() -> None:
    parser = BTHomeBluetoothDeviceData(KEY)
    told(parser, b"\x40" + AIR)
    assert parser.downgrade_detected


def test_a_system_without_hardware_addresses_is_told_which_key_to_add() -> None:
    with pytest.raises(NotUsableError, match=r'add mac = "AA:BB:CC:00:00:02"'):
        take(BthomeForm({}, Seal(KEY)), sealed(KEY, ADDRESS, 1, AIR), address="5B6F1E30-0000")


def test_the_key_comes_from_a_file_or_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    packet = sealed(KEY, ADDRESS, 1, AIR)
    (tmp_path / "ret.key").write_text(f"\ufeff {KEY.hex().upper()} \r\nsecond line\n", encoding="utf-8")
    monkeypatch.setenv("RET_KEY", KEY.hex())
    for keys in ({"bindkey_file": "ret.key"}, {"bindkey_env": "RET_KEY"}):
        options = BthomeOptions.model_validate({"name": "roof", **keys}, context={"folder": tmp_path})
        seal = seal_of(options)
        assert seal is not None
        assert seal.open(packet, ADDRESS).payload == b"\x40" + AIR
    assert seal_of(BthomeOptions(name="roof")) is None


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (None, r"cannot be read \(No such file or directory\)"),
        (b"", "does not hold a bind key of 32 hex digits"),
        (b"231d39c1d7cc1ab1aee224cd096db93\n", "does not hold a bind key of 32 hex digits"),
        (b"\xff\xfe\x00" * 3000, "does not hold a bind key of 32 hex digits"),
        ("٣" * 32, "does not hold a bind key of 32 hex digits"),
    ],
)
def test_a_key_that_cannot_be_had_names_its_place_and_never_itself(
    content: bytes | str | None, words: str, tmp_path: Path
) -> None:
    path = tmp_path / "ret.key"
    if content is not None:
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(NotUsableError, match=words) as caught:
        seal_of(BthomeOptions(name="roof", bindkey_file=str(path)))
    text = "".join(traceback.format_exception(caught.value))
    assert str(path) in text
    assert "231d39" not in text


def test_a_key_missing_in_the_environment_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("RET_KEY", raising=False)
    with pytest.raises(
        NotUsableError, match="environment variable RET_KEY of bindkey_env is not set; set it"
    ):
        seal_of(BthomeOptions(name="roof", bindkey_env="RET_KEY"))


@pytest.mark.parametrize(
    ("keys", "where", "words"),
    [
        ({"bindkey": KEY.hex()}, ("bindkey",), "in the config file itself is refused"),
        ({"bind_key": KEY.hex()}, ("bind_key",), "in the config file itself is refused"),
        ({"bindkey_env": KEY.hex()}, ("bindkey_env",), "this is a bind key and not the name of a place"),
        ({"bindkey_file": KEY.hex()}, ("bindkey_file",), "this is a bind key and not the name of a place"),
        ({"bindkey_file": "a", "bindkey_env": "B"}, (), "one of the two"),
        ({"mac": ADDRESS}, (), "mac is used for decryption alone"),
        ({"mac": "1234", "bindkey_env": "B"}, ("mac",), "is not a hardware address"),
        ({"temperature": 0}, ("temperature",), "greater than or equal to 1"),
        ({"temperature": "2"}, ("temperature",), "valid integer"),
    ],
)
def test_wrong_keys_of_the_config_are_refused_at_their_place(
    keys: dict[str, Any], where: tuple[str, ...], words: str
) -> None:
    with pytest.raises(ValidationError) as caught:
        BthomeOptions.model_validate({"name": "roof", **keys})
    [error] = caught.value.errors()
    assert error["loc"] == where
    assert words in error["msg"]
    assert KEY.hex() not in "".join(traceback.format_exception(caught.value))


def test_of_several_values_of_one_kind_the_one_asked_for() -> None:
    two = bytes.fromhex(
        "4001610210270220274522010310270314"
    )  # 97 %; 100.00, 100.16, 29.0 degC; 100.00 %, cut off
    values = {None: 100.0, 1: 100.0, 2: 100.16, 3: 29.0}
    theirs = oracle(BTHomeBluetoothDeviceData(), two)
    assert [theirs[f"temperature_{n}"] for n in (1, 2, 3)] == [values[n] for n in (1, 2, 3)]
    for number, expected in values.items():
        heard = take(BthomeForm({} if number is None else {T: number}), two)
        assert (T, expected, Flag.OK) in heard.values
        assert [q for q, _, _ in heard.values] == [Quantity.BATTERY, T, H]
        said = [text for _, text in heard.remarks if "add for example temperature = 2" in text]
        assert len(said) == (1 if number is None else 0)
    heard = take(BthomeForm({T: 4}), two)
    assert T not in [q for q, _, _ in heard.values]
    assert "sends 3 of temperature in one packet, and temperature = 4 asks" in heard.remarks[0][1]


PROBES = """
[probes.ret]
role = "return"
driver = "bthome"
name = "roof"
{key}
[probes.sup]
role = "supply"
driver = "bthome"
name = "duct"
"""


def test_a_run_stores_where_the_key_is_and_not_the_key(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    (tmp_path / "ret.key").write_text(KEY.hex())
    path.write_text(job_head("sealed") + PROBES.format(key='bindkey_file = "ret.key"'))
    config = load_config(path, {"bthome": BthomeOptions})
    assert config.probes[0].options["bindkey_file"] == str(tmp_path / "ret.key")
    assert "ret.key" in config.effective_text
    assert KEY.hex() not in repr(config)
    (tmp_path / "ret.key").unlink()
    assert loads_config(config.effective_text, "run", None, stored=config.files).probes[0].name == "ret"


def test_a_key_in_the_config_is_refused_with_its_line_and_not_repeated(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    text = job_head("sealed") + PROBES.format(key=f'bindkey = "{KEY.hex()}"')
    path.write_text(text)
    line = text[: text.index("bindkey")].count("\n") + 1
    with pytest.raises(ConfigError, match=rf"job.toml:{line}: .*bindkey.*itself is refused") as caught:
        load_config(path, {"bthome": BthomeOptions})
    assert KEY.hex() not in "".join(traceback.format_exception(caught.value))
