"""Every driver of ours, and the example of a package of its own, does what every driver must."""

from typing import Any

import pytest

from logger.conformance import Conformance
from tests.drivers.benches import BthomeBench, EssBench, GattMapBench, LineBench, SimBench, TwoChannelBench


class TestLineProbe(Conformance):
    @pytest.fixture
    def bench(self) -> LineBench:
        return LineBench()


class TestSim(Conformance):
    @pytest.fixture
    def bench(self) -> SimBench:
        return SimBench()


@pytest.fixture
def bus(private_bus: str, bluez_process: Any, monkeypatch: pytest.MonkeyPatch) -> tuple[str, Any]:
    """What a probe on the BlueZ mock is made of."""
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
    return private_bus, bluez_process


@pytest.mark.bluetooth
class TestEss(Conformance):
    @pytest.fixture
    def bench(self, bus: tuple[str, Any]) -> EssBench:
        return EssBench(*bus)


@pytest.mark.bluetooth
class TestTwoChannels(Conformance):
    @pytest.fixture
    def bench(self, bus: tuple[str, Any]) -> TwoChannelBench:
        return TwoChannelBench(*bus)


@pytest.mark.bluetooth
class TestGattMap(Conformance):
    @pytest.fixture
    def bench(self, bus: tuple[str, Any]) -> GattMapBench:
        return GattMapBench(*bus)


@pytest.mark.bluetooth
class TestBthome(Conformance):
    @pytest.fixture
    def bench(self, bus: tuple[str, Any]) -> BthomeBench:
        return BthomeBench(*bus)
