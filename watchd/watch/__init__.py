"""One pack, one bank, watchd itself: figures computed, alarms evaluated, when to look again.

Each is evaluated when a message brings something new, and at moments that follow from its state
alone (the end of a delay, telemetry going stale, `look_again_s` without a message), never at
moments of the caller's choosing: so the same messages give the same alarms at the same times,
however often `tick` is called.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Protocol

from watchd.alarms.alarm import Alarm
from watchd.alarms.state import Transition
from watchd.figures import Figures
from watchd.rules.rule import Rule

LOOK_AGAIN_S = 10.0
# A pack that sends more slowly is looked at in its own rhythm, so many of its usual intervals after
# the last message, up to a limit: in between only time has passed.
LOOK_AGAIN_INTERVALS = 1.5
LOOK_AGAIN_AT_MOST_S = 90.0
# Of a pack that is silent nothing changes but what windows forget.
LOOK_AGAIN_SILENT_S = 300.0


class Watch(Protocol):
    """What the engine needs of each. Times are Unix seconds."""

    subject: str
    figures: Figures

    def alarms(self) -> Iterator[Alarm]:
        """Every alarm of the subject."""

    def awake(self) -> Sequence[Alarm]:
        """Those of them that are not at rest: all that are not normal are among them."""

    def evaluate(self, at: float) -> list[Transition]:
        """Compute the figures as of `at`, and take them through the rules."""

    def figures_of(self, subject: str) -> Figures:
        """The figures that a rule about `subject` sees, as of the last evaluation."""

    def pause(self, at: float, resume_at: float) -> list[Transition]:
        """Nothing was watched between two times: delays stand still, nothing goes stale.

        What a delay had brought until the first of them.
        """

    def next_at(self) -> float:
        """When to evaluate again if nothing comes before."""


# What people decided stays with an alarm whose rule was edited.
DECIDED = ("shelf", "out_of_service")


def restored(
    rule: Rule,
    subject: str,
    names: Mapping[str, str],
    saved: Mapping[str, Any],
    *,
    explains: bool = False,
) -> Alarm:
    """An alarm that goes on from its saved state, if its rule is still the same."""
    state = saved.get(f"{rule.name}/{subject}")
    if state is not None and state["digest"] != rule.digest:
        state = {key: state.get(key) for key in DECIDED}
    return Alarm(rule, subject, names, state, explains=explains)
