"""CPU time of the estimators for each sample of a 16-cell pack, over solar days. Prints, asserts
nothing; run it from the project's root with `python -m tests.bench.estimators [DAYS]`.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections import Counter

from tests.truth import Record, Watched, healthy, simulate
from watchd.estimators import ESTIMATORS
from watchd.estimators.estimator import Estimator
from watchd.figures import Figures
from watchd.telemetry.sample import Sample

RUNS = 3


class Clocked:
    """One estimator, and the CPU time that it took in all."""

    def __init__(self, estimator: Estimator, spent_ns: Counter[str]) -> None:
        self.estimator, self.spent_ns = estimator, spent_ns
        self.name = type(estimator).__name__

    def update(self, sample: Sample, figures: Figures) -> None:
        begin = time.thread_time_ns()
        self.estimator.update(sample, figures)
        self.spent_ns[self.name] += time.thread_time_ns() - begin


def all_us(record: Record, estimators: tuple[type[Estimator], ...]) -> float:
    """CPU time of a sample with these estimators, the making of the sample included."""
    watched = Watched(record, 0, estimators)
    begin = time.process_time()
    samples = sum(1 for _ in watched.run())
    return (time.process_time() - begin) / samples * 1e6


def each_us(record: Record) -> dict[str, float]:
    """CPU time of a sample for each estimator by itself; reading the clock is in it."""
    spent: Counter[str] = Counter()
    watched = Watched(record, 0)
    watched._estimators = [[Clocked(e, spent) for e in found] for found in watched._estimators]  # type: ignore[misc]
    samples = sum(1 for _ in watched.run())
    return {name: ns / samples / 1000 for name, ns in spent.items()}


def clock_us() -> float:
    """What reading the clock twice costs."""
    begin = time.thread_time_ns()
    for _ in range(100_000):
        time.thread_time_ns()
    return (time.thread_time_ns() - begin) / 100_000 / 1000


def main() -> None:
    """Print the table."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    record = simulate(healthy(1, [280.0], first_seed=3), days)
    bare = statistics.median(all_us(record, ()) for _ in range(RUNS))
    whole = statistics.median(all_us(record, ESTIMATORS) for _ in range(RUNS))
    print(f"{days} solar days, 16 cells, a sample each 10 s; medians of {RUNS}, CPU time")
    print(f"all estimators: {whole - bare:5.1f} us a sample (goal: at most 25)")
    clock = clock_us()
    for name, spent in sorted(each_us(record).items(), key=lambda item: -item[1]):
        print(f"  {name:<14} {max(spent - clock, 0.0):6.2f}")


if __name__ == "__main__":
    main()
