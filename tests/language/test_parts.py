"""A condition taken apart: its parts, where they stand, and that together they are the whole."""

from __future__ import annotations

import pytest
from hypothesis import given, settings

from tests.language.conditions import Author, authors, written
from tests.language.vocabulary import FIGURES, UNKNOWN
from watchd.figures import Kind, Value
from watchd.language.compiler import ExpressionError
from watchd.language.expression import compile_expression
from watchd.language.parts import Joined, Part, comparisons_in, parts_of

STEADY = settings(deadline=None, derandomize=True, database=None)


def leaves(text: str, **deadband: float) -> list[Part]:
    return list(parts_of(text, FIGURES, deadband).leaves())


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("charge_allowed", ["charge_allowed"]),
        ("current_a > 0", ["current_a > 0"]),
        ("current_a > 0 and soc_pct < 20", ["current_a > 0", "soc_pct < 20"]),
        ("(current_a>0 or\n  not charge_allowed)", ["current_a>0", "charge_allowed"]),
        ("1 < current_a < 2", ["1 < current_a", "current_a < 2"]),
        ("not (current_a > 0)", ["current_a > 0"]),
        (
            "(current_a + 1) * 2 > 0 or charge_allowed",
            ["(current_a + 1) * 2 > 0", "charge_allowed"],
        ),
        ('count(current_a > 3, "1 h") > 2', ['count(current_a > 3, "1 h") > 2']),
        (
            "charge_allowed if current_a > 0 else True",
            ["charge_allowed if current_a > 0 else True"],
        ),
    ],
)
def test_leaves(text: str, parts: list[str]) -> None:
    found = leaves(text)
    assert [leaf.text for leaf in found] == parts
    flat = text.replace("\n", " ")
    for leaf in found:
        if "<" not in leaf.text or text.count("<") < 2:
            assert flat[leaf.start : leaf.start + leaf.width] == leaf.text


def test_places_count_characters_and_the_blanks_before() -> None:
    line = "  trip_events == 'groß' or current_a > 0"
    first, second = leaves(line)
    assert line[first.start : first.start + first.width] == "trip_events == 'groß'"
    assert line[second.start : second.start + second.width] == "current_a > 0"


@pytest.mark.parametrize(
    ("text", "figure", "operator", "limit", "unit"),
    [
        ("cell_spread_mv > 40", "cell_spread_mv", ">", 40, "mv"),
        ("40 < cell_spread_mv", "cell_spread_mv", ">", 40, "mv"),
        ("40 >= cell_spread_mv", "cell_spread_mv", "<=", 40, "mv"),
        ("cell_spread_mv > -40", "cell_spread_mv", ">", -40, "mv"),
        ("current_a > 0.1 * nameplate_ah", "current_a", ">", None, "a"),
        ("0.1 * nameplate_ah < current_a", "current_a", ">", None, "a"),
        ('since_full_h > "2 d"', "since_full_h", ">", 48, "h"),
        ('"2 d" < since_full_h', "since_full_h", ">", 48, "h"),
        ('elapsed(current_a > 0, "1 h") > "5 min"', None, ">", 300, "s"),
        ('count(protection_trip, "1 h") >= 3', None, ">=", 3, ""),
        ("telemetry_quality == 'good'", "telemetry_quality", "==", None, ""),
        ("telemetry_quality in ('good', 'bad')", "telemetry_quality", "in", None, ""),
    ],
)
def test_limits(
    text: str, figure: str | None, operator: str, limit: float | None, unit: str
) -> None:
    (leaf,) = leaves(text)
    assert leaf.limit is not None
    found = leaf.limit
    assert (found.figure.name, found.operator, found.limit.number, found.unit) == (
        figure,
        operator,
        limit,
        unit,
    )


def test_the_value_of_a_limit_follows_the_figures() -> None:
    (leaf,) = leaves("current_a > 0.1 * nameplate_ah")
    assert leaf.limit is not None
    assert leaf.limit.limit.value({"nameplate_ah": 280.0}, {}) == 28
    assert leaf.limit.limit.value({"nameplate_ah": None}, {}) is None
    (leaf,) = leaves('mean(current_a, "1 h") > 3')
    assert leaf.limit is not None
    assert leaf.limit.figure.value({}, {"mean(current_a, '1 h')": 4.0}) == 4


@pytest.mark.parametrize(
    ("text", "slack"),
    [
        ("cell_spread_mv > 40", 10),
        ("cell_spread_mv < 40", -10),
        ("40 < cell_spread_mv", 10),
        ("not cell_spread_mv < 40", 10),
        ("not (charge_allowed or not cell_spread_mv > 40)", 10),
    ],
)
def test_what_a_deadband_adds(text: str, slack: float) -> None:
    (found,) = (leaf.limit for leaf in leaves(text, cell_spread_mv=10) if leaf.limit)
    assert found.slack == slack


@pytest.mark.parametrize(
    ("text", "spread_mv", "holds"),
    [
        ("cell_spread_mv > 40 if charge_allowed else cell_spread_mv > 80", 35, True),
        ("cell_spread_mv > 40 if charge_allowed else cell_spread_mv > 80", 30, False),
        ("not (cell_spread_mv < 40 if charge_allowed else current_a > 0)", 35, True),
        ("not (cell_spread_mv < 40 if charge_allowed else current_a > 0)", 29, False),
    ],
)
def test_a_deadband_in_the_branches_of_an_if(text: str, spread_mv: float, holds: bool) -> None:
    figures: dict[str, Value] = {"cell_spread_mv": spread_mv, "charge_allowed": True}
    figures["current_a"] = 0.0
    part = parts_of(text, FIGURES, {"cell_spread_mv": 10})
    assert joined(part, figures) is holds


def test_a_text_that_does_not_compile_is_refused() -> None:
    with pytest.raises(ExpressionError):
        parts_of("nothing > 3", FIGURES)
    with pytest.raises(ExpressionError):
        list(comparisons_in("nothing > 3", FIGURES))


def test_comparisons_anywhere() -> None:
    text = (
        'count(not cell_max_v > 3, "1 h") > 2 and not (0 < current_a < 5 '
        "or (1 if soc_pct > 50 else 2) > 1)"
    )
    found = [(c.part.text, c.in_window, c.negated) for c in comparisons_in(text, FIGURES)]
    assert found == [
        ('count(not cell_max_v > 3, "1 h") > 2', False, False),
        ("cell_max_v > 3", True, True),
        ("0 < current_a", False, True),
        ("current_a < 5", False, True),
        ("(1 if soc_pct > 50 else 2) > 1", False, True),
        ("soc_pct > 50", False, True),
    ]
    assert [c.part.text for c in comparisons_in("0 if soc_pct > 5 else 3", FIGURES)] == [
        "soc_pct > 5"
    ]


def joined(part: Part, figures: dict[str, Value]) -> bool | None:
    """The truth of a part from the truth of its parts, by Kleene's tables."""
    if part.joined is Joined.NONE:
        return part.truth(figures, {})
    found = [joined(inner, figures) for inner in part.parts]
    if part.joined is Joined.NOT:
        return None if found[0] is None else not found[0]
    decisive = part.joined is Joined.ANY
    if decisive in found:
        return decisive
    return None if None in found else not decisive


@settings(STEADY, max_examples=100)
@given(authors)
def test_the_parts_together_are_the_whole(author: Author) -> None:
    for text in (written(author.condition()), written(author.limits())):
        part = parts_of(text, FIGURES)
        whole = compile_expression(text, FIGURES)
        for _ in range(5):
            figures = author.figures()
            assert joined(part, figures) is whole.evaluate(figures, ())
            assert part.truth(figures, {}) is whole.evaluate(figures, ())
        assert part.truth(UNKNOWN, {}) is whole.evaluate(UNKNOWN, ())


@settings(STEADY, max_examples=100)
@given(authors)
def test_with_a_deadband_too(author: Author) -> None:
    text = written(author.limits())
    for name in compile_expression(text, FIGURES).names:
        if FIGURES[name].kind is not Kind.NUMBER:
            continue
        deadband: dict[str, float] = {name: 2.5}
        try:
            whole = compile_expression(text, FIGURES, deadband=deadband)
        except ExpressionError:
            continue  # a deadband without a direction
        part = parts_of(text, FIGURES, deadband)
        for _ in range(5):
            figures = author.figures([0.0, 2.5, 20.0, 47.5, 50.0])
            assert joined(part, figures) is whole.evaluate(figures, ())


@settings(STEADY, max_examples=100)
@given(authors)
def test_a_limit_says_what_its_comparison_does(author: Author) -> None:
    text = written(author.limits())
    figures = author.figures()
    for leaf in parts_of(text, FIGURES).leaves():
        if leaf.limit is None:
            continue
        one, other = (s.value(figures, {}) for s in (leaf.limit.figure, leaf.limit.limit))
        if one is None or other is None:
            assert leaf.truth(figures, {}) is None
            continue
        compare = {"<": one < other, "<=": one <= other, ">": one > other, ">=": one >= other}
        assert leaf.truth(figures, {}) is compare[leaf.limit.operator]
