"""What a condition may say, and what comes of it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.language.vocabulary import FIGURES, Watched, compiled, value_of
from watchd.figures import Kind, Value
from watchd.language.expression import compile_expression

# A pack near the top of charge, on an ordinary noon.
NOON: dict[str, Value] = {
    "voltage_v": 55.4,
    "cell_max_v": 3.48,
    "cell_spread_mv": 42.0,
    "current_a": 23.0,
    "nameplate_ah": 230.0,
    "soc_pct": 97.0,
    "since_full_h": 400.0,
    "telemetry_age_s": 90.0,
    "full_count": 7.0,
    "charge_allowed": True,
    "protection_trip": False,
    "telemetry_quality": "good",
    "trip_events": "none",
    "protection": ("OVER_VOLT", "OTHER"),
}

AT_NOON: list[tuple[str, Any]] = [
    # comparison
    ("cell_spread_mv > 40", True),
    ("cell_spread_mv > 42", False),
    ("cell_spread_mv >= 42", True),
    ("cell_spread_mv < 42", False),
    ("cell_spread_mv <= 42", True),
    ("full_count == 7", True),
    ("full_count != 7", False),
    ("3.40 < cell_max_v", True),
    # chained
    ("0 < current_a < 46", True),
    ("0 < current_a < 23", False),
    ("23 <= current_a <= 23", True),
    ("0 < current_a < 46 < voltage_v * 1", True),
    ("-0.02 * nameplate_ah < current_a < 0.1 * nameplate_ah", False),
    ("-0.02 * nameplate_ah < current_a <= 0.1 * nameplate_ah", True),
    # arithmetic
    ("voltage_v - 16 * cell_max_v", 55.4 - 16 * 3.48),
    ("voltage_v * current_a", 55.4 * 23.0),
    ("current_a / nameplate_ah", 0.1),
    ("-current_a", -23.0),
    ("+current_a", 23.0),
    ("--current_a", 23.0),
    ("2 + 3 * 4", 14.0),
    ("(2 + 3) * 4", 20.0),
    ("10 - 4 - 3", 3.0),
    ("16 / 4 / 2", 2.0),
    ("1.5e3", 1500.0),
    # a plain sum of numbers fits any unit, as one number does
    ("voltage_v > 16 * 3.45", True),
    ("voltage_v >= 55 + 0.4", True),
    ("cell_max_v > 3.5 - 0.05", True),
    ("cell_max_v < -(-3.5)", True),
    # logic
    ("charge_allowed", True),
    ("not charge_allowed", False),
    ("charge_allowed and current_a > 20", True),
    ("charge_allowed and current_a > 30", False),
    ("protection_trip or current_a > 20", True),
    ("protection_trip or not charge_allowed or current_a > 30", False),
    ("protection_trip or charge_allowed and current_a > 20", True),
    ("charge_allowed == True", True),
    ("charge_allowed != protection_trip", True),
    # conditional
    ("0 if protection_trip else 0.1 * nameplate_ah", 23.0),
    ("cell_max_v > (3.45 if charge_allowed else 3.55)", True),
    ("1 if current_a > 30 else 2 if current_a > 20 else 3", 2.0),
    ("'full' if soc_pct > 95 else 'not yet'", "full"),
    # words
    ("telemetry_quality == 'good'", True),
    ("telemetry_quality != 'stale'", True),
    ("'stale' == telemetry_quality", False),
    ("telemetry_quality in ('bad', 'stale')", False),
    ("telemetry_quality in ['good']", True),
    ("telemetry_quality in {'good', 'bad'}", True),
    ("telemetry_quality not in ('bad', 'stale')", True),
    ("telemetry_quality in ()", False),
    ("'OVER_VOLT' in protection", True),
    ("'UNDER_VOLT' in protection", False),
    ("'UNDER_VOLT' not in protection", True),
    ("trip_events in protection", False),
    # durations against times, in the unit of the figure
    ("since_full_h > '14 d'", True),
    ("since_full_h > '17 d'", False),
    ("'14 d' < since_full_h", True),
    ("'7 d' < since_full_h < '17 d'", True),
    ("since_full_h == '400 h'", True),
    ("telemetry_age_s >= '1.5 min'", True),
    ("telemetry_age_s > '90 s'", False),
    # how it is written
    ("  cell_spread_mv > 40  ", True),
    ("cell_spread_mv>40 and(current_a>0)", True),
    ("cell_spread_mv > 40\nand current_a > 0\n", True),
    ("current_a > 0x10", True),
]


@pytest.mark.parametrize(("condition", "result"), AT_NOON)
def test_what_a_condition_says_at_noon(condition: str, result: Any) -> None:
    came = value_of(condition, NOON)
    assert came == (pytest.approx(result) if isinstance(result, float) else result)
    assert type(came) is type(result)


# Kleene's strong logic of three values, as in S. C. Kleene, Introduction to Metamathematics (1952),
# section 64. `?` is unknown.
T, F, U = True, False, None
AND = [
    (T, T, T), (T, F, F), (T, U, U),
    (F, T, F), (F, F, F), (F, U, F),
    (U, T, U), (U, F, F), (U, U, U),
]  # fmt: skip
OR = [
    (T, T, T), (T, F, T), (T, U, T),
    (F, T, T), (F, F, F), (F, U, U),
    (U, T, T), (U, F, U), (U, U, U),
]  # fmt: skip
NOT = [(T, F), (F, T), (U, U)]


@pytest.mark.parametrize(("one", "other", "result"), AND)
def test_and_of_three_values(one: Value, other: Value, result: Value) -> None:
    both = {"charge_allowed": one, "protection_trip": other}
    assert value_of("charge_allowed and protection_trip", both) is result
    # De Morgan's law holds for the three values, too.
    assert value_of("not (not charge_allowed or not protection_trip)", both) is result


@pytest.mark.parametrize(("one", "other", "result"), OR)
def test_or_of_three_values(one: Value, other: Value, result: Value) -> None:
    both = {"charge_allowed": one, "protection_trip": other}
    assert value_of("charge_allowed or protection_trip", both) is result


@pytest.mark.parametrize(("one", "result"), NOT)
def test_not_of_three_values(one: Value, result: Value) -> None:
    assert value_of("not charge_allowed", charge_allowed=one) is result


UNKNOWN: list[str] = [
    # The pack's current is not known; everything else is.
    "current_a > 20",
    "current_a >= 20",
    "current_a < 20",
    "current_a <= 20",
    "current_a == 20",
    "current_a != 20",
    "20 < current_a",
    "current_a == current_a",
    "-current_a",
    "+current_a",
    "current_a + 1",
    "1 - current_a",
    "0 * current_a",
    "current_a / nameplate_ah",
    "nameplate_ah / current_a",
    "not current_a > 20",
    "current_a > 20 and charge_allowed",
    "current_a > 20 or protection_trip",
    "50 < voltage_v < current_a * 1",
    "1 if current_a > 20 else 1",
    "current_a if charge_allowed else 5",
]


@pytest.mark.parametrize("condition", UNKNOWN)
def test_what_rests_on_an_unknown_figure_is_unknown(condition: str) -> None:
    assert value_of(condition, {**NOON, "current_a": None}) is None


KNOWN_ALL_THE_SAME: list[tuple[str, Any]] = [
    ("current_a > 20 and protection_trip", False),
    ("current_a > 20 or charge_allowed", True),
    ("100 < voltage_v < current_a * 1", False),
    ("5 if charge_allowed else current_a", 5.0),
    ("current_a > 20 and current_a > 30 and soc_pct < 10", False),
]


@pytest.mark.parametrize(("condition", "result"), KNOWN_ALL_THE_SAME)
def test_what_an_unknown_figure_cannot_change_is_known(condition: str, result: Any) -> None:
    assert value_of(condition, {**NOON, "current_a": None}) == result


@pytest.mark.parametrize(
    "condition",
    [
        "telemetry_quality == 'good'",
        "telemetry_quality != 'good'",
        "telemetry_quality in ('good', 'bad')",
        "telemetry_quality not in ('good', 'bad')",
        "'OVER_VOLT' in protection",
        "'OVER_VOLT' not in protection",
        "trip_events in protection",
        "since_full_h > '14 d'",
    ],
)
def test_words_and_times_that_are_unknown(condition: str) -> None:
    assert value_of(condition) is None


@pytest.mark.parametrize(
    ("condition", "figures"),
    [
        ("voltage_v / current_a > 0.1", {"voltage_v": 53.0, "current_a": 0.0}),
        ("voltage_v / current_a > 0.1", {"voltage_v": 53.0, "current_a": -0.0}),
        ("1 / (current_a - current_a)", {"current_a": 20.0}),
        # more than a float holds
        ("voltage_v * voltage_v", {"voltage_v": 1e200}),
        ("voltage_v + voltage_v", {"voltage_v": 1.7e308}),
        ("-voltage_v - voltage_v", {"voltage_v": 1.7e308}),
        ("voltage_v / current_a", {"voltage_v": 1e300, "current_a": 1e-300}),
    ],
)
def test_a_result_that_is_no_number_is_unknown(condition: str, figures: dict[str, Value]) -> None:
    assert value_of(condition, figures) is None


@pytest.mark.parametrize(
    ("condition", "kind", "unit"),
    [
        ("cell_spread_mv > 40", Kind.YES_NO, ""),
        ("cell_spread_mv", Kind.NUMBER, "mv"),
        ("cell_spread_mv - 5", Kind.NUMBER, "mv"),
        ("0.1 * nameplate_ah", Kind.NUMBER, "*"),
        ("5", Kind.NUMBER, "*"),
        ("current_a if charge_allowed else 0", Kind.NUMBER, "a"),
        ("mean(cell_spread_mv, '5 min')", Kind.NUMBER, "mv"),
        ("slope(cell_spread_mv, '14 d')", Kind.NUMBER, "*"),
        ("count(protection_trip, '24 h')", Kind.NUMBER, ""),
        ("elapsed(current_a > 100, '1 h')", Kind.NUMBER, "s"),
        ("changed(soc_pct, '6 h')", Kind.YES_NO, ""),
        ("telemetry_quality", Kind.TEXT, ""),
        ("protection", Kind.WORDS, ""),
    ],
)
def test_kind_and_unit_of_a_condition(condition: str, kind: Kind, unit: str) -> None:
    expression = compiled(condition)
    assert (expression.kind, expression.unit) == (kind, unit)


def test_a_condition_knows_its_names_in_order_and_once() -> None:
    condition = (
        'current_a > 0 and mean(cell_spread_mv, "5 min") > 4 and soc_pct < 9 or current_a < 1'
    )
    assert compiled(condition).names == ("current_a", "cell_spread_mv", "soc_pct")


def test_the_same_window_written_twice_is_kept_once() -> None:
    twice = compiled("mean(current_a, '5 min') > 4 or mean( current_a,\"5 min\" ) < -4")
    assert [(c.function, c.span_s) for c in twice.calls] == [("mean", 300.0)]
    other = compiled("mean(current_a, '5 min') > 4 or mean(current_a, '6 min') < -4")
    assert [c.span_s for c in other.calls] == [300.0, 360.0]


def test_windows_stand_in_sums_comparisons_and_conditionals() -> None:
    hot = Watched("highest(current_a, '60 s') - lowest(current_a, '60 s') > 10")
    assert hot.at(0.0, current_a=5.0) is None
    assert hot.at(20.0, current_a=8.0) is None  # not half of the window is known yet
    assert hot.at(40.0, current_a=6.0) is False
    assert hot.at(50.0, current_a=20.0) is True


def test_a_duration_is_compared_with_the_time_that_a_window_gives() -> None:
    long = Watched("elapsed(current_a > 100, '1 h') >= '10 min'")
    assert long.at(0.0, current_a=120.0) is False
    assert long.at(599.0, current_a=120.0) is False
    assert long.at(600.0, current_a=120.0) is True


def test_without_a_wanted_kind_a_condition_is_yes_or_no() -> None:
    assert compile_expression("current_a > 1", FIGURES).kind is Kind.YES_NO


def test_compiled_code_reaches_nothing() -> None:
    function: Any = compiled("current_a > 1").evaluate
    assert function.__globals__ == {"__builtins__": {}}
