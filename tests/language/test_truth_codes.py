"""`true` and `value` of a condition in a function of many, against the condition by itself."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings

from tests.language.conditions import Author, authors, written
from tests.language.vocabulary import FIGURES, compiled
from watchd.figures import Figures
from watchd.language.expression import Expression, compile_expression
from watchd.language.together import compile_stirring, compile_truths

STEADY = settings(deadline=None, derandomize=True, database=None)
MANY = 12


def conditions(author: Author) -> list[Expression]:
    texts = [written(author.condition()) for _ in range(MANY)]
    found = [compiled(text) for text in texts]
    # Below `not`, what is known to be false decides.
    return found + [compiled(f"not ({text})") for text in texts]


def check(author: Author) -> None:
    several = conditions(author)
    stirring = compile_stirring([(n, [c]) for n, c in enumerate(several)])
    in_pairs = compile_stirring(
        [(n, several[n : n + 2]) for n in range(0, len(several), 2)],
    )
    truths = compile_truths(several)
    for _ in range(5):
        figures: Figures = author.figures()
        alone = [condition.evaluate(figures, ()) for condition in several]
        assert list(truths(figures)) == alone
        assert stirring(figures) == [n for n, truth in enumerate(alone) if truth is True]
        pairs = range(0, len(several), 2)
        assert in_pairs(figures) == [n for n in pairs if True in alone[n : n + 2]]


@settings(STEADY, max_examples=25)
@given(authors)
def test_a_condition_among_many_is_what_it_is_alone(author: Author) -> None:
    check(author)


@pytest.mark.long
def test_ten_thousand_among_many() -> None:
    author = Author(Random(61508))
    for _ in range(10_000 // MANY):
        check(author)


@pytest.mark.parametrize(
    ("text", "is_true"),
    [
        ("current_a > 1", False),  # unknown
        ("not (current_a > 1)", False),
        ("soc_pct > 1 or current_a > 1", True),
        ("soc_pct > 90 and current_a > 1", False),
        ("not (soc_pct > 90 and current_a > 1)", True),
        ("not (soc_pct > 1 and current_a > 1)", False),
        ("soc_pct / full_count > 1 or not (soc_pct / full_count > 1)", False),  # by zero
        ("1e12 * 1e12 * 1e12 * soc_pct < 1", False),
    ],
)
def test_known_to_be_true(text: str, is_true: bool) -> None:
    figures: Figures = {**dict.fromkeys(FIGURES), "soc_pct": 50.0, "full_count": 0.0}
    assert compile_stirring([(7, [compiled(text)])])(figures) == ([7] if is_true else [])


def test_what_is_not_finite_is_neither() -> None:
    figures: Figures = {**dict.fromkeys(FIGURES), "soc_pct": 1.7e308}
    both = [compiled("soc_pct + soc_pct > 1"), compiled("not (soc_pct + soc_pct > 1)")]
    assert compile_truths(both)(figures) == (None, None)
    assert compile_stirring(enumerate([c] for c in both))(figures) == []


def test_windows_have_no_place_there() -> None:
    with_window = compile_expression("mean(current_a, '5 min') > 1", FIGURES)
    with pytest.raises(ValueError, match="has windows"):
        compile_truths([with_window])
    with pytest.raises(ValueError, match="has windows"):
        compile_stirring([(0, [with_window])])
