"""The numbers of a digest, held against what is computed by hand beside each."""

from __future__ import annotations

from typing import Any

import pytest

from tests.digest.facts import (
    END,
    NEW,
    came_and_went,
    entry,
    facts,
    full,
    pack,
    stands,
    through,
    week,
)
from watchd.alarms.state import Event, State, Told
from watchd.digest.record import digest
from watchd.digest.schedule import DAY_S, Period
from watchd.digest.standing import standing_of
from watchd.history.charge import Throughput
from watchd.messages import DigestActor, DigestPack, JournalEntry
from watchd.publish import rfc3339
from watchd.rules.rule import Priority

WIDE = "cell-spread-wide/pack/alder"


def of(*packs: Any, **more: Any) -> list[DigestPack]:
    return digest(facts(*packs, **more))["packs"]


def test_the_numbers_of_a_pack() -> None:
    # 4 kWh in and 3 out, counted for 18 of 24 h.
    charge = Throughput(80.0, 60.0, 4000.0, 3000.0, 18 * 3600.0)
    charges = [full(20, error_pct=-9.0), full(3, error_pct=-2.5)]
    (found,) = of(pack("alder", energy=charge, full_charges=charges, since_full_h=2.25))
    assert found["in_kwh"] == 4.0
    assert found["out_kwh"] == 3.0
    assert found["counted_pct"] == 75.0
    assert found["full_charges"] == 2
    assert found["soc_error_pct"] == -2.5, "before the last one"
    assert found["since_full_h"] == 2.2  # rounds to even
    assert found["soc_pct"] == 72.5, "watchd's count goes before the BMS's"
    assert "before" not in found


@pytest.mark.parametrize(
    ("figures", "is_full"),
    [
        ({"since_full_h": 0.0}, True),
        ({"since_full_h": 24.0}, True),
        ({"since_full_h": 24.1}, False),
        ({"since_full_h": None, "full_count": 0, "counted_h": 20.0, "uncounted_h": 3.0}, None),
        ({"since_full_h": None, "full_count": 0, "counted_h": 20.0, "uncounted_h": 4.0}, False),
        ({"since_full_h": None, "full_count": None}, None),
    ],
)
def test_full_in_the_time_or_not_known(figures: dict[str, Any], is_full: bool | None) -> None:
    (found,) = of(pack("alder", **figures))
    assert found["full"] is is_full


@pytest.mark.parametrize(
    ("low", "high", "trend"),
    [(0.1, 2.0, "growing"), (-2.0, -0.1, "closing"), (-0.5, 0.5, "steady"), (None, 0.5, None)],
)
def test_a_trend_is_what_its_interval_says(
    low: float | None, high: float, trend: str | None
) -> None:
    (found,) = of(pack("alder", spread_slope_low_mv=low, spread_slope_high_mv=high))
    assert found["spread_trend"] == trend


def test_energy_of_all_packs_is_that_of_those_that_are_known() -> None:
    record = digest(facts(pack("alder"), pack("birch"), pack("rowan", energy=None)))
    assert record["in_kwh"] == 8.26  # 2 * 4.13
    assert record["out_kwh"] == 6.54
    assert "8.3 kWh in, 6.5 kWh out (without rowan)" in record["message"]


def test_the_week_before() -> None:
    (found,) = of(
        week("alder", was={"spread_at_full_mv": 21.0, "trips_7d": 2}, spread_at_full_mv=28.0),
        period=Period.WEEKLY,
    )
    assert found["before"] == {
        "spread_at_full_mv": 21.0,
        "capacity_ah": 196.0,
        "in_kwh": 21.2,
        "out_kwh": 19.9,
        "trips": 2,
    }
    assert not found["not_well"], "7 mV more in a week is no news"
    (found,) = of(
        week("alder", was={"spread_at_full_mv": 21.0}, spread_at_full_mv=31.0),
        period=Period.WEEKLY,
    )
    assert found["not_well"] == ["spread 31 mV at full, 21 a week ago"]


def test_told_in_the_time_and_a_day_over_thirty() -> None:
    journal = [
        *came_and_went(WIDE, [1, 5, 23]),  # in the last 24 h
        *came_and_went(WIDE, [25, 100, 719]),  # in the 30 d
        *came_and_went(WIDE, [721, 900]),  # before
        entry(WIDE, Event.RAISED, 3, told=Told.FLOOD),  # nobody was told
    ]
    alarms = digest(facts(pack("alder"), journal=journal))["alarms"]
    assert alarms["told"] == 3
    assert alarms["per_day"] == 0.2  # 6 in 30 d
    assert alarms["over_d"] == 30.0


def test_a_young_journal_is_judged_over_its_own_days() -> None:
    alarms = digest(facts(pack("alder"), journal=came_and_went(WIDE, [5, 30]), watched_d=4.0))[
        "alarms"
    ]
    assert (alarms["per_day"], alarms["over_d"]) == (0.5, 4.0)
    alarms = digest(facts(pack("alder"), journal=[], watched_d=0.9))["alarms"]
    assert (alarms["told"], alarms["per_day"]) == (0, None)


def test_the_week_before_of_the_alarms() -> None:
    journal = came_and_went(WIDE, [1, 160, 170, 200, 330, 340])
    told = facts(week("alder"), journal=journal, period=Period.WEEKLY)
    alarms = digest(told)["alarms"]
    assert (alarms["told"], alarms["told_before"]) == (2, 3)


def worst(journal: list[JournalEntry], **more: Any) -> DigestActor | None:
    return digest(facts(pack("alder"), journal=journal, **more))["alarms"]["worst"]


def test_the_worst_actor_and_what_its_journal_speaks_for() -> None:
    hours = [3, 6, 9]
    twice = came_and_went(WIDE, hours[:2])
    assert worst(twice) is None
    other = came_and_went("pack-hot/pack/birch", [1, 2])
    found = worst([*came_and_went(WIDE, hours), *other])
    assert found is not None
    assert (found["alarm"], found["told"], found["do"]) == (WIDE, 3, "limit")
    for journal, do in (
        (came_and_went(WIDE, hours, lasting_h=0.01), "delay"),  # 36 s: fleeting
        ([*came_and_went(WIDE, hours), entry(WIDE, Event.CHATTERING, 2)], "delay"),
        (came_and_went(WIDE, hours, acknowledged=True), "mend"),
        (came_and_went(WIDE, hours, priority=Priority.HIGH), "mend"),
        ([*came_and_went(WIDE, hours), entry(WIDE, Event.RAISED, 1)], "mend"),  # it stands
    ):
        found = worst(journal)
        assert found is not None
        assert found["do"] == do


def test_no_limit_of_an_urgent_alarm_is_put_in_question() -> None:
    """Not even where it comes and goes on its own each time."""
    found = worst(
        came_and_went(WIDE, [3, 6, 9], priority=Priority.CRITICAL),
        causes={"cell-spread-wide": "A cell that ran ahead."},
    )
    assert found is not None
    assert found["text"] == "To be mended. Likely: A cell that ran ahead."


def test_alarms_that_stand() -> None:
    standing = [
        stands("b/pack/alder", "b", 2.0),
        stands("a/pack/alder", "a", 30.0, Priority.LOW),
        stands("c/pack/alder", "c", 24.0, Priority.CRITICAL),
    ]
    alarms = digest(facts(pack("alder"), standing=standing))["alarms"]
    assert [(a["alarm"][0], a["stale"]) for a in alarms["standing"]] == [
        ("c", True), ("b", False), ("a", True),
    ]  # fmt: skip
    assert alarms["standing"][0]["since"] == rfc3339(END - DAY_S)


def test_what_stands_follows_from_a_journal() -> None:
    raised = entry(WIDE, Event.RAISED, 5, text="alder: wide")
    shelved: JournalEntry = {**entry(WIDE, Event.SHELVED, 4), "state": State.SHELVED}
    back: JournalEntry = {**entry(WIDE, Event.RETURNED, 3), "condition": State.NORMAL}
    loud = {"cell-spread-wide": False}
    (found,) = standing_of([raised], loud)
    assert (found.alarm, found.since, found.text) == (WIDE, END - 5 * 3600, "alder: wide")
    (found,) = standing_of([raised, shelved], loud)
    assert found.is_shelved
    assert not standing_of([raised, back], loud)
    assert not standing_of([raised], {"cell-spread-wide": True}), "silent"
    assert not standing_of([raised], {}), "a rule that is no more"


def test_a_pack_that_is_new_has_nothing_but_what_is_known() -> None:
    (found,) = of(pack("alder", base=NEW, energy=through(0.4, 0.1, hours=3)))
    unknown = {key for key, value in found.items() if value is None}
    assert unknown == {
        "full", "since_full_h", "full_charges", "spread_at_full_mv", "spread_trend",
        "spread_slope_mv", "soc_error_pct", "capacity_ah", "soh_pct", "telemetry_age_s",
    }  # fmt: skip
    assert found["soc_pct"] == 55.0
