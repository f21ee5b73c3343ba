"""What a store could have kept of a season. All of it is invented, and says so by being round.

season = Made().pack("alder", days=30, excess={7: 0.52}).alarm("cell-weak", "pack/alder", 3, 5)
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from typing import Any, Self

from tests.scene import config_of
from watchd.alarms.state import Event, State, Told
from watchd.config import Config
from watchd.figures import Value
from watchd.history.charge import Throughput
from watchd.history.summaries import Day, Extent, Minute
from watchd.history.trends import FullCharge, PackDay, Trend
from watchd.messages import JournalEntry
from watchd.report.report import Report, report_of
from watchd.report.season import Season, read, span_of
from watchd.rules.rule import Priority, Rule

DAY_S = 86400.0
BEGIN = 1_788_220_800.0  # 2026-09-01T00:00:00Z, a Tuesday
CONFIG = """
timezone: UTC
banks:
  hut: {charge_voltage_v: 56.0, max_charge_a: 200}
packs:
  alder: {bank: hut, nameplate_ah: 230, max_charge_a: 100}
  birch: {bank: hut, nameplate_ah: 230, max_charge_a: 100}
  cedar: {bank: hut, nameplate_ah: 100, max_charge_a: 50}
  dogwood: {bank: hut, nameplate_ah: 100, max_charge_a: 50}
sources:
  - topic: hut/{pack}/state
    json: {voltage_v: $.v, current_a: $.a, soc_pct: $.soc, cell_v: "$.cells[*]"}
"""


def sound(**more: Value) -> dict[str, Value]:
    """The figures of a pack at the end of a day on which all is well."""
    return {
        "soc_pct": 62.0, "soc_estimate_pct": 61.2, "soc_estimate_sigma_pct": 1.1,
        "soc_error_pct": 0.8, "full_charges_missed": 0.0,
        "capacity_ah": 221.0, "capacity_sigma_ah": 2.1, "soh_pct": 96.1, "soh_sigma_pct": 0.9,
        "joint_excess_mohm": 0.06, "joint_excess_sigma_mohm": 0.01, "joint_cell_no": 3.0,
        "joint_heat_w": 0.4, "balancer_verdict": "holding", "spread_at_full_mv": 11.0,
        "spread_slope_mv": 0.0, "spread_slope_low_mv": -0.1, "spread_slope_high_mv": 0.1,
        "since_full_h": 8.0, "full_count": 29.0, "trips_24h": 0.0, "settings_faults": 0.0,
        "setting_temporary": False, "spread_kind": "none", "spread_kind_certainty": "likely",
        "spread_kind_cell_no": None, "trip_events": None,
        **more,
    }  # fmt: skip


class Made:
    """A history in memory; days are counted from `BEGIN`, from 0."""

    def __init__(self) -> None:
        self._days: dict[str, list[Day]] = {}
        self._pack_days: dict[str, list[PackDay]] = {}
        self._trends: dict[str, list[Trend]] = {}
        self._journal: list[JournalEntry] = []

    def pack(
        self,
        name: str,
        *,
        days: int = 30,
        figures: dict[str, Value] | None = None,
        spread_mv: float = 11.0,
        widens_mv: float = 0.0,
        leads: int = 7,
        not_full: tuple[int, ...] = (),
        bms_off_pct: float = 0.0,
        anchors: bool = True,
        excess: dict[int, float] | None = None,
        knows_joints: bool = True,
        kwh: float = 9.0,
        cells: int = 16,
    ) -> Self:
        """A pack whose spread at full begins at `spread_mv` and widens by `widens_mv` a day; cell
        `leads` is the highest. On days `not_full` there is no full charge. Its BMS is off by
        `bms_off_pct` more each day until it `anchors`.
        """
        off = 0.0
        for day in range(days):
            at = BEGIN + day * DAY_S
            off += bms_off_pct
            spread = spread_mv + widens_mv * day + 1.2 * math.sin(2.1 * day)
            fulls: tuple[FullCharge, ...] = ()
            if day not in not_full:
                shown = 100.0 - off
                fulls = (
                    FullCharge(
                        at + 13.5 * 3600,
                        spread,
                        _deviations(spread, leads, cells, day),
                        shown,
                        -off,
                    ),
                )
            self._trends.setdefault(f"pack/{name}", []).extend(
                _pack_trends(at, off, full=bool(fulls), anchors=anchors)
            )
            if fulls and anchors:
                off = 0.0
            found = dict(sound() if figures is None else figures)
            found["capacity_ah"] = _drift(found.get("capacity_ah"), day)
            paths = {n: 0.03 * math.sin(n) for n in range(1, cells + 1)} | (excess or {})
            self._pack_days.setdefault(name, []).append(
                PackDay(at, found, tuple(paths.values()) if knows_joints else None, None, fulls)
            )
            sun = 0.6 + 0.4 * math.sin(1.7 * day)
            self._days.setdefault(name, []).append(_day(at, kwh * sun, kwh * 0.57))
        return self

    def bank(self, name: str = "hut", *, days: int = 30, over: tuple[int, ...] = ()) -> Self:
        """A bank that is charged within the suggestion, but on days `over`."""
        for day in range(days):
            sun = 0.6 + 0.4 * math.sin(1.7 * day)
            for step in range(288):
                at = BEGIN + day * DAY_S + step * 300.0
                hour = step / 12
                height = max(0.0, math.sin((hour - 6) * math.pi / 12))
                limit = 180.0 if not 12.5 < hour < 15 else 60.0
                amps = 170.0 * sun * height if day in over else min(170.0 * sun * height, limit)
                figures: dict[str, Value] = {
                    "current_a": round(amps - 12.0, 2), "charge_limit_a": limit, "soc_pct": 60.0,
                    "limited_by": "birch",
                }  # fmt: skip
                self._trends.setdefault(f"bank/{name}", []).append(Trend(at, figures))
        return self

    def alarm(
        self,
        rule: str,
        subject: str,
        day: float,
        lasts_d: float | None = None,
        *,
        priority: Priority = Priority.MEDIUM,
        text: str = "",
    ) -> Self:
        """An alarm that was raised on a day, and returned so many days later (None: it stands)."""
        said = text or f"{subject.split('/')[1]}: {rule.replace('-', ' ')}"
        events = [(day, Event.RAISED, State.UNACKNOWLEDGED)]
        if lasts_d is not None:
            events.append((day + lasts_d, Event.RETURNED, State.NORMAL))
        for when, event, state in events:
            self._journal.append(
                {
                    "at": BEGIN + when * DAY_S, "alarm": f"{rule}/{subject}", "event": event,
                    "before": State.NORMAL, "state": state, "condition": state,
                    "priority": priority, "told": Told.YES, "by": "", "text": said, "values": {},
                }
            )  # fmt: skip
        self._journal.sort(key=lambda e: e["at"])
        return self

    def ends(self, pack: str) -> tuple[float, float] | None:
        found = self._days.get(pack)
        return (found[0].at, found[-1].at + DAY_S - 1) if found else None

    def days(self, pack: str, begin: float, end: float) -> Iterator[Day]:
        return (d for d in self._days.get(pack, ()) if begin - DAY_S < d.at < end)

    def pack_days(self, pack: str, begin: float, end: float) -> Iterator[PackDay]:
        return (d for d in self._pack_days.get(pack, ()) if begin - DAY_S < d.at < end)

    def trends(self, subject: str, begin: float, end: float) -> Iterator[Trend]:
        return (t for t in self._trends.get(subject, ()) if begin <= t.at < end)

    def journal(self, begin: float, end: float) -> Iterator[JournalEntry]:
        return (e for e in self._journal if begin <= e["at"] < end)


def utc(at: float) -> datetime:
    """A clock."""
    return datetime.fromtimestamp(at, UTC)


def season_of(
    made: Made, *packs: str, since_d: float = 30.0, config: Config | None = None
) -> Season:
    """All that was made, or only these packs."""
    found = config or config_of(CONFIG)
    names = list(packs or [n for n in found.packs if made.ends(n) is not None])
    span = span_of(made, names, since_d * DAY_S, utc)
    assert span is not None
    return Season(span, tuple(read(made, found, names, span)))


def report_on(made: Made, *packs: str, rules: dict[str, Rule] | None = None, **more: Any) -> Report:
    """The report on it."""
    return report_of(season_of(made, *packs, **more), rules or {})


@cache
def autumn() -> Made:
    """Four packs: one is well, one has a bad joint and trips, one drifts apart and its BMS with
    it, of one little is known.
    """
    birch = sound(
        joint_excess_mohm=0.52, joint_excess_sigma_mohm=0.02, joint_cell_no=9.0, joint_heat_w=3.4,
        trips_24h=0.0, trip_events="OVER_VOLT", spread_at_full_mv=24.0,
    )  # fmt: skip
    cedar = sound(
        balancer_verdict="not coping", spread_at_full_mv=49.0, spread_slope_mv=1.2,
        spread_slope_low_mv=0.9, spread_slope_high_mv=1.4, soc_pct=91.0, soc_error_pct=29.8,
        full_charges_missed=6.0, capacity_ah=91.0, soh_pct=91.0,
    )  # fmt: skip
    dogwood: dict[str, Value] = {**dict.fromkeys(sound()), "since_full_h": 410.0, "soc_pct": 44.0}
    made = Made().bank(over=(4, 26)).pack("alder", not_full=(5, 6, 17))
    made.pack("birch", figures=birch, spread_mv=24.0, leads=9, excess={9: 0.52}, not_full=(5, 6))
    made.pack(
        "cedar", figures=cedar, spread_mv=14.0, widens_mv=1.2, leads=4, anchors=False,
        bms_off_pct=1.0, not_full=(5, 6, 18), kwh=4.0,
    )  # fmt: skip
    made.pack("dogwood", figures=dogwood, not_full=tuple(range(30)), knows_joints=False, kwh=4.0)
    for day in (4.55, 11.56, 11.58, 26.55):
        made.alarm("protection-trip", "pack/birch", day, 0.02)
    made.alarm("cell-near-overvoltage", "pack/birch", 4.54, 0.01, priority=Priority.HIGH)
    made.alarm("cell-near-overvoltage", "pack/birch", 26.54, 0.01, priority=Priority.HIGH)
    made.alarm("joint-resistance-high", "pack/birch", 9.2, priority=Priority.HIGH)
    made.alarm("balancer-not-coping", "pack/cedar", 14.6)
    made.alarm("soc-disagrees", "pack/cedar", 12.0, 2.0)
    made.alarm("soc-disagrees", "pack/cedar", 16.0)
    made.alarm("cell-spread-widening", "pack/cedar", 11.6, priority=Priority.LOW)
    made.alarm("full-charge-overdue", "pack/dogwood", 14.0, priority=Priority.LOW)
    made.alarm("charging-cold", "pack/alder", 20.3, 0.1, priority=Priority.CRITICAL)
    return made


def _deviations(spread: float, leads: int, cells: int, day: int) -> tuple[float, ...]:
    found = [0.25 * spread * math.sin(1.3 * n + 0.2 * day) for n in range(cells)]
    found[leads - 1] = 0.62 * spread
    found[(leads + 4) % cells] = -0.38 * spread
    mean = sum(found) / cells
    return tuple(v - mean for v in found)


def _pack_trends(at: float, off: float, *, full: bool, anchors: bool) -> Iterator[Trend]:
    for hour in (step / 4 for step in range(96)):  # every five minutes they would tell no more
        own = 62.0 + 38.0 * max(-0.4, math.sin((hour - 8.0) * math.pi / 11.0) if hour > 6 else -0.4)
        own = min(100.0, own) if full else min(own, 88.0)
        bms = own - (0.0 if full and anchors and hour > 13.6 else off)
        figures = {
            "soc_pct": round(max(0.0, bms), 2), "soc_estimate_pct": round(own, 2),
            "soc_estimate_sigma_pct": 0.6 if full and hour > 13.6 else 2.4,
            "current_a": 4.0, "temperature_max_degc": 18.0,
        }  # fmt: skip
        yield Trend(at + hour * 3600.0, figures)


def _drift(value: Value, day: int) -> Value:
    return None if value is None else float(value) + 0.8 * math.sin(day)  # type: ignore[arg-type]


def _day(at: float, in_kwh: float, out_kwh: float) -> Day:
    volts = Extent(8640, 53.0, 51.0, 56.0)
    whole = Minute(at, 8640, volts, Extent(8640, 1.0, -30.0, 60.0), (), (), 60.0, 60.0)
    through = Throughput(in_kwh * 19, out_kwh * 19, in_kwh * 1000, out_kwh * 1000, DAY_S)
    return Day(whole, through, None, None)
