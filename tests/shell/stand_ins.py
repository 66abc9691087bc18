"""What several tests put in the place of the real thing."""

import numpy as np

from logger.core.readings import FLAG_CODES, Reading, ReadingBlock

UTC0 = 1_700_000_000_000_000


class HandClock:
    """A clock moved by hand; ``slept_ns`` is what a suspend adds to elapsed time only."""

    def __init__(self, t_ns: int = 0) -> None:
        self.t_ns = t_ns
        self.slept_ns = 0
        self.utc_shift_us = 0

    def now_ns(self) -> int:
        return self.t_ns + self.slept_ns

    def awake_ns(self) -> int:
        return self.t_ns

    def utc_us(self) -> int:
        return UTC0 + self.now_ns() // 1000 + self.utc_shift_us

    async def wait_until(self, t_ns: int) -> None:
        self.t_ns = max(self.t_ns, t_ns)


def block_of(readings: list[Reading]) -> ReadingBlock:
    """The same readings as columns."""
    channels = tuple(dict.fromkeys((r.probe, r.quantity) for r in readings))
    return ReadingBlock(
        channels=channels,
        seq=np.array([r.seq for r in readings], np.int64),
        t_ns=np.array([r.t_ns for r in readings], np.int64),
        channel=np.array([channels.index((r.probe, r.quantity)) for r in readings], np.int32),
        value=np.array([r.value for r in readings], np.float64),
        flag=np.array([FLAG_CODES.index(r.flag) for r in readings], np.int8),
        utc_us=np.array([r.utc_us for r in readings], np.int64),
        arrival_ns=np.array([r.arrival_ns for r in readings], np.int64),
    )
