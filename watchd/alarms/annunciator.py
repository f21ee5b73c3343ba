"""Decides whether people are told of a transition, and keeps the account of how often they are.

A flood is more than ten alarms within ten minutes; it ends below five (ISA-18.2 and EEMUA 191, as
quoted in open text). During one, only the alarm that says so and what is critical goes out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

from watchd.alarms.alarm import Alarm
from watchd.alarms.groups import Groups
from watchd.alarms.state import Event, Told, Transition
from watchd.bank_parts import bank_of
from watchd.figures import Figures
from watchd.own_rules import FLOOD
from watchd.rules.rule import Priority

SHORT_S, LONG_S = 600.0, 86400.0
# Beyond it the count of a day stands still; nobody reads further.
MOST_COUNTED = 2000
# Of banks that have files of their own: as many as tell a flood, and no more.
MOST_OF_BANK = 20
FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5  # as in watchd's own rule


class Annunciator:
    """One for all alarms, because one person hears them all. `saved` is its snapshot.

    Banks that have files of their own are many, and of many keepers: each is counted by itself, and
    one in a flood holds back its own alarms alone. `apart`: their names by those of their packs.
    """

    def __init__(
        self, saved: dict[str, Any] | None = None, apart: Mapping[str, str] | None = None
    ) -> None:
        known = saved or {}
        self._apart = apart or {}
        self._banks_apart = frozenset(self._apart.values())
        self._times_apart: dict[str, deque[float]] = {
            bank: deque(times, maxlen=MOST_OF_BANK)
            for bank, times in known.get("times_apart", {}).items()
            if bank in self._banks_apart
        }
        self._flooded: set[str | None] = {
            bank for bank, times in self._times_apart.items() if len(times) > FLOOD_ABOVE
        }
        self._times: deque[float] = deque(known.get("times", ()), maxlen=MOST_COUNTED)
        self._next_at = float("inf")
        self._chattering: set[str] = set()
        self._stale: set[str] = set()
        self._groups = Groups(known.get("groups"))

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        apart = {bank: list(times) for bank, times in self._times_apart.items()}
        return {
            "times": list(self._times),
            **({"times_apart": apart} if apart else {}),
            "groups": self._groups.snapshot(),
        }

    def begin(self, alarms: Collection[Alarm]) -> None:
        """Go by the alarms that there are: rules may have been edited, and subjects be gone."""
        self._chattering = {a.key for a in alarms if a.is_chattering}
        self._stale = {a.key for a in alarms if a.is_stale}
        self._groups.begin(alarms)

    def follow(self, transition: Transition) -> bool:
        """Take account of what happened; whether the figures have changed by it."""
        key, event = transition.key, transition.event
        before = len(self._chattering) + len(self._stale)
        if event is Event.CHATTERING:
            self._chattering.add(key)
        elif event is Event.STEADY:
            self._chattering.discard(key)
        elif event is Event.STALE:
            self._stale.add(key)
        elif event is Event.RETURNED:
            self._stale.discard(key)
        calls = transition.told is Told.YES and transition.rule.name != FLOOD
        if calls:
            bank = self._bank_apart(transition)
            if bank is None:
                self._times.append(transition.at)
            else:
                times = self._times_apart.setdefault(bank, deque(maxlen=MOST_OF_BANK))
                times.append(transition.at)
            if self._apart and self._recent(bank, transition.at) > FLOOD_ABOVE:
                self._flooded.add(bank)
        return calls or before != len(self._chattering) + len(self._stale)

    def judge(self, transition: Transition, *, flood: bool) -> Transition:
        """The transition, held back where a flood says so."""
        told = transition.told is Told.YES and transition.rule.name != FLOOD
        flood = flood and self._is_in_flood(transition)
        if told and flood and transition.rule.priority is not Priority.CRITICAL:
            return replace(transition, told=Told.FLOOD)
        return transition

    def _bank_apart(self, transition: Transition) -> str | None:
        bank = bank_of(transition.subject, self._apart)
        return bank if bank in self._banks_apart else None

    def _is_in_flood(self, transition: Transition) -> bool:
        """Whether it is about what the flood is about."""
        if not self._apart:
            return True
        bank = self._bank_apart(transition)
        if bank in self._flooded and self._recent(bank, transition.at) < FLOOD_ENDS_BELOW:
            self._flooded.discard(bank)
        return bank in self._flooded

    def _recent(self, bank: str | None, at: float) -> int:
        times = self._times if bank is None else self._times_apart.get(bank, ())
        return sum(time + SHORT_S > at for time in times)

    def _most_apart(self, at: float) -> tuple[int, float]:
        """The most alarms that one of the banks apart had of late, and when that changes."""
        most, next_at = 0, float("inf")
        for bank, times in list(self._times_apart.items()):
            while times and times[0] + SHORT_S <= at:
                times.popleft()
            if not times:
                del self._times_apart[bank]
                continue
            most, next_at = max(most, len(times)), min(next_at, times[0] + SHORT_S)
        return most, next_at

    def figures(self, at: float) -> Figures:
        """The account as figures, as of `at`."""
        # Reckoned as `next_at` is: a difference may round to the other side, and the moment at
        # which a time is forgotten would come again and again.
        while self._times and self._times[0] + LONG_S <= at:
            self._times.popleft()
        recent = [time for time in self._times if time + SHORT_S > at]
        most_apart, apart_next_at = self._most_apart(at)
        self._next_at = min(
            apart_next_at,
            recent[0] + SHORT_S if recent else float("inf"),
            self._times[0] + LONG_S if self._times else float("inf"),
        )
        return {
            "alarms_10min": float(max(len(recent), most_apart)),
            "alarms_24h": float(len(self._times)),
            "alarms_chattering": float(len(self._chattering)),
            "alarms_stale": float(len(self._stale)),
        }

    def next_at(self) -> float:
        """When its figures change by time alone."""
        return self._next_at

    def follow_group(self, transition: Transition, alarm: Alarm) -> Transition:
        """The transition, held back where it follows from what people were told of its group."""
        alarm.first_of_group, by = self._groups.follow(transition, alarm)
        if by is None:
            return transition
        if by != alarm.key:
            alarm.holds_back(Told.FOLLOWS)
        return replace(transition, told=Told.FOLLOWS)
