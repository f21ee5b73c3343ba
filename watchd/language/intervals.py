"""Intervals of numbers: what arithmetic makes of them, and how two of them can compare.

Bounds go through the arithmetic as the values would, so that they hold in floating point too.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isnan, nextafter

TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Gt: ast.Lt, ast.Lt: ast.Gt, ast.GtE: ast.LtE, ast.LtE: ast.GtE,
    ast.Eq: ast.Eq, ast.NotEq: ast.NotEq,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Interval:
    """What a number can be: from `low` to `high`, both included unless infinite."""

    low: float = -inf
    high: float = inf


def comparable(one: Interval, op: type[ast.cmpop], other: Interval) -> bool:
    """Whether some value of one compares so with some value of the other."""
    if op is ast.NotEq:
        return not one.low == one.high == other.low == other.high
    left = cut_to(one, op, other)
    return left.low <= left.high


def cut_to(one: Interval, op: type[ast.cmpop], other: Interval) -> Interval:
    """What is left of `one` where it compares so with some value of `other`."""
    if op is ast.Gt:
        return Interval(max(one.low, nextafter(other.low, inf)), one.high)
    if op is ast.GtE:
        return Interval(max(one.low, other.low), one.high)
    if op is ast.Lt:
        return Interval(one.low, min(one.high, nextafter(other.high, -inf)))
    if op is ast.LtE:
        return Interval(one.low, min(one.high, other.high))
    if op is ast.Eq:
        return Interval(max(one.low, other.low), min(one.high, other.high))
    return one


def moved(interval: Interval, by: float) -> Interval:
    return Interval(interval.low + by, interval.high + by)


def _hull(values: list[float]) -> Interval:
    return Interval() if any(isnan(v) for v in values) else Interval(min(values), max(values))


def _added(one: Interval, other: Interval) -> Interval:
    return _hull([one.low + other.low, one.high + other.high])


def _subtracted(one: Interval, other: Interval) -> Interval:
    return _hull([one.low - other.high, one.high - other.low])


def _multiplied(one: Interval, other: Interval) -> Interval:
    # No value is infinite: nothing times ever so much is nothing.
    return _hull(
        [
            0.0 if 0.0 in (a, b) else a * b
            for a in (one.low, one.high)
            for b in (other.low, other.high)
        ]
    )


def _divided(one: Interval, other: Interval) -> Interval:
    if other.low <= 0.0 <= other.high:
        return Interval()
    # Ever so much over ever so much is between what the other ends give.
    quotients = [a / b for a in (one.low, one.high) for b in (other.low, other.high)]
    return _hull([0.0 if isnan(q) else q for q in quotients])


ARITHMETIC: dict[type[ast.operator], Callable[[Interval, Interval], Interval]] = {
    ast.Add: _added,
    ast.Sub: _subtracted,
    ast.Mult: _multiplied,
    ast.Div: _divided,
}
