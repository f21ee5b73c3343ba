"""Whatever stands in a rule: it is refused as an error of the language, or it is harmless."""

from __future__ import annotations

import ast
import dis
import types
from collections.abc import Callable, Iterator
from random import Random

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
from tests.language.hostile import Vandal
from tests.language.vocabulary import FIGURES, UNKNOWN, compiled
from watchd.language.compiler import MOST_PARTS, MOST_WINDOWS
from watchd.language.condition import Condition
from watchd.language.expression import LONGEST_TEXT, Expression, ExpressionError

STEADY = settings(deadline=None, derandomize=True, database=None)
LONGEST_WHAT = 300


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
        assert not set(names_in(function.__code__))
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


# Work is counted and not timed: `python -m tests.bench.expressions` has the times.
def assert_little_work(expression: Expression) -> None:
    assert len(expression.text) <= LONGEST_TEXT
    assert len(expression.calls) <= MOST_WINDOWS
    functions = [expression.evaluate, *(call.inner for call in expression.calls)]
    operations = sum(calls_in(function.__code__) for function in functions)
    # A chained comparison adds the `and` of its pairs, so less than two operations a part.
    assert operations < 2 * MOST_PARTS


def calls_in(code: types.CodeType) -> int:
    return sum(instruction.opname.startswith("CALL") for instruction in dis.get_instructions(code))


def check_hostile(count: int, seed: int) -> int:
    """How many of the texts were taken."""
    rng = Random(seed)
    vandal, author = Vandal(rng), Author(rng)
    taken = 0
    for _ in range(count):
        text = vandal.text()
        came = outcome(text)
        if isinstance(came, ExpressionError):
            assert len(came.what) < LONGEST_WHAT, came.what
            assert 0 <= came.start <= len(text)
            continue
        taken += 1
        assert_harmless(came)
        assert_little_work(came)
        value = Condition(came).update(0.0, author.figures())
        assert value is None or isinstance(value, bool | float | int | str | tuple)
        assert not isinstance(value, int | float) or abs(value) < float("inf")
    return taken


def test_three_thousand_hostile_texts() -> None:
    assert check_hostile(3000, 61508) > 500


@pytest.mark.long
def test_a_hundred_thousand_hostile_texts() -> None:
    assert check_hostile(100_000, 61511) > 15_000


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("1<" * 999 + "1", "the condition has too many parts"),
        ("1+" * 900 + "1 > 0", "nested deeper than 40 levels"),
        (" or ".join(f"count(charge_allowed, '{n} h') > 1" for n in range(1, 41)),
         "more than 20 functions in one condition"),
        ("x" * 1500, f"unknown name '{'x' * 60}...'; `watchd fields` lists the names"),
        ("x" * 1500 + "(1) > 1", None),
        ("mean(current_a, '" + "9" * 1500 + "') > 1", None),
        ("since_full_h > '" + "9" * 1500 + " d'", None),
        ("telemetry_quality == '" + "9" * 1500 + "'", None),
        ("1 > " + "9" * 1900, None),
        ("'" + "x" * 1900, "this quote is not closed"),
        ("x" * 2001, "longer than 2000 characters"),
    ],
    ids=range(11),
)  # fmt: skip
def test_what_is_too_much_is_said_in_few_words(text: str, what: str | None) -> None:
    with pytest.raises(ExpressionError) as caught:
        compiled(text)
    assert len(caught.value.what) < LONGEST_WHAT
    assert what in (None, caught.value.what)


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
        "v_current_a > 1",
        "t_1 > 1",
    ],
)
def test_ways_out_that_others_have_found(text: str) -> None:
    with pytest.raises(ExpressionError):
        compiled(text)
