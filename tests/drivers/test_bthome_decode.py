"""BTHome v2 packets.

Sources: the literal packets are the format document's published example and packets whose values
were computed with the independent decoder bthome-ble; the hypothesis tests run that decoder on
the same bytes.
"""

import math

import pytest
from bthome_ble import BTHomeBluetoothDeviceData
from bthome_ble.const import MEAS_TYPES
from hypothesis import given
from hypothesis import strategies as st

from drivers.bthome.decode import Advert, RefusedError, Repeats, decode
from drivers.bthome.table import COUNTED, FIELDS, LENGTHS
from logger.core.errors import DecodeError
from logger.core.readings import NS_PER_S, Flag, Quantity, in_range
from tests.drivers.bthome_oracle import oracle

OK, OUT = Flag.OK, Flag.OUT_OF_RANGE
T, H, P, B, V = (
    Quantity.TEMPERATURE,
    Quantity.HUMIDITY,
    Quantity.PRESSURE,
    Quantity.BATTERY,
    Quantity.VELOCITY,
)

LITERAL = [
    ("4002ca0903bf13", Advert(packet_id=None, values=((T, 25.06, OK), (H, 50.55, OK)))),
    (
        "400007016102191303590304534901",
        Advert(packet_id=7, values=((B, 97.0, OK), (T, 48.89, OK), (H, 8.57, OK), (P, 84_307.0, OK))),
    ),
    (
        "4000082e2844c40145cbff",
        Advert(packet_id=8, values=((H, 40.0, OK), (V, 4.52, OK), (T, -5.3, OK))),
    ),
    ("40000957ea58ea", Advert(packet_id=9, values=((T, -22.0, OK), (T, -7.7, OK)))),
    ("4002008003ffff", Advert(packet_id=None, values=((T, -327.68, OUT), (H, 655.35, OUT)))),
    ("40", Advert(packet_id=None, values=())),
    ("44000a02ca09", Advert(packet_id=10, values=((T, 25.06, OK),), on_change=True)),
    ("4202000000000002ca09", Advert(packet_id=None, values=((T, 25.06, OK),))),
]


@pytest.mark.parametrize(("packet", "expected"), LITERAL)
def test_literal_packets(packet: str, expected: Advert) -> None:
    assert decode(bytes.fromhex(packet)) == expected


def test_the_coarse_temperature_object_has_a_factor_of_0_35() -> None:
    # Format document, object 0x58: 0xEA = -22 x 0.35 = -7.7 degC.
    assert decode(bytes.fromhex("4058ea")).values == ((T, -7.7, OK),)


@pytest.mark.parametrize(
    ("packet", "text"),
    [
        ("41a47266c95f730011223378237214", "encrypted"),
        ("20020000", "version 1"),
        ("60021913", "version 3"),
        ("", "device information byte"),
    ],
)
def test_what_cannot_be_read_at_all_says_why(packet: str, text: str) -> None:
    with pytest.raises(DecodeError, match=text) as caught:
        decode(bytes.fromhex(packet))
    assert isinstance(caught.value, RefusedError) == bool(packet)


def test_what_stands_before_an_unknown_object_is_kept() -> None:
    advert = decode(bytes.fromhex("40021913ee0102"))
    assert advert.values == ((T, 48.89, OK),)
    assert str(advert.fault) == (
        "object 0xEE at byte 4 of an advertisement is not known, the rest was not read"
    )


def test_objects_with_a_count_are_walked_past() -> None:
    # Format document: 0x53 text and 0x54 raw carry their length in the next byte.
    assert decode(bytes.fromhex("40530248695402aabb5715")).values == ((T, 21.0, OK),)
    assert "cut short" in str(decode(bytes.fromhex("4054ff00")).fault)


def test_the_table_has_the_lengths_of_the_independent_decoder() -> None:
    counted = {"string", "raw", "command"}
    assert {k: v.data_length for k, v in MEAS_TYPES.items() if v.data_format not in counted} == LENGTHS
    assert {k for k, v in MEAS_TYPES.items() if v.data_format in counted} == set(COUNTED)


ORACLE_KEYS = {  # quantity -> its key there, and how many of its units make one of ours
    T: ("temperature", 1.0),
    H: ("humidity", 1.0),
    P: ("pressure", 0.01),  # hPa
    B: ("battery", 1.0),
    V: ("speed", 1.0),
    Quantity.GAS_VOLUME: ("gas", 1.0),
    Quantity.POWER: ("power", 1.0),
}


@st.composite
def packets(draw: st.DrawFn) -> tuple[bytes, set[int]]:
    """Objects in ascending order, each quantity at most once, others in between; and their ids."""
    others = [i for i in LENGTHS if i not in FIELDS and i != 0]
    ids = draw(st.lists(st.sampled_from([*FIELDS, *others]), unique=True, max_size=6))
    seen: set[Quantity] = set()
    body = b""
    for object_id in sorted(ids):
        if object_id in FIELDS:
            if FIELDS[object_id].quantity in seen:
                continue
            seen.add(FIELDS[object_id].quantity)
        body += bytes([object_id]) + draw(st.binary(min_size=LENGTHS[object_id], max_size=LENGTHS[object_id]))
    return b"\x40" + body, set(ids)


@given(packets())
def test_same_values_as_the_independent_decoder(drawn: tuple[bytes, set[int]]) -> None:
    packet, ids = drawn
    advert = decode(packet)
    theirs = oracle(BTHomeBluetoothDeviceData(), packet)
    assert advert.fault is None
    for quantity, value, flag in advert.values:
        key, per = ORACLE_KEYS[quantity]
        # It rounds to the decimal place of its factor's first digit: steps of 0.35 K to 0.1 K.
        coarse = 0.0501 if quantity is T and 0x58 in ids else 1e-9
        assert math.isclose(value * per, theirs.pop(key), rel_tol=1e-12, abs_tol=coarse)
        assert (flag is OK) == in_range(quantity, value)
    assert not theirs.keys() & {key for key, _ in ORACLE_KEYS.values()}


@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(0, 3), st.integers(0, 255), st.sampled_from([63, 64, 192, 193])),
            st.sampled_from([0.125, 1.0, 3.875, 4.0, 4.125]),
        ),
        max_size=12,
    )
)
def test_same_repeats_as_the_independent_decoder(steps: list[tuple[int, float]]) -> None:
    # Times are exact in binary, so that both decoders see the same 4 s.
    parser, repeats = BTHomeBluetoothDeviceData(), Repeats()
    t_s, packet_id = 0.0, 250
    for n, (ahead, wait_s) in enumerate(steps):
        t_s, packet_id = t_s + wait_s, (packet_id + ahead) % 256
        packet = bytes([0x40, 0, packet_id, 0x3D, *n.to_bytes(2, "little")])  # a new count each time
        taken = oracle(parser, packet, t_s).get("count") == n
        assert repeats.update(packet_id, round(t_s * NS_PER_S)) != taken


@given(st.binary(max_size=300))
def test_any_bytes_give_an_advert_or_a_decode_error(payload: bytes) -> None:
    try:
        advert = decode(payload)
    except DecodeError:
        return
    assert len(advert.values) <= len(payload) // 2
    assert all(math.isfinite(value) for _, value, _ in advert.values)


@pytest.mark.parametrize(("packet", "expected"), LITERAL)
def test_truncation_keeps_only_whole_objects(packet: str, expected: Advert) -> None:
    whole = bytes.fromhex(packet)
    for n in range(7 if whole[0] & 2 else 1, len(whole)):
        part = decode(whole[:n])
        assert part.values == expected.values[: len(part.values)]
        # Object boundaries are where the decoder has no complaint: there nothing is missing before.
        assert (part.fault is None) or "cut short" in str(part.fault)
