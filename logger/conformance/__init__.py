"""What every driver must do, as tests that a driver's author runs: see ``suite.Conformance``.

Needs no test framework by itself; with pytest a driver is tested by these lines::

    class TestMyDriver(Conformance):
        @pytest.fixture
        def bench(self): return MyBench()
"""

from logger.conformance.bench import Bench
from logger.conformance.heard import NonconformingError
from logger.conformance.suite import Conformance

__all__ = ["Bench", "Conformance", "NonconformingError"]
