"""The goal of a suggestion that is obeyed, and a table of how watchd meets it.

Goal, in every scenario and with every delay: no trip where the clairvoyant has none, the end of
charge after at most 1.10 times its time, and at least 0.99 times its charge delivered by then.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tests.truth.loop.controllers import Clairvoyant, Fixed, Taper
from tests.truth.loop.learning import DAYS, learned
from tests.truth.loop.run import Outcome, run
from tests.truth.loop.scenarios import Scenario

DELAYS_S = (1.0, 10.0, 30.0)
MOST_TIME, LEAST_CHARGE = 1.10, 0.99

HEAD = (
    "              |   best  |              watchd               |     taper     |no\n"
    "scenario     s|  min  Ah|time  t99 charge trip  high rises A|time charge trip|trip"
)


@dataclass(frozen=True, slots=True)
class Row:
    """A scenario with one delay: the clairvoyant, watchd, and the two baselines."""

    name: str
    delay_s: float
    best: Outcome
    watchd: Outcome
    taper: Outcome
    unlimited: Outcome

    def time(self, found: Outcome) -> float:
        """Time to the end of charge, over the clairvoyant's."""
        return found.end_s / self.best.end_s

    def charge(self, found: Outcome) -> float:
        """Charge until the end, over the clairvoyant's."""
        return found.end_ah / self.best.end_ah

    def time_to_most(self, found: Outcome) -> float | None:
        """Time to 0.99 of the clairvoyant's charge, over the clairvoyant's."""
        most_ah = LEAST_CHARGE * self.best.end_ah
        needed, best = found.seconds_to(most_ah), self.best.seconds_to(most_ah)
        return needed / best if needed is not None and best else None

    def missed(self, found: Outcome) -> list[str]:
        """What of the goal a controller misses."""
        what = [] if found.ended else ["no end"]
        if found.trips > 0 and self.best.trips == 0:
            what.append(f"{found.trips} trips")
        if self.time(found) > MOST_TIME:
            what.append(f"time {self.time(found):.3f}")
        if self.charge(found) < LEAST_CHARGE:
            what.append(f"charge {self.charge(found):.3f}")
        return what

    def __str__(self) -> str:
        best, watchd, taper = self.best, self.watchd, self.taper
        most = self.time_to_most(watchd)
        count, amps = watchd.rises
        return (
            f"{self.name:<12}{self.delay_s:2.0f}|{best.end_s / 60:5.1f} {best.end_ah:3.0f}|"
            f"{self.time(watchd):4.2f} {'   -' if most is None else f'{most:4.2f}'}"
            f" {self.charge(watchd):6.3f} {watchd.trips:4d} {watchd.highest_v:5.3f}"
            f" {count:3d} {amps:4.0f}|"
            f"{self.time(taper):4.2f} {self.charge(taper):6.3f} {taper.trips:2d}|"
            f"{self.unlimited.trips:2d}"
        )


def rows(
    scenario: Scenario,
    delays_s: Iterable[float] = DELAYS_S,
    *,
    days: float = DAYS,
    cold_engine: bool = False,
) -> Iterator[Row]:
    """The table's rows of one scenario, which share the days before."""
    start = learned(scenario, days, engine=not cold_engine)
    best = run(scenario, start, Clairvoyant(scenario))
    unlimited = run(scenario, start, Fixed())
    for delay_s in delays_s:
        yield Row(
            scenario.name,
            delay_s,
            best,
            run(scenario, start, start.obeyed(delay_s)),
            run(scenario, start, Taper(scenario, delay_s)),
            unlimited,
        )
