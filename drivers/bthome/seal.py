"""Encrypted BTHome v2 packets: AES-128 in CCM mode, and the counter that tells old ones.

Source: the open BTHome v2 format document, section on encryption. A packet is device information, the
address where bit 1 tells so, ciphertext, counter (4 bytes) and integrity code (4 bytes); the
nonce is address, UUID, device information and counter; there is no associated data.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from drivers.bthome.decode import first_object
from drivers.bthome.table import ADDRESS_BIT, ENCRYPTED_BIT, SERVICE_UUID
from logger.driver_api import DecodeError

COUNTER_LENGTH = 4  # bytes
CODE_LENGTH = 4  # bytes of the message integrity code
KEY = re.compile(r"[0-9A-Fa-f]{32}")  # 128 bits
ADDRESS = re.compile(r"[0-9A-Fa-f]{2}(?:[:-][0-9A-Fa-f]{2}){5}")
_UUID = SERVICE_UUID.to_bytes(2, "little")
RESTARTED = 100  # a counter below it may follow a higher one: wrapped or restarted; bthome-ble's rule


class SealError(DecodeError):
    """The packet is not one that was made with this key for this address."""


class OldPacketError(DecodeError):
    """A genuine packet, but from before."""


class NoAddressError(DecodeError):
    """The probe's hardware address, which is part of the nonce, is not told here."""


class Opened(NamedTuple):
    """The packet as it would be without encryption, and whether it was here already."""

    payload: bytes
    again: bool


class Seal:
    """One probe's key, and the last of its packets.

    The counter has to rise. One that falls is taken for a new start or a wrap when it is below
    ``RESTARTED``, else for an old packet sent again; after ``forget`` any counter will do. The same
    packet once more is a repeat, at any time: a new one would have a new counter.
    """

    def __init__(self, key: bytes, address: str | None = None) -> None:
        from cryptography.hazmat.primitives.ciphers.aead import AESCCM  # noqa: PLC0415 - slow to load

        self._cipher = AESCCM(key, tag_length=CODE_LENGTH)
        self._address = address
        self._last: tuple[int, bytes] | None = None

    def open(self, payload: bytes, heard_address: str) -> Opened:
        """Decrypt a packet that came from that address.

        Raises
        ------
        NoAddressError, SealError, OldPacketError
            See there.
        DecodeError
            Too short to be encrypted, or not version 2.
        """
        start = first_object(payload)
        code_at = len(payload) - CODE_LENGTH
        counter_at = code_at - COUNTER_LENGTH
        if counter_at < start:
            raise DecodeError("an encrypted advertisement is cut short", payload)
        counter = payload[counter_at:code_at]
        nonce = b"".join(
            (self._nonce_address(payload, heard_address), _UUID, payload[:1], counter),
        )
        objects = self._decrypted(nonce, payload[start:counter_at] + payload[code_at:])
        again = self._in_order(int.from_bytes(counter, "little"), payload)
        return Opened(bytes([payload[0] & ~ENCRYPTED_BIT]) + payload[1:start] + objects, again)

    def forget(self) -> None:
        """Any counter may come next."""
        self._last = None

    def _nonce_address(self, payload: bytes, heard: str) -> bytes:
        """The six bytes in the order in which an address is written."""
        if payload[0] & ADDRESS_BIT:
            return payload[1 : first_object(payload)][::-1]
        text = self._address or heard
        if ADDRESS.fullmatch(text) is None:
            raise NoAddressError("the system does not tell the address that its packets are encrypted with")
        return bytes.fromhex(re.sub("[:-]", "", text))

    def _decrypted(self, nonce: bytes, data: bytes) -> bytes:
        from cryptography.exceptions import InvalidTag  # noqa: PLC0415 - slow to load

        try:
            return self._cipher.decrypt(nonce, data, None)
        except InvalidTag:
            raise SealError("an advertisement cannot be decrypted with its bind key") from None

    def _in_order(self, counter: int, payload: bytes) -> bool:
        """Whether the packet was here already."""
        if self._last is not None:
            last, last_payload = self._last
            if counter < last and counter >= RESTARTED:
                raise OldPacketError("an old advertisement was sent again", payload)
            if payload == last_payload:
                return True
        self._last = counter, payload
        return False
