"""What a digest is made of, made up for tests; all of it is invented.

digest(facts(pack("alder"), pack("birch", since_full_h=216.0)))
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from tests.scene import START
from watchd.alarms.state import Event, State, Told
from watchd.digest.facts import Earlier, Facts, PackFacts, Standing
from watchd.digest.schedule import DAY_S, SPAN_S, Period
from watchd.figures import Value
from watchd.history.charge import Throughput
from watchd.history.trends import FullCharge
from watchd.messages import JournalEntry
from watchd.rules.rule import Priority

END = START + 40 * DAY_S
WELL: Mapping[str, Value] = {
    "counted_h": 960.0,
    "uncounted_h": 1.0,
    "since_full_h": 14.0,
    "full_count": 37,
    "soc_pct": 71.0,
    "soc_estimate_pct": 72.5,
    "spread_at_full_mv": 9.0,
    "spread_slope_mv": -0.02,
    "spread_slope_low_mv": -0.3,
    "spread_slope_high_mv": 0.2,
    "trips_24h": 0,
    "trips_7d": 0,
    "capacity_ah": 196.0,
    "soh_pct": 98.0,
    "nameplate_ah": 200.0,
    "telemetry_quality": "good",
    "telemetry_silent": False,
    "telemetry_age_s": 2.0,
    "protection_trip": False,
    "setting_temporary": False,
    "setting_temporary_h": 0.0,
}
# All there is as of the first message, and nothing more is known yet.
NEW: Mapping[str, Value] = {
    **dict.fromkeys(WELL),
    "counted_h": 3.0,
    "uncounted_h": 0.0,
    "full_count": 0,
    "soc_pct": 55.0,
    "trips_24h": 0,
    "trips_7d": 0,
    "nameplate_ah": 200.0,
    "telemetry_quality": "good",
}


def through(in_kwh: float, out_kwh: float, *, hours: float = 24.0) -> Throughput:
    """Energy that was counted for so many hours."""
    return Throughput(in_kwh * 20, out_kwh * 20, in_kwh * 1000, out_kwh * 1000, hours * 3600)


A_DAY = through(4.13, 3.27)


def full(hours_ago: float, *, spread_mv: float = 9.0, error_pct: float | None = 1.0) -> FullCharge:
    """A full charge."""
    return FullCharge(END - hours_ago * 3600, spread_mv, None, None, error_pct)


def pack(
    name: str,
    *,
    full_charges: Sequence[FullCharge] | None = None,
    energy: Throughput | None = A_DAY,
    before: Earlier | None = None,
    base: Mapping[str, Value] = WELL,
    **figures: Any,
) -> PackFacts:
    """A pack with the figures of `base`, but for these."""
    return PackFacts(name, "hut", {**base, **figures}, energy, full_charges, before)


def week(name: str, *, was: Mapping[str, Any] | None = None, **more: Any) -> PackFacts:
    """The same of a week, and of the one before, in which the figures were those of `was`."""
    more.setdefault("energy", through(28.4, 24.1, hours=168))
    earlier = Earlier({**WELL, **(was or {})}, through(21.2, 19.9, hours=168))
    return pack(name, before=more.pop("before", earlier), **more)


def entry(
    alarm: str,
    event: Event,
    hours_ago: float,
    *,
    told: Told = Told.NO,
    priority: Priority = Priority.MEDIUM,
    text: str = "",
) -> JournalEntry:
    """A line of the journal, with what a digest reads of it."""
    return JournalEntry(
        at=END - hours_ago * 3600,
        alarm=alarm,
        event=event,
        before=State.NORMAL,
        state=State.UNACKNOWLEDGED,
        condition=State.UNACKNOWLEDGED,
        priority=priority,
        told=told,
        by="",
        text=text,
        values={},
    )


def came_and_went(
    alarm: str,
    hours_ago: Sequence[float],
    *,
    lasting_h: float = 0.5,
    priority: Priority = Priority.MEDIUM,
    acknowledged: bool = False,
) -> list[JournalEntry]:
    """An alarm that was told so often, and returned each time."""
    found = []
    for begin in hours_ago:
        found.append(entry(alarm, Event.RAISED, begin, told=Told.YES, priority=priority))
        if acknowledged:
            at = begin - lasting_h / 2
            found.append(entry(alarm, Event.ACKNOWLEDGED, at, priority=priority))
        found.append(entry(alarm, Event.RETURNED, begin - lasting_h, priority=priority))
    return found


def stands(
    alarm: str, text: str, hours: float | None, priority: Priority = Priority.MEDIUM
) -> Standing:
    """An alarm that stands for so long."""
    return Standing(alarm, priority, None if hours is None else END - hours * 3600, text)


def facts(
    *packs: PackFacts,
    period: Period = Period.DAILY,
    standing: Sequence[Standing] = (),
    journal: Sequence[JournalEntry] | None = (),
    watched_d: float | None = 40.0,
    **more: Any,
) -> Facts:
    """Facts as of `END`; the journal is put in order."""
    return Facts(
        period,
        END - SPAN_S[period],
        END,
        packs,
        standing,
        None if journal is None else sorted(journal, key=lambda e: e["at"]),
        None if watched_d is None else END - watched_d * DAY_S,
        **more,
    )
