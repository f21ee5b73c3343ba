"""What a raised alarm caps the charge current at."""

from __future__ import annotations

from tests.alarms.story import ALDER, NAMES, START, alarm_of, restarted, rule_of
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import State

CAPPED = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40
  deadband: {cell_spread_mv: 10}
  priority: medium
  say: "{pack}"
  charge_limit: 0.5 * current_a - 5
"""


def capped(alarm: Alarm, spread_mv: float | None, amps: float | None) -> float | None:
    at = START + (alarm.occurrences + 1) * 10
    alarm.evaluate(at, {"cell_spread_mv": spread_mv, "current_a": amps})
    return alarm.charge_limit_a


def test_a_cap_stands_while_the_alarm_is_raised() -> None:
    alarm = alarm_of(CAPPED)
    assert capped(alarm, 20, 40) is None
    assert capped(alarm, 55, 40) == 15
    assert capped(alarm, 55, 30) == 10
    alarm.acknowledge(START)
    assert capped(alarm, 55, 30) == 10
    assert capped(alarm, 35, 30) == 10  # within the deadband
    assert capped(alarm, 20, 30) is None


def test_a_cap_below_nothing_is_nothing_not_no_cap() -> None:
    assert capped(alarm_of(CAPPED), 55, 4) == 0


def test_a_cap_is_not_lifted_by_a_figure_that_goes_missing() -> None:
    alarm = alarm_of(CAPPED)
    assert capped(alarm, 55, 40) == 15
    assert capped(alarm, 55, None) == 15
    assert capped(restarted(alarm), 55, None) == 15
    assert capped(alarm, None, None) == 15
    assert capped(alarm, 20, None) is None
    # Raised anew without the figure: there is no number to cap at.
    assert capped(alarm, 55, None) is None


def test_an_edited_cap_keeps_the_alarm_and_counts_from_now() -> None:
    alarm = alarm_of(CAPPED)
    assert capped(alarm, 55, 40) == 15
    saved = alarm.snapshot()
    for edited, expected in {
        "0.25 * current_a": 10.0,
        'mean(current_a, "5 min")': None,  # its window begins with the edit
        "0.1 * nameplate_ah": None,  # not given here
    }.items():
        rule = rule_of(CAPPED.replace("0.5 * current_a - 5", edited))
        assert rule.digest == alarm.rule.digest
        again = Alarm(rule, ALDER, NAMES, saved)
        again.evaluate(
            START + 99, {"cell_spread_mv": 55.0, "current_a": 40.0, "nameplate_ah": None}
        )
        assert again.state is State.UNACKNOWLEDGED
        assert again.charge_limit_a == expected
