"""Charge and energy of any time: whole UTC days as they are kept, the rest from minutes.

A digest is about the day until this morning, not about a day of UTC. Minutes are counted as samples
are (`history.charge`), each by its means and in its middle; that a current changes its sign within
a minute is lost, and so is the half minute at either end.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from watchd.digest.schedule import DAY_S
from watchd.history.charge import Counter, Throughput
from watchd.history.summaries import MINUTE_S, Day, Minute

Range = tuple[float, float]


def parts(begin: float, end: float) -> tuple[Range | None, list[Range]]:
    """The whole UTC days of a time, together, and what is left of it before and after them."""
    first, last = math.ceil(begin / DAY_S) * DAY_S, math.floor(end / DAY_S) * DAY_S
    if last <= first:
        return None, [(begin, end)]
    return (first, last), [(a, b) for a, b in ((begin, first), (last, end)) if a < b]


def of_days(days: Iterable[Day]) -> Throughput:
    """Of all of them."""
    return sum((day.through for day in days), Throughput())


def of_minutes(minutes: Iterable[Minute]) -> Throughput:
    """Of minutes in the order of time."""
    counter = Counter()
    at: list[float] = []
    volts: list[float | None] = []
    amps: list[float | None] = []
    for minute in minutes:
        at.append(minute.at + MINUTE_S / 2)
        volts.append(None if minute.voltage_v is None else minute.voltage_v.mean)
        amps.append(None if minute.current_a is None else minute.current_a.mean)
    counter.take(at, volts, amps)
    return counter.result()
