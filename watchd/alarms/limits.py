"""The limit that a number of an alarm's text is held against, from its condition."""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping

from watchd.alarms.part_times import conditions_of
from watchd.figures import Value
from watchd.language.parts import Limit, Side, parsed
from watchd.language.trade import show_amount
from watchd.rules.rule import Rule

COMPARED = (">", ">=", "<", "<=")


def limit_said(rule: Rule, figures: Mapping[str, Value], windows: Mapping[str, Value]) -> str:
    """The limit of the first number in the text that is beyond one in the condition: `40 mV`.

    Empty where there is none, where the text shows what the limit is made of, and for what is
    only counted.
    """
    holding = list(_limits_that_hold(rule, figures, windows))
    for name in (name for _, name, _ in rule.say.parts if name is not None):
        for limit in holding:
            if name not in _names(limit.figure):
                continue
            edge = limit.limit.value(figures, windows)
            told = not _names(limit.limit).isdisjoint(rule.say.names)
            if told or not limit.unit or not isinstance(edge, int | float):
                return ""
            return show_amount(float(edge), limit.unit)
    return ""


def _limits_that_hold(
    rule: Rule, figures: Mapping[str, Value], windows: Mapping[str, Value]
) -> Iterator[Limit]:
    for leaf in conditions_of(rule)["when"].leaves():
        limit = leaf.limit
        if limit is not None and limit.operator in COMPARED and leaf.truth(figures, windows):
            yield limit


def _names(side: Side) -> set[str]:
    return {node.id for node in ast.walk(parsed(side.text)) if isinstance(node, ast.Name)}
