"""Packets for the independent decoder bthome-ble, and packets encrypted without our code.

Encryption is by the cryptography library's AESCCM after the format document; no line of
``drivers`` is used.
"""

from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bthome_ble import BTHomeBluetoothDeviceData, SensorUpdate
from cryptography.hazmat.primitives.ciphers.aead import AESCCM
from habluetooth import BluetoothServiceInfoBleak

ADDRESS = "00:00:00:00:00:02"


def told(
    parser: BTHomeBluetoothDeviceData, payload: bytes, t_s: float = 0.0, address: str = ADDRESS
) -> SensorUpdate:
    """What the independent decoder makes of service data that came at that time."""
    advert = AdvertisementData(
        local_name="probe",
        manufacturer_data={},
        service_data={"0000fcd2-0000-1000-8000-00805f9b34fb": payload},
        service_uuids=[],
        tx_power=None,
        rssi=-60,
        platform_data=(),
    )
    info = BluetoothServiceInfoBleak.from_device_and_advertisement_data(
        BLEDevice(address, "probe", {}), advert, "local", t_s, connectable=True
    )
    return parser.update(info)


def oracle(
    parser: BTHomeBluetoothDeviceData, payload: bytes, t_s: float = 0.0, address: str = ADDRESS
) -> dict[str, float]:
    """Values of the independent decoder by its own keys."""
    update = told(parser, payload, t_s, address)
    return {key.key: entity.native_value for key, entity in update.entity_values.items()}


def sealed(key: bytes, address: str, counter: int, objects: bytes, info: int = 0x41) -> bytes:
    """An encrypted packet; bit 1 of ``info`` puts the address into it, low byte first."""
    mac = bytes.fromhex(address.replace(":", ""))
    count = counter.to_bytes(4, "little")
    nonce = mac + b"\xd2\xfc" + bytes([info]) + count
    made = AESCCM(key, tag_length=4).encrypt(nonce, objects, None)
    return bytes([info]) + (mac[::-1] if info & 2 else b"") + made[:-4] + count + made[-4:]
