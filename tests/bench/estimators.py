"""CPU time of the estimators for each sample of a 16-cell pack, over solar days. Prints, asserts
nothing; run it from the project's root with `python -m tests.bench.estimators [DAYS]`.

The record is run once, and what is new with each sample kept. Then any of the estimators take it
beside the figures that all wrote, with no clock read in between; what the loop takes with none is
taken off. By itself an estimator is faster than among others, whose code and data share the
processor's caches.
"""

from __future__ import annotations

import gc
import sys
import time
from collections.abc import Callable, Sequence
from typing import Any

from tests.truth import Record, Watched, healthy, simulate
from watchd.estimators import ESTIMATORS
from watchd.estimators.estimator import Estimator, Setting
from watchd.figures import Figures
from watchd.telemetry.sample import Sample

RUNS = 5
GOAL_US = 12


class Recorder:
    """An estimator that comes last: each sample, and the figures that are new with it."""

    def __init__(self, setting: Setting, saved: dict[str, Any] | None = None) -> None:
        del saved
        self.setting = setting
        self.steps: list[tuple[Sample, Figures]] = []
        self._last: Figures = {}

    def snapshot(self) -> dict[str, Any]:
        """It does not go on."""
        return {}

    def update(self, sample: Sample, figures: Figures) -> None:
        """Keep the sample."""
        last = self._last
        self.steps.append((sample, {n: v for n, v in figures.items() if last.get(n, n) != v}))
        self._last = dict(figures)


class Idle(Recorder):
    """An estimator that does nothing."""

    def update(self, sample: Sample, figures: Figures) -> None:
        """Nothing."""


def least_us(run: Callable[[], int]) -> float:
    """The least CPU time that a sample took in some runs; `run` tells how many there were."""
    found = []
    for _ in range(RUNS):
        gc.collect()
        begin = time.process_time()
        samples = run()
        found.append((time.process_time() - begin) / samples * 1e6)
    return min(found)


class Bench:
    """A record of one pack, with all that its estimators said."""

    def __init__(self, record: Record) -> None:
        watched = Watched(record, 0, (*ESTIMATORS, Recorder))
        for _ in watched.run():
            pass
        recorder = watched._estimators[0][-1]
        assert isinstance(recorder, Recorder)
        self._setting, self._steps = recorder.setting, recorder.steps
        self._idle_us = least_us(lambda: self._run((Idle,)))

    def us(self, made: Sequence[type[Estimator]]) -> float:
        """CPU time of a sample with these estimators."""
        return least_us(lambda: self._run(made)) - self._idle_us

    def _run(self, made: Sequence[type[Estimator]]) -> int:
        estimators, figures = [each(self._setting) for each in made], Figures()
        for sample, renewed in self._steps:
            # What those say that are not here; for those that are, it is what they say.
            figures.update(renewed)
            for estimator in estimators:
                estimator.update(sample, figures)
        return len(self._steps)


def folder(made: type[Estimator]) -> str:
    """The folder that an estimator is in."""
    return made.__module__.split(".")[-2]


def main() -> None:
    """Print the table."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    bench = Bench(simulate(healthy(1, [280.0], first_seed=3), days))
    all_us = bench.us(ESTIMATORS)
    print(f"{days} solar days, 16 cells, a sample each 10 s; CPU time, the least of {RUNS} runs")
    print(f"all estimators: {all_us:5.1f} us a sample (goal: at most {GOAL_US})")
    print("a folder: what all take less without it; an estimator: what it takes by itself")
    for name in sorted({folder(made) for made in ESTIMATORS}):
        others = [made for made in ESTIMATORS if folder(made) != name]
        print(f"{name:<16} {all_us - bench.us(others):6.2f}")
        own = {m.__name__: bench.us([m]) for m in ESTIMATORS if folder(m) == name}
        for estimator, spent_us in sorted(own.items(), key=lambda item: -item[1]):
            print(f"  {estimator:<14} {spent_us:6.2f}")


if __name__ == "__main__":
    main()
