"""What a condition can be: never called impossible when some figures make it so."""

from __future__ import annotations

from dataclasses import replace
from math import inf
from random import Random

import pytest
from hypothesis import given, settings

from tests.language.conditions import Author, authors, written
from tests.language.vocabulary import FIGURES
from watchd.durations import parse_duration
from watchd.figures import Figure, Figures, Kind
from watchd.language.bounds import Bounds
from watchd.language.condition import Condition
from watchd.language.expression import ExpressionError, compile_expression
from watchd.language.intervals import Interval

STEADY = settings(deadline=None, derandomize=True, database=None)
RANGES: dict[str, tuple[float | None, float | None]] = {
    "voltage_v": (0, 160),
    "cell_max_v": (0.5, 5),
    "cell_spread_mv": (0, 4500),
    "current_a": (-2000, 2000),
    "nameplate_ah": (0, None),
    "soc_pct": (-5, 110),
    "full_count": (0, None),
}


def ranged(name: str, figure: Figure) -> Figure:
    low, high = RANGES.get(name, (None, None))
    return replace(figure, low=low, high=high)


RANGED = {name: ranged(name, figure) for name, figure in FIGURES.items()}
BOUNDS = Bounds(RANGED)
ANY = {True, False}
QUALITY = "telemetry_quality"


def possible(text: str) -> set[bool]:
    compile_expression(text, RANGED)
    return {truth for truth in (True, False) if BOUNDS.can((text, truth))}


@pytest.mark.parametrize(
    ("text", "can_be"),
    [
        ("cell_max_v > 40", {False}),
        ("cell_max_v > 5", {False}),
        ("cell_max_v >= 5", ANY),
        ("cell_max_v > 4.999", ANY),
        ("cell_max_v < 0.5", {False}),
        ("cell_max_v <= 0.5", ANY),
        ("cell_max_v > 0.4", {True}),
        ("not cell_max_v > 0.4", {False}),
        ("40 < cell_max_v", {False}),
        ("cell_max_v == 40", {False}),
        ("cell_max_v != 40", {True}),
        ("cell_max_v == 3", ANY),
        ("cell_max_v != 3", ANY),
        ("1 < cell_max_v < 0.4", {False}),
        ("nameplate_ah < 0", {False}),
        ("nameplate_ah > 1e12", ANY),
        ("telemetry_age_s < 0", ANY),  # no range is known of it
        # and, or, not, if
        ("cell_max_v > 40 and current_a > 0", {False}),
        ("cell_max_v > 40 or current_a > 0", ANY),
        ("cell_max_v > 0.4 or current_a > 0", {True}),
        ("cell_max_v > 40 if charge_allowed else current_a > 3000", {False}),
        ("cell_max_v > 40 if charge_allowed else current_a > 300", ANY),
        ("True", {True}),
        ("False or cell_max_v > 40", {False}),
        ("charge_allowed and not charge_allowed", {False}),
        ("charge_allowed or not charge_allowed", {True}),
        ("(cell_max_v > 40) == (current_a > 3000)", {True}),
        ("(cell_max_v > 40) != charge_allowed", ANY),
        # two comparisons of one figure
        ("cell_max_v > 3.5 and cell_max_v < 3.4", {False}),
        ("cell_max_v > 3.5 and cell_max_v < 3.5", {False}),
        ("cell_max_v >= 3.5 and cell_max_v <= 3.5", ANY),
        ("cell_max_v > 3.5 and current_a > 0 and not cell_max_v > 3.5", {False}),
        ("cell_max_v > 3.4 or cell_max_v < 3.5", {True}),
        ("not (cell_max_v < 3.5 or cell_max_v > 3.4)", {False}),
        ("cell_max_v > 3.5 and (cell_max_v < 3.4 or current_a > 0)", ANY),
        ("cell_max_v > 3.5 and (cell_max_v < 3.4 or cell_max_v < 1)", {False}),
        ("cell_max_v == 3.5 and cell_max_v == 3.6", {False}),
        ("cell_max_v > 4 and voltage_v < cell_max_v and voltage_v > 6", {False}),
        # arithmetic
        ("cell_max_v * 16 > 80", {False}),
        ("cell_max_v * 16 > 79", ANY),
        ("voltage_v - cell_max_v > 160", {False}),
        ("-cell_max_v > 0", {False}),
        ("voltage_v / cell_max_v > 320", {False}),
        ("voltage_v / soc_pct > 1e9", ANY),  # by nothing, or next to nothing
        ("soc_pct * current_a > 220000", {False}),
        ("nameplate_ah * 0 > 0", {False}),
        ("nameplate_ah + 1 < 1", {False}),
        ("nameplate_ah / cell_max_v < 0", {False}),
        ("(voltage_v if charge_allowed else 200) > 200", {False}),
        ("(voltage_v if voltage_v < 100 else 50) > 100", {False}),
        # words
        (f"{QUALITY} == 'good' and {QUALITY} == 'bad'", {False}),
        (f"{QUALITY} == 'good' and {QUALITY} in ('bad', 'stale')", {False}),
        (f"{QUALITY} in ('good', 'bad', 'stale')", {True}),
        (f"{QUALITY} not in ('good', 'bad') and {QUALITY} != 'stale'", {False}),
        (f"{QUALITY} != 'good'", ANY),
        ("trip_events == 'x' and trip_events == 'y'", {False}),
        ("trip_events != 'x' and trip_events != 'y'", ANY),
        ("'OTHER' in protection", ANY),
        # windows
        ("mean(cell_max_v, '1 h') > 5.1", {False}),
        ("highest(cell_max_v, '1 h') > 5", {False}),
        ("lowest(cell_max_v, '1 h') < 0.5", {False}),
        ("slope(cell_max_v, '1 d') > 1e9", ANY),
        ("count(protection_trip, '1 d') < 0", {False}),
        ("count(protection_trip, '1 d') >= 0", {True}),
        ("count(cell_max_v > 40, '1 d') >= 3", {False}),
        ("elapsed(protection_trip, '1 h') > 3600", {False}),
        ("elapsed(protection_trip, '1 h') >= '1 h'", ANY),
        ("since(protection_trip, '1 h') > '2 h'", {False}),
        ("changed(cell_max_v, '1 h')", ANY),
        # What a window saw is past: it may differ from now.
        ("cell_max_v > 3.5 and lowest(cell_max_v, '1 h') < 3.4", ANY),
        ("telemetry_age_s > '1 h' and telemetry_age_s < '30 min'", {False}),
    ],
)
def test_what_a_condition_can_be(text: str, can_be: set[bool]) -> None:
    assert possible(text) == can_be


@pytest.mark.parametrize(
    ("wanted", "can"),
    [
        ([("cell_spread_mv > 40", False), ("cell_spread_mv > 50", True)], False),
        ([("cell_spread_mv > 40", False), ("cell_spread_mv < 30", True)], True),
        ([("cell_spread_mv > 40", True), ("current_a > 3000", True)], False),
    ],
)
def test_conditions_at_one_moment(wanted: list[tuple[str, bool]], can: bool) -> None:
    assert BOUNDS.can(*wanted) is can


@pytest.mark.parametrize(
    ("text", "deadband", "can_be"),
    [
        ("cell_spread_mv > 40", 10, ANY),
        ("cell_spread_mv > 10", 10, ANY),  # at 0 it returns
        ("cell_spread_mv > 10", 11, {True}),
        ("not cell_spread_mv <= 10", 11, {True}),
        ("10 < cell_spread_mv", 11, {True}),
        ("cell_spread_mv < 4495", 10, {True}),
        ("cell_spread_mv > 10 and current_a > 0", 11, ANY),
    ],
)
def test_what_keeps_an_alarm_raised(text: str, deadband: float, can_be: set[bool]) -> None:
    given = {"cell_spread_mv": deadband}
    assert {t for t in (True, False) if BOUNDS.can((text, t), deadband=given)} == can_be


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("cell_max_v", 0.5, 5),
        ("nameplate_ah", 0, inf),
        ("0.1 * nameplate_ah", 0, inf),
        ("2 * cell_max_v - voltage_v", -159, 10),
        ("elapsed(protection_trip, '1 h')", 0, 3600),
        ("0 if cell_max_v > 4 else cell_max_v", 0, 4),
    ],
)
def test_what_an_amount_can_be(text: str, low: float, high: float) -> None:
    assert BOUNDS.range_of(text) == Interval(low, high)


def test_tests_inside_tests_without_end_are_given_up() -> None:
    text = "cell_max_v > 40"
    for _ in range(30):
        text = f"(cell_max_v > 40 if {text} else current_a > 3000)"
    assert possible(text) == ANY  # it is never true, but that is not looked for so deep


def within(name: str, rng: Random) -> float | int:
    """A number that the figure can be; often at an end, where a mistake would show."""
    low, high = RANGES.get(name, (None, None))
    low, high = (-1e6 if low is None else low), (1e6 if high is None else high)
    choices = [low, high, rng.uniform(low, high), *(x for x in (0, 1, 40) if low <= x <= high)]
    return rng.choice(choices)


def figures_within(author: Author) -> Figures:
    found = author.figures()
    for name, value in found.items():
        if RANGED[name].kind is Kind.NUMBER and value is not None:
            found[name] = within(name, author._rng)
    return found


def check(text: str, author: Author, moments: int = 8) -> set[bool]:
    """The condition over figures within their ranges, as time goes by, against what it can be."""
    can_be = possible(text)
    condition = Condition(compile_expression(text, RANGED))
    for step in range(moments):
        figures = figures_within(author)
        came = condition.update(step * 600.0, figures)
        assert came is None or came in can_be, (text, figures, came)
    return can_be


WINDOWS = ["mean", "highest", "lowest", "slope", "count", "elapsed", "since"]


def with_window(author: Author) -> str:
    """A condition with a window in it."""
    rng = author._rng
    function = rng.choice(WINDOWS)
    inner = author.condition(2) if function in WINDOWS[4:] else author.amount("v", 2)
    sign, limit = rng.choice(["<", "<=", ">", ">=", "=="]), rng.choice([0, 1, 5, 160, 3600])
    span = rng.choice(["20 min", "1 h"])
    word = rng.choice(["and", "or"])
    window = f'{function}({written(inner)}, "{span}") {sign} {limit}'
    return f"({window}) {word} ({written(author.condition(2))})"


@settings(STEADY, max_examples=200)
@given(authors)
def test_what_is_called_impossible_does_not_come(author: Author) -> None:
    check(written(author.condition()), author)
    check(written(author.limits()), author)


@settings(STEADY, max_examples=200)
@given(authors)
def test_nor_with_windows(author: Author) -> None:
    check(with_window(author), author)


def test_two_thousand_conditions_of_which_many_are_decided() -> None:
    author = Author(Random(60812))
    decided = sum(len(check(written(author.condition()), author)) < 2 for _ in range(1000))
    decided += sum(len(check(written(author.limits()), author)) < 2 for _ in range(1000))
    assert decided > 200


@settings(STEADY, max_examples=200)
@given(authors)
def test_an_amount_stays_within_what_it_can_be(author: Author) -> None:
    text = written(author.amount("v"))
    expression = compile_expression(text, RANGED, want=Kind.NUMBER)
    found = BOUNDS.range_of(text)
    for _ in range(8):
        value = expression.evaluate(figures_within(author), ())
        assert value is None or found.low <= value <= found.high, (text, value)


@settings(STEADY, max_examples=200)
@given(authors)
def test_what_keeps_an_alarm_raised_is_never_called_impossible(author: Author) -> None:
    text = written(author.limits())
    expression = compile_expression(text, RANGED)
    for name in ("cell_spread_mv", "cell_max_v", "current_a"):
        if name not in expression.names:
            continue
        deadband: dict[str, float] = {name: author._rng.choice([0.25, 3, 50])}
        try:
            stays = compile_expression(text, RANGED, deadband=deadband)
        except ExpressionError:
            continue  # a deadband without a direction
        can_be = {t for t in (True, False) if BOUNDS.can((text, t), deadband=deadband)}
        for _ in range(8):
            came = stays.evaluate(figures_within(author), ())
            assert came is None or came in can_be


def test_a_duration_is_in_the_unit_of_its_figure() -> None:
    bounds = Bounds({**RANGED, "since_full_h": replace(RANGED["since_full_h"], low=0, high=100)})
    assert not bounds.can(("since_full_h > '101 h'", True))
    assert bounds.can(("since_full_h > '99 h'", True))
    assert parse_duration("99 h") > 100  # in seconds it would never hold
