"""A rule as it stands in a file, checked and compiled."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from watchd.errors import Place
from watchd.figures import About
from watchd.language.expression import Expression
from watchd.language.texts import Template


class Priority(StrEnum):
    """Consequence and time to respond, in the words of ISA-18.2; `journal` never annunciates."""

    CRITICAL = "critical"
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"
    JOURNAL = "journal"


@dataclass(frozen=True, slots=True)
class Example:
    """What must happen when these figures last that long. The rest of the figures is unknown."""

    given: dict[str, Any]
    lasting_s: float
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
    say: Template
    cause: str
    consequence: str
    response: str
    charge_limit: Expression | None
    examples: tuple[Example, ...]
    digest: str
    place: Place
