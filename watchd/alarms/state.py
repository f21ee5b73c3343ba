"""The words of an alarm's life cycle: its states, and what moves it from one to another.

They are those of ISA-18.2 (IEC 62682) as OPC 10000-9 gives them in open text.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from watchd.figures import Value
from watchd.rules.rule import Rule


class State(StrEnum):
    """Where an alarm is in its life cycle."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    # In these the alarm goes on being evaluated and journalled; nobody is told.
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


RAISED = frozenset({State.UNACKNOWLEDGED, State.ACKNOWLEDGED})
LATCHED = frozenset({State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED})
WITHHELD = frozenset({State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE})


class Event(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    RE_ALARMED = "re_alarmed"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    REMOVED_FROM_SERVICE = "removed_from_service"
    RETURNED_TO_SERVICE = "returned_to_service"
    CHATTERING = "chattering"
    STEADY = "steady"
    STALE = "stale"


class Told(StrEnum):
    """Whether a person was told of a transition, and if not, why."""

    NO = "no"  # there was nothing to tell
    YES = "yes"
    SILENT = "silent"  # the rule does not annunciate
    WITHHELD = "withheld"  # shelved, suppressed by design or out of service
    CHATTERING = "chattering"
    FLOOD = "flood"
    STALE = "stale"  # nothing fresh comes from the pack: that alone is told
    FOLLOWS = "follows"  # from something that was told already


class ByHow(StrEnum):
    """How it is known who asked for something."""

    TOPIC = "topic"  # the request came on the topic of this name
    CLAIM = "claim"  # the request said so itself


@dataclass(frozen=True, slots=True)
class Transition:
    """What happened to an alarm at one moment, with the values that caused it.

    `before` and `state` are what a person sees; `condition` is the state behind it, which goes on
    while an alarm is shelved, suppressed or out of service. `by` names who asked for it, `by_how`
    says how that is known, and `claim` what the request called itself where its topic names
    another.
    """

    at: float
    rule: Rule
    subject: str
    event: Event
    before: State
    state: State
    condition: State
    text: str
    values: Mapping[str, Value]
    by: str = ""
    told: Told = Told.NO
    by_how: ByHow | None = None
    claim: str = ""

    @property
    def key(self) -> str:
        """The name of the alarm: RULE/SUBJECT."""
        return f"{self.rule.name}/{self.subject}"
