"""Alarms of a group on one pack (with its cells) or one bank: mostly one trouble, told once.

An alarm of the bank also follows from what was told of its packs in the group of the same name.
The first is told, and a later one only if it is more urgent than all of the group that were told
and stand. What was told and has returned still counts for an hour, until somebody acknowledges it:
for itself, so that a trouble that comes and goes is told once an hour, and for the others as long
as anything of the group stands. The hour is ours, no source.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Any

from watchd.alarms.alarm import Alarm
from watchd.alarms.state import RAISED, Event, State, Told, Transition
from watchd.figures import About
from watchd.rules.rule import Priority, Rule

SAME_CAUSE_S = 3600.0
SEEN = (Told.YES, Told.CHATTERING)  # before a flood is thought of
# Whoever puts it aside has dealt with it, and it says nothing of the others any more.
PUT_ASIDE = (Event.SHELVED, Event.SUPPRESSED, Event.REMOVED_FROM_SERVICE)
_RANK = {priority: rank for rank, priority in enumerate(Priority)}


@dataclass(slots=True)
class _Known:
    """An alarm that people were told of. `rank`: 0 is the most urgent."""

    rank: int
    told_at: float
    stands: bool


@dataclass(slots=True)
class _Group:
    first: str
    rule_group: str
    bank: str  # of a pack; empty where the group is that of a bank
    raised: set[str] = field(default_factory=set)
    known: dict[str, _Known] = field(default_factory=dict)


class Groups:
    """Who was first in each group, and what follows from what was told. `saved` is its snapshot."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self._groups: dict[str, _Group] = {}
        for name, known in (saved or {}).items():
            told = {key: _Known(*values) for key, values in known["known"].items()}
            self._groups[name] = _Group(
                known["first"], known["group"], known["bank"], set(known["raised"]), told
            )

    def snapshot(self) -> dict[str, Any]:
        """Plain data from which it goes on."""
        return {
            name: {
                "first": group.first,
                "group": group.rule_group,
                "bank": group.bank,
                "raised": sorted(group.raised),
                "known": {k: [v.rank, v.told_at, v.stands] for k, v in group.known.items()},
            }
            for name, group in self._groups.items()
        }

    def begin(self, alarms: Collection[Alarm]) -> None:
        """Go by the alarms that there are: rules may have been edited, and subjects be gone."""
        groups = {a.key: _group_of(a.rule, a.subject) for a in alarms}
        raised = {a.key for a in alarms if a.is_raised}
        for name, group in list(self._groups.items()):
            group.raised = {key for key in group.raised & raised if groups.get(key) == name}
            group.known = {
                key: known
                for key, known in group.known.items()
                if groups.get(key) == name and (key in raised or not known.stands)
            }
            self._drop_if_over(name)

    def follow(self, transition: Transition, alarm: Alarm) -> tuple[str | None, str | None]:
        """Which alarm of the group was the first when this one was raised, and the one because of
        which this transition is not told (it may be itself); None: it is told.

        What nobody is told of (silent, shelved, suppressed) is no first that helps anybody.
        """
        known = alarm.first_of_group
        name = _group_of(transition.rule, transition.subject)
        if name is None:
            return known, None
        if transition.told in SEEN:
            return self._seen(name, transition, alarm.bank)
        group = self._groups.get(name)
        if group is not None:
            self._moved(group, transition)
            self._drop_if_over(name)
        return known, None

    def _seen(self, name: str, transition: Transition, bank: str) -> tuple[str, str | None]:
        key, at, of_bank = transition.key, transition.at, transition.rule.about is About.BANK
        new = _Group(key, transition.rule.group or "", "" if of_bank else bank)
        group = self._groups.setdefault(name, new)
        if not group.raised:
            group.first = key
        rank, is_told = _RANK[transition.rule.priority], transition.told is Told.YES
        groups = [group, *(self._of_packs(group, bank) if of_bank else ())]
        found = (_covering(g, transition, rank) for g in groups)
        by = next((key for key in found if key is not None), None) if is_told else None
        if transition.condition in RAISED:
            group.raised.add(key)
        own = group.known.get(key)
        if is_told and by is None:
            group.known[key] = _Known(rank, at, transition.condition in RAISED)
        elif own is not None and (own.stands or _lingers(own, at)):
            own.stands = transition.condition in RAISED
        else:
            group.known.pop(key, None)
        return group.first, by

    def _of_packs(self, group: _Group, bank: str) -> list[_Group]:
        same = [g for g in self._groups.values() if g.rule_group == group.rule_group]
        return [g for g in same if g.bank == bank]

    def _moved(self, group: _Group, transition: Transition) -> None:
        key, own = transition.key, group.known.get(transition.key)
        if transition.event is Event.RETURNED:
            group.raised.discard(key)
            if own is not None:
                own.stands = False
        is_over = own is not None and not own.stands and _is_seen(transition)
        if is_over or transition.event in PUT_ASIDE:
            group.known.pop(key, None)
        lasting = {k: v for k, v in group.known.items() if v.stands or _lingers(v, transition.at)}
        group.known = lasting

    def _drop_if_over(self, name: str) -> None:
        group = self._groups[name]
        if not group.raised and not group.known:
            del self._groups[name]


def _covering(group: _Group, transition: Transition, rank: int) -> str | None:
    """What people know already that is as urgent, and that this most likely comes from.

    Its own past before others', then the most urgent.
    """
    found = [
        (key != transition.key, known.rank, key)
        for key, known in group.known.items()
        if known.rank <= rank and _covers(key, known, group, transition)
    ]
    return min(found)[2] if found else None


def _covers(key: str, known: _Known, group: _Group, transition: Transition) -> bool:
    is_own = key == transition.key
    if known.stands:
        own = group.known.get(transition.key)
        reminds = transition.event is Event.RE_ALARMED and own is not None and own.stands
        # A reminder of what was told itself is left out only where something worse reminds.
        return not is_own and not (reminds and own is not None and known.rank == own.rank)
    if transition.event is Event.RE_ALARMED or not _lingers(known, transition.at):
        return False  # it still stands after its time, and nothing else says so any more
    if is_own:
        return transition.event is Event.RAISED
    return not group.raised <= {transition.key}


def _is_seen(transition: Transition) -> bool:
    """Whether a person has dealt with what is gone."""
    if transition.event is Event.RETURNED:
        return transition.before is State.ACKNOWLEDGED
    return transition.event in (Event.ACKNOWLEDGED, Event.RESET)


def _lingers(known: _Known, at: float) -> bool:
    return at < known.told_at + SAME_CAUSE_S


def _group_of(rule: Rule, subject: str) -> str | None:
    """A group on one pack (with its cells) or one bank."""
    if rule.group is None:
        return None
    kind, name = subject.split("/")[:2]
    return f"{rule.group} of {'pack' if kind == 'cell' else kind} {name}"
