"""Each cell of the table of states and events, played on an alarm."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import pytest

from tests.alarms.life_cycle_table import SILENT, TABLES
from tests.alarms.story import ACTS, SHELVED_S, START, act, alarm_of, restarted
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import Event, State, Told, Transition

RULE = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40
  suppress_when: current_a < 0
  re_alarm_time: 1 h
  priority: low
  say: "{pack}: {cell_spread_mv:.0f} mV"
"""
RULES = {
    "plain": RULE,
    "latching": RULE + "  latching: yes\n",
    "silent": RULE + "  annunciate: no\n",
    "journal": RULE.replace("low", "journal"),
}
CONDITIONS = {
    "N": State.NORMAL,
    "U": State.UNACKNOWLEDGED,
    "A": State.ACKNOWLEDGED,
    "R": State.RETURNED_UNACKNOWLEDGED,
    "L": State.LATCHED_UNACKNOWLEDGED,
    "K": State.LATCHED_ACKNOWLEDGED,
}
HIDDEN = {"o": State.OUT_OF_SERVICE, "s": State.SHELVED, "d": State.SUPPRESSED_BY_DESIGN}
TOLD = {"": Told.NO, "!": Told.YES, "~": Told.WITHHELD, "=": Told.SILENT}
# The event of each column, where it causes one.
EVENTS = {
    "true": Event.RAISED,
    "false": Event.RETURNED,
    "ack": Event.ACKNOWLEDGED,
    "reset": Event.RESET,
    "shelve": Event.SHELVED,
    "clear": Event.SHELVED,
    "unshelve": Event.UNSHELVED,
    "sup": Event.SUPPRESSED,
    "uns": Event.UNSUPPRESSED,
    "out": Event.REMOVED_FROM_SERVICE,
    "in": Event.RETURNED_TO_SERVICE,
    "age": Event.RE_ALARMED,
    "end": Event.UNSHELVED,
}
# How an alarm comes to a condition, in plain sight.
WAYS = {
    "N": (),
    "U": ("true",),
    "A": ("true", "ack"),
    "R": ("true", "false"),
    "L": ("true", "false"),
    "K": ("true", "false", "ack"),
}
# How it is hidden, one after the other.
HIDING = {"s": "shelve", "c": "clear", "d": "sup", "o": "out"}


@dataclass
class Played:
    """An alarm, the time (seconds), and what its figures show now."""

    alarm: Alarm
    now: float = 0.0
    holds: bool | None = False
    suppressed: bool | None = False

    def take(self, what: str) -> list[Transition]:
        """One event of the table; the transitions."""
        self.now += 30
        if what in ACTS:
            return list(act(self.alarm, self.now, what))
        match what:
            case "true" | "false" | "?":
                self.holds = {"true": True, "false": False, "?": None}[what]
            case "sup" | "uns" | "s?":
                self.suppressed = {"sup": True, "uns": False, "s?": None}[what]
            case "age":
                self.now += 3600
            case "end":
                shelf = self.alarm.shelf
                assert shelf is not None
                self.now = shelf.until - START
        return list(
            self.alarm.evaluate(
                START + self.now,
                {
                    "cell_spread_mv": {True: 55.0, False: 20.0, None: None}[self.holds],
                    "current_a": {True: -5.0, False: 5.0, None: None}[self.suppressed],
                },
            )
        )


def brought_to(rule: str, hidden: str, condition: str) -> Played:
    """An alarm in a state of the table."""
    played = Played(alarm_of(RULES[rule]))
    hiding = [HIDING[letter] for letter in sorted(hidden.strip("/"), key="dsco".index)]
    ways = WAYS[condition.upper()]
    steps = [*hiding, *ways] if condition.islower() else [*ways, *hiding]
    for step in steps:
        played.take(step)
    return played


def shown(alarm: Alarm) -> tuple[State, State, bool]:
    """What people see, the condition, and whether anyone knows of this occurrence."""
    return alarm.state, alarm.condition, alarm.snapshot()["told_of"]


def expected(cell: str) -> tuple[State, State, bool]:
    """The same of a cell such as `sd/u~`."""
    hidden, _, condition = cell.rstrip("!~=").rpartition("/")
    hidden = hidden.replace("c", "s")
    seen = next((HIDDEN[h] for h in "osd" if h in hidden), CONDITIONS[condition.upper()])
    return seen, CONDITIONS[condition.upper()], condition.isupper() and condition != "N"


@dataclass(frozen=True)
class Cell:
    """A state, what happens, and what follows."""

    rule: str
    hidden: str
    condition: str
    event: str
    follows: str

    def __str__(self) -> str:
        return f"{self.rule}: {self.hidden}{self.condition} + {self.event}"


def cells_of(table: str, hidden: str, rules: tuple[str, ...]) -> Iterator[Cell]:
    header, *parts = table.strip("\n").split("\n", 1)
    events = header.split()
    for rule, part in zip(rules, parts[0].split("\n\n"), strict=True):
        for row in part.strip().splitlines():
            condition, *follows = row.split()
            for event, cell in zip(events, follows, strict=True):
                yield Cell(rule, hidden, condition, event, cell)


def cells() -> list[Cell]:
    found = [
        cell
        for hidden, table in TABLES.items()
        for cell in cells_of(table, hidden, ("plain", "latching"))
    ]
    silent = list(cells_of(SILENT, "", ("silent",)))
    return [*found, *silent, *(replace(cell, rule="journal") for cell in silent)]


CELLS = cells()


@pytest.mark.parametrize("with_restarts", [False, True], ids=["", "restarted"])
@pytest.mark.parametrize("cell", [c for c in CELLS if c.follows != "-"], ids=str)
def test_every_state_with_every_event(cell: Cell, with_restarts: bool) -> None:
    played = brought_to(cell.rule, cell.hidden, cell.condition)
    if with_restarts:
        played.alarm = restarted(played.alarm)
    before = shown(played.alarm)
    assert before == expected(f"{cell.hidden}{cell.condition}")
    moved = played.take(cell.event)
    if cell.follows in (".", "x"):
        assert moved == []
        assert shown(played.alarm) == before
        return
    mark = cell.follows[len(cell.follows.rstrip("!~=")) :]
    assert shown(played.alarm) == expected(cell.follows)
    first, last = moved[0], moved[-1]
    assert first.event is EVENTS[cell.event]
    assert (first.before, last.state, last.condition) == (before[0], *shown(played.alarm)[:2])
    assert [t.told for t in moved if t.told is not Told.NO] == [TOLD[mark]] * bool(mark)
    # A shelf that waits for the clearing ends with it; all else is one transition.
    cleared = cell.event == "false" and "c" in cell.hidden
    assert [t.event for t in moved[1:]] == [Event.UNSHELVED] * cleared
    assert all(t.before == u.state for u, t in pairwise(moved))


def test_the_table_is_complete() -> None:
    letters = {"plain": "NUuARr", "latching": "UuALlK", "silent": "NuA", "journal": "NuA"}
    wanted = {
        (rule, hidden, condition)
        for hidden in TABLES
        for rule in ("plain", "latching")
        for condition in letters[rule]
        # What is in plain sight, people are told of; a shelf until the clearing ends with it.
        if not (condition.islower() and not hidden)
        and not (condition in "rl" and hidden.startswith("c"))
    }
    wanted |= {(rule, "", letter) for rule in ("silent", "journal") for letter in letters[rule]}
    assert {(c.rule, c.hidden, c.condition) for c in CELLS} == wanted
    columns = {"?", "s?", *EVENTS}
    assert {(c.rule, c.hidden, c.condition, c.event) for c in CELLS} == {
        (*row, column) for row in wanted for column in columns
    }
    # Chattering and stale have stories of their own, in test_trouble.py.
    assert {*EVENTS.values()} | {Event.CHATTERING, Event.STEADY, Event.STALE} == set(Event)
    assert {state for cell in CELLS for state in expected(cell.hidden + cell.condition)[:2]} == set(
        State
    )


def test_a_shelf_of_the_table_ends_before_anything_else_would() -> None:
    assert SHELVED_S > 3600
