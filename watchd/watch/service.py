"""Watches watchd itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from watchd.alarms.alarm import Alarm, Transition
from watchd.figures import About, Figures
from watchd.own_rules import NO_FAULT, own_rules
from watchd.rules.rule import Rule
from watchd.watch import restored, transitions


class ServiceWatch:
    """Watches watchd itself."""

    def __init__(self, rules: Iterable[Rule], saved_alarms: Mapping[str, Any]) -> None:
        self.subject = "service/watchd"
        self.figures: Figures = {"rules_fault": NO_FAULT}
        self._alarms = [
            restored(rule, self.subject, {}, saved_alarms)
            for rule in (*own_rules(), *(r for r in rules if r.about is About.SERVICE))
        ]

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the service."""
        yield from self._alarms

    def evaluate(self, at: float) -> list[Transition]:
        """Take the figures through the rules."""
        return transitions(self._alarms, at, self.figures)

    def pause(self, at: float, resume_at: float) -> None:
        """Nothing of its own changes while it does not run."""

    def next_at(self) -> float:
        """When a delay ends; its figures change only when the shell says so."""
        return min((due for a in self._alarms if (due := a.due_at())), default=float("inf"))
