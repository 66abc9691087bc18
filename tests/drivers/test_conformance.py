"""Every driver of ours, and the example of a package of its own, does what every driver must."""

from typing import Any

import pytest

from logger.conformance import Conformance
from tests.drivers.benches import BthomeBench, EssBench, LineBench, SimBench


class TestLineProbe(Conformance):
    @pytest.fixture
    def bench(self) -> LineBench:
        return LineBench()


class TestSim(Conformance):
    @pytest.fixture
    def bench(self) -> SimBench:
        return SimBench()


@pytest.mark.bluetooth
class TestEss(Conformance):
    @pytest.fixture
    def bench(self, private_bus: str, bluez_process: Any, monkeypatch: pytest.MonkeyPatch) -> EssBench:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
        return EssBench(private_bus, bluez_process)


@pytest.mark.bluetooth
class TestBthome(Conformance):
    @pytest.fixture
    def bench(self, private_bus: str, bluez_process: Any, monkeypatch: pytest.MonkeyPatch) -> BthomeBench:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", private_bus)
        return BthomeBench(private_bus, bluez_process)
