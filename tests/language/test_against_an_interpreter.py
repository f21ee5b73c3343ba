"""Random conditions: the compiled code against a plain interpreter of the same tree."""

from __future__ import annotations

import ast
import math
import operator
from collections.abc import Callable, Mapping
from random import Random
from typing import Any

import pytest
from hypothesis import event, given, settings

from tests.language.conditions import Author, authors, written
from tests.language.vocabulary import compiled
from watchd.figures import Value
from watchd.language.expression import ExpressionError

STEADY = settings(deadline=None, derandomize=True, database=None)
_OPERATIONS: dict[type[ast.AST], Callable[[Any, Any], Any]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Gt: operator.gt,
    ast.GtE: operator.ge,
    ast.Lt: operator.lt,
    ast.LtE: operator.le,
    ast.Eq: operator.eq,
    ast.NotEq: operator.ne,
    ast.In: lambda one, many: one in many,
    ast.NotIn: lambda one, many: one not in many,
}


def interpret(node: ast.expr, given: Mapping[str, Value]) -> Any:
    """What a condition is, by the words of the manual and Python's own arithmetic."""

    def of(part: ast.expr) -> Any:
        return interpret(part, given)

    match node:
        case ast.Name():
            return given[node.id]
        case ast.Constant():
            return node.value
        case ast.Tuple() | ast.List():
            return [of(element) for element in node.elts]
        case ast.UnaryOp(op=ast.Not()):
            inner = of(node.operand)
            return None if inner is None else not inner
        case ast.UnaryOp(op=ast.USub()):
            inner = of(node.operand)
            return None if inner is None else -inner
        case ast.UnaryOp():
            return of(node.operand)
        case ast.IfExp():
            test = of(node.test)
            return None if test is None else of(node.body if test else node.orelse)
        case ast.BoolOp():
            # True is 1, False 0, unknown between: `and` is the least, `or` the greatest.
            rank = {True: 1.0, None: 0.5, False: 0.0}
            parts = [of(part) for part in node.values]
            choose: Any = min if isinstance(node.op, ast.And) else max
            return choose(parts, key=lambda part: rank[part])
        case ast.BinOp():
            return arithmetic(node.op, of(node.left), of(node.right))
        case ast.Compare():
            sides = [of(side) for side in (node.left, *node.comparators)]
            found = [
                None if None in (a, b) else _OPERATIONS[type(op)](a, b)
                for op, a, b in zip(node.ops, sides, sides[1:], strict=False)
            ]
            return False if False in found else None if None in found else True
    raise AssertionError(ast.dump(node))


def arithmetic(op: ast.operator, left: float | None, right: float | None) -> float | None:
    if left is None or right is None or (isinstance(op, ast.Div) and right == 0):
        return None
    value = left / right if isinstance(op, ast.Div) else _OPERATIONS[type(op)](left, right)
    return value if math.isfinite(value) else None


def check(tree: ast.expr, values: dict[str, Value]) -> None:
    text = written(tree)
    # The tree as Python reads it back, so that brackets and precedence are the text's own.
    expected = interpret(ast.parse(text, mode="eval").body, values)
    came = compiled(text).evaluate(values, ())
    assert came == expected, text
    assert (came is None) == (expected is None), text


@settings(STEADY, max_examples=250)
@given(authors)
def test_conditions(author: Author) -> None:
    check(author.condition(), author.figures())


@settings(STEADY, max_examples=250)
@given(authors)
def test_amounts(author: Author) -> None:
    check(author.amount(), author.figures())


@pytest.mark.long
def test_a_hundred_thousand() -> None:
    author = Author(Random(61508))
    for number in range(100_000):
        check(author.amount() if number % 3 == 0 else author.condition(), author.figures())


# A deadband moves limits, and only toward "still true": whatever is raised by the condition alone
# stays raised under the same figures with the deadband.
DEADBANDS: dict[str, float] = {"cell_spread_mv": 10, "cell_max_v": 0.5, "current_a": 2.5}


def check_deadband(tree: ast.expr, author: Author) -> str:
    """What became of it: taken, or why not."""
    text = written(tree)
    alone = compiled(text)
    # Where it matters: about the limits, on either side, within the deadband and outside.
    numbers = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant)]
    limits = [float(x) for x in numbers if isinstance(x, int | float) and abs(x) < 1000] or [0.0]
    outcome = "not concerned"
    for name, amount in DEADBANDS.items():
        if name in alone.names:
            try:
                stays = compiled(text, None, **{name: amount})
            except ExpressionError as error:
                outcome = error.what.split("'")[-1]
                continue
            outcome = "taken"
            near = [x + shift * amount for x in limits for shift in (-1.5, -0.5, 0, 0.5, 1.5)]
            for _ in range(5):
                values = author.figures(near)
                plain, moved = alone.evaluate(values, ()), stays.evaluate(values, ())
                assert not (plain is True and moved is not True), (text, values)
                assert not (moved is False and plain is not False), (text, values)
    return outcome


@settings(STEADY, max_examples=250)
@given(authors)
def test_a_deadband_only_ever_keeps_a_condition_true(author: Author) -> None:
    event(check_deadband(author.limits(), author))


def test_deadbands_two_thousand_times() -> None:
    author = Author(Random(62682))
    outcomes = [check_deadband(author.limits(), author) for _ in range(1000)]
    outcomes += [check_deadband(author.condition(), author) for _ in range(1000)]
    assert outcomes.count("taken") > 500
    assert outcomes.count(" has no direction here; give until") > 50


@pytest.mark.long
def test_deadbands_fifty_thousand_times() -> None:
    author = Author(Random(61511))
    for number in range(50_000):
        tree = author.condition() if number % 2 else author.limits()
        check_deadband(tree, author)
