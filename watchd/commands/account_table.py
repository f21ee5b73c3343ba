"""The account of what rules did, as a table for people and as data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from watchd.commands.columns import listed, table, wrapped
from watchd.durations import show_duration
from watchd.rules.rule import Rule
from watchd.tuning.account import (
    BUDGET_PER_DAY,
    MOST_IN_10_MIN,
    MOST_IN_AN_HOUR,
    Account,
    Load,
    Tally,
    by_kind,
    per_day,
)

_HEAD = ("raised", "a day", "in alarm", "longest")


def account_table(
    rules: Sequence[Rule], account: Account, begin_at: float, end_at: float
) -> Iterator[str]:
    """Lines: rules that were raised, silent ones apart, those that never were, and the budget."""
    span_s = end_at - begin_at
    tallies = account.tallies(end_at)
    loud, silent, never = by_kind(rules, tallies)
    if loud:
        yield from _rows("rule", loud, tallies, span_s)
        yield ""
    if silent:
        yield from _rows("silent", silent, tallies, span_s)
        yield ""
    if never:
        yield from listed("never raised", [rule.name for rule in never])
    yield from _budget(account.load(), span_s)


def _rows(
    title: str, rules: Sequence[Rule], tallies: Mapping[str, Tally], span_s: float
) -> Iterator[str]:
    found = [(rule.name, tallies[rule.name]) for rule in rules]
    found.sort(key=lambda pair: (-pair[1].raised, pair[0]))
    head, *lines = table((title, *_HEAD), [(n, *numbers(t, span_s)) for n, t in found])
    yield head
    for line, (_, tally) in zip(lines, found, strict=True):
        yield line
        remarks = _remarks(tally)
        if remarks:
            yield from wrapped(", ".join(remarks), "  ")


def numbers(tally: Tally, span_s: float) -> tuple[str, ...]:
    """The columns that tell of a tally: raised, a day, in alarm, longest."""
    return (
        str(tally.raised),
        rate(tally.raised, span_s),
        show_duration(tally.in_alarm_s) if tally.in_alarm_s else "-",
        show_duration(tally.longest_s) if tally.longest_s else "-",
    )


def rate(number: float, span_s: float) -> str:
    """So many a day, as people read it."""
    found = per_day(number, span_s)
    return "-" if found is None else f"{found:.2f}"


def _remarks(tally: Tally) -> list[str]:
    found = []
    if tally.chattering:
        found.append(f"chattering {times(tally.chattering)}")
    if tally.fleeting:
        found.append(f"{tally.fleeting} fleeting (gone within a minute)")
    if tally.stale:
        found.append(f"{tally.stale} stale (a day or more)")
    if tally.standing:
        found.append("raised at the end" if tally.standing == 1 else f"{tally.standing} at the end")
    return found


def times(number: int) -> str:
    """How often, in words."""
    return {0: "never", 1: "once"}.get(number, f"{number} times")


def _budget(load: Load, span_s: float) -> Iterator[str]:
    found = per_day(load.told, span_s)
    if found is None:
        yield f"told {times(load.told)}; too short to say how often a day"
        return
    verdict = "within" if found <= BUDGET_PER_DAY else "OVER"
    budget = f"{verdict} the budget of {BUDGET_PER_DAY:g}"
    yield f"told {times(load.told)}, {found:.2f} a day: {budget}"
    if not load.is_bearable():
        yield f"up to {load.in_10_min} in 10 min and {load.in_an_hour} in an hour; a manned desk"
        yield f"takes at most {MOST_IN_10_MIN} and {MOST_IN_AN_HOUR} (ISA-18.2)"


def account_data(
    rules: Sequence[Rule], account: Account, begin_at: float, end_at: float
) -> Iterator[dict[str, Any]]:
    """One object a rule, and one for all of them together."""
    span_s = end_at - begin_at
    tallies = account.tallies(end_at)
    for rule in rules:
        tally = tallies.get(rule.name, Tally())
        yield {
            "kind": "rule",
            "rule": rule.name,
            "silent": rule.is_silent,
            **tally_data(tally, span_s),
            "told": tally.told,
            "chattering": tally.chattering,
            "fleeting": tally.fleeting,
            "stale": tally.stale,
            "standing": tally.standing,
        }
    load = account.load()
    yield {
        "kind": "total",
        "from": begin_at,
        "to": end_at,
        "told": load.told,
        "per_day": _rounded(per_day(load.told, span_s)),
        "budget_per_day": BUDGET_PER_DAY,
        "most_in_10_min": load.in_10_min,
        "most_in_an_hour": load.in_an_hour,
    }


def tally_data(tally: Tally, span_s: float) -> dict[str, Any]:
    """What every tally tells."""
    return {
        "raised": tally.raised,
        "per_day": _rounded(per_day(tally.raised, span_s)),
        "in_alarm_s": round(tally.in_alarm_s, 3),
        "longest_s": round(tally.longest_s, 3),
    }


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 4)
