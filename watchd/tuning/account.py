"""The account of what rules did over a time: how often, for how long, how well behaved.

Words and figures of ISA-18.2 and EEMUA 191 where they have one: stale is an alarm that stands for
more than a day, chattering one that is raised three times in a minute (see `alarms.chatter`), and
a manned desk takes at most 2 alarms in ten minutes and 12 in an hour. A keeper has a life beside
the bank: one alarm a day, over a month, is the most that this project allows itself (ours).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from watchd.alarms.alarm import STALE_AFTER_S
from watchd.alarms.state import Event, Told, Transition
from watchd.rules.rule import Rule

BUDGET_PER_DAY = 1.0
# Came and went before anybody could look; the standards leave the number open, so it is ours.
FLEETING_S = 60.0
# The most that a manned desk can take (ISA-18.2): 1 in ten minutes and 6 in an hour are acceptable.
MOST_IN_10_MIN, MOST_IN_AN_HOUR = 2, 12
LEAST_FOR_A_RATE_S = 86400.0  # of less than a day, so many a day says nothing
_10_MIN_S, _HOUR_S, _DAY_S = 600.0, 3600.0, 86400.0


@dataclass(frozen=True, slots=True)
class Tally:
    """What one rule did, on all its subjects. Times in alarm run from raise to return."""

    raised: int = 0
    told: int = 0  # how often a person was told of it
    in_alarm_s: float = 0.0
    longest_s: float = 0.0
    chattering: int = 0  # how often it began to chatter
    fleeting: int = 0
    stale: int = 0
    standing: int = 0  # raised at the end


@dataclass(frozen=True, slots=True)
class Load:
    """How often people were told of something, of whatever rule, and how close together."""

    told: int
    in_10_min: int  # at most
    in_an_hour: int

    def is_bearable(self) -> bool:
        """Whether a manned desk could have taken it."""
        return self.in_10_min <= MOST_IN_10_MIN and self.in_an_hour <= MOST_IN_AN_HOUR


class Account:
    """Takes transitions in the order of time. `begin_at` and all times are Unix seconds.

    An alarm that returns without having been seen to be raised stood since before the beginning.
    """

    def __init__(self, begin_at: float) -> None:
        self._begin_at = begin_at
        self._tallies: dict[str, Tally] = {}
        self._raised_at: dict[tuple[str, str], float] = {}  # by rule and subject
        self._told = 0
        self._in_10_min, self._in_an_hour = _Busiest(_10_MIN_S), _Busiest(_HOUR_S)

    def take(self, transition: Transition) -> None:
        """Enter what happened."""
        name, subject = transition.rule.name, transition.subject
        self.enter(name, subject, transition.at, transition.event, transition.told)

    def enter(self, rule: str, subject: str, at: float, event: Event, told: Told) -> None:
        """The same of what a journal has. `rule` is what has a tally of its own."""
        tally = self._tallies.get(rule, Tally())
        if told is Told.YES:
            tally = replace(tally, told=tally.told + 1)
            self._told += 1
            self._in_10_min.take(at)
            self._in_an_hour.take(at)
        match event:
            case Event.RAISED:
                tally = replace(tally, raised=tally.raised + 1)
                self._raised_at[rule, subject] = at
            case Event.RETURNED:
                raised_at = self._raised_at.pop((rule, subject), None)
                tally = _ended(tally, self._begin_at if raised_at is None else raised_at, at)
                if raised_at is not None and at - raised_at <= FLEETING_S:
                    tally = replace(tally, fleeting=tally.fleeting + 1)
            case Event.CHATTERING:
                tally = replace(tally, chattering=tally.chattering + 1)
        self._tallies[rule] = tally

    def tallies(self, until: float) -> dict[str, Tally]:
        """The tally of each rule that did anything; what still stands lasts until then."""
        found = dict(self._tallies)
        for (rule, _), raised_at in self._raised_at.items():
            tally = _ended(found[rule], raised_at, until)
            found[rule] = replace(tally, standing=tally.standing + 1)
        return found

    def load(self) -> Load:
        """What people were told, all rules together; silent rules tell nobody."""
        return Load(self._told, self._in_10_min.most, self._in_an_hour.most)


def _ended(tally: Tally, raised_at: float, at: float) -> Tally:
    lasted_s = at - raised_at
    return replace(
        tally,
        in_alarm_s=tally.in_alarm_s + lasted_s,
        longest_s=max(tally.longest_s, lasted_s),
        stale=tally.stale + (lasted_s >= STALE_AFTER_S),
    )


class _Busiest:
    """The largest number of moments within `span_s` of each other."""

    def __init__(self, span_s: float) -> None:
        self._span_s = span_s
        self._moments: deque[float] = deque()
        self.most = 0

    def take(self, at: float) -> None:
        self._moments.append(at)
        while at - self._moments[0] >= self._span_s:
            self._moments.popleft()
        self.most = max(self.most, len(self._moments))


def per_day(number: float, span_s: float) -> float | None:
    """So many in so many seconds, a day; None where the time is too short to say."""
    return number / (span_s / _DAY_S) if span_s >= LEAST_FOR_A_RATE_S else None


def by_kind(
    rules: Iterable[Rule], tallies: Mapping[str, Tally]
) -> tuple[list[Rule], list[Rule], list[Rule]]:
    """Rules that were raised and tell people, silent ones that were raised, those never raised."""
    loud: list[Rule] = []
    silent: list[Rule] = []
    never: list[Rule] = []
    for rule in rules:
        tally = tallies.get(rule.name, Tally())
        if not tally.raised and not tally.in_alarm_s:
            never.append(rule)
        else:
            (silent if rule.is_silent else loud).append(rule)
    return loud, silent, never
