"""Watches watchd itself."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from watchd.alarms.alarm import Alarm
from watchd.alarms.alarms import Alarms
from watchd.alarms.annunciator import Annunciator
from watchd.alarms.state import Transition
from watchd.figures import About, Figures
from watchd.own_rules import NO_FAULT, Fault, own_rules
from watchd.rules.rule import Rule
from watchd.watch import restored


class ServiceWatch:
    """Watches watchd itself: its files, and how often it calls for a person."""

    def __init__(
        self,
        rules: Iterable[Rule],
        saved_alarms: Mapping[str, Any],
        annunciator: Annunciator,
        *,
        explains: bool = False,
    ) -> None:
        self.subject = "service/watchd"
        self._annunciator = annunciator
        self.figures: Figures = {str(what): NO_FAULT for what in Fault}
        self._alarms = Alarms(
            restored(rule, self.subject, {}, saved_alarms, explains=explains)
            for rule in (*own_rules(), *(r for r in rules if r.about is About.SERVICE))
        )

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the service."""
        return iter(self._alarms)

    def awake(self) -> Sequence[Alarm]:
        """Those of them that are not at rest."""
        return self._alarms.awake()

    def evaluate(self, at: float) -> list[Transition]:
        """Take the figures through the rules."""
        self.figures.update(self._annunciator.figures(at))
        return self._alarms.evaluate(at, self.figures)

    def figures_of(self, _subject: str) -> Figures:
        """The figures that a rule about the service sees."""
        return self.figures

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing of its own changes while it does not run."""
        del at, resume_at
        return []

    def next_at(self) -> float:
        """When a delay ends or the account of alarms changes; of all else, it is told."""
        return min(self._alarms.due_at(0.0), self._annunciator.next_at())
