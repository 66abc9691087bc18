"""What the benches rely on in the mock of the Bluetooth service, beyond what it does by itself."""

from typing import Any

import pytest

from drivers.bthome.driver import BthomeDriver
from logger.driver_api import Quantity

pytestmark = pytest.mark.bluetooth


async def test_what_is_sent_at_once_after_the_first_packet_is_heard(air: Any) -> None:
    remote, log = await air.remote(), air.log()
    async with air.running(BthomeDriver([air.request(address=remote.address)], log.context())):
        for round_ in range(1, 4):
            await remote.advertise(service_data=bytes.fromhex("4002ca09"))  # 25.06 degC
            packet = b"\x40\x02" + (1000 + round_).to_bytes(2, "little")
            await remote.advertise(service_data=packet)
            await log.until(lambda n=round_: 10.0 + n / 100 in log.values(Quantity.TEMPERATURE))
            await remote.hide()
