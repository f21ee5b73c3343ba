"""A condition taken apart: its comparisons, each with figure, limit and place in the text.

The compiled condition answers yes or no; this is for people who ask why, and for what varies a
limit or tries values around it. Nothing here runs when a sample comes.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

from watchd.durations import SECONDS, parse_duration
from watchd.figures import Figure, Kind, Value
from watchd.language.expression import Expression, ExpressionError, compile_expression

_OPERATORS: dict[type[ast.cmpop], str] = {
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Eq: "==",
    ast.NotEq: "!=",
    ast.In: "in",
    ast.NotIn: "not in",
}
_TURNED = {">": "<", ">=": "<=", "<": ">", "<=": ">="}


class Joined(StrEnum):
    """How a part is made of parts."""

    ALL = "all"  # and
    ANY = "any"  # or
    NOT = "not"
    NONE = "none"  # a comparison, or a figure that is yes or no


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a comparison. `name` where it is a figure alone, `number` where a plain one."""

    text: str
    expression: Expression | None  # None: a list of words
    name: str | None
    number: float | None  # a quoted duration is in the unit of the other side

    def value(self, figures: Mapping[str, Value], windows: Mapping[str, Value]) -> Any:
        """Its value; `windows` by the text of the call, as `Condition.windows` gives them."""
        if self.number is not None:
            return self.number
        return None if self.expression is None else _value(self.expression, figures, windows)


@dataclass(frozen=True, slots=True)
class Limit:
    """A figure, or a function of one, held against a limit: `cell_spread_mv > 40`.

    `operator` is as seen from the figure, also where the text has it on the right. `slack` is what
    a deadband adds to the figure while the alarm is raised, positive or negative.
    """

    figure: Side
    operator: str
    limit: Side
    unit: str
    slack: float = 0.0


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a condition. `start` and `width` are its place in the condition's text."""

    text: str
    start: int
    width: int
    joined: Joined
    parts: tuple[Part, ...]
    expression: Expression  # yes/no
    limit: Limit | None = None

    def truth(self, figures: Mapping[str, Value], windows: Mapping[str, Value]) -> bool | None:
        """Whether it holds; None for unknown."""
        found: bool | None = _value(self.expression, figures, windows)
        return found

    def leaves(self) -> Iterator[Part]:
        """Its comparisons and yes/no figures, in the order of the text."""
        if not self.parts:
            yield self
        for part in self.parts:
            yield from part.leaves()


def parts_of(
    text: str, figures: Mapping[str, Figure], deadband: Mapping[str, float] | None = None
) -> Part:
    """Take a condition apart that compiles against `figures`.

    With `deadband` it is the condition under which a raised alarm stays raised. Raises
    ExpressionError for a text that does not compile.
    """
    compile_expression(text, figures, deadband=deadband)
    splitter = _Splitter(text, figures, deadband or {})
    return splitter.part(splitter.tree, positive=True)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A comparison anywhere in a condition or an amount."""

    part: Part
    limit: Limit
    in_window: bool
    negated: bool  # below an odd number of `not`


def comparisons_in(text: str, figures: Mapping[str, Figure]) -> Iterator[Comparison]:
    """Every comparison of a condition or an amount, also inside of functions.

    Raises ExpressionError for a text that does not compile.
    """
    compile_expression(text, figures, want=None)
    splitter = _Splitter(text, figures, {})
    yield from splitter.comparisons(splitter.tree, in_window=False, negated=False)


def parsed(text: str) -> ast.expr:
    """The tree of a text that compiles."""
    return ast.parse(text.replace("\n", " ").strip(), mode="eval").body


def _value(
    expression: Expression, figures: Mapping[str, Value], windows: Mapping[str, Value]
) -> Any:
    return expression.evaluate(figures, [windows.get(call.text) for call in expression.calls])


class _Splitter:
    def __init__(
        self, text: str, figures: Mapping[str, Figure], deadband: Mapping[str, float]
    ) -> None:
        flat = text.replace("\n", " ")
        self._lead = len(flat) - len(flat.lstrip())
        self._line = flat.strip()
        self._figures, self._deadband = figures, deadband
        self.tree = parsed(text)

    def comparisons(self, node: ast.AST, *, in_window: bool, negated: bool) -> Iterator[Comparison]:
        if isinstance(node, ast.Compare):
            for pair in self._pairs(node, positive=True):
                if pair.limit is not None:
                    yield Comparison(pair, pair.limit, in_window, negated)
        in_window = in_window or isinstance(node, ast.Call)
        negated = negated is not (isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not))
        for child in ast.iter_child_nodes(node):
            yield from self.comparisons(child, in_window=in_window, negated=negated)

    def part(self, node: ast.expr, *, positive: bool) -> Part:
        match node:
            case ast.BoolOp():
                joined = Joined.ALL if isinstance(node.op, ast.And) else Joined.ANY
                inner = tuple(self.part(value, positive=positive) for value in node.values)
                return self._whole(node, joined, inner)
            case ast.UnaryOp(op=ast.Not()):
                turned = self.part(node.operand, positive=not positive)
                return self._whole(node, Joined.NOT, (turned,))
            case ast.Compare() if len(node.ops) > 1:
                inner = tuple(self._pairs(node, positive=positive))
                return self._whole(node, Joined.ALL, inner)
            case ast.Compare():
                return next(self._pairs(node, positive=positive))
            case _:
                return self._alone(node, positive=positive)

    def _alone(self, node: ast.expr, *, positive: bool) -> Part:
        """What is no comparison: a figure, or an `if` whose branches may have limits."""
        part = self._whole(node, Joined.NONE, ())
        if not isinstance(node, ast.IfExp):
            return part
        slack = {}
        for name in part.expression.names:
            if name in self._deadband:
                amount = self._deadband[name]
                moved = {name: amount if positive else -amount}
                with suppress(ExpressionError):  # no limit is put on it here
                    self._compiled(part.text, moved)
                    slack.update(moved)
        return replace(part, expression=self._compiled(part.text, slack)) if slack else part

    def _whole(self, node: ast.expr, joined: Joined, parts: tuple[Part, ...]) -> Part:
        start, end = self._place(node)
        text = self._line[start:end]
        return Part(text, self._lead + start, end - start, joined, parts, self._compiled(text))

    def _pairs(self, node: ast.Compare, *, positive: bool) -> Iterator[Part]:
        left = node.left
        for op, right in zip(node.ops, node.comparators, strict=True):
            start, end = self._place(left)[0], self._place(right)[1]
            if len(node.ops) == 1:
                start, end = self._place(node)  # with brackets around a side
            one, other = self._operand(left), self._operand(right)
            operator = _OPERATORS[type(op)]
            text = self._line[start:end] if len(node.ops) == 1 else f"{one} {operator} {other}"
            limit = self._limit(left, operator, right, positive=positive)
            expression = self._compiled(text, self._slack_of(limit))
            yield Part(text, self._lead + start, end - start, Joined.NONE, (), expression, limit)
            left = right

    def _limit(
        self, left: ast.expr, operator: str, right: ast.expr, *, positive: bool
    ) -> Limit | None:
        one, other = self._side(left), self._side(right)
        unit_one, unit_other = _unit(one), _unit(other)
        one, other = _as_duration(one, unit_other), _as_duration(other, unit_one)
        unit = unit_one or unit_other
        on_right = one.name is None and (other.name is not None or one.number is not None)
        if on_right and operator in _TURNED:
            one, other, operator = other, one, _TURNED[operator]
        amount = self._deadband.get(one.name or "")
        above = operator in (">", ">=")
        slack = 0.0 if amount is None else (amount if above == positive else -amount)
        return Limit(one, operator, other, unit, slack)

    def _slack_of(self, limit: Limit | None) -> dict[str, float]:
        if limit is None or limit.figure.name is None or not limit.slack:
            return {}
        # Below an odd number of `not` the deadband works the other way.
        above = limit.operator in (">", ">=")
        return {limit.figure.name: limit.slack if above else -limit.slack}

    def _side(self, node: ast.expr) -> Side:
        text = self._text(node)
        if isinstance(node, ast.Tuple | ast.List | ast.Set):
            return Side(text, None, None, None)
        expression = compile_expression(text, self._figures, want=None)
        name = node.id if isinstance(node, ast.Name) else None
        constant = expression.kind is Kind.NUMBER and not expression.names
        number = expression.evaluate({}, ()) if constant and not expression.calls else None
        return Side(text, expression, name, number)

    def _compiled(self, text: str, deadband: Mapping[str, float] | None = None) -> Expression:
        return compile_expression(text, self._figures, deadband=deadband)

    def _text(self, node: ast.expr) -> str:
        start, end = self._place(node)
        return self._line[start:end]

    def _operand(self, node: ast.expr) -> str:
        """A side of a comparison, in brackets where it would not stand without."""
        loose = isinstance(node, ast.IfExp | ast.BoolOp | ast.Compare)
        loose = loose or (isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not))
        return f"({self._text(node)})" if loose else self._text(node)

    def _place(self, node: ast.expr) -> tuple[int, int]:
        """First and last + 1 character of a node; Python counts bytes of UTF-8."""
        raw = self._line.encode()
        return len(raw[: node.col_offset].decode()), len(raw[: node.end_col_offset].decode())


def _unit(side: Side) -> str:
    unit = side.expression.unit if side.expression is not None else ""
    return "" if unit == "*" else unit


def _as_duration(side: Side, unit: str) -> Side:
    expression = side.expression
    if unit in SECONDS and expression is not None and expression.kind is Kind.TEXT:
        text = expression.evaluate({}, ()) if not expression.names else None
        if isinstance(text, str):
            return Side(side.text, None, None, parse_duration(text) / SECONDS[unit])
    return side
