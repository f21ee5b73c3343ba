"""Situations of a bank in which a digest is read; all of it is invented."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.digest.facts import (
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
from watchd.alarms.state import Event, Told
from watchd.digest.facts import Facts
from watchd.digest.schedule import Period
from watchd.rules.rule import Priority

HUT = ("alder", "birch", "rowan")
WIDE = "cell-spread-wide/pack/alder"
WEEKLY: dict[str, Any] = {"period": Period.WEEKLY}


def quiet_day() -> Facts:
    journal = came_and_went(WIDE, [200, 300])
    return facts(*map(pack, HUT), journal=journal)


def full_and_not_well_known() -> Facts:
    return facts(pack("alder"), pack("birch", since_full_h=30.0, soc_estimate_pct=88.2))


def not_full_for_nine_days() -> Facts:
    winter: dict[str, Any] = {
        "since_full_h": 216.0,
        "soc_estimate_pct": 43.4,
        "energy": through(0.61, 1.94),
    }
    return facts(pack("alder", **winter), pack("birch", **winter), pack("rowan"))


def overdue() -> Facts:
    text = "birch: not full for 15 d"
    return facts(
        pack("alder"),
        pack("birch", since_full_h=361.0, soc_estimate_pct=64.0),
        pack("rowan"),
        standing=[stands("full-charge-overdue/pack/birch", text, 24.5)],
    )


def trips() -> Facts:
    text = "alder: 3 protection trips in 24 h"
    name = "protection-trips-repeated/pack/alder"
    trip = "protection-trip/pack/alder"
    return facts(
        pack("alder", trips_24h=3, spread_at_full_mv=141.0),
        pack("birch"),
        pack("rowan"),
        standing=[stands(name, text, 15.2, Priority.HIGH)],
        journal=[
            *came_and_went(trip, [20, 18, 15.2], lasting_h=0.1, priority=Priority.HIGH),
            entry(name, Event.RAISED, 15.2, told=Told.YES, priority=Priority.HIGH),
        ],
        causes={"protection-trip": "A cell that ran ahead, or a limit that was reached."},
    )


def stale_pack() -> Facts:
    text = "birch: no fresh telemetry for 120 s"
    stale: dict[str, Any] = {"telemetry_quality": "stale", "telemetry_age_s": 26.2 * 3600}
    return facts(
        pack("alder"),
        pack("birch", since_full_h=39.5, energy=None, **stale),
        pack("rowan"),
        standing=[stands("telemetry-stale/pack/birch", text, 26.1)],
    )


def spread_growing() -> Facts:
    slope: dict[str, Any] = {
        "spread_slope_mv": 1.41,
        "spread_slope_low_mv": 0.8,
        "spread_slope_high_mv": 2.1,
    }
    return facts(pack("alder", spread_at_full_mv=62.0, **slope), pack("birch"), pack("rowan"))


def soc_off_and_capacity_low() -> Facts:
    return facts(
        pack("alder", full_charges=[full(14, error_pct=-12.4)]),
        pack("birch", capacity_ah=151.7, soh_pct=75.9),
    )


def temporary_threshold() -> Facts:
    text = "alder: its over-voltage threshold is temporary for 2 h"
    return facts(
        pack("alder", setting_temporary=True, setting_temporary_h=2.3),
        standing=[stands("protection-setting-temporary/pack/alder", text, 2.3, Priority.HIGH)],
    )


def nothing_known_yet() -> Facts:
    energy = through(0.42, 0.18, hours=3)
    first = (pack(name, base=NEW, energy=energy) for name in HUT)
    return facts(*first, watched_d=0.125)


def nothing_at_all() -> Facts:
    nothing = pack("alder", base={}, energy=None)
    return facts(nothing, pack("birch", base={}, energy=None), journal=None, watched_d=None)


def alarm_flood() -> Facts:
    wide = came_and_went(WIDE, [23 - n / 4 for n in range(60)], lasting_h=0.01)
    weak = came_and_went("cell-weak/cell/birch/12", [10 - n for n in range(9)])
    chatters = entry("pack-hot/pack/rowan", Event.CHATTERING, 9, told=Told.CHATTERING)
    standing = [
        stands("cell-spread-wide/pack/alder", "alder: cells 84 mV apart, cell 7 leads", 1.2),
        stands("alarm-flood/service/watchd", "69 alarms in 10 min", 1.1, Priority.HIGH),
        stands("pack-hot/pack/rowan", "rowan: 58 °C at a sensor", 2.0, Priority.CRITICAL),
        stands("telemetry-stale/pack/birch", "birch: no fresh telemetry for 120 s", 30.0),
    ]
    return facts(*map(pack, HUT), standing=standing, journal=[*wide, *weak, chatters])


def eight_packs() -> Facts:
    names = ("alder", "aspen", "birch", "cedar", "elm", "fir", "hazel", "rowan")
    packs = [pack(name) for name in names]
    packs[1] = pack("aspen", since_full_h=50.0, soc_estimate_pct=81.0)
    packs[4] = pack("elm", trips_24h=1, spread_at_full_mv=73.4)
    packs[6] = pack("hazel", since_full_h=240.0, soc_estimate_pct=52.0, trips_24h=2)
    return facts(*packs)


def eight_packs_and_none_well() -> Facts:
    names = ("alder", "aspen", "birch", "cedar", "elm", "fir", "hazel", "rowan")
    return facts(
        *(
            pack(name, since_full_h=200.0 + 30 * n, trips_24h=2 + n, spread_at_full_mv=50.0 + n)
            for n, name in enumerate(names)
        ),
        standing=[
            stands(f"protection-trip/pack/{name}", f"{name}: OVER_VOLT, pack off", 3.0 + n)
            for n, name in enumerate(names)
        ],
        journal=came_and_went(WIDE, [n / 2 + 1 for n in range(40)]),
    )


def store_not_read() -> Facts:
    return facts(
        *(pack(name, energy=None) for name in HUT),
        journal=None,
        watched_d=None,
        missing=["The store could not be read (disk I/O error): figures of now alone."],
    )


def quiet_week() -> Facts:
    journal = came_and_went(WIDE, [30, 200, 300])
    return facts(*(week(n, full_charges=[full(14)]) for n in HUT), journal=journal, **WEEKLY)


def week_in_which_it_got_worse() -> Facts:
    slope: dict[str, Any] = {
        "spread_slope_mv": 2.9,
        "spread_slope_low_mv": 2.1,
        "spread_slope_high_mv": 3.8,
    }
    journal = [
        *came_and_went(WIDE, [150, 126, 102, 78, 54, 30]),
        *came_and_went(WIDE, [300, 250]),
        *came_and_went("protection-trip/pack/birch", [60], priority=Priority.HIGH),
    ]
    return facts(
        week("alder", was={"spread_at_full_mv": 41.0}, spread_at_full_mv=62.0, **slope),
        week("birch", trips_7d=1, capacity_ah=189.0, was={"trips_7d": 0}),
        week("rowan", since_full_h=190.0, soc_estimate_pct=67.0),
        journal=journal,
        **WEEKLY,
    )


def week_with_an_actor_to_mend() -> Facts:
    hot = came_and_went(
        "joint-resistance-high/pack/alder",
        [160, 120, 80, 40],
        lasting_h=6,
        acknowledged=True,
    )
    return facts(
        *map(week, HUT),
        journal=hot,
        causes={"joint-resistance-high": "A loose or corroded joint at that cell."},
        **WEEKLY,
    )


def first_week() -> Facts:
    packs = (
        pack(name, energy=through(5.1, 3.9, hours=60), full_charges=[full(20)]) for name in HUT
    )
    return facts(*packs, watched_d=2.5, **WEEKLY)


SITUATIONS: dict[str, Callable[[], Facts]] = {
    f.__name__.replace("_", "-"): f
    for f in (
        *(quiet_day, full_and_not_well_known, not_full_for_nine_days, overdue, trips, stale_pack),
        *(spread_growing, soc_off_and_capacity_low, temporary_threshold, nothing_known_yet),
        *(nothing_at_all, alarm_flood, eight_packs, eight_packs_and_none_well, store_not_read),
        *(quiet_week, week_in_which_it_got_worse, week_with_an_actor_to_mend, first_week),
    )
}
