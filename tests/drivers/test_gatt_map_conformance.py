"""The ``gatt-map`` driver under the hand of the conformance suite, connected and listening."""

from typing import Any

import pytest

from drivers.adverts import Pace
from drivers.gatt_map.driver import GattMapDriver, MappedConnection
from drivers.gatt_map.model import ProbeMap
from logger.conformance import Conformance
from logger.driver_api import ProbeRequest
from tests.drivers.benches import BthomeBench, EssBench
from tests.drivers.conftest import ADDRESSES, Air

pytestmark = pytest.mark.bluetooth
VALUE = {"quantity": "temperature", "unit": "degC", "format": "sint16", "scale": 0.01}


class QuickConnection(MappedConnection):
    search_s, silence_s, ask_after_s = 2.5, 1.0, 0.2


class Quick(GattMapDriver):
    Connecting = QuickConnection
    listening_pace = Pace(silence_s=1.5, unknown_s=4.0, look_s=0.1)


def mapped(**keys: Any) -> ProbeRequest:
    """The bench's probe, with a map of one temperature."""
    whole = {"schema": "riselog.gatt-map/1", "title": "made", "value": [{**VALUE, **keys}]}
    content = ProbeMap.model_validate(whole).model_dump()
    return Air.request("ret", address=ADDRESSES[1], map=content)


class ConnectedBench(EssBench):
    driver = Quick

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.probes = [mapped(service="181a", characteristic="2a6e", length=2, not_known=[0x8000])]


class ListeningBench(BthomeBench):
    """Packets of the bench's format, which have the temperature where the map says."""

    driver, garbage = Quick, 1  # what is wrong with packets is said once a run

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self.probes = [mapped(service_data="fcd2", length=6, offset=4)]


class TestConnected(Conformance):
    @pytest.fixture
    def bench(self, private_bus: str, bluez_process: Any, monkeypatch: pytest.MonkeyPatch) -> ConnectedBench:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
        return ConnectedBench(private_bus, bluez_process)


class TestListening(Conformance):
    @pytest.fixture
    def bench(self, private_bus: str, bluez_process: Any, monkeypatch: pytest.MonkeyPatch) -> ListeningBench:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
        return ListeningBench(private_bus, bluez_process)
