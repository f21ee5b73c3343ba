"""The rules about one kind of subject, compiled together: which of them figures concern at all.

Every pack has the same rules, so that they share one set.
"""

from __future__ import annotations

from collections.abc import Callable
from weakref import WeakValueDictionary

from watchd.alarms.part_times import leaves_of
from watchd.figures import Figures
from watchd.language.expression import Expression
from watchd.language.together import Truths, compile_stirring, compile_truths
from watchd.rules.rule import Rule


class RuleSet:
    """Of rules without windows, `stirring` gives the places of those that move an alarm at rest,
    and `truths` each part of their conditions; `windowed` are the places of those with windows.
    """

    __slots__ = ("__weakref__", "_users", "stirring", "truths", "windowed")

    def __init__(self, rules: tuple[Rule, ...]) -> None:
        self.windowed = tuple(place for place, rule in enumerate(rules) if _has_windows(rule))
        plain = [(p, r) for p, r in enumerate(rules) if p not in self.windowed]
        self.stirring: Callable[[Figures], list[int]] = compile_stirring(
            [(p, [e for e in (r.when, r.suppress_when) if e is not None]) for p, r in plain]
        )
        # Rules of one subject have parts in common (`current_a > 0`): each is computed once.
        users: dict[str, tuple[int, list[int]]] = {}
        leaves: list[Expression] = []
        for place, rule in plain:
            for _, _, parts in leaves_of(rule):
                for leaf in parts:
                    code = leaf.expression.value
                    if code not in users:
                        users[code] = len(leaves), []
                        leaves.append(leaf.expression)
                    users[code][1].append(place)
        self._users = [tuple(dict.fromkeys(places)) for _, places in users.values()]
        self.truths: Callable[[Figures], Truths] = compile_truths(leaves)

    def told_apart(self, before: Truths, now: Truths) -> list[int]:
        """The places of rules with a part that is another now; of all, where `before` is empty."""
        if not before:
            return sorted({place for users in self._users for place in users})
        changed = (u for u, a, b in zip(self._users, before, now, strict=True) if a is not b)
        return sorted({place for users in changed for place in users})


_Key = tuple[object, ...]
# As long as somebody uses one: a config that was edited leaves nothing behind.
_made: WeakValueDictionary[_Key, RuleSet] = WeakValueDictionary()


def rule_set_of(rules: tuple[Rule, ...]) -> RuleSet:
    """The set of these rules, shared by all who ask for rules of the same conditions."""
    key = tuple(_key(rule) for rule in rules)
    found = _made.get(key)
    if found is None:
        found = _made[key] = RuleSet(rules)
    return found


def _key(rule: Rule) -> _Key:
    """All that the set of a rule rests on."""
    others = (rule.until, rule.suppress_when, rule.charge_limit)
    texts = (expression.text if expression is not None else None for expression in others)
    return (rule.about, rule.when.text, tuple(rule.deadband.items()), *texts)


def _has_windows(rule: Rule) -> bool:
    every = (rule.when, rule.stays, rule.until, rule.suppress_when, rule.charge_limit)
    return any(expression.calls for expression in every if expression is not None)
