"""The life cycle of an alarm: its states, the ends of its delays, and what it says of itself."""

from __future__ import annotations

import pytest

from tests.alarms.story import (
    ACTS,
    AT_ONCE,
    HOT,
    SPREAD,
    START,
    WHILE_CHARGING,
    act,
    alarm_of,
    restarted,
    tell,
)
from watchd.alarms.alarm import Alarm
from watchd.alarms.state import RAISED, State


def take(alarm: Alarm, at: float, what: str) -> None:
    """A spread in mV, `?`, or what a person does."""
    if what in ACTS:
        act(alarm, at, what)
    else:
        alarm.evaluate(START + at, {"cell_spread_mv": None if what == "?" else float(what)})


# A delay is met to a millisecond: times of measurement and records have that resolution, and sums
# of Unix seconds in floats miss their end by less than a microsecond.
BOUNDARY = [(-0.002, False), (-0.0011, False), (0.0, True), (0.001, True), (1.0, True)]


@pytest.mark.parametrize(("off_by_s", "is_over"), BOUNDARY)
@pytest.mark.parametrize("delay_s", [1, 60, 600, 86400])
@pytest.mark.parametrize("steps", [1, 7, 60])
def test_the_end_of_the_on_delay(off_by_s: float, is_over: bool, delay_s: int, steps: int) -> None:
    alarm = alarm_of(SPREAD.replace("60 s", f"{delay_s} s"))
    for step in range(steps):
        alarm.evaluate(START + 0.1 + step * delay_s / steps, {"cell_spread_mv": 55.0})
        assert not alarm.is_raised
    alarm.evaluate(START + 0.1 + delay_s + off_by_s, {"cell_spread_mv": 55.0})
    assert alarm.is_raised is is_over


@pytest.mark.parametrize(("off_by_s", "is_over"), BOUNDARY)
@pytest.mark.parametrize("delay_s", [1, 30, 86400])
def test_the_end_of_the_off_delay(off_by_s: float, is_over: bool, delay_s: int) -> None:
    alarm = alarm_of(SPREAD.replace("30 s", f"{delay_s} s").replace("60 s", "0 s"))
    alarm.evaluate(START, {"cell_spread_mv": 55.0})
    alarm.evaluate(START + 0.1, {"cell_spread_mv": 20.0})
    alarm.evaluate(START + 0.1 + delay_s + off_by_s, {"cell_spread_mv": 20.0})
    assert alarm.is_raised is not is_over


def test_time_that_goes_back_counts_as_no_time() -> None:
    tell(
        alarm_of(SPREAD),
        """
        s        cell_spread_mv  state
        100      55              normal
        50       55              normal
        109      55              normal
        110      55              unacknowledged
        """,
    )


def due_in_s(alarm: Alarm) -> float | None:
    due = alarm.due_at()
    return None if due is None else round(due - START, 3)


def test_it_says_when_a_running_delay_will_end() -> None:
    alarm = alarm_of(SPREAD)
    assert due_in_s(alarm) is None
    expected = {
        (0, "20"): None,
        (10, "55"): 70,
        (30, "55"): 70,
        (40, "?"): None,
        (50, "55"): 80,
        (80, "55"): 80 + 86400,  # raised: nothing runs, but in a day it is stale
        (90, "20"): 120,
        (95, "ack"): 120,
        (100, "?"): 80 + 86400,
        (200, "20"): 220,
        (220, "20"): None,
    }
    found = {}
    for at, what in expected:
        take(alarm, at, what)
        found[at, what] = due_in_s(alarm)
        assert due_in_s(restarted(alarm)) == found[at, what]
    assert found == expected
    assert alarm.state is State.NORMAL


def test_only_the_states_with_the_condition_standing_count_as_raised() -> None:
    assert {State.UNACKNOWLEDGED, State.ACKNOWLEDGED} == RAISED
    alarm = alarm_of(AT_ONCE)
    seen = []
    for at, what in enumerate(("20", "55", "ack", "20", "55", "20")):
        take(alarm, at, what)
        seen.append((alarm.state, alarm.is_raised))
    assert seen == [
        (State.NORMAL, False),
        (State.UNACKNOWLEDGED, True),
        (State.ACKNOWLEDGED, True),
        (State.NORMAL, False),
        (State.UNACKNOWLEDGED, True),
        (State.RETURNED_UNACKNOWLEDGED, False),
    ]


def test_a_transition_tells_what_it_came_from() -> None:
    _, moved = tell(
        alarm_of(SPREAD),
        """
        s        cell_spread_mv  state
        0        55              normal
        60       55              unacknowledged
        100      20              unacknowledged
        130      21              returned_unacknowledged
        200      ack             normal
        """,
    )
    assert [(t.at - START, str(t.before), str(t.state), t.key) for t in moved] == [
        (60, "normal", "unacknowledged", "cell-spread-wide/pack/alder"),
        (130, "unacknowledged", "returned_unacknowledged", "cell-spread-wide/pack/alder"),
        (200, "returned_unacknowledged", "normal", "cell-spread-wide/pack/alder"),
    ]
    assert [t.values for t in moved[:2]] == [{"cell_spread_mv": 55.0}, {"cell_spread_mv": 21.0}]


def test_windows_fill_whatever_the_state() -> None:
    # The mean of five minutes is known from half of its window on. Nobody acknowledges, and the
    # alarm is restarted before every sample; the mean must not notice.
    alarm = alarm_of("""
- {rule: spread, about: pack, when: 'mean(cell_spread_mv, "5 min") > 40', priority: low,
   deadband: {}, say: "{pack}"}
""")
    raised = []
    for minute in range(20):
        for second in range(0, 60, 10):
            spread_mv = 80.0 if 5 <= minute < 10 else 0.0
            alarm = restarted(alarm)
            if alarm.evaluate(START + 60 * minute + second, {"cell_spread_mv": spread_mv}):
                raised.append((minute + second / 60, str(alarm.state)))
    # 80 mV for half of five minutes is a mean of 40 mV; two more steps of 10 s show it above.
    (up, unacknowledged), (down, returned) = raised
    assert (unacknowledged, returned) == ("unacknowledged", "returned_unacknowledged")
    assert 7.5 <= up <= 7.9
    assert 12.4 <= down <= 12.9


def test_it_names_what_is_unknown_and_only_then() -> None:
    alarm = alarm_of(WHILE_CHARGING)
    told = []
    for spread, amps in ((55.0, None), (None, None), (20.0, None), (55.0, 12.0)):
        alarm.evaluate(START, {"cell_spread_mv": spread, "current_a": amps})
        told.append(alarm.unknown)
    assert told == [("current_a",), ("cell_spread_mv", "current_a"), (), ()]


def test_it_names_what_it_needs_to_return() -> None:
    alarm = alarm_of(HOT)
    alarm.evaluate(START, {"temperature_max_degc": 56.0, "current_a": 40.0})
    alarm.evaluate(START + 60, {"temperature_max_degc": 30.0, "current_a": None})
    assert alarm.is_raised
    assert alarm.unknown == ("current_a",)
    # While it is normal, the condition of return is nobody's concern.
    expected: list[tuple[float | None, tuple[str, ...]]] = [
        (30.0, ()),
        (None, ("temperature_max_degc",)),
    ]
    for shown, unknown in expected:
        quiet = alarm_of(HOT)
        quiet.evaluate(START, {"temperature_max_degc": shown, "current_a": None})
        assert quiet.unknown == unknown


def test_it_names_what_it_needs_to_leave_the_deadband() -> None:
    alarm = alarm_of(WHILE_CHARGING)
    alarm.evaluate(START, {"cell_spread_mv": 55.0, "current_a": 12.0})
    # 35 mV would not raise it, whatever the current; within the deadband the current decides.
    alarm.evaluate(START + 60, {"cell_spread_mv": 35.0, "current_a": None})
    assert alarm.is_raised
    assert alarm.unknown == ("current_a",)


def test_a_snapshot_is_plain_and_does_not_move_with_the_alarm() -> None:
    alarm = alarm_of(SPREAD)
    alarm.evaluate(START, {"cell_spread_mv": 55.0})
    before = alarm.snapshot()
    kept = repr(before)
    for at in (30, 60, 90, 200, 300):
        alarm.evaluate(START + at, {"cell_spread_mv": 55.0 if at < 100 else 1.0})
        alarm.acknowledge(START + at)
    assert repr(before) == kept
    assert restarted(alarm).snapshot() == alarm.snapshot()
