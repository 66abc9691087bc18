"""How a steady stretch behaves beside its means: its line, its batches, its drift, its single probes."""

from __future__ import annotations

from logger.core.batches import Batches
from logger.core.coil import CoilReader
from logger.core.ledger import COLUMN, Ledger, Row, Sums
from logger.core.line import Mark
from logger.core.sides import Sides, SideSums
from logger.core.steady import OUTPUT, SteadyDetector
from logger.core.stretch import BLOCK_S, Stretch, drifts_k_s


class Evidence:
    """Gathers it from the beginning of a stretch, and gives it for any end of it."""

    def __init__(
        self, detector: SteadyDetector, ledger: Ledger, sides: Sides, coil: CoilReader | None
    ) -> None:
        self._detector = detector
        self._ledger = ledger
        self._sides = sides
        self._coil = coil
        self._coil_sums: Sums = ()
        self._start_s = 0
        self._head: tuple[Sums, Sums] = ((), ())
        self._side: SideSums | None = None
        self._mark: Mark | None = None
        self._batches: Batches | None = None

    def begin(self, tick: int, start_s: int) -> None:
        """A stretch is found at ``tick``, begun at ``start_s``."""
        series = self._detector.series
        back = (tick - start_s) // self._detector.grid_s
        self._start_s = start_s
        self._mark = series.mark(back)
        self._batches = Batches(series, back)
        self._head = self._ledger.at(start_s), self._ledger.at(start_s + BLOCK_S)
        self._side = self._sides.at(start_s)
        if self._coil is not None:
            self._coil_sums = self._coil.at(start_s)

    def grow(self) -> None:
        """The series has a new point."""
        if self._batches is not None:
            self._batches.grow(self._detector.series)

    def clear(self) -> None:
        """The series has been cleared: what is known of places in it is void."""
        self._mark = self._batches = None

    def velocity_m_s(self, start_s: int, end_s: int) -> float | None:
        """Mean velocity between two times, where ``Sides`` follows it."""
        return self._sides.between(self._sides.at(start_s), self._sides.at(end_s)).velocity_m_s

    def until(self, tick: int, end_s: int, mean: Row) -> Stretch | None:
        """What is known at ``tick`` of the stretch up to ``end_s``; None once the series is cleared."""
        detector, coil = self._detector, self._coil
        if self._mark is None or self._batches is None or self._side is None:
            return None
        series, grid_s = detector.series, detector.grid_s
        back = max((tick + 1 - end_s) // grid_s, 0)
        floor_w = detector.floor * abs(mean[COLUMN.output_w] / (mean[COLUMN.rise_k] or 1.0))
        side = self._sides.between(self._side, self._sides.at(end_s))
        return Stretch(
            line=series.line_since(self._mark, OUTPUT, back=back, floor=floor_w),
            grid_s=grid_s,
            tau_s=detector.tau_s,
            batch_w=self._batches.mean_u(OUTPUT, series.length - back),
            drifts_k_s=self._drifts_k_s(end_s),
            probes_c=side.probes_c,
            supply_humidity=side.humidity,
            velocity_m_s=side.velocity_m_s,
            coil=None if coil is None else coil.between(self._coil_sums, coil.at(end_s)),
        )

    def _drifts_k_s(self, end_s: int) -> tuple[float, float]:
        """Change of supply and entering temperature, from both ends of the stretch, K/s."""
        block_s = min(BLOCK_S, (end_s - self._start_s) // 2)
        after = self._head[1] if block_s == BLOCK_S else self._ledger.at(self._start_s + block_s)
        tail = self._ledger.at(end_s - block_s), self._ledger.at(end_s)
        return drifts_k_s((self._head[0], after), tail, end_s - self._start_s - block_s)
