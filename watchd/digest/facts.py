"""What a digest is made of, as plain data: figures of now, and what was kept of the time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from watchd.digest.schedule import Period
from watchd.figures import Value
from watchd.history.charge import Throughput
from watchd.history.trends import FullCharge
from watchd.messages import JournalEntry
from watchd.rules.rule import Priority


@dataclass(frozen=True, slots=True)
class Earlier:
    """A pack in the week before: figures as of its end, and what went in and out in it."""

    figures: Mapping[str, Value]
    through: Throughput | None


@dataclass(frozen=True, slots=True)
class PackFacts:
    """A pack. `figures` as of the end of the time; the rest is of the time. None: not known."""

    name: str
    bank: str
    figures: Mapping[str, Value]
    through: Throughput | None = None
    full_charges: Sequence[FullCharge] | None = None
    before: Earlier | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that is raised or latched, as of the end of the time. `since`: Unix s."""

    alarm: str
    priority: Priority
    since: float | None
    text: str
    is_shelved: bool = False  # or out of service: put aside by a person


@dataclass(frozen=True, slots=True)
class Facts:
    """Of all packs, from `begin` to `end` (Unix s).

    `journal` reaches back to `journal_from`, 30 days at most; None: it could not be read.
    `causes` are the likely ones by the name of the rule. `missing`: what could not be read.
    """

    period: Period
    begin: float
    end: float
    packs: Sequence[PackFacts]
    standing: Sequence[Standing]
    journal: Sequence[JournalEntry] | None
    journal_from: float | None
    causes: Mapping[str, str] = field(default_factory=dict)
    missing: Sequence[str] = ()
