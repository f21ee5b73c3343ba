"""What a look at the settings finds, and the words that every such text carries."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SHEET = "Check the cell maker's sheet."
CAUTION = (
    "This is advice only: the cell maker's limits, local code and a licensed person come first. "
    "Never leave a lowered or raised threshold unattended."
)


class Severity(StrEnum):
    """How bad it is."""

    FAULT = "fault"  # contradicts itself, or the cell maker's limits
    REMARK = "remark"  # unusual, or a thin margin


@dataclass(frozen=True, slots=True)
class Advised:
    """What is the same wherever a finding of one kind is made. `protects`: a person is asked to
    change a protection setting, so that the text carries the caution."""

    finding: str  # its name
    severity: Severity
    why: str
    usual: str
    do: str
    protects: bool = False

    @property
    def response(self) -> str:
        """What to do, with all that must be said with it."""
        return " ".join([self.do, SHEET, *([CAUTION] if self.protects else [])])


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong or unusual with the settings of `subject`."""

    advised: Advised
    subject: str  # pack/NAME or bank/NAME
    what: str  # a sentence with the values

    @property
    def severity(self) -> Severity:
        """How bad it is."""
        return self.advised.severity

    def as_data(self) -> dict[str, str]:
        """Plain data, for a payload."""
        return {
            "finding": self.advised.finding,
            "severity": self.advised.severity,
            "subject": self.subject,
            "what": self.what,
            "why": self.advised.why,
            "usual": self.advised.usual,
            "response": self.advised.response,
        }
