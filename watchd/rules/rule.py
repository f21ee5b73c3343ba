"""A rule as it stands in a file, checked and compiled."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from watchd.errors import Place
from watchd.figures import About
from watchd.language.expression import Expression
from watchd.language.texts import Template
from watchd.rules.source import Source


class Priority(StrEnum):
    """Consequence and time to respond, in the words of ISA-18.2; `journal` never annunciates."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"
    JOURNAL = "journal"


@dataclass(frozen=True, slots=True)
class Step:
    """Figures that stand still for a time. The rest of the figures is unknown."""

    given: dict[str, Any]
    lasting_s: float


@dataclass(frozen=True, slots=True)
class Example:
    """What must have happened at the end of these steps."""

    steps: tuple[Step, ...]
    raised: bool


@dataclass(frozen=True, slots=True)
class Rule:
    """A compiled rule. `digest` changes with anything that bears on its state."""

    name: str
    about: About
    when: Expression
    stays: Expression | None  # while raised: `when` with the deadbands
    until: Expression | None
    on_delay_s: float
    off_delay_s: float
    priority: Priority
    title: Template | None  # None: subject and name of the rule
    say: Template
    cause: str
    consequence: str
    response: str
    caution: str
    charge_limit: Expression | None
    latching: bool
    suppress_when: Expression | None
    re_alarm_s: float | None
    group: str | None
    annunciate: bool
    disabled: bool
    deadband: dict[str, float]
    examples: tuple[Example, ...]
    digest: str
    place: Place
    source: Source = field(repr=False, compare=False)

    @property
    def is_silent(self) -> bool:
        """Whether nobody is told of it, and so nobody is asked to acknowledge."""
        return not self.annunciate or self.priority is Priority.JOURNAL
