"""One thing that a report says of a pack or bank."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from watchd.report.findings.limits import limit_of
from watchd.report.span import Span
from watchd.rules.rule import Priority, Rule

# The first two sentences of every caution (`advice.reanchoring.CAUTION` goes on after them).
SHEET = "This is advice only. The cell maker's limits, local code and a licensed person come first."
INSIDE = (
    "Work at a pack is for a licensed person, with the pack isolated: its cells can drive an arc "
    "through any tool."
)


class Standing(StrEnum):
    """How it is with one thing."""

    ACT = "act"  # a person should do something
    WATCH = "watch"  # not as it should be; nothing to be done today
    WELL = "well"
    UNKNOWN = "unknown"


# What comes first when several things want doing: danger, then what is forgotten easily, then what
# costs the pack, then what costs capacity, then what is only not known.
ORDER = (
    "alarm-critical",
    "joints",
    "alarm-high",
    "temporary",
    "trips",
    "settings",
    "alarm-medium",
    "limit",
    "balance",
    "small-cell",
    "soc",
    "full",
    "capacity",
    "alarm-low",
    "telemetry",
    "charge",
    "energy",
)


@dataclass(frozen=True, slots=True)
class Finding:
    """`what` is a sentence without the name of its subject. `caution` stands where `do` has a
    person touch a setting or a pack. `numbers` are those that it rests on.
    """

    kind: str  # one of ORDER
    subject: str  # pack/NAME or bank/NAME
    standing: Standing
    what: str
    do: str = ""
    caution: str = ""
    numbers: Mapping[str, float | str | None] | None = None

    @property
    def name(self) -> str:
        """Of its subject."""
        return self.subject.split("/", 1)[1]

    def as_data(self) -> dict[str, object]:
        """Plain data; empty words are left out."""
        data: dict[str, object] = {
            "finding": self.kind,
            "subject": self.subject,
            "standing": str(self.standing),
            "what": self.what,
        }
        if self.do:
            data["do"] = self.do
        if self.caution:
            data["caution"] = self.caution
        if self.numbers:
            data["numbers"] = dict(self.numbers)
        return data


@dataclass(frozen=True, slots=True)
class Known:
    """What a look has beside the subject: the span, and the rules in force by name."""

    span: Span
    rules: Mapping[str, Rule]

    def joint_limit_mohm(self) -> float | None:
        """Where the rule about joints begins; None: there is no such rule, or no plain limit."""
        return limit_of(self.rules.get("joint-resistance-high"), "joint_excess_mohm")


def urgency(finding: Finding) -> int:
    """Its place in the order of what to do; lower is more urgent."""
    return ORDER.index(finding.kind)


def alarm_kind(priority: Priority) -> str:
    """The kind of a finding that an alarm is."""
    return f"alarm-{priority}"
