"""One thing in a rule that is likely not meant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from watchd.errors import Problem
from watchd.language.parts import Part
from watchd.rules.rule import Rule


class FindingKind(StrEnum):
    """What sort of thing is likely not meant."""

    NEVER_RAISED = "never raised"
    NEVER_RETURNS = "never returns"
    NEVER_SEEN = "never seen"
    NEVER_HOLDS = "never holds"  # a part, while the whole still can
    ALWAYS_HOLDS = "always holds"
    UNIT = "unit"
    NOISE = "noise"
    CHATTER = "chatter"
    RESPONSE = "response"
    EXAMPLES = "examples"


@dataclass(frozen=True, slots=True)
class Finding:
    """One of them, in a rule."""

    kind: FindingKind
    rule: str
    problem: Problem

    def __str__(self) -> str:
        return str(replace(self.problem, what=f"{self.problem.what} [{self.kind}]"))


def at_key(kind: FindingKind, what: str, rule: Rule, *path: str) -> Finding:
    """A finding at a key of a rule."""
    problem = rule.source.problem(what, *path, at_key=len(path) > 1)
    return Finding(kind, rule.name, problem)


def at_part(kind: FindingKind, what: str, rule: Rule, key: str, part: Part) -> Finding:
    """A finding at a part of the condition that stands at `key`."""
    return Finding(kind, rule.name, rule.source.in_text(what, key, part.start, part.width))
