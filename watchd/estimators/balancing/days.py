"""The days of a balancer: what is kept of each, and a month of them in little memory."""

from __future__ import annotations

from array import array
from dataclasses import astuple, dataclass, fields
from math import isnan, nan

KEPT = 30  # days; older ones say little of now


@dataclass(frozen=True, slots=True)
class Day:
    """A day's last full. Times in s, hours since the point before."""

    began: float  # the first full of the day
    at: float
    spread_mv: float
    imbalance_ah: float | None
    steep: bool  # the lowest cell was above the knee
    window_h: float  # a cell above the balancer's start voltage
    worked_h: float  # and a spread that it works on
    watched_h: float


_NUMBERS = len(fields(Day))


def packed(days: list[Day]) -> array[float]:
    """The last of them as bare numbers, for objects would be most of what is kept of a month."""
    numbers = array("d")
    for day in days[-KEPT:]:
        numbers.extend(nan if value is None else value for value in astuple(day))
    return numbers


def unpacked(numbers: array[float]) -> list[Day]:
    """The inverse of `packed`."""
    days = []
    for i in range(0, len(numbers), _NUMBERS):
        began, at, spread_mv, imbalance_ah, steep, *hours = numbers[i : i + _NUMBERS]
        known_ah = None if isnan(imbalance_ah) else imbalance_ah
        days.append(Day(began, at, spread_mv, known_ah, bool(steep), *hours))
    return days
