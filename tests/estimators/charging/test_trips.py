"""Protection trips: what counts as one, and for how long."""

from __future__ import annotations

import json
from typing import Any

import pytest

from tests.estimators.moment import sample, setting
from watchd.estimators.charging.trips import DAY_S, FIGURES, MOST, WEEK_S, Trips
from watchd.figures import Figures, Value


class Pack:
    """The trips of one pack, and the mapping in which its figures stay."""

    def __init__(self, saved: dict[str, Any] | None = None) -> None:
        self.trips, self.figures = Trips(setting(), saved), Figures()

    def see(self, at: float, protection: tuple[str, ...] | None) -> Figures:
        self.trips.update(sample(at, protection=protection), self.figures)
        return self.figures

    def snapshot(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(json.dumps(self.trips.snapshot()))
        return found

    def restarted(self) -> Pack:
        return Pack(self.snapshot())


def look(trips: Pack, at: float, *events: str | None) -> tuple[Value, Value, Value]:
    """What a look at the BMS gives: present, how many in 24 h, the events of the last trip."""
    protection = None if None in events else tuple(e for e in events if e is not None)
    figures = trips.see(at, protection)
    assert set(figures) == {figure.name for figure in FIGURES}
    return figures["protection_trip"], figures["trips_24h"], figures["trip_events"]


# Each row of a story: seconds, the events present (`-` none, `?` not known), and what is seen.
STORIES = {
    "appears, stays, recovers, comes again": """
        0     -                      no   0  -
        10    OVER_VOLT              yes  1  OVER_VOLT
        20    OVER_VOLT              yes  1  OVER_VOLT
        30    -                      no   1  OVER_VOLT
        40    OVER_VOLT              yes  2  OVER_VOLT
    """,
    "present at the first look: not seen to begin": """
        0     OVER_VOLT              yes  0  OVER_VOLT
        10    OVER_VOLT              yes  0  OVER_VOLT
        20    -                      no   0  OVER_VOLT
        30    OVER_VOLT              yes  1  OVER_VOLT
    """,
    "a second event while the first stands": """
        0     -                      no   0  -
        10    OVER_VOLT              yes  1  OVER_VOLT
        20    OVER_VOLT,OVER_TEMP    yes  2  OVER_TEMP,OVER_VOLT
        30    OVER_VOLT              yes  2  OVER_TEMP,OVER_VOLT
        40    OVER_VOLT,OVER_TEMP    yes  3  OVER_TEMP,OVER_VOLT
    """,
    "two at once are one trip": """
        0     -                      no   0  -
        10    UNDER_VOLT,UNDER_TEMP  yes  1  UNDER_TEMP,UNDER_VOLT
    """,
    "one gives way to another": """
        0     -                      no   0  -
        10    OVER_VOLT              yes  1  OVER_VOLT
        20    UNDER_VOLT             yes  2  UNDER_VOLT
    """,
    "warnings and other troubles are no trips": """
        0     -                        no   0  -
        10    OVER_VOLT_WARNING        no   0  -
        20    VOLTAGE_IMBALANCE_WARNING,COMMUNICATION_ERROR,FAN_ERROR  no  0  -
        30    OVER_VOLT_WARNING,OVER_VOLT_ALARM  yes  1  OVER_VOLT_ALARM
        40    OVER_VOLT_WARNING        no   1  OVER_VOLT_ALARM
    """,
    "unknown is neither a recovery nor a trip": """
        0     -                      no   0  -
        10    OVER_VOLT              yes  1  OVER_VOLT
        20    ?                      ?    1  OVER_VOLT
        30    OVER_VOLT              yes  1  OVER_VOLT
        40    ?                      ?    1  OVER_VOLT
        50    -                      no   1  OVER_VOLT
        60    ?                      ?    1  OVER_VOLT
        70    OVER_VOLT              yes  2  OVER_VOLT
    """,
    "a BMS that says nothing of protection": """
        0     ?                      ?    ?  -
        10    ?                      ?    ?  -
        20    OVER_VOLT              yes  0  OVER_VOLT
    """,
}


@pytest.mark.parametrize("with_restarts", [False, True], ids=["at a stretch", "with restarts"])
@pytest.mark.parametrize("story", STORIES.values(), ids=list(STORIES))
def test_story(story: str, with_restarts: bool) -> None:
    trips = Pack()
    for row in story.strip().splitlines():
        at, shown, present, count, last = row.split()
        events = {"-": (), "?": (None,)}.get(shown, tuple(shown.split(",")))
        expected = (
            {"yes": True, "no": False, "?": None}[present],
            None if count == "?" else int(count),
            None if last == "-" else last.replace(",", ", "),
        )
        assert look(trips, float(at), *events) == expected, f"at {at} s"
        if with_restarts:
            trips = trips.restarted()


def count_at(trips: Pack, at: float) -> Value:
    return look(trips, at)[1]


def test_a_trip_counts_for_a_day_and_not_a_millisecond_longer() -> None:
    trips = Pack()
    look(trips, 0)
    look(trips, 100, "OVER_VOLT")
    look(trips, 110)
    look(trips, 3600, "OVER_VOLT")
    edge = 100 + DAY_S
    assert [count_at(trips, t) for t in (3700, edge - 0.001, edge, edge + 0.001)] == [2, 2, 1, 1]
    edge = 3600 + DAY_S
    assert [count_at(trips, t) for t in (edge - 0.001, edge, edge + DAY_S)] == [1, 0, 0]


def test_the_day_ends_also_while_protection_is_unknown() -> None:
    trips = Pack()
    look(trips, 0)
    look(trips, 100, "OVER_VOLT")
    assert look(trips, 100 + DAY_S, None) == (None, 0, "OVER_VOLT")


def test_a_contactor_that_rattles_all_day_takes_no_more_memory() -> None:
    trips = Pack()
    for second in range(0, 4 * MOST, 2):
        look(trips, second)
        look(trips, second + 1, "OVER_VOLT")
    assert count_at(trips, 4 * MOST) == MOST
    saved = trips.snapshot()
    assert (len(saved["times"]), len(saved["week"])) == (MOST, MOST)


def test_a_trip_counts_for_a_week_too() -> None:
    trips = Pack()
    look(trips, 0)
    for day in range(10):
        look(trips, day * DAY_S + 100, "OVER_VOLT")
        look(trips, day * DAY_S + 110)
    counts = {}
    first = 3 * DAY_S + 100  # the first of the seven days before
    for at in (9 * DAY_S + 120, first + WEEK_S - 0.001, first + WEEK_S):
        counts[at] = trips.see(at, ())["trips_7d"]
    assert list(counts.values()) == [7, 7, 6]


# Seconds, the events present, and how long the last trip lasted by then.
LASTED = {
    "seen from begin to end": "0 - -, 10 A -, 40 A -, 55 - 45, 90 - 45",
    "the next one takes its place": "0 - -, 10 A -, 40 - 30, 60 A 30, 65 - 5",
    "until none is left": "0 - -, 10 A -, 20 AB -, 30 B -, 70 - 60",
    "its begin was not seen": "0 A -, 30 - -, 40 A -, 50 - 10",
    "unknown in between: it may have recovered": "0 - -, 10 A -, 20 ? -, 30 A -, 40 - -",
    "unknown at its end": "0 - -, 10 A -, 15 - 5, 20 A 5, 25 ? 5, 30 - -",
}


@pytest.mark.parametrize("with_restarts", [False, True], ids=["at a stretch", "with restarts"])
@pytest.mark.parametrize("story", LASTED.values(), ids=list(LASTED))
def test_how_long_a_trip_lasted(story: str, with_restarts: bool) -> None:
    words = {"A": ("OVER_VOLT",), "B": ("OVER_TEMP",), "AB": ("OVER_VOLT", "OVER_TEMP"), "-": ()}
    trips = Pack()
    for at, shown, lasted in (look.split() for look in story.split(", ")):
        figures = trips.see(float(at), words.get(shown))
        assert figures["trip_lasted_s"] == (None if lasted == "-" else float(lasted)), f"at {at} s"
        if with_restarts:
            trips = trips.restarted()
