"""Tells what happens to one alarm, as a table: when, what the pack shows, the state that follows.

    s      cell_spread_mv  state
    0      20              normal
    10     55              normal
    70     55              unacknowledged
    75     ack             acknowledged

`?` is an unknown figure; a word (`ack`, `reset`, `shelve`, ...) is what a person does.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence

from watchd.alarms.alarm import Alarm
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import State, Transition
from watchd.figures import Figures
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

START = 1_790_000_000.0  # some Monday in September 2026
ALDER = "pack/alder"
NAMES = {"bank": "hut", "pack": "alder"}

# The rules that most stories are of.
SPREAD = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40
  on_delay: 60 s
  off_delay: 30 s
  deadband: {cell_spread_mv: 10}
  priority: medium
  say: "{pack}: cells {cell_spread_mv:.0f} mV apart"
"""
LOW_CELL = """
- rule: cell-low
  about: pack
  when: cell_min_v < 2.8
  deadband: {cell_min_v: 0.1}
  priority: high
  say: "{pack}: a cell at {cell_min_v:.3f} V"
"""
HOT = """
- rule: pack-hot
  about: pack
  when: temperature_max_degc > 55
  until: current_a < 1
  off_delay: 20 s
  priority: high
  say: "{pack}: {temperature_max_degc:.0f} °C"
"""
WHILE_CHARGING = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40 and current_a > 0
  priority: medium
  deadband: {cell_spread_mv: 10}
  say: "{pack}: {cell_spread_mv:.0f} mV"
"""
AT_ONCE = """
- {rule: spread, about: pack, when: cell_spread_mv > 40, priority: low, say: "{pack}"}
"""


def rule_of(text: str) -> Rule:
    """The one rule of a YAML text."""
    (rule,) = compile_rules([("story.yaml", text)])
    return rule


def alarm_of(text: str) -> Alarm:
    """The alarm of a rule on the pack alder, before it has seen anything."""
    return Alarm(rule_of(text), ALDER, NAMES)


def restarted(alarm: Alarm) -> Alarm:
    """The alarm after a restart: its snapshot went through the store as JSON."""
    return Alarm(alarm.rule, alarm.subject, NAMES, json.loads(json.dumps(alarm.snapshot())))


SHELVED_S, LONGEST_S = 7200.0, 4 * 3600.0
# What a person does, by the word for it in a table.
ACTS: dict[str, Callable[[Alarm, float], Transition | None]] = {
    "ack": lambda alarm, at: alarm.acknowledge(at, "Kim"),
    "reset": lambda alarm, at: alarm.reset(at, "Kim"),
    "shelve": lambda alarm, at: alarm.shelve(at, Shelf(at + SHELVED_S, by="Kim")),
    "clear": lambda alarm, at: alarm.shelve(at, Shelf(at + LONGEST_S, until_cleared=True)),
    "unshelve": lambda alarm, at: alarm.unshelve(at, "Kim"),
    "out": lambda alarm, at: alarm.remove_from_service(at, "Kim"),
    "in": lambda alarm, at: alarm.return_to_service(at, "Kim"),
}


def act(alarm: Alarm, at: float, what: str) -> Sequence[Transition]:
    """A person does `what`, at `at` seconds from the start; empty where it is refused."""
    transition = ACTS[what](alarm, START + at)
    return [] if transition is None else [transition]


def tell(
    alarm: Alarm, table: str, *, with_restarts: bool = False
) -> tuple[Alarm, list[Transition]]:
    """Play a table and hold each of its rows against the alarm; the alarm then, and what moved."""
    (first, *names, last), *rows = [line.split() for line in table.strip().splitlines()]
    assert (first, last) == ("s", "state"), "a table begins with its header"
    moved: list[Transition] = []
    for at, *shown, state in rows:
        if with_restarts:
            alarm = restarted(alarm)
        if shown[0] in ACTS:
            moved.extend(act(alarm, float(at), shown[0]))
        else:
            values = [None if word == "?" else float(word) for word in shown]
            figures: Figures = dict(zip(names, values, strict=True))
            moved.extend(alarm.evaluate(START + float(at), figures))
        assert alarm.state == State(state), f"at {at} s: {alarm.state}, expected {state}"
    return alarm, moved
