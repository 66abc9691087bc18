"""What a played probe sends: against the formats' own examples, and against other people's decoders."""

from __future__ import annotations

import pytest
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bthome_ble import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import given
from hypothesis import strategies as st

from logger.core.readings import Flag, Quantity
from simulators.peripheral.formats import BTHOME, CODES, Kind, bthome_data, full_uuid

VALUES = {
    Quantity.BATTERY: st.integers(0, 100),
    Quantity.TEMPERATURE: st.integers(-4000, 12_500),
    Quantity.HUMIDITY: st.integers(0, 10_000),
    Quantity.PRESSURE: st.integers(30_000, 120_000),
    Quantity.VELOCITY: st.integers(0, 6000),
    Quantity.GAS_VOLUME: st.integers(0, 4_000_000),
}
NAMES = {  # as the reference decoder calls them, and what leads from its unit to ours
    "battery": (Quantity.BATTERY, 1.0),
    "temperature": (Quantity.TEMPERATURE, 1.0),
    "humidity": (Quantity.HUMIDITY, 1.0),
    "pressure": (Quantity.PRESSURE, 100.0),  # hPa
    "speed": (Quantity.VELOCITY, 1.0),
    "gas": (Quantity.GAS_VOLUME, 1.0),
}


@given(st.fixed_dictionaries({}, optional=VALUES).filter(bool), st.integers(0, 1000))
def test_another_decoder_hears_what_was_sent(raws: dict[Quantity, int], packet_id: int) -> None:
    """bthome-ble, the reference decoder of the format's authors."""
    device = BLEDevice("00:00:00:00:00:02", "sim-x", {})
    advert = AdvertisementData(
        "sim-x", {}, {full_uuid(BTHOME): bthome_data(packet_id, raws)}, [], None, -60, ()
    )
    heard = BTHomeBluetoothDeviceData().update(
        BluetoothServiceInfoBleak.from_device_and_advertisement_data(
            device, advert, "local", 0.0, connectable=True
        )
    )
    found = {}
    for key, value in heard.entity_values.items():
        if key.key in NAMES and value.native_value is not None:
            quantity, factor = NAMES[key.key]
            found[quantity] = value.native_value * factor
    assert found == {q: pytest.approx(CODES[Kind.BTHOME][q].value(raw)) for q, raw in raws.items()}


# Bluetooth SIG, GATT Specification Supplement: sint16 and uint16 of 0.01, uint32 of 0.1 Pa, uint8 of 1 %.
@pytest.mark.parametrize(
    ("quantity", "value", "payload"),
    [
        (Quantity.TEMPERATURE, 48.89, "1913"),
        (Quantity.TEMPERATURE, -5.0, "0cfe"),
        (Quantity.HUMIDITY, 45.67, "d711"),
        (Quantity.PRESSURE, 98_800.0, "60130f00"),
        (Quantity.VELOCITY, 4.0, "9001"),
        (Quantity.VELOCITY, -0.3, "0000"),  # no code below nothing
        (Quantity.BATTERY, 87.0, "57"),
        (Quantity.BATTERY, 130.0, "64"),
    ],
)
def test_characteristics_are_coded_as_the_supplement_says(
    quantity: Quantity, value: float, payload: str
) -> None:
    code = CODES[Kind.ESS][quantity]
    raw = code.raw(value, Flag.OK)
    assert raw is not None
    assert code.payload(raw).hex() == payload


def test_a_value_that_was_not_known_is_sent_as_that_or_not_at_all() -> None:
    ess, bthome = (CODES[kind][Quantity.TEMPERATURE] for kind in (Kind.ESS, Kind.BTHOME))
    raw = ess.raw(-327.68, Flag.NOT_KNOWN)
    assert raw is not None
    assert ess.payload(raw).hex() == "0080"  # the supplement: 0x8000, value is not known
    assert bthome.raw(-327.68, Flag.NOT_KNOWN) is None
    assert CODES[Kind.ESS][Quantity.PRESSURE].raw(0.0, Flag.NOT_KNOWN) is None


@given(st.sampled_from(list(Kind)), st.floats(-1e9, 1e9), st.data())
def test_every_value_has_a_code_that_fits_its_bytes(kind: Kind, value: float, data: st.DataObject) -> None:
    quantity = data.draw(st.sampled_from(list(CODES[kind])))
    code = CODES[kind][quantity]
    raw = code.raw(value, Flag.OK)
    assert raw is not None
    assert len(code.payload(raw)) == code.length
    if code.low <= value * code.per_unit <= code.high:
        assert abs(code.value(raw) - value) <= 0.5 / code.per_unit + 1e-9 * abs(value)
