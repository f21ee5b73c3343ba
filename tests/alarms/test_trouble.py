"""Alarms that are a trouble themselves: chattering, stale, and told again because nobody came."""

from __future__ import annotations

from collections.abc import Iterable

from tests.alarms.story import AT_ONCE, START, act, alarm_of, restarted
from watchd.alarms.alarm import Alarm
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import State, Transition

AGAIN = AT_ONCE.replace("priority: low", "priority: low, re_alarm_time: 1 h")
DAY_S = 86400


def see(alarm: Alarm, at: float, spread_mv: float | None) -> list[str]:
    """What happened, each with whether people were told."""
    return told(alarm.evaluate(START + at, {"cell_spread_mv": spread_mv}))


def told(moved: Iterable[Transition]) -> list[str]:
    return [f"{t.event} {t.told}" for t in moved]


def flap(alarm: Alarm, *times: float) -> list[str]:
    """Raised at each of the times, and returned a second later."""
    moved = []
    for at in times:
        moved += see(alarm, at, 55.0)
        moved += see(alarm, at + 1, 20.0)
    return [m for m in moved if m != "returned no"]


def test_the_third_raise_in_a_minute_is_told_once_as_chattering() -> None:
    alarm = alarm_of(AT_ONCE)
    assert flap(alarm, 0, 30, 60) == [
        "raised yes",
        "raised yes",
        "raised chattering",
        "chattering yes",
    ]
    # From now on it is recorded, and told no more.
    assert flap(alarm, 70, 300) == ["raised chattering"] * 2
    assert flap(restarted(alarm), 800) == flap(alarm, 800) == ["raised chattering"]
    # Ten minutes after the last raise it is steady.
    assert see(alarm, 1399.9, 20.0) == []
    assert see(alarm, 1400, 20.0) == ["steady no"]
    assert flap(alarm, 1401) == ["raised yes"]


def test_three_raises_in_a_little_more_than_a_minute_are_three_alarms() -> None:
    alarm = alarm_of(AT_ONCE)
    assert flap(alarm, 0, 30, 60.1, 90.1) == ["raised yes"] * 4
    assert not alarm.is_chattering


def test_the_text_says_that_it_chatters() -> None:
    alarm = alarm_of(AT_ONCE)
    flap(alarm, 0, 10)
    raised, chattering = alarm.evaluate(START + 20, {"cell_spread_mv": 55.0})
    assert raised.text == alarm.text == "alder"
    assert chattering.text == "alder (chattering: raised 3 times in 60 s)"
    assert chattering.values == {"cell_spread_mv": 55.0}


def test_acknowledging_does_not_end_the_chattering() -> None:
    alarm = alarm_of(AT_ONCE)
    flap(alarm, 0, 10, 20)
    act(alarm, 25, "ack")
    assert alarm.state is State.NORMAL
    assert flap(alarm, 30) == ["raised chattering"]


def test_chattering_that_began_behind_a_shelf_is_told_when_it_is_seen() -> None:
    alarm = alarm_of(AT_ONCE)
    alarm.shelve(START, Shelf(START + 40))
    assert flap(alarm, 0, 10, 20) == [
        "raised withheld",
        "raised withheld",
        "raised withheld",
        "chattering withheld",
    ]
    assert see(alarm, 40, 20.0) == ["unshelved no"]
    # Nobody has heard of it: the first is told, and those after it are held back.
    assert flap(restarted(alarm), 50) == ["raised yes"]
    assert flap(alarm, 50, 70) == ["raised yes", "raised chattering"]


def test_what_chatters_is_told_when_a_person_takes_it_up_again() -> None:
    alarm = alarm_of(AT_ONCE)
    flap(alarm, 0, 10, 20)
    see(alarm, 30, 55.0)
    act(alarm, 31, "shelve")
    assert told(act(alarm, 32, "unshelve")) == ["unshelved yes"]


def test_what_is_known_to_chatter_is_not_told_when_its_suppression_ends() -> None:
    alarm = alarm_of(AT_ONCE.replace("priority:", "suppress_when: soc_pct < 10, priority:"))

    def look(at: float, spread_mv: float, soc_pct: float) -> list[str]:
        return told(alarm.evaluate(START + at, {"cell_spread_mv": spread_mv, "soc_pct": soc_pct}))

    for at in (0, 10, 20):
        look(at, 55.0, 50.0)
        look(at + 5, 20.0, 50.0)
    assert look(30, 55.0, 50.0) == ["raised chattering"]
    assert look(40, 55.0, 5.0) == ["suppressed no"]
    assert look(50, 55.0, 50.0) == ["unsuppressed no"]


def test_an_alarm_that_stands_for_a_day_is_stale_once() -> None:
    alarm = alarm_of(AT_ONCE)
    see(alarm, 0, 55.0)
    act(alarm, 9, "ack")
    assert see(alarm, DAY_S - 1, 55.0) == []
    assert see(alarm, DAY_S, 55.0) == ["stale no"]
    assert see(restarted(alarm), 2 * DAY_S, 55.0) == []
    assert see(alarm, 9 * DAY_S, 55.0) == []
    # It has returned; the next one has a day of its own.
    see(alarm, 9 * DAY_S + 1, 20.0)
    assert not alarm.is_stale
    see(alarm, 10 * DAY_S, 55.0)
    assert see(alarm, 11 * DAY_S - 1, 55.0) == []
    assert see(alarm, 11 * DAY_S, 55.0) == ["stale no"]


def test_it_is_stale_whether_or_not_people_see_it() -> None:
    alarm = alarm_of(AT_ONCE)
    see(alarm, 0, 55.0)
    act(alarm, 9, "out")
    assert see(alarm, DAY_S, None) == ["stale no"]


def test_what_has_returned_is_not_stale_however_long_nobody_looks() -> None:
    alarm = alarm_of(AT_ONCE)
    flap(alarm, 0)
    assert alarm.state is State.RETURNED_UNACKNOWLEDGED
    assert see(alarm, 3 * DAY_S, 20.0) == []


def test_it_is_told_again_as_long_as_it_stands() -> None:
    alarm = alarm_of(AGAIN)
    see(alarm, 0, 55.0)
    act(alarm, 60, "ack")
    assert see(alarm, 3599, 55.0) == []
    assert see(alarm, 3600, 61.0) == ["re_alarmed yes"]
    # As if it were new: with the values of now, and to be acknowledged.
    assert (alarm.state, alarm.values) == (State.UNACKNOWLEDGED, {"cell_spread_mv": 61.0})
    assert (alarm.since, alarm.occurrences) == (START, 1)
    assert see(restarted(alarm), 7199, 55.0) == []
    # Of what is unknown by then nobody says that it stands; once it is known, at once.
    alarm = restarted(alarm)
    assert see(alarm, 7200, None) == []
    assert see(alarm, 9000, 55.0) == ["re_alarmed yes"]
    assert see(alarm, 9010, 20.0) == ["returned no"]
    assert see(alarm, 9 * 3600, 20.0) == []


def test_the_time_of_re_alarm_counts_from_when_people_were_told() -> None:
    alarm = alarm_of(AGAIN)
    see(alarm, 0, 55.0)
    act(alarm, 1800, "shelve")  # for two hours
    assert see(alarm, 3600, 55.0) == []
    assert see(alarm, 9000, 55.0) == ["unshelved yes"]
    assert see(alarm, 12599, 55.0) == []
    assert see(alarm, 12600, 55.0) == ["re_alarmed yes"]


def test_a_rule_edited_to_be_told_again_is_told_again() -> None:
    alarm = alarm_of(AT_ONCE)
    see(alarm, 0, 55.0)
    edited = Alarm(alarm_of(AGAIN).rule, alarm.subject, {"pack": "alder"}, alarm.snapshot())
    assert see(edited, 3599, 55.0) == []
    assert see(edited, 3600, 55.0) == ["re_alarmed yes"]
