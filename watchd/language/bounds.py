"""What a condition can be at all, from what its figures can be: true, false, or either.

Intervals go through the arithmetic as the values would, so that a bound is exact in floating point
too. Where it is not sure, both are possible: a condition is called impossible only when it is.
What holds in one part of an `and` narrows the figures of the next, so that `x > 3.5 and x < 3.4` is
found as well. A window looks into the past: outside, nothing narrows what it saw.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Mapping
from math import inf

from watchd.durations import SECONDS, parse_duration
from watchd.figures import Figure, Kind
from watchd.language.functions import FUNCTIONS
from watchd.language.intervals import ARITHMETIC, TURNED, Interval, comparable, cut_to, moved
from watchd.language.parts import parsed

# Tests inside tests inside tests double the work each time; a person writes none of them.
MOST_STEPS = 20_000
# A mean is a quotient of sums: its last digits may be beyond those of every value.
ROUNDING = 1e-9

_NEGATED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Lt: ast.GtE, ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
# By figure: what it can be. What is not in it can be anything.
Possible = Interval | frozenset[str] | frozenset[bool]
Ranges = dict[str, Possible]
_EITHER = frozenset({True, False})


class _TooLongError(Exception):
    """The steps are used up: nothing is known."""


class Bounds:
    """What conditions over these figures can be. Takes texts that compile against them."""

    def __init__(self, figures: Mapping[str, Figure]) -> None:
        self._figures = figures
        self._ranges = {name: found for name, f in figures.items() if (found := _of_figure(f))}

    def can(self, *wanted: tuple[str, bool], deadband: Mapping[str, float] | None = None) -> bool:
        """Whether each of these conditions can have its truth, all at one moment.

        With `deadband` they are what keeps a raised alarm raised.
        """
        walk = _Walk(self._figures, self._ranges, deadband or {})
        ranges: Ranges | None = self._ranges
        try:
            for text, truth in wanted:
                if ranges is not None:
                    ranges = walk.narrowed(parsed(text), ranges, truth=truth, positive=True)
        except _TooLongError:
            return True
        return ranges is not None

    def range_of(self, text: str) -> Interval:
        """What an amount can be."""
        try:
            walk = _Walk(self._figures, self._ranges, {})
            return walk.interval(parsed(text), self._ranges)
        except _TooLongError:
            return Interval()


def _of_figure(figure: Figure) -> Possible | None:
    if figure.kind is Kind.NUMBER:
        low = -inf if figure.low is None else figure.low
        return Interval(low, inf if figure.high is None else figure.high)
    return frozenset(figure.words) if figure.kind is Kind.TEXT and figure.words else None


class _Walk:
    """One pass over a tree. `base` are the ranges that hold at any time."""

    def __init__(
        self, figures: Mapping[str, Figure], base: Ranges, deadband: Mapping[str, float]
    ) -> None:
        self._figures, self._base, self._deadband = figures, base, deadband
        self._left = MOST_STEPS

    def narrowed(
        self, node: ast.expr, ranges: Ranges, *, truth: bool, positive: bool
    ) -> Ranges | None:
        """What the figures can be while a condition has this truth; None where it never has."""
        self._left -= 1
        if self._left < 0:
            raise _TooLongError
        match node:
            case ast.Constant():
                return ranges if node.value is truth else None
            case ast.Name():
                possible = ranges.get(node.id, _EITHER)
                return {**ranges, node.id: frozenset({truth})} if truth in possible else None  # type: ignore[operator]  # a yes/no figure's
            case ast.UnaryOp():
                return self.narrowed(node.operand, ranges, truth=not truth, positive=not positive)
            case ast.BoolOp():
                every = isinstance(node.op, ast.And) is truth
                parts = [self._part(v, truth=truth, positive=positive) for v in node.values]
                return _all(parts, ranges) if every else _any(parts, ranges)
            case ast.Compare():
                parts = self._pairs(node, truth=truth, positive=positive)
                return _all(parts, ranges) if truth else _any(parts, ranges)
            case ast.IfExp():
                branches = [
                    _both(
                        self._part(node.test, truth=test, positive=True),
                        self._part(branch, truth=truth, positive=positive),
                    )
                    for test, branch in ((True, node.body), (False, node.orelse))
                ]
                return _any(branches, ranges)
            case _:
                return ranges  # changed(...)

    def _part(self, node: ast.expr, *, truth: bool, positive: bool) -> _Narrowing:
        return lambda ranges: self.narrowed(node, ranges, truth=truth, positive=positive)

    def _pairs(self, node: ast.Compare, *, truth: bool, positive: bool) -> list[_Narrowing]:
        found: list[_Narrowing] = []
        left = node.left
        for op, right in zip(node.ops, node.comparators, strict=True):
            found.append(self._pair(left, type(op), right, truth=truth, positive=positive))
            left = right
        return found

    def _pair(
        self,
        left: ast.expr,
        op: type[ast.cmpop],
        right: ast.expr,
        *,
        truth: bool,
        positive: bool,
    ) -> _Narrowing:
        asked = op if truth else _NEGATED[op]
        kinds = {self._kind(left), self._kind(right)}
        if Kind.NUMBER in kinds:
            slack = (
                self._slack(left, op, positive=positive),
                self._slack(right, TURNED[op], positive=positive),
            )
            return lambda ranges: self._numbers(left, asked, right, ranges, slack)
        if Kind.YES_NO in kinds:
            same = asked is ast.Eq
            pairs = [
                _both(
                    self._part(left, truth=one, positive=True),
                    self._part(right, truth=one is same, positive=True),
                )
                for one in (True, False)
            ]
            return lambda ranges: _any(pairs, ranges)
        return lambda ranges: self._texts(left, asked, right, ranges)

    def _slack(self, node: ast.expr, op: type[ast.cmpop], *, positive: bool) -> float:
        """What a deadband adds to one side, as in the compiled condition."""
        amount = self._deadband.get(node.id, 0.0) if isinstance(node, ast.Name) else 0.0
        above = op in (ast.Gt, ast.GtE)
        return amount if above is positive else -amount

    def _numbers(
        self,
        left: ast.expr,
        op: type[ast.cmpop],
        right: ast.expr,
        ranges: Ranges,
        slack: tuple[float, float],
    ) -> Ranges | None:
        one = moved(self._side(left, right, ranges), slack[0])
        other = moved(self._side(right, left, ranges), slack[1])
        if not comparable(one, op, other):
            return None
        found = dict(ranges)
        # A figure that a deadband moves is left as it is: taking the slack off again would round.
        if isinstance(left, ast.Name) and not slack[0]:
            found[left.id] = cut_to(one, op, other)
        if isinstance(right, ast.Name) and not slack[1]:
            found[right.id] = cut_to(other, TURNED[op], one)
        return found

    def _side(self, node: ast.expr, other: ast.expr, ranges: Ranges) -> Interval:
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            value = parse_duration(node.value) / SECONDS[self._unit(other)]
            return Interval(value, value)
        return self.interval(node, ranges)

    def _texts(
        self, left: ast.expr, op: type[ast.cmpop], right: ast.expr, ranges: Ranges
    ) -> Ranges | None:
        one, other = self._words(left, ranges), self._words(right, ranges)
        if one is None or other is None:
            # Any text may be among those asked for; and to differ from one text is always possible.
            among = op in (ast.Eq, ast.In) and other is not None
            return {**ranges, left.id: other} if among and isinstance(left, ast.Name) else ranges  # type: ignore[dict-item]  # not None by then
        if op in (ast.Eq, ast.In):
            left_over = one & other
        elif op is ast.NotEq and len(other) > 1:
            left_over = one
        else:
            left_over = one - other
        if not left_over:
            return None
        return {**ranges, left.id: left_over} if isinstance(left, ast.Name) else ranges

    def _words(self, node: ast.expr, ranges: Ranges) -> frozenset[str] | None:
        match node:
            case ast.Constant():
                return frozenset({str(node.value)})
            case ast.Tuple() | ast.List() | ast.Set():
                return frozenset(str(e.value) for e in node.elts if isinstance(e, ast.Constant))
            case ast.Name():
                return ranges.get(node.id)  # type: ignore[return-value]  # a text's
            case ast.IfExp():
                body, other = self._words(node.body, ranges), self._words(node.orelse, ranges)
                return None if body is None or other is None else body | other
            case _:
                return None

    def interval(self, node: ast.expr, ranges: Ranges) -> Interval:
        """What a number can be."""
        self._left -= 1
        if self._left < 0:
            raise _TooLongError
        match node:
            case ast.Constant():
                return Interval(float(node.value), float(node.value))  # type: ignore[arg-type]  # a number, as it compiled
            case ast.Name():
                found = ranges.get(node.id)
                return found if isinstance(found, Interval) else Interval()
            case ast.UnaryOp():
                inner = self.interval(node.operand, ranges)
                down = isinstance(node.op, ast.USub)
                return Interval(-inner.high, -inner.low) if down else inner
            case ast.BinOp():
                one, other = self.interval(node.left, ranges), self.interval(node.right, ranges)
                return ARITHMETIC[type(node.op)](one, other)
            case ast.IfExp():
                return self._branches(node, ranges)
            case ast.Call(func=ast.Name(id=name), args=[inner, ast.Constant(value=span)]):
                return self._window(name, inner, parse_duration(str(span)))
        return Interval()

    def _branches(self, node: ast.IfExp, ranges: Ranges) -> Interval:
        low, high = inf, -inf
        for test, branch in ((True, node.body), (False, node.orelse)):
            within = self.narrowed(node.test, ranges, truth=test, positive=True)
            if within is not None:
                found = self.interval(branch, within)
                low, high = min(low, found.low), max(high, found.high)
        return Interval(low, high) if low <= high else Interval()

    def _window(self, name: str, inner: ast.expr, span_s: float) -> Interval:
        """What a function can be, over any past."""
        if name in ("highest", "lowest"):
            return self.interval(inner, self._base)
        if name == "mean":
            found = self.interval(inner, self._base)
            return Interval(
                found.low - ROUNDING * abs(found.low), found.high + ROUNDING * abs(found.high)
            )
        if name == "slope":
            return Interval()
        can = {
            t: self.narrowed(inner, self._base, truth=t, positive=True) is not None
            for t in (True, False)
        }
        if name == "count":
            return Interval(0.0, inf if all(can.values()) else 0.0)
        return Interval(0.0, span_s if can[True] else 0.0)

    def _kind(self, node: ast.expr) -> Kind:
        match node:
            case ast.Constant():
                if isinstance(node.value, bool):
                    return Kind.YES_NO
                return Kind.TEXT if isinstance(node.value, str) else Kind.NUMBER
            case ast.Name():
                return self._figures[node.id].kind
            case ast.Call(func=ast.Name(id=name)):
                return FUNCTIONS[name].gives
            case ast.IfExp():
                return self._kind(node.body)
            case ast.UnaryOp():
                return Kind.YES_NO if isinstance(node.op, ast.Not) else Kind.NUMBER
            case ast.BinOp():
                return Kind.NUMBER
            case ast.BoolOp() | ast.Compare():
                return Kind.YES_NO
        return Kind.WORDS

    def _unit(self, node: ast.expr) -> str:
        match node:
            case ast.Name():
                return self._figures[node.id].unit
            case ast.Call(func=ast.Name(id=name)):
                unit = FUNCTIONS[name].unit
                return self._unit(node.args[0]) if unit is None else unit
            case ast.UnaryOp():
                return self._unit(node.operand)
            case ast.BinOp(op=ast.Add() | ast.Sub()):
                return self._unit(node.left) or self._unit(node.right)
            case ast.IfExp():
                return self._unit(node.body) or self._unit(node.orelse)
        return ""


_Narrowing = Callable[[Ranges], Ranges | None]


def _all(parts: list[_Narrowing], ranges: Ranges) -> Ranges | None:
    found: Ranges | None = ranges
    for part in parts:
        if found is None:
            return None
        found = part(found)
    return found


def _any(parts: list[_Narrowing], ranges: Ranges) -> Ranges | None:
    found = [narrowed for part in parts if (narrowed := part(ranges)) is not None]
    if len(found) == 1:
        return found[0]
    return ranges if found else None


def _both(first: _Narrowing, second: _Narrowing) -> _Narrowing:
    return lambda ranges: _all([first, second], ranges)
