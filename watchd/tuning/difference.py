"""What a change of rules adds, removes and moves: the raises of two sets of rules, matched.

A raise of one set and one of the other, of the same rule on the same subject, are the same
occurrence if the alarm stood at the same time in both.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from watchd.alarms.state import Event, Transition

SAME_S = 0.001  # times of a recording are floats; nobody can tell these apart


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time that an alarm stood. `returned_at` is None where it still does."""

    rule: str
    subject: str
    raised_at: float
    returned_at: float | None
    text: str = ""

    def end_at(self) -> float:
        """When it returned; never, as yet."""
        return float("inf") if self.returned_at is None else self.returned_at

    def lasted_s(self, until: float) -> float:
        """How long it stood until it returned, or until then."""
        return (until if self.returned_at is None else self.returned_at) - self.raised_at


@dataclass(frozen=True, slots=True)
class Pair:
    """An occurrence before and after the change; one side is None where it is added or removed."""

    before: Occurrence | None
    after: Occurrence | None

    @property
    def either(self) -> Occurrence:
        """The one after the change, or else the one before it."""
        found = self.after or self.before
        if found is None:
            raise ValueError("a pair has a side")
        return found

    @property
    def change(self) -> str:
        """`added`, `removed`, `moved` or `same`."""
        if self.before is None:
            return "added"
        if self.after is None:
            return "removed"
        return "moved" if self.later_s or self._ends_differ(self.before, self.after) else "same"

    @property
    def later_s(self) -> float:
        """By how much it is raised later after the change; negative is earlier."""
        if self.before is None or self.after is None:
            return 0.0
        seconds = self.after.raised_at - self.before.raised_at
        return seconds if abs(seconds) > SAME_S else 0.0

    def longer_s(self, until: float) -> float:
        """By how much longer it stands after the change; what still stands counts `until` then."""
        if self.before is None or self.after is None:
            return 0.0
        seconds = self.after.lasted_s(until) - self.before.lasted_s(until)
        return seconds if abs(seconds) > SAME_S else 0.0

    @staticmethod
    def _ends_differ(before: Occurrence, after: Occurrence) -> bool:
        one, other = before.returned_at, after.returned_at
        if one is None or other is None:
            return one is not other
        return abs(one - other) > SAME_S


class Occurrences:
    """Gathers the occurrences from transitions in the order of time."""

    def __init__(self) -> None:
        self._ended: list[Occurrence] = []
        self._standing: dict[str, Occurrence] = {}

    def take(self, transition: Transition) -> None:
        """Enter what happened."""
        rule, subject, at = transition.rule.name, transition.subject, transition.at
        if transition.event is Event.RAISED:
            self._standing[transition.key] = Occurrence(rule, subject, at, None, transition.text)
        elif transition.event is Event.RETURNED:
            begun = self._standing.pop(transition.key, None)
            if begun is not None:
                self._ended.append(Occurrence(rule, subject, begun.raised_at, at, begun.text))

    def all(self) -> list[Occurrence]:
        """In the order of their raises; the last of an alarm may still stand."""
        return sorted([*self._ended, *self._standing.values()], key=lambda o: o.raised_at)


def difference(before: Sequence[Occurrence], after: Sequence[Occurrence]) -> list[Pair]:
    """The occurrences of both, matched, in the order of time."""
    ones, others = _by_alarm(before), _by_alarm(after)
    found: list[Pair] = []
    for key in ones.keys() | others.keys():
        found.extend(_matched(ones.get(key, []), others.get(key, [])))
    return sorted(found, key=lambda p: (p.either.raised_at, p.either.rule, p.either.subject))


def _by_alarm(occurrences: Sequence[Occurrence]) -> dict[tuple[str, str], list[Occurrence]]:
    found: dict[tuple[str, str], list[Occurrence]] = {}
    for occurrence in occurrences:
        found.setdefault((occurrence.rule, occurrence.subject), []).append(occurrence)
    return found


def _matched(ones: Sequence[Occurrence], others: Sequence[Occurrence]) -> Iterator[Pair]:
    """Pairs of one alarm. Of two that overlap, the one that ends first overlaps no later one, so
    taking the first pair that comes leaves as few unmatched as can be.
    """
    i = j = 0
    while i < len(ones) and j < len(others):
        one, other = ones[i], others[j]
        if one.end_at() < other.raised_at:
            yield Pair(one, None)
            i += 1
        elif other.end_at() < one.raised_at:
            yield Pair(None, other)
            j += 1
        else:
            yield Pair(one, other)
            i, j = i + 1, j + 1
    yield from (Pair(one, None) for one in ones[i:])
    yield from (Pair(None, other) for other in others[j:])
