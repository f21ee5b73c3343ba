"""When each part of a rule's conditions last changed, for people who ask why.

Looked at every ten seconds, at each transition, and when somebody asks, not at each sample: for a
person that is exact, and the hot path stays free of it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from watchd.figures import About, Value
from watchd.language.parts import Part, parts_of
from watchd.messages import Bearing
from watchd.rules.fields import FIELDS
from watchd.rules.rule import Rule

LOOK_EVERY_S = 10.0
Truth = bool | None


Deadband = tuple[tuple[str, float], ...]


@lru_cache(maxsize=4000)
def _parts(text: str, about: About, deadband: Deadband) -> Part:
    return parts_of(text, FIELDS[about], dict(deadband))


@lru_cache(maxsize=4000)
def _leaves(text: str, about: About, deadband: Deadband) -> tuple[Part, ...]:
    return tuple(_parts(text, about, deadband).leaves())


def _texts(rule: Rule) -> Iterator[tuple[Bearing, str, Deadband]]:
    yield "when", rule.when.text, ()
    if rule.deadband:
        yield "stays", rule.when.text, tuple(rule.deadband.items())
    if rule.until is not None:
        yield "until", rule.until.text, ()
    if rule.suppress_when is not None:
        yield "suppress_when", rule.suppress_when.text, ()


def conditions_of(rule: Rule) -> dict[Bearing, Part]:
    """The conditions of a rule, taken apart: `when`, and what ends it or suppresses it."""
    return {name: _parts(text, rule.about, moved) for name, text, moved in _texts(rule)}


def leaves_of(rule: Rule) -> Iterator[tuple[Bearing, str, tuple[Part, ...]]]:
    """Of each condition of a rule its name, its text and its comparisons and yes/no figures."""
    for name, text, moved in _texts(rule):
        yield name, text, _leaves(text, rule.about, moved)


class PartTimes:
    """The truth of each part of one alarm's conditions, and since when (Unix seconds).

    `saved` is a snapshot: by the text of a condition the truths and times of its parts.
    """

    __slots__ = ("_rule", "_since", "_truths", "look_at")

    def __init__(self, rule: Rule, saved: Mapping[str, list[list[Any]]] | None = None) -> None:
        # The parts of all conditions, one after the other.
        self._rule = rule
        self._truths: list[Truth] = []
        self._since: list[float | None] = []  # None: not seen yet
        for name, text, leaves in leaves_of(rule):
            times = (saved or {}).get(f"{name}: {text}", ())
            fits = len(times) == len(leaves)
            self._truths += [truth for truth, _ in times] if fits else [None] * len(leaves)
            self._since += [since for _, since in times] if fits else [None] * len(leaves)
        self.look_at = float("-inf")

    def snapshot(self) -> dict[str, list[list[Any]]]:
        """Plain data, of what was seen so far."""
        seen = list(zip(self._truths, self._since, strict=True))
        return {
            f"{name}: {text}": [list(s) for s in seen[places] if s[1] is not None]
            for name, text, places in self._places()
        }

    def look(self, at: float, figures: Mapping[str, Value], windows: Mapping[str, Value]) -> None:
        """Note which parts have changed until `at`."""
        self.look_at = at + LOOK_EVERY_S
        index = 0
        for _, _, leaves in leaves_of(self._rule):
            for leaf in leaves:
                truth = leaf.truth(figures, windows)
                if self._since[index] is None or truth is not self._truths[index]:
                    self._truths[index], self._since[index] = truth, at
                index += 1

    def since(self, condition: Bearing) -> list[float | None]:
        """Since when each part of a condition is as it is; None: not seen yet."""
        places = {name: places for name, _, places in self._places()}
        return self._since[places[condition]]

    def _places(self) -> Iterator[tuple[Bearing, str, slice]]:
        begin = 0
        for name, text, leaves in leaves_of(self._rule):
            yield name, text, slice(begin, begin + len(leaves))
            begin += len(leaves)
