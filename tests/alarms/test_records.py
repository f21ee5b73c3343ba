"""What is published of an alarm, and what a phone shows."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.alarms.story import NAMES, START, alarm_of, restarted, rule_of, tell
from watchd.alarms.alarm import Alarm
from watchd.alarms.records import alarm_record, annunciation
from watchd.alarms.shelf import Shelf
from watchd.alarms.state import State, Told, Transition
from watchd.figures import Figures
from watchd.publish import encode
from watchd.rules.rule import Priority

SPREAD = """
- rule: cell-spread-wide
  about: pack
  when: cell_spread_mv > 40 and current_a > 0
  off_delay: 10 s
  priority: medium
  say: "{pack} in {bank}: {cell_spread_mv:.0f} mV apart, cell {cell_max_no:.0f} leads"
  cause: A cell ahead of the others.
  consequence: It trips the pack before the rest is full.
  response: Hold the charge current down.
"""


def published(alarm: Alarm) -> dict[str, Any]:
    """The record as a reader of the topic gets it."""
    record: dict[str, Any] = json.loads(encode(alarm_record(alarm)))
    return record


def see(alarm: Alarm, at: float, spread_mv: float | None, *, amps: float | None = 12.0) -> None:
    figures: Figures = {"cell_spread_mv": spread_mv, "current_a": amps, "cell_max_no": 7}
    alarm.evaluate(START + at, figures)


def test_the_record_of_a_raised_alarm() -> None:
    alarm = alarm_of(SPREAD)
    see(alarm, 0.25, 55.0)
    assert list(alarm_record(alarm).items()) == [
        ("rule", "cell-spread-wide"),
        ("subject", "pack/alder"),
        ("state", "unacknowledged"),
        ("priority", "medium"),
        ("since", "2026-09-21T14:13:20.250Z"),
        ("value", {"cell_spread_mv": 55.0, "current_a": 12.0, "cell_max_no": 7}),
        ("title", "alder: cell spread wide"),
        ("text", "alder in hut: 55 mV apart, cell 7 leads"),
        ("cause", "A cell ahead of the others."),
        ("consequence", "It trips the pack before the rest is full."),
        ("response", "Hold the charge current down."),
        ("occurrences", 1),
        ("limit", "40 mV"),
    ]


def test_value_and_text_are_those_of_the_raise_until_it_is_raised_again() -> None:
    alarm = alarm_of(SPREAD)
    told = []
    for at, spread_mv in ((0, 55.0), (5, 80.0), (10, 10.0), (20, 12.0), (30, 61.0), (40, 10.0)):
        see(alarm, at, spread_mv)
        record = published(restarted(alarm))
        told.append(
            (
                record["state"],
                record["value"]["cell_spread_mv"],
                record["text"][14:19],
                record["since"][17:19],
            )
        )
    assert told == [
        ("unacknowledged", 55, "55 mV", "20"),
        ("unacknowledged", 55, "55 mV", "20"),
        ("unacknowledged", 55, "55 mV", "20"),
        ("returned_unacknowledged", 55, "55 mV", "20"),
        ("unacknowledged", 61, "61 mV", "50"),
        ("unacknowledged", 61, "61 mV", "50"),
    ]


def test_occurrences_are_counted_until_it_is_normal() -> None:
    alarm = alarm_of(SPREAD)
    counted = []
    for at in range(0, 60, 20):
        see(alarm, at, 55.0)
        counted.append(published(alarm)["occurrences"])
        see(alarm, at + 5, 10.0)
        see(alarm, at + 15, 10.0)
        counted.append(published(alarm)["occurrences"])
    assert counted == [1, 1, 2, 2, 3, 3]
    alarm.acknowledge(START + 60)
    assert (alarm.state, alarm.occurrences, alarm.since) == (State.NORMAL, 0, None)
    see(alarm, 70, 55.0)
    assert published(alarm)["occurrences"] == 1


def test_the_record_says_what_is_unknown() -> None:
    alarm = alarm_of(SPREAD)
    see(alarm, 0, 55.0)
    assert "unknown" not in published(alarm)
    see(alarm, 10, None, amps=None)
    assert published(alarm)["unknown"] == ["cell_spread_mv", "current_a"]
    see(alarm, 20, 55.0)
    assert "unknown" not in published(alarm)


def test_a_figure_that_only_the_text_names_may_be_unknown() -> None:
    alarm = alarm_of(SPREAD)
    alarm.evaluate(START, {"cell_spread_mv": 55.0, "current_a": 12.0, "cell_max_no": None})
    record = published(alarm)
    assert record["text"] == "alder in hut: 55 mV apart, cell unknown leads"
    assert record["value"]["cell_max_no"] is None
    assert "unknown" not in record


def test_a_list_of_words_survives_the_store() -> None:
    alarm = alarm_of("""
- rule: over-voltage
  about: pack
  when: '"OVER_VOLT" in protection'
  priority: high
  say: "{pack}: {protection}"
""")
    alarm.evaluate(START, {"protection": ("OVER_VOLT", "UNDER_TEMP")})
    assert published(alarm) == published(restarted(alarm))
    assert published(alarm)["text"] == "alder: OVER_VOLT, UNDER_TEMP"


HOT = "- {rule: hot, about: pack, when: temperature_max_degc > 55, priority: high, say: hot}"


def life(rule: str, end: str) -> list[Transition]:
    """Raised, returned, raised again, acknowledged, returned."""
    _, moved = tell(
        alarm_of(rule),
        f"""
        s        temperature_max_degc  state
        0        60                    unacknowledged
        1        20                    {end}
        2        60                    unacknowledged
        3        ack                   acknowledged
        4        20                    normal
        """,
    )
    return moved


@pytest.mark.parametrize("priority", list(Priority))
def test_a_phone_hears_of_each_raise_and_of_nothing_else(priority: Priority) -> None:
    silent = priority is Priority.JOURNAL
    moved = life(HOT.replace("high", priority), "normal" if silent else "returned_unacknowledged")
    raised = Told.SILENT if silent else Told.YES
    assert [t.told for t in moved] == [raised, Told.NO, raised, Told.NO, Told.NO]


def test_a_rule_that_does_not_annunciate_is_as_quiet_as_the_journal() -> None:
    moved = life(HOT.replace("say:", "annunciate: no, say:"), "normal")
    assert [t.told for t in moved] == [
        t.told for t in life(HOT.replace("high", "journal"), "normal")
    ]


def test_what_a_phone_shows() -> None:
    alarm = alarm_of(SPREAD)
    see(alarm, 0, 20.0)
    (raised,) = alarm.evaluate(
        START + 10, {"cell_spread_mv": 55.0, "current_a": 12.0, "cell_max_no": 7}
    )
    expected = {
        "at": "2026-09-21T14:13:30.000Z",
        "title": "alder: cell spread wide",
        "text": "alder in hut: 55 mV apart, cell 7 leads",
        "message": "alder in hut: 55 mV apart, cell 7 leads; limit 40 mV.\n"
        "Hold the charge current down.",
        "priority": "medium",
        "alarm": "cell-spread-wide/pack/alder",
        "event": "raised",
        "consequence": "It trips the pack before the rest is full.",
        "response": "Hold the charge current down.",
    }
    assert annunciation(raised, alarm) == expected
    # The clock was set by an hour since: what is shown is in its reckoning.
    assert annunciation(raised, alarm, 3600.0)["at"] == "2026-09-21T15:13:30.000Z"
    # The first of its group says nothing of it; one that followed names the first.
    alarm.first_of_group = alarm.key
    assert annunciation(raised, alarm) == expected
    alarm.first_of_group = "cell-high/cell/alder/7"
    assert annunciation(raised, alarm) == {**expected, "first_of_group": "cell-high/cell/alder/7"}


@pytest.mark.parametrize(
    ("about", "subject", "title"),
    [
        ("bank", "bank/hut", "hut: too much current"),
        ("pack", "pack/alder", "alder: too much current"),
        ("cell", "cell/alder/3", "alder cell 3: too much current"),
        ("service", "service/watchd", "watchd: too much current"),
    ],
)
def test_the_title_says_what_it_is_about(about: str, subject: str, title: str) -> None:
    name = "rules_fault" if about == "service" else "current_a"
    condition = f'{name} != "none"' if about == "service" else f"{name} > 100"
    rule = rule_of(
        f"- {{rule: too-much-current, about: {about}, when: '{condition}', "
        "priority: low, say: now}"
    )
    value = "a mistake" if about == "service" else 120.0
    alarm = Alarm(rule, subject, NAMES)
    (raised,) = alarm.evaluate(START, {name: value})
    assert annunciation(raised, alarm)["title"] == title
    assert annunciation(raised, alarm)["alarm"] == f"too-much-current/{subject}"


def test_the_record_of_an_alarm_that_is_hidden_tells_of_the_condition_behind_it() -> None:
    alarm = alarm_of(SPREAD)
    see(alarm, 0, 55.0)
    assert hidden(alarm) == {"state": "unacknowledged"}
    alarm.shelve(START, Shelf(START + 3600, by="Kim"))
    until = {"shelved_until": "2026-09-21T15:13:20.000Z"}
    assert hidden(alarm) == {"state": "shelved", "condition": "unacknowledged", **until}
    alarm.shelve(START, Shelf(START + 3600, until_cleared=True))
    shelved = {"state": "shelved", "condition": "unacknowledged", **until}
    assert hidden(alarm) == {**shelved, "until_cleared": True}
    alarm.remove_from_service(START)
    assert hidden(alarm) == {"state": "out_of_service", "condition": "unacknowledged"}
    alarm.return_to_service(START)
    assert hidden(alarm) == {"state": "unacknowledged"}


def test_the_record_tells_the_end_of_a_shelf_as_the_clock_shows_it() -> None:
    alarm = alarm_of(SPREAD)
    see(alarm, 0, 55.0)
    alarm.shelve(START, Shelf(START + 3600))
    record = alarm_record(alarm, -3600.0)
    assert record["shelved_until"] == "2026-09-21T14:13:20.000Z"
    assert record["since"] == "2026-09-21T13:13:20.000Z"


def hidden(alarm: Alarm) -> dict[str, Any]:
    record = published(restarted(alarm))
    keys = ("state", "condition", "shelved_until", "until_cleared")
    return {key: record[key] for key in keys if key in record}


def test_the_record_of_what_is_suppressed_before_it_was_ever_raised() -> None:
    alarm = alarm_of(SPREAD + "  suppress_when: soc_pct < 10\n")
    figures: Figures = {"cell_spread_mv": 20.0, "current_a": 1.0, "soc_pct": 5.0, "cell_max_no": 7}
    alarm.evaluate(START, figures)
    record = published(alarm)
    assert (record["state"], record["condition"]) == ("suppressed_by_design", "normal")
    assert (record["since"], record["text"], record["occurrences"]) == (None, "", 0)


def marks(alarm: Alarm) -> dict[str, Any]:
    keys = ("chattering", "stale", "annunciate", "group", "first_of_group")
    record = published(restarted(alarm))
    return {key: record[key] for key in keys if key in record}


def test_the_record_says_what_is_odd_about_an_alarm_and_only_then() -> None:
    alarm = alarm_of(SPREAD.replace("  off_delay: 10 s\n", "  group: spreads\n"))
    see(alarm, 0, 55.0)
    assert marks(alarm) == {}
    for second in (1, 2, 3):
        see(alarm, second, 20.0)
        see(alarm, second, 55.0)
    assert marks(alarm) == {"chattering": True}
    see(alarm, 700, 55.0)
    assert marks(alarm) == {}
    see(alarm, 86403, 55.0)
    assert marks(alarm) == {"stale": True}
    # Stale is what stands; once it has returned, it is only not seen yet.
    see(alarm, 86500, 20.0)
    assert (alarm.state, marks(alarm)) == (State.RETURNED_UNACKNOWLEDGED, {})
    alarm.first_of_group = "cell-high/cell/alder/7"
    assert marks(alarm) == {"group": "spreads", "first_of_group": "cell-high/cell/alder/7"}
    alarm.acknowledge(START + 86600)
    assert alarm.first_of_group is None


@pytest.mark.parametrize("quiet", ["annunciate: no", "journal"])
def test_the_record_of_a_silent_rule_says_so(quiet: str) -> None:
    rule = SPREAD.replace("medium", quiet) if quiet == "journal" else f"{SPREAD}  {quiet}\n"
    alarm = alarm_of(rule)
    see(alarm, 0, 55.0)
    assert marks(alarm) == {"annunciate": False}
