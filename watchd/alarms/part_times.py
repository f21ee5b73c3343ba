"""When each part of a rule's conditions last changed, for people who ask why.

Looked at every ten seconds, at each transition, and when somebody asks, not at each sample: for a
person that is exact, and the hot path stays free of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from watchd.figures import About, Value
from watchd.language.parts import Part, parts_of
from watchd.messages import Bearing
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule

LOOK_EVERY_S = 10.0
Truth = bool | None


@lru_cache(maxsize=4000)
def _parts(text: str, about: About, deadband: tuple[tuple[str, float], ...]) -> Part:
    return parts_of(text, FIELDS[about], dict(deadband))


def conditions_of(rule: Rule) -> dict[Bearing, Part]:
    """The conditions of a rule, taken apart: `when`, and what ends it or suppresses it."""
    found: dict[Bearing, Part] = {"when": _parts(rule.when.text, rule.about, ())}
    if rule.deadband:
        found["stays"] = _parts(rule.when.text, rule.about, tuple(rule.deadband.items()))
    if rule.until is not None:
        found["until"] = _parts(rule.until.text, rule.about, ())
    if rule.suppress_when is not None:
        found["suppress_when"] = _parts(rule.suppress_when.text, rule.about, ())
    return found


class PartTimes:
    """The truth of each part of one alarm's conditions, and since when (Unix seconds).

    `saved` is a snapshot: by the text of a condition the truths and times of its parts.
    """

    __slots__ = ("_leaves", "_seen", "look_at")

    def __init__(self, rule: Rule, saved: Mapping[str, list[list[Any]]] | None = None) -> None:
        self._leaves = {name: list(p.leaves()) for name, p in conditions_of(rule).items()}
        self._seen: dict[str, list[tuple[Truth, float] | None]] = {}
        texts = conditions_of(rule)
        for name, leaves in self._leaves.items():
            times = (saved or {}).get(f"{name}: {texts[name].text}", ())
            fits = len(times) == len(leaves)
            self._seen[name] = [(t, s) for t, s in times] if fits else [None] * len(leaves)
        self.look_at = float("-inf")

    def snapshot(self, rule: Rule) -> dict[str, list[list[Any]]]:
        """Plain data, of what was seen so far."""
        return {
            f"{name}: {part.text}": [list(seen) for seen in self._seen[name] if seen is not None]
            for name, part in conditions_of(rule).items()
        }

    def look(self, at: float, figures: Mapping[str, Value], windows: Mapping[str, Value]) -> None:
        """Note which parts have changed until `at`."""
        self.look_at = at + LOOK_EVERY_S
        for name, leaves in self._leaves.items():
            seen = self._seen[name]
            for index, leaf in enumerate(leaves):
                truth = leaf.truth(figures, windows)
                before = seen[index]
                if before is None or before[0] is not truth:
                    seen[index] = (truth, at)

    def since(self, condition: Bearing) -> list[float | None]:
        """Since when each part of a condition is as it is; None: not seen yet."""
        return [None if entry is None else entry[1] for entry in self._seen[condition]]
