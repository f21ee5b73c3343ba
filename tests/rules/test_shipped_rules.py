"""The rules that ship: each tells a person what to do, and its examples hold."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.rules.shipped_rules import RULES
from watchd.alarms.alarm import Alarm
from watchd.figures import About, Figures
from watchd.rules.examples import run_examples
from watchd.rules.rule import Example, Rule, Step

EXAMPLES = [(rule, outcome) for rule in RULES.values() for outcome in run_examples(rule)]
DAY_S = 86400.0


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_a_rule_tells_a_person_what_to_do(rule: Rule) -> None:
    for what in (rule.cause, rule.consequence, rule.response):
        assert len(what.split()) >= 4, f"{rule.name}: '{what}' is no help"
        assert what.endswith((".", "!")), f"{rule.name}: '{what}' is no sentence"
    named = {name for _, name, _ in rule.say.parts if name is not None}
    subject = "bank" if rule.about is About.BANK else "pack"
    assert subject in named, f"{rule.name}: its text does not say which {subject}"
    assert named - {"bank", "pack", "cell"}, f"{rule.name}: its text shows no figure"


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_a_rule_has_examples_of_both_kinds(rule: Rule) -> None:
    kinds = {example.raised for example in rule.examples}
    assert False in kinds, f"{rule.name} has no example of when it is quiet"
    assert True in kinds, f"{rule.name} has no example of when it is raised"


@pytest.mark.parametrize(
    ("rule", "outcome"), EXAMPLES, ids=[f"{r.name}-{o.number}" for r, o in EXAMPLES]
)
def test_every_example_holds_and_gives_what_it_needs(rule: Rule, outcome: Any) -> None:
    assert outcome.passed
    # A quiet example that is quiet because a figure was left out would show nothing.
    assert outcome.unknown == (), f"{rule.name}: not given"


def trips_at(*hours: float, until_h: float) -> list[tuple[float, bool]]:
    """When the alarm of repeated trips moved, in hours, with trips of five minutes at `hours`."""
    alarm = Alarm(RULES["protection-trips-repeated"], "pack/alder", {"pack": "alder"})
    moved = []
    for step in range(round(until_h * 60)):
        at_h = step / 60
        tripped = any(begin <= at_h < begin + 5 / 60 for begin in hours)
        figures: Figures = {"protection_trip": tripped, "trips_24h": 3, "trip_events": "OVER_VOLT"}
        if alarm.evaluate(at_h * 3600, figures):
            moved.append((at_h, alarm.is_raised))
    return moved


def test_three_trips_in_a_day_raise_the_alarm_and_two_do_not() -> None:
    assert trips_at(1, 9, until_h=60) == []
    (raised_h, raised), (returned_h, standing) = trips_at(1, 9, 20, until_h=60)
    assert (raised_h, raised, standing) == (20, True, False)
    # It returns when the first of the three is a day old; the window ends to 1/240 of a day.
    assert 25 <= returned_h <= 25.1 + 1 / 60


@pytest.mark.parametrize(
    ("third_h", "raised"), [(24.8, True), (25.2, False)], ids=["within a day", "after a day"]
)
def test_the_third_trip_must_come_within_a_day(third_h: float, raised: bool) -> None:
    assert bool(trips_at(1, 9, third_h, until_h=26)) is raised


def test_one_long_trip_is_one() -> None:
    rule = RULES["protection-trips-repeated"]
    figures = {"protection_trip": True, "trips_24h": 1}
    example = Example((Step(figures, DAY_S),), raised=False)
    (outcome,) = run_examples(replace(rule, examples=(example,)))
    assert not outcome.raised
