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
    """Each example of a rule: its figures held still for their times, from a fresh alarm."""
    return [_run(rule, number, example) for number, example in enumerate(rule.examples, 1)]


class Trial:
    """A rule's alarm on a made-up clock. What is not given of the config is that of `_PACK`."""

    def __init__(self, rule: Rule) -> None:
        self._alarm = Alarm(rule, "example", {})
        self._at = 0.0

    def hold(self, figures: Figures, lasting_s: float, step_s: float = STEP_S) -> bool:
        """Hold figures for a time, looked at each `step_s`; whether the alarm is raised then."""
        end = self._at + lasting_s
        while self._at < end:
            self._alarm.evaluate(self._at, figures)
            self._at += step_s
        self._at = end
        self._alarm.evaluate(end, figures)
        return self._alarm.is_raised

    @property
    def unknown(self) -> tuple[str, ...]:
        """The names that leave the alarm without an answer."""
        return self._alarm.unknown


def figures_of(rule: Rule, given: Figures) -> Figures:
    """What an example gives, what the config would say, and the rest unknown."""
    figures: Figures = dict.fromkeys(FIELDS[rule.about])
    if rule.about is About.BANK:
        figures.update(bank_settings(_BANK))
    elif rule.about is not About.SERVICE:
        figures.update(pack_settings(_PACK, _BANK))
    figures.update(given)
    return figures


def _run(rule: Rule, number: int, example: Example) -> Outcome:
    trial = Trial(rule)
    raised = False
    for step in example.steps:
        step_s = max(STEP_S, step.lasting_s / MOST_STEPS)
        raised = trial.hold(figures_of(rule, step.given), step.lasting_s, step_s)
    return Outcome(rule, number, example, raised, trial.unknown)
