"""Whatever stands in a rule: it is refused as an error of the language, or it is harmless."""

from __future__ import annotations

import ast
import types
from collections.abc import Callable, Iterator

import pytest
from hypothesis import event, example, given, settings
from hypothesis import strategies as st

from tests.language.conditions import (
    OUTSIDE,
    Author,
    anything,
    authors,
    hostile_texts,
    written,
)
from tests.language.vocabulary import FIGURES, UNKNOWN, compiled
from watchd.language.expression import Expression, ExpressionError
from watchd.language.operations import OPERATIONS

STEADY = settings(deadline=None, derandomize=True, database=None)


def names_in(code: types.CodeType) -> Iterator[str]:
    """Every name that compiled code looks up anywhere, attributes and imports among them."""
    yield from code.co_names
    yield from code.co_freevars
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            yield from names_in(constant)


def outcome(text: str) -> Expression | ExpressionError:
    try:
        return compiled(text)
    except ExpressionError as error:
        return error


def check(text: str) -> None:
    came = outcome(text)
    event(type(came).__name__)
    if isinstance(came, Expression):
        assert_harmless(came)
    else:
        assert came.what
        assert "\n" not in came.what
        assert 0 <= came.start <= len(text)
        assert came.width >= 1


def assert_harmless(expression: Expression) -> None:
    assert set(expression.names) <= set(FIGURES)
    functions: list[Callable[..., object]] = [expression.evaluate]
    functions += [call.inner for call in expression.calls]
    for function in functions:
        assert isinstance(function, types.FunctionType)
        assert set(names_in(function.__code__)) <= set(OPERATIONS)
        assert function.__globals__["__builtins__"] == {}
    for call in expression.calls:
        call.inner(UNKNOWN)
    expression.evaluate(UNKNOWN, [None] * len(expression.calls))


@settings(STEADY, max_examples=1000)
@given(hostile_texts)
@example("\\\n")
@example("current_a > 1 \\\n and 1")
@example("'" * 3)
@example("\x0ccurrent_a > 1")
@example("\ufeffcurrent_a > 1")
def test_any_text(text: str) -> None:
    check(text)


@settings(STEADY, max_examples=500)
@given(anything)
def test_any_expression_of_python(tree: ast.expr) -> None:
    check(written(tree))


@settings(STEADY, max_examples=100)
@given(authors)
def test_any_expression_of_the_language(author: Author) -> None:
    came = outcome(written(author.condition()))
    assert isinstance(came, Expression)
    assert_harmless(came)


@pytest.mark.long
@settings(STEADY, max_examples=20_000)
@given(st.one_of(hostile_texts, anything.map(written)))
def test_twenty_thousand_hostile_texts(text: str) -> None:
    check(text)


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_name_from_outside_means_anything(name: str) -> None:
    for text in (f"{name} == 1", f"{name}('x') == 1", f"{name}.x == 1", f"{name}['x'] == 1"):
        with pytest.raises(ExpressionError):
            compiled(text)


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os').system('true') == 0",
        "(lambda: __import__('os'))() == 1",
        "[x for x in ().__class__.__base__.__subclasses__()] == []",
        "f'{().__class__}' == ''",
        "'{0.__class__}'.format(1) == ''",
        "trip_events.format(current_a) == ''",
        "mean(__import__('os').system('true'), '1 h') > 1",
        "mean(current_a, __import__('os').name) > 1",
        "count((x := charge_allowed), '1 h') > 1",
        "f['current_a'] > 1",
        "add(current_a, 1) > 1",
        "w[0] > 1",
        "OPERATIONS > 1",
    ],
)
def test_ways_out_that_others_have_found(text: str) -> None:
    with pytest.raises(ExpressionError):
        compiled(text)
