"""The limit that a rule holds a figure against."""

from __future__ import annotations

from watchd.language.parts import parts_of
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule


def limit_of(rule: Rule | None, figure: str) -> float | None:
    """The lowest plain number that the figure must be above; None where there is none."""
    if rule is None or rule.disabled:
        return None
    leaves = parts_of(rule.when.text, FIELDS[rule.about]).leaves()
    limits = [
        part.limit.limit.number
        for part in leaves
        if part.limit is not None
        and part.limit.figure.name == figure
        and part.limit.operator in (">", ">=")
        and part.limit.limit.number is not None
    ]
    return min(limits, default=None)
