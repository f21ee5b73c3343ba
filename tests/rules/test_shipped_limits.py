"""The rules that ship, just inside and just outside each of their limits and delays."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.rules.limits import Row, gathered
from tests.rules.shipped_rules import RULES
from watchd.alarms.alarm import Alarm
from watchd.config import Bank, Pack
from watchd.durations import parse_duration
from watchd.figures import About, Figures
from watchd.rules.examples import run_examples
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Example, Rule, Step
from watchd.settings import bank_settings, pack_settings

# The pack of the boundary cases. The limits below follow from these numbers.
BANK = Bank(charge_voltage_v=56.0, max_charge_a=300.0)
PACK = Pack(bank="hut", nameplate_ah=200.0, max_charge_a=100.0, max_discharge_a=150.0)

RAISES, RETURNS = gathered("RAISES"), gathered("RETURNS")


def settings_of(rule: Rule) -> Figures:
    """Every name that the rule may use; known are the settings."""
    figures: Figures = dict.fromkeys(FIELDS[rule.about])
    figures.update(bank_settings(BANK) if rule.about is About.BANK else pack_settings(PACK, BANK))
    return figures


def identify(row: Row) -> str:
    name, _, changed, lasting, _ = row
    what = ",".join(f"{n}={v}" for n, v in changed.items())
    return f"{name} {what} {lasting}"


@pytest.mark.parametrize("row", RAISES, ids=identify)
def test_a_limit_raises(row: Row) -> None:
    name, figures, changed, lasting, raised = row
    settings = {n: v for n, v in settings_of(RULES[name]).items() if v is not None}
    given = {**settings, **figures, **changed}
    example = Example((Step(given, parse_duration(lasting)),), raised)
    (outcome,) = run_examples(replace(RULES[name], examples=(example,)))
    assert outcome.raised is raised


@pytest.mark.parametrize("row", RETURNS, ids=identify)
def test_a_limit_returns(row: Row) -> None:
    name, figures, changed, lasting, returned = row
    alarm = Alarm(RULES[name], "pack/alder", {"bank": "hut", "pack": "alder"})
    standing = {**settings_of(RULES[name]), **figures}
    alarm.evaluate(0.0, standing)
    alarm.evaluate(RULES[name].on_delay_s, standing)
    assert alarm.is_raised
    after = RULES[name].on_delay_s + 1
    alarm.evaluate(after, {**standing, **changed})
    alarm.evaluate(after + parse_duration(lasting), {**standing, **changed})
    assert alarm.is_raised is not returned


@pytest.mark.parametrize("rule", RULES.values(), ids=list(RULES))
def test_every_rule_stands_in_the_tables(rule: Rule) -> None:
    if rule.when.calls:  # windows have tests of their own, with a past
        return
    for table in (RAISES, RETURNS):
        outcomes = {came for name, *_, came in table if name == rule.name}
        assert outcomes == {True, False}, f"{rule.name}: give its limits, inside and outside"
