"""All alarms of one subject, and which of them have to be looked at.

Most alarms are at rest: normal, with no delay or time that runs. Figures can move such an alarm
only by making its condition true, or what suppresses it; so one compiled function answers for all
of them, and only what stirs, or is not at rest, is taken through its life cycle.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from watchd.alarms.alarm import NEVER, Alarm
from watchd.alarms.part_times import LOOK_EVERY_S
from watchd.alarms.roll import Roll
from watchd.alarms.rule_set import rule_set_of
from watchd.alarms.state import Transition
from watchd.figures import Figures


class Alarms:
    """The alarms of one subject, in the order of their rules.

    An alarm that is not `is_awake` is at rest, and nothing but `evaluate` or what people do moves
    it. All alarms are of one subject, and see the same figures.
    """

    __slots__ = (
        "_alarms",
        "_awake",
        "_capping",
        "_explains",
        "_look_at",
        "_places",
        "_roll",
        "_rules",
        "_seen",
    )

    def __init__(self, alarms: Iterable[Alarm]) -> None:
        self._alarms = tuple(alarms)
        self._roll = Roll()
        for place, alarm in enumerate(self._alarms):
            alarm.enrol(self._roll, place)
        self._rules = rule_set_of(tuple(alarm.rule for alarm in self._alarms))
        self._places = list(range(len(self._alarms)))  # of those awake, in order
        self._awake: tuple[Alarm, ...] = self._alarms
        self._capping = _that_may_cap(self._alarms)  # of those awake
        self._explains = any(alarm.parts is not None for alarm in self._alarms)
        self._look_at = float("-inf")
        self._seen: tuple[bool | None, ...] = ()

    def __iter__(self) -> Iterator[Alarm]:
        return iter(self._alarms)

    def __len__(self) -> int:
        return len(self._alarms)

    def evaluate(self, at: float, figures: Figures) -> list[Transition]:
        """Take the figures as of `at` through all alarms; the transitions, in their order."""
        roll, rules = self._roll, self._rules
        roll.figures = figures
        stirring = rules.stirring(figures)
        for place in rules.windowed:
            if self._alarms[place].conditions.fill_and_stir(at, figures):
                stirring.append(place)
        found: list[Transition] = []
        if stirring or self._places or roll.woken:
            self._take(at, figures, stirring, found)
        if self._explains and at >= self._look_at:
            self._look(at, figures)
        return found

    def _take(
        self, at: float, figures: Figures, stirring: list[int], found: list[Transition]
    ) -> None:
        """Take the figures through what stirs and what is not at rest."""
        awake = []
        for place in sorted({*stirring, *self._woken()}):
            alarm = self._alarms[place]
            alarm.is_awake = True
            moved = alarm.look(at, figures)
            if moved:
                found.extend(moved)
            alarm.is_awake = not alarm.is_at_rest
            if alarm.is_awake:
                awake.append(place)
            else:
                alarm.conditions.cap_a = None  # it is not looked at, so it would grow old
        self._set(awake)

    def _look(self, at: float, figures: Figures) -> None:
        """Note which parts of conditions have changed, for people who ask why."""
        self._look_at = at + LOOK_EVERY_S
        places = [*self._rules.windowed, *self._roll.apart]
        truths = self._rules.truths(figures)
        if truths != self._seen:
            places += self._rules.told_apart(self._seen, truths)
            self._seen = truths
        for place in places:
            self._alarms[place].look_at_parts(at, figures)
        self._roll.apart.clear()

    def awake(self) -> tuple[Alarm, ...]:
        """Those that are not at rest: all that are raised, withheld, or on the way to it."""
        if self._roll.woken:
            self._set(self._woken())
        return self._awake

    def _woken(self) -> list[int]:
        if not self._roll.woken:
            return self._places
        places = sorted({*self._places, *self._roll.woken})
        self._roll.woken.clear()
        return places

    def _set(self, places: list[int]) -> None:
        if places != self._places:
            self._places = places
            self._awake = tuple([self._alarms[place] for place in places])
            self._capping = _that_may_cap(self._awake)

    def due_at(self, after: float) -> float:
        """When the first delay or other time after `after` ends if nothing changes before."""
        first = NEVER
        if self._roll.woken:
            self._set(self._woken())
        for alarm in self._awake:
            due = alarm.due_at()
            if due is not None and after < due < first:
                first = due
        return first

    def caps(self) -> list[tuple[str, float]]:
        """What raised rules cap the charge current at, in A, by the name of the rule."""
        if self._roll.woken:
            self._set(self._woken())
        if not self._capping:
            return []
        each = [(alarm.rule.name, alarm.charge_limit_a) for alarm in self._capping]
        return [(name, amps) for name, amps in each if amps is not None]


def _that_may_cap(alarms: Iterable[Alarm]) -> tuple[Alarm, ...]:
    """Those whose rule caps the charge current while it is raised."""
    return tuple([alarm for alarm in alarms if alarm.rule.charge_limit is not None])
