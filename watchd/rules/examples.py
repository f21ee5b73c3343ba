"""Runs the examples that stand in a rule, on the real alarm with time made up."""

from __future__ import annotations

from dataclasses import dataclass

from watchd.alarms.alarm import Alarm
from watchd.config import Bank, Pack
from watchd.figures import About, Figures
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Example, Rule
from watchd.settings import bank_settings, pack_settings

STEP_S = 10.0
MOST_STEPS = 10_000
_BANK = Bank(charge_voltage_v=56.0, max_charge_a=300.0)
# What an example does not give of the config is taken from this pack.
_PACK = Pack(bank="example", nameplate_ah=280.0, max_charge_a=140.0, max_discharge_a=200.0)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one example."""

    rule: Rule
    number: int  # from 1
    example: Example
    raised: bool
    unknown: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether it came as expected, from figures that were all given."""
        return self.raised == self.example.raised and not (self.raised and self.unknown)


def run_examples(rule: Rule) -> list[Outcome]:
    """Each example of a rule: its figures held still for its time, from a fresh alarm."""
    return [_run(rule, number, example) for number, example in enumerate(rule.examples, 1)]


def _run(rule: Rule, number: int, example: Example) -> Outcome:
    figures: Figures = dict.fromkeys(FIELDS[rule.about])
    if rule.about is About.BANK:
        figures.update(bank_settings(_BANK))
    elif rule.about is not About.SERVICE:
        figures.update(pack_settings(_PACK, _BANK))
    figures.update(example.given)
    alarm = Alarm(rule, "example", {})
    step_s = max(STEP_S, example.lasting_s / MOST_STEPS)
    at = 0.0
    while at < example.lasting_s:
        alarm.evaluate(at, figures)
        at += step_s
    alarm.evaluate(example.lasting_s, figures)
    return Outcome(rule, number, example, alarm.is_raised, alarm.unknown)
