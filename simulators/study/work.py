"""A part of a study as it travels: some trials of one setting."""

from __future__ import annotations

from dataclasses import dataclass

from logger.core.errors import RiselogError
from logger.documents import versions
from logger.faults import INTERNAL_FAULT, fault_sentence, said
from logger.many.job import Answer
from simulators.study.bench import bench_of
from simulators.study.setting import Setting
from simulators.study.trial import run_trial

PART = 20  # trials that travel together: a few seconds of one processor


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Trials ``first`` to before ``end`` of the setting that is the ``cell``-th of its study."""

    cell: int
    setting: Setting
    seed: int
    first: int
    end: int

    @property
    def label(self) -> str:
        """How the user knows it."""
        return f"{self.setting.scenario}, trials {self.first + 1} to {self.end}"

    @property
    def size(self) -> int:
        """A few names and numbers."""
        return 0

    def packed(self) -> Part:
        """It is all that is needed."""
        return self

    def answered(self) -> Answer:
        """The trials; never raises."""
        try:
            bench = bench_of(self.setting)
            trials = tuple(run_trial(bench, self.seed, number) for number in range(self.first, self.end))
        except RiselogError as error:
            return Answer(label=self.label, reason=said(error), exit_code=error.exit_code)
        except Exception as error:  # noqa: BLE001 - our own fault, told with this part
            sentence = fault_sentence(error, f"study of {self.label}")
            return Answer(label=self.label, reason=sentence, exit_code=INTERNAL_FAULT)
        return Answer(label=self.label, document={"trials": trials}, versions=versions())


def parts_of(cells: tuple[Setting, ...], trials: int, seed: int) -> list[Part]:
    """All parts; the first of every cell before the second of any, so that an early end leaves all alike."""
    return [
        Part(cell=cell, setting=setting, seed=seed, first=first, end=min(first + PART, trials))
        for first in range(0, trials, PART)
        for cell, setting in enumerate(cells)
    ]
