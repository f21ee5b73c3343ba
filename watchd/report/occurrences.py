"""The journal -> each time that an alarm stood, from raised to returned."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from watchd.alarms.state import Event
from watchd.messages import JournalEntry
from watchd.rules.rule import Priority

TRIP = "protection-trip"  # the shipped rule that says each trip
PRIORITIES = tuple(Priority)


@dataclass(frozen=True, slots=True)
class Occurrence:
    """An alarm that stood from `begin` to `end` (Unix s). `end` None: it stands."""

    rule: str
    subject: str
    priority: Priority
    text: str
    begin: float
    end: float | None

    @property
    def alarm(self) -> str:
        """RULE/SUBJECT."""
        return f"{self.rule}/{self.subject}"

    @property
    def pack(self) -> str | None:
        """The pack that it is about; None: a bank, or watchd itself."""
        kind, name, *_ = self.subject.split("/")
        return name if kind in ("pack", "cell") else None

    def is_trip_in(self, begin: float) -> bool:
        """Whether it is a protection trip, raised since `begin` (Unix s)."""
        return self.rule == TRIP and self.begin >= begin

    @property
    def is_of_watchd(self) -> bool:
        """Whether it is about watchd itself."""
        return self.subject.startswith("service/")


def occurrences_of(
    entries: Iterable[JournalEntry], begin: float, end: float
) -> tuple[Occurrence, ...]:
    """Those that stood at some time between `begin` and `end`, the earliest first.

    `entries` in the order of time. One that was raised before the first of them, and returned
    later, is taken to stand from `begin`.
    """
    open_ones: dict[str, JournalEntry] = {}
    found = []
    for entry in entries:
        if entry["at"] >= end:
            break
        alarm = entry["alarm"]
        if entry["event"] == Event.RAISED:
            open_ones.setdefault(alarm, entry)
        elif entry["event"] == Event.RETURNED:
            raised = open_ones.pop(alarm, None)
            began = begin if raised is None else raised["at"]
            if entry["at"] >= begin:
                found.append(_occurrence(raised or entry, began, entry["at"]))
    found.extend(_occurrence(raised, raised["at"], None) for raised in open_ones.values())
    return tuple(sorted(found, key=lambda o: (o.begin, o.alarm)))


def _occurrence(entry: JournalEntry, begin: float, end: float | None) -> Occurrence:
    rule, subject = entry["alarm"].split("/", 1)
    return Occurrence(rule, subject, Priority(entry["priority"]), entry["text"], begin, end)
