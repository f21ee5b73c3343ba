"""One pack, one bank, watchd itself: figures computed, alarms evaluated, when to look again.

Each is evaluated when a message brings something new, and at moments that follow from its state
alone (the end of a delay, telemetry going stale, `LOOK_AGAIN_S` without a message), never at
moments of the caller's choosing: so the same messages give the same alarms at the same times,
however often `tick` is called.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Protocol

from watchd.alarms.alarm import Alarm, Transition
from watchd.figures import Figures
from watchd.rules.rule import Rule

LOOK_AGAIN_S = 10.0
# Of a pack that is silent nothing changes but what windows forget.
LOOK_AGAIN_SILENT_S = 300.0


class Watch(Protocol):
    """What the engine needs of each. Times are Unix seconds."""

    subject: str
    figures: Figures

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the subject."""

    def evaluate(self, at: float) -> list[Transition]:
        """Compute the figures as of `at`, and take them through the rules."""

    def pause(self, at: float, resume_at: float) -> None:
        """Nothing was watched between two times: delays stand still, nothing goes stale."""

    def next_at(self) -> float:
        """When to evaluate again if nothing comes before."""


def restored(rule: Rule, subject: str, names: Mapping[str, str], saved: Mapping[str, Any]) -> Alarm:
    """An alarm that goes on from its saved state, if its rule is still the same."""
    state = saved.get(f"{rule.name}/{subject}")
    same = state is not None and state["digest"] == rule.digest
    return Alarm(rule, subject, names, state if same else None)


def transitions(alarms: Iterable[Alarm], at: float, figures: Figures) -> list[Transition]:
    """Take figures through alarms."""
    found = [alarm.evaluate(at, figures) for alarm in alarms]
    return [transition for transition in found if transition is not None]
