"""The examples of a rule: what is held still, what is assumed, and when one has passed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from watchd.errors import WatchdError
from watchd.rules.examples import MOST_STEPS, STEP_S, Outcome, run_examples
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Example, Rule, Step

SPREAD = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40 and current_a > 0
  on_delay: 2 min
  deadband: {cell_spread_mv: 10}
  priority: medium
  say: "{pack} of {bank}: {cell_spread_mv:.0f} mV"
"""
# What the examples give; the rest of the figures is unknown.
SPREAD_ONLY = {"cell_spread_mv": 55.0}
WIDE = {**SPREAD_ONLY, "current_a": 9.0}
NARROW = {"cell_spread_mv": 35.0, "current_a": 9.0}


def rule_of(text: str) -> Rule:
    (rule,) = compile_rules([("rules.yaml", text)])
    return rule


def outcome_of(rule: Rule, lasting_s: float, *, raised: bool = True, **given: Any) -> Outcome:
    """What comes of one example."""
    example = Example((Step(given, lasting_s),), raised)
    (outcome,) = run_examples(replace(rule, examples=(example,)))
    return outcome


@pytest.mark.parametrize(
    ("what", "given", "expected", "raised", "unknown", "passed"),
    [
        ("raised as expected", WIDE, True, True, (), True),
        ("raised, against what was expected", WIDE, False, True, (), False),
        ("quiet as expected", NARROW, False, False, (), True),
        ("quiet, against what was expected", NARROW, True, False, (), False),
        # What the author forgot to give is named, so that `watchd check` can say so.
        ("left out, expected raised", SPREAD_ONLY, True, False, ("current_a",), False),
        ("nothing given", {}, True, False, ("cell_spread_mv", "current_a"), False),
        # No alarm fires on what it does not know: a rule's author may hold it to that.
        ("left out, expected quiet", SPREAD_ONLY, False, False, ("current_a",), True),
        ("left out, but decided by the rest", {"current_a": -9.0}, False, False, (), True),
    ],
)
def test_what_comes_of_an_example(
    what: str,
    given: dict[str, Any],
    expected: bool,
    raised: bool,
    unknown: tuple[str, ...],
    passed: bool,
) -> None:
    outcome = outcome_of(rule_of(SPREAD), 300.0, raised=expected, **given)
    found = (outcome.raised, outcome.unknown, outcome.passed)
    assert found == (raised, unknown, passed), what


def test_raised_and_then_unknown_has_not_passed() -> None:
    rule = rule_of(SPREAD)
    example = Example((Step({}, 300.0),), raised=True)
    assert Outcome(rule, 1, example, raised=True, unknown=()).passed
    assert not Outcome(rule, 1, example, raised=True, unknown=("current_a",)).passed


@pytest.mark.parametrize(
    ("lasting_s", "raised"), [(0, False), (119, False), (120, True), (121, True)]
)
def test_an_example_lasts_as_long_as_it_says(lasting_s: float, raised: bool) -> None:
    outcome = outcome_of(rule_of(SPREAD), lasting_s, cell_spread_mv=55.0, current_a=9.0)
    assert outcome.raised is raised


def test_without_a_delay_an_example_may_last_no_time() -> None:
    rule = rule_of(
        '- {rule: hot, about: pack, when: temperature_max_degc > 55, priority: high, say: ""}'
    )
    assert outcome_of(rule, 0.0, temperature_max_degc=56.0).raised


def test_what_the_config_says_has_a_value_that_an_example_may_replace() -> None:
    rule = rule_of(
        "- {rule: full-blast, about: pack, when: current_a > 0.5 * nameplate_ah, "
        'priority: low, say: "{pack}"}'
    )
    assert not outcome_of(rule, 1.0, current_a=120.0).raised  # the pack of examples has 280 Ah
    assert outcome_of(rule, 1.0, current_a=120.0, nameplate_ah=200.0).raised


@pytest.mark.parametrize(
    ("about", "when", "given"),
    [
        ("bank", "current_a > 0.5 * max_charge_a", {"current_a": 200.0}),
        ("cell", "cell_v > 3.5 and cells_in_series == 16", {"cell_v": 3.6}),
        ("service", 'rules_fault != "none"', {"rules_fault": "a mistake"}),
    ],
)
def test_examples_of_every_subject(about: str, when: str, given: dict[str, Any]) -> None:
    rule = rule_of(f"- {{rule: r, about: {about}, when: '{when}', priority: low, say: now}}")
    outcome = outcome_of(rule, 10.0, **given)
    assert (outcome.raised, outcome.unknown) == (True, ())


def test_each_example_begins_with_a_fresh_alarm_and_has_its_number() -> None:
    rule = rule_of(SPREAD)
    wide = Example((Step({"cell_spread_mv": 55.0, "current_a": 9.0}, 300.0),), raised=True)
    within = Example((Step({"cell_spread_mv": 35.0, "current_a": 9.0}, 300.0),), raised=False)
    outcomes = run_examples(replace(rule, examples=(wide, within, wide)))
    # Within the deadband the second would stay raised if it were the first's alarm.
    assert [(o.number, o.raised, o.passed) for o in outcomes] == [
        (1, True, True),
        (2, False, True),
        (3, True, True),
    ]


def test_windows_see_the_time_of_an_example_go_by() -> None:
    rule = rule_of(
        "- {rule: long-cold, about: pack, priority: low, say: cold, "
        "when: 'elapsed(temperature_min_degc < 5, \"24 h\") > 7200'}"
    )
    assert not outcome_of(rule, 7190.0, temperature_min_degc=3.0).raised
    assert outcome_of(rule, 7210.0, temperature_min_degc=3.0).raised


def test_a_month_is_taken_in_longer_steps() -> None:
    rule = rule_of(
        "- {rule: overdue, about: pack, when: since_full_h > 100, on_delay: 30 d, "
        'priority: low, say: "{pack}"}'
    )
    assert 30 * 86400 / STEP_S > MOST_STEPS
    assert not outcome_of(rule, 30 * 86400.0 - 1, since_full_h=400.0).raised
    assert outcome_of(rule, 30 * 86400.0, since_full_h=400.0).raised


TRIPS = """
- rule: trips
  when: count(protection_trip, "24 h") >= 3
  priority: low
  say: x
  examples:
    - before:
        - {given: {protection_trip: false}, lasting: 1 h}
        - {given: {protection_trip: true}, lasting: 1 min}
        - {given: {protection_trip: false}, lasting: 1 h}
      times: TIMES
      given: {protection_trip: true}
      lasting: 10 s
      expect: EXPECTED
"""


@pytest.mark.parametrize(("times", "expected"), [(1, "quiet"), (2, "raised"), (3, "raised")])
def test_what_went_before_counts(times: int, expected: str) -> None:
    text = TRIPS.replace("TIMES", str(times))
    for word in ("raised", "quiet"):
        (outcome,) = run_examples(rule_of(text.replace("EXPECTED", word)))
        assert outcome.passed is (word == expected)


def test_mistakes_in_what_went_before_are_told_at_their_place() -> None:
    text = TRIPS.replace("TIMES", "2").replace("EXPECTED", "raised")
    broken = text.replace("{protection_trip: true}, lasting: 1 min", "{trip: 1}, lasting: 1 min")
    with pytest.raises(WatchdError) as caught:
        rule_of(broken)
    (problem,) = caught.value.problems
    assert problem.place
    assert problem.place.line == broken[: broken.index("{trip: 1}")].count("\n") + 1
    assert "unknown name 'trip'" in problem.what
    for wrong, why in (("times: 0", "at least 1"), ("times: 101", "at most 100")):
        with pytest.raises(WatchdError, match=why):
            rule_of(text.replace("times: 2", wrong))
    alone = "    - {given: {}, lasting: 1 s, times: 2, expect: quiet}\n"
    with pytest.raises(WatchdError, match="times repeats what went 'before'"):
        rule_of(text.split("    - before")[0] + alone)
