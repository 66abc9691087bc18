"""The ``mqtt-in`` driver does what every driver must, with a real broker."""

import pytest

from logger.conformance import Conformance
from tests.broker.conftest import Mosquitto
from tests.drivers.benches import MqttBench

pytestmark = pytest.mark.broker


class TestMqttIn(Conformance):
    @pytest.fixture
    def bench(self, mosquitto: Mosquitto) -> MqttBench:
        return MqttBench(mosquitto)
