"""The text of a digest, for a phone: a title that says whether something must be done, then lines.

The worst comes first. What is fine is one word, or nothing; what is not known is said to be so. It
has `MOST` characters; where there is more to say, it says less of each pack, and how many are left.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from watchd.digest.budget import name_of
from watchd.digest.findings import COUNTED_PCT, Finding, span, times
from watchd.digest.schedule import Period
from watchd.messages import DigestAlarm, DigestAlarms, DigestPack

MOST: Mapping[Period, int] = MappingProxyType({Period.DAILY: 600, Period.WEEKLY: 1200})
LONGEST_TITLE = 80
LONGEST_LINE = 160
UNKNOWN = "not known yet"
NO_ENERGY = f"Energy {UNKNOWN}"


@dataclass(frozen=True, slots=True)
class Told:
    """What the text is about: packs, the findings of each, and the alarms."""

    period: Period
    packs: Sequence[DigestPack]
    findings: Sequence[Sequence[Finding]]
    alarms: DigestAlarms
    standing_h: Mapping[str, float | None]  # for how long each alarm stands
    missing: Sequence[str]


@dataclass(frozen=True, slots=True)
class _Detail:
    """How much is said: findings a pack, lines of packs, and of alarms."""

    findings: int
    packs: int
    alarms: int


# From all there is to what always fits; the packs that are left out are counted.
_DETAILS = (
    _Detail(4, 99, 5), _Detail(3, 99, 3), _Detail(2, 99, 3), _Detail(2, 99, 1), _Detail(1, 99, 3),
    _Detail(1, 99, 1), _Detail(1, 8, 1), _Detail(1, 5, 1), _Detail(1, 3, 1), _Detail(1, 1, 1),
    _Detail(0, 0, 0),
)  # fmt: skip


def title_of(told: Told) -> str:
    """One line: how many packs were full, and whether something must be done."""
    week = "Week: " if told.period is Period.WEEKLY else ""
    full = _full_of(told.packs)
    if week and len(told.packs) > 1:
        full = full[0].lower() + full[1:]
    return _cut(f"{week}{full}, {_to_do(told)}", LONGEST_TITLE)


def message_of(told: Told) -> str:
    """What stands under the title: at most `MOST` characters, lines separated by a newline."""
    most = MOST[told.period]
    text = ""
    for detail in _DETAILS:
        text = "\n".join(_lines(told, detail))
        if len(text) <= most:
            return text
    return f"{text[: most - 3].rstrip()}..."


def _full_of(packs: Sequence[DigestPack]) -> str:
    full = [p for p in packs if p["full"]]
    if all(p["full"] is None for p in packs):
        return "No full charge seen yet"
    if len(packs) == 1:
        return f"{packs[0]['pack']} full" if full else f"{packs[0]['pack']} not full"
    if not full:
        return "No pack full"
    if len(full) == len(packs):
        return "Both packs full" if len(packs) == 2 else f"All {len(packs)} packs full"
    return f"{len(full)} of {len(packs)} packs full"


def _to_do(told: Told) -> str:
    standing = told.alarms["standing"]
    if standing:
        return "1 alarm stands" if len(standing) == 1 else f"{len(standing)} alarms stand"
    waiting = [
        f"look at {pack['pack']}: {finding.text}"
        for pack, found in zip(told.packs, told.findings, strict=True)
        for finding in found
        if finding.matters
    ]
    if waiting:
        return waiting[0] if len(waiting) == 1 else f"{len(waiting)} things to look at"
    if told.missing:
        return "not all could be read"
    worst = told.alarms["worst"]
    if worst is None:
        return "nothing to do"
    return "a cause to mend" if worst["do"] == "mend" else "a rule to tune"


def _lines(told: Told, detail: _Detail) -> Iterator[str]:
    shown = told.alarms["standing"][: detail.alarms]
    yield from _alarm_lines(told, shown)
    yield from _pack_lines(told, detail, {alarm["alarm"] for alarm in shown})
    if told.period is Period.WEEKLY:
        yield from _steady(told.packs)
        yield f"{_week_energy(told.packs)}. {_budget(told.alarms)}"
    else:
        yield f"{_energy(told.packs)}. {_budget(told.alarms)}"
    yield from _bad_actors(told.alarms)
    yield from (_cut(what, LONGEST_LINE) for what in told.missing[:2] if what.strip())


def _alarm_lines(told: Told, shown: Sequence[DigestAlarm]) -> Iterator[str]:
    for alarm in shown:
        since_h = told.standing_h[alarm["alarm"]]
        since = f" for {span(since_h)}" if since_h is not None else ""
        yield _cut(f"{alarm['priority'].capitalize()}{since}: {alarm['text']}", LONGEST_LINE)
    left = len(told.alarms["standing"]) - len(shown)
    if left:
        yield f"{'and ' if shown else ''}{_alarms(left, 'more ' if shown else '')}"
    if told.alarms["shelved"]:
        yield f"{_alarms(told.alarms['shelved'])} put aside"


def _pack_lines(told: Told, detail: _Detail, shown_alarms: set[str]) -> Iterator[str]:
    """A line for each pack with findings, the worst first; the others are one line together.

    Packs of which the same is to be said share a line, such as on the first day. What an alarm
    above it says already is left out.
    """
    lines: dict[str, list[str]] = {}
    # RULE/pack/NAME or RULE/cell/NAME/7
    spoken_of = {name.split("/")[2] for name in shown_alarms}
    well, some = [], False
    pairs = zip(told.packs, told.findings, strict=True)
    for pack, found in sorted(pairs, key=_badness):
        some = some or bool(found)
        names = {f"{rule}/pack/{pack['pack']}": rule for f in found for rule in f.said_by}
        said_above = {rule for name, rule in names.items() if name in shown_alarms}
        left = [f.text for f in found if said_above.isdisjoint(f.said_by)]
        if left:
            said = ", ".join(left[: max(1, detail.findings)])
            lines.setdefault(said, []).append(pack["pack"])
        elif not found and pack["pack"] not in spoken_of:
            well.append(pack["pack"])
    shown = list(lines.items())[: detail.packs]
    for said, packs in shown:
        yield _cut(f"{_listed(packs)}: {said}", LONGEST_LINE)
    others = sum(len(packs) for packs in lines.values()) - sum(len(packs) for _, packs in shown)
    if others:
        yield f"{others} more to look at: watchd digest"
    if well and some:
        yield f"{_listed(well)}: well"


def _badness(pair: tuple[DigestPack, Sequence[Finding]]) -> tuple[int, int, int]:
    """What puts a pack before another: its worst finding, then trips, then how many findings."""
    pack, found = pair
    return min((f.rank for f in found), default=99), -(pack["trips"] or 0), -len(found)


def _steady(packs: Sequence[DigestPack]) -> Iterator[str]:
    """Of spread and capacity, that they are as the week before, or not known."""
    unknown, steady = [], []
    for what, key in (("spread at full", "spread_at_full_mv"), ("capacity", "capacity_ah")):
        pairs = [(_of(p, key), _of(p["before"], key)) for p in packs if "before" in p]
        word = what.partition(" ")[0]
        if not any(now is not None for now, _ in pairs):
            unknown.append(what)
        elif all(None not in pair for pair in pairs) and not any(
            text.startswith(word) for p in packs for text in p["not_well"]
        ):
            steady.append(what)
    said = [f"{' and '.join(steady)} as the week before"] if steady else []
    if unknown:
        said.append(f"{' and '.join(unknown)} {UNKNOWN}")
    if said:
        text = ", ".join(said)
        yield f"{text[0].upper()}{text[1:]}."


def _energy(packs: Sequence[DigestPack]) -> str:
    into = [p["in_kwh"] for p in packs if p["in_kwh"] is not None]
    out = [p["out_kwh"] for p in packs if p["out_kwh"] is not None]
    if not into or not out:
        return NO_ENERGY
    return f"{sum(into):.1f} kWh in, {sum(out):.1f} kWh out{_counted(packs)}"


def _counted(packs: Sequence[DigestPack]) -> str:
    """Said where it is not that of all packs, and the whole time."""
    without = [p["pack"] for p in packs if p["in_kwh"] is None]
    least = min((p["counted_pct"] for p in packs if p["counted_pct"] is not None), default=100.0)
    said = [f"without {_listed(without)}"] if without else []
    if least < COUNTED_PCT:
        said.append(f"known for {least:.0f} % of the time")
    return f" ({', '.join(said)})" if said else ""


def _week_energy(packs: Sequence[DigestPack]) -> str:
    before = [p["before"] for p in packs if "before" in p]
    into = [b["in_kwh"] for b in before if b["in_kwh"] is not None]
    out = [b["out_kwh"] for b in before if b["out_kwh"] is not None]
    energy = _energy(packs)
    if energy == NO_ENERGY:
        return energy
    if not into or not out:
        return f"{energy}; the week before {UNKNOWN}"
    return f"{energy}; the week before {sum(into):.1f} and {sum(out):.1f}"


def _budget(alarms: DigestAlarms) -> str:
    told, before, over_d = alarms["told"], alarms.get("told_before"), alarms["over_d"]
    if told is None:
        return f"Alarms told: {UNKNOWN}."
    # Of a journal that does not reach back there is no week before.
    was = (
        f" ({before or 'none'} the week before)"
        if before is not None and over_d and (over_d >= 14)
        else ""
    )
    said = _alarms(told) if told else "No alarm"
    return f"{said} told{was}, {_rate(alarms)}."


def _rate(alarms: DigestAlarms) -> str:
    """Against the goal. It is ours: the standards' figures are for a desk that is manned."""
    per_day, over_d, goal = alarms["per_day"], alarms["over_d"], alarms["goal_per_day"]
    if per_day is None or over_d is None:
        return f"how many a day is {UNKNOWN}"
    if per_day <= goal:
        return "within the goal"
    return f"{per_day:.1f} a day over {over_d:.0f} d; our own goal is at most {goal:g}"


def _bad_actors(alarms: DigestAlarms) -> Iterator[str]:
    worst = alarms["worst"]
    if worst is not None:
        yield _cut(
            f"Told most: {name_of(worst['alarm'])}, {times(worst['told'])}. {worst['text']}",
            LONGEST_LINE + 80,
        )
    chattering = [a for a in alarms["chattering"] if worst is None or a != worst["alarm"]]
    if chattering:
        yield _cut(f"Chattering: {_listed([name_of(a) for a in chattering])}", LONGEST_LINE)


def _alarms(number: int, more: str = "") -> str:
    return f"{number} {more}alarm{'' if number == 1 else 's'}"


def _of(pack: Mapping[str, Any], key: str) -> float | None:
    value: float | None = pack[key]
    return value


def _listed(names: Sequence[str]) -> str:
    """At most a line of names, and how many more.

    >>> _listed(["alder", "birch"])
    'alder, birch'
    """
    shown = list(names)
    while len(", ".join(shown)) > LONGEST_LINE // 2 and len(shown) > 1:
        shown.pop()
    left = len(names) - len(shown)
    return ", ".join(shown) + (f" and {left} more" if left else "")


def _cut(text: str, most: int) -> str:
    """On one line, and not longer than that: what an alarm or an error says may be anything."""
    line = " ".join(text.split())
    return line if len(line) <= most else f"{line[: most - 3].rstrip()}..."
