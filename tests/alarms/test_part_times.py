"""Since when each part of a condition is as it is."""

from __future__ import annotations

import json

from tests.alarms.story import ALDER, NAMES, START, rule_of
from watchd.alarms.alarm import Alarm
from watchd.alarms.part_times import LOOK_EVERY_S
from watchd.figures import Figures

RULE = """
- rule: cell-spread-wide
  when: cell_spread_mv > 40 and (current_a > 0 or soc_pct > 90)
  suppress_when: temperature_max_degc > 60
  on_delay: 1 h
  priority: low
  say: x
"""


def see(alarm: Alarm, at: float, **figures: float | None) -> None:
    shown: Figures = {"cell_spread_mv": 55.0, "current_a": 5.0, "soc_pct": 50.0}
    alarm.evaluate(START + at, {**shown, "temperature_max_degc": 20.0, **figures})


def since(alarm: Alarm, condition: str) -> list[float | None]:
    assert alarm.parts is not None
    times = alarm.parts.since(condition)  # type: ignore[arg-type] # the tests say which
    return [None if time is None else time - START for time in times]


def test_each_part_for_itself_to_a_few_seconds() -> None:
    alarm = Alarm(rule_of(RULE), ALDER, NAMES, explains=True)
    assert since(alarm, "when") == [None, None, None]
    see(alarm, 0)
    see(alarm, 1, current_a=-1.0)  # seen at the next look
    see(alarm, LOOK_EVERY_S, current_a=-1.0)
    see(alarm, 3 * LOOK_EVERY_S, current_a=-1.0, soc_pct=None)
    assert since(alarm, "when") == [0.0, LOOK_EVERY_S, 3 * LOOK_EVERY_S]
    assert since(alarm, "suppress_when") == [0.0]


def test_they_go_on_over_a_restart_but_not_over_another_text() -> None:
    alarm = Alarm(rule_of(RULE), ALDER, NAMES, explains=True)
    see(alarm, 0)
    saved = json.loads(json.dumps(alarm.snapshot()))
    same = Alarm(rule_of(RULE), ALDER, NAMES, saved, explains=True)
    see(same, 100)
    assert since(same, "when") == [0.0, 0.0, 0.0]
    # As many parts, but others: their ages would be wrong.
    edited = Alarm(rule_of(RULE.replace("> 60", "> 50")), ALDER, NAMES, saved, explains=True)
    see(edited, 100)
    assert since(edited, "when") == [0.0, 0.0, 0.0]
    assert since(edited, "suppress_when") == [100.0]
