"""A digest as data: the numbers of each pack, the alarms, and then its text."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

from watchd.alarms.alarm import STALE_AFTER_S
from watchd.digest.budget import Budget, budget
from watchd.digest.facts import Facts, PackFacts
from watchd.digest.findings import Finding, findings
from watchd.digest.schedule import DAY_S, Period
from watchd.digest.texts import Told, message_of, title_of
from watchd.figures import Value
from watchd.history.charge import Throughput
from watchd.messages import DigestAlarms, DigestBefore, DigestPack, DigestRecord
from watchd.publish import rfc3339
from watchd.rules.rule import Priority
from watchd.tuning.account import BUDGET_PER_DAY

_URGENCY = {priority: index for index, priority in enumerate(Priority)}


def digest(facts: Facts) -> DigestRecord:
    """The digest of what is known. The same facts give the same record."""
    found = [_pack(facts, pack) for pack in facts.packs]
    packs = [pack for pack, _ in found]
    alarms = _alarms(facts)
    standing_h = {
        s.alarm: None if s.since is None else (facts.end - s.since) / 3600 for s in facts.standing
    }
    few = [of for _, of in found]
    told = Told(facts.period, packs, few, alarms, standing_h, facts.missing)
    return DigestRecord(
        {
            "at": rfc3339(facts.end),
            "from": rfc3339(facts.begin),
            "to": rfc3339(facts.end),
            "title": title_of(told),
            "message": message_of(told),
            "in_kwh": _sum([p["in_kwh"] for p in packs]),
            "out_kwh": _sum([p["out_kwh"] for p in packs]),
            "packs": packs,
            "alarms": alarms,
            "missing": list(facts.missing),
        }
    )


def _pack(facts: Facts, of: PackFacts) -> tuple[DigestPack, list[Finding]]:
    figures, span_s = of.figures, facts.end - facts.begin
    weekly = facts.period is Period.WEEKLY
    in_kwh, out_kwh, counted_pct = _energy(of.through, span_s)
    estimate = _number(figures, "soc_estimate_pct")
    errors = [c.soc_error_pct for c in of.full_charges or () if c.soc_error_pct is not None]
    pack = DigestPack(
        pack=of.name,
        bank=of.bank,
        full=_was_full(of, span_s),
        since_full_h=_rounded(_number(figures, "since_full_h"), 1),
        full_charges=None if of.full_charges is None else len(of.full_charges),
        soc_pct=_rounded(_number(figures, "soc_pct") if estimate is None else estimate, 1),
        spread_at_full_mv=_rounded(_number(figures, "spread_at_full_mv"), 1),
        spread_trend=_trend(figures),
        spread_slope_mv=_rounded(_number(figures, "spread_slope_mv"), 2),
        soc_error_pct=_rounded(errors[-1], 1) if errors else None,
        trips=_whole(figures, "trips_7d" if weekly else "trips_24h"),
        in_kwh=in_kwh,
        out_kwh=out_kwh,
        counted_pct=counted_pct,
        capacity_ah=_rounded(_number(figures, "capacity_ah"), 1),
        soh_pct=_rounded(_number(figures, "soh_pct"), 1),
        telemetry_age_s=_stale_s(figures),
        not_well=[],
    )
    if weekly:
        pack["before"] = _before(of, span_s)
    few = findings(
        pack,
        trips_now=figures.get("protection_trip") is True,
        temporary_h=_number(figures, "setting_temporary_h")
        if figures.get("setting_temporary") is True
        else None,
        nameplate_ah=_number(figures, "nameplate_ah"),
    )
    pack["not_well"] = [finding.text for finding in few]
    return pack, few


def _before(of: PackFacts, span_s: float) -> DigestBefore:
    earlier = of.before
    figures: Mapping[str, Value] = {} if earlier is None else earlier.figures
    in_kwh, out_kwh, _ = _energy(None if earlier is None else earlier.through, span_s)
    return DigestBefore(
        spread_at_full_mv=_rounded(_number(figures, "spread_at_full_mv"), 1),
        capacity_ah=_rounded(_number(figures, "capacity_ah"), 1),
        in_kwh=in_kwh,
        out_kwh=out_kwh,
        trips=_whole(figures, "trips_7d"),
    )


def _was_full(of: PackFacts, span_s: float) -> bool | None:
    """Whether it was full in the time. One that is watched for less, and never was: not known."""
    if of.full_charges:
        return True
    since_h = _number(of.figures, "since_full_h")
    if since_h is not None:
        return since_h * 3600 <= span_s
    counted, uncounted = (_number(of.figures, name) for name in ("counted_h", "uncounted_h"))
    if counted is None or _number(of.figures, "full_count") != 0:
        return None
    return False if (counted + (uncounted or 0.0)) * 3600 >= span_s else None


def _energy(
    through: Throughput | None, span_s: float
) -> tuple[float | None, float | None, float | None]:
    """kWh in and out, and the part of the time that they cover in %; nothing of no time."""
    if through is None or through.counted_s <= 0 or not span_s:
        return None, None, None
    counted_pct = min(100.0, 100 * through.counted_s / span_s)
    return round(through.in_wh / 1000, 2), round(through.out_wh / 1000, 2), round(counted_pct, 1)


def _trend(figures: Mapping[str, Value]) -> Literal["growing", "closing", "steady"] | None:
    """By the 95 % interval of the slope: growing, closing, or neither."""
    low, high = (_number(figures, f"spread_slope_{end}_mv") for end in ("low", "high"))
    if low is None or high is None:
        return None
    return "growing" if low > 0 else "closing" if high < 0 else "steady"


def _stale_s(figures: Mapping[str, Value]) -> float | None:
    """How old the telemetry is, where it is stale."""
    if figures.get("telemetry_quality") != "stale" and figures.get("telemetry_silent") is not True:
        return None
    return _rounded(_number(figures, "telemetry_age_s"), 0)


def _alarms(facts: Facts) -> DigestAlarms:
    standing = sorted(
        (s for s in facts.standing if not s.is_shelved),
        key=lambda s: (_URGENCY[s.priority], facts.end if s.since is None else s.since, s.alarm),
    )
    account = _account(facts)
    alarms = DigestAlarms(
        standing=[
            {
                "alarm": s.alarm,
                "priority": s.priority,
                "since": None if s.since is None else rfc3339(s.since),
                "stale": s.since is not None and facts.end - s.since >= STALE_AFTER_S,
                "text": s.text,
            }
            for s in standing
        ],
        shelved=sum(s.is_shelved for s in facts.standing),
        told=None if account is None else account.told,
        per_day=None if account is None else _rounded(account.per_day, 2),
        over_d=None if account is None else round(account.over_s / DAY_S, 1),
        goal_per_day=BUDGET_PER_DAY,
        chattering=[] if account is None else list(account.chattering),
        worst=None if account is None else account.worst,
    )
    if facts.period is Period.WEEKLY:
        alarms["told_before"] = None if account is None else account.told_before
    return alarms


def _account(facts: Facts) -> Budget | None:
    if facts.journal is None or facts.journal_from is None:
        return None
    return budget(facts.journal, facts.journal_from, facts.begin, facts.end, facts.causes)


def _sum(numbers: list[float | None]) -> float | None:
    """Of those that are known; None where none is."""
    known = [n for n in numbers if n is not None]
    return round(sum(known), 2) if known else None


def _number(figures: Mapping[str, Value], name: str) -> float | None:
    value = figures.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return value


def _whole(figures: Mapping[str, Value], name: str) -> int | None:
    value = _number(figures, name)
    return None if value is None else round(value)


def _rounded(value: float | None, digits: int) -> float | None:
    return round(value, digits) if value is not None and math.isfinite(value) else None
