"""`watchd replay --against`: two sets of rules over the same recording, in one pass."""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from watchd.advice.advice import Kind
from watchd.commands.account_table import rate, times
from watchd.commands.columns import listed, table
from watchd.commands.recording import engine_for_replay, messages_of, tell_strange
from watchd.config import Config
from watchd.durations import show_duration
from watchd.engine import Engine
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.tuning.account import Account
from watchd.tuning.difference import Occurrence, Occurrences, Pair, difference

LEAST_A = 0.1
_SIGNS = {"added": "+", "removed": "-", "moved": "~"}


@dataclass(slots=True)
class _Side:
    """One set of rules at work. `limits_a` is what it suggests for each bank by now."""

    engine: Engine
    account: Account = field(default_factory=lambda: Account(0.0))
    occurrences: Occurrences = field(default_factory=Occurrences)
    limits_a: dict[str, float | None] = field(default_factory=dict)

    def feed(self, topic: str, payload: bytes, at: float, *, retained: bool) -> None:
        self.engine.feed(topic, payload, at, retained=retained)
        for transition in self.engine.take_transitions():
            self.account.take(transition)
            self.occurrences.take(transition)
        for advised in self.engine.take_advice():
            if advised.kind is Kind.CHARGE_LIMIT:  # rules cap no other
                self.limits_a[advised.bank] = advised.advice.amount


@dataclass(frozen=True, slots=True)
class _Comparison:
    """What came of both."""

    before: Sequence[Rule]
    after: Sequence[Rule]
    pairs: Sequence[Pair]
    told: tuple[int, int]
    limit_differs_s: dict[str, float]  # by bank
    begin_at: float
    end_at: float

    def counts(self) -> dict[str, Counter[str]]:
        """By rule: how many pairs are `added`, `removed`, `moved` or `same`."""
        found: dict[str, Counter[str]] = {r.name: Counter() for r in (*self.before, *self.after)}
        for pair in self.pairs:
            found.setdefault(pair.either.rule, Counter())[pair.change] += 1
        return found


def compare(
    options: argparse.Namespace, config: Config, before: Sequence[Rule], after: Sequence[Rule]
) -> int:
    """Run both over the recording and print how they differ. Always 0: a change is no failure."""
    found = _run(options, config, before, after)
    if options.json:
        for line in _data(found, with_pairs=not options.summary):
            print(json.dumps(line, ensure_ascii=False))
        return 0
    span = show_duration(found.end_at - found.begin_at)
    print(f"{span}, from {rfc3339(found.begin_at)}")
    print(f"after: with {options.against}\n")
    for text in (*_text(found), *(() if options.summary else _timeline(found))):
        print(text)
    return 0


def _run(
    options: argparse.Namespace, config: Config, before: Sequence[Rule], after: Sequence[Rule]
) -> _Comparison:
    sides = [_Side(engine_for_replay(config, rules)) for rules in (before, after)]
    differs_s = dict.fromkeys(config.banks, 0.0)
    begin_at: float | None = None
    at = 0.0
    for now, topic, payload, retained in messages_of(options, config, is_quiet=True):
        begin_at = now if begin_at is None else begin_at
        for bank in config.banks:
            if _differ(*(side.limits_a.get(bank) for side in sides)):
                differs_s[bank] += now - at
        at = now
        for side in sides:
            side.feed(topic, payload, at, retained=retained)
    one, other = sides
    tell_strange(options, one.engine.counts())
    return _Comparison(
        before=before,
        after=after,
        pairs=difference(one.occurrences.all(), other.occurrences.all()),
        told=(one.account.load().told, other.account.load().told),
        limit_differs_s=differs_s,
        begin_at=begin_at or at,
        end_at=at,
    )


def _differ(one_a: float | None, other_a: float | None) -> bool:
    if one_a is None or other_a is None:
        return one_a is not other_a
    return abs(one_a - other_a) >= LEAST_A


def _text(found: _Comparison) -> Iterator[str]:
    counts = found.counts()
    rows, alike, never = [], [], 0
    for rule, count in counts.items():
        kept = count["same"] + count["moved"]
        changes = [count["added"], count["removed"], count["moved"]]
        if any(changes):
            numbers = [kept + count["removed"], kept + count["added"], *changes]
            rows.append((rule, *(str(n) if n else "-" for n in numbers)))
        elif kept:
            alike.append(rule)
        else:
            never += 1
    if rows:
        yield from table(("rule", "before", "after", "added", "removed", "moved"), rows)
        yield ""
    names, new_names = _names(found.before), _names(found.after)
    for label, rules in (
        ("rules only before", [r.name for r in found.before if r.name not in new_names]),
        ("rules only after", [r.name for r in found.after if r.name not in names]),
        ("silent after", _turned(found.before, found.after)),
        ("no longer silent after", _turned(found.after, found.before)),
        ("raised alike", alike),
    ):
        if rules:
            yield from listed(label, rules)
    span_s = found.end_at - found.begin_at
    if never:
        yield f"never raised, before or after: {never} of {len(counts)} rules"
    for number, when in zip(found.told, ("before", "after"), strict=True):
        yield f"told {times(number)} {when}, {rate(number, span_s)} a day"
    for bank, seconds in found.limit_differs_s.items():
        if seconds:
            yield f"the suggested limit of {bank} differs for {show_duration(seconds)}"


def _timeline(found: _Comparison) -> Iterator[str]:
    changed = [pair for pair in found.pairs if pair.change != "same"]
    if changed:
        yield "\n+ added  - removed  ~ moved"
    for pair in changed:
        it = pair.either
        lasts = show_duration(it.lasted_s(found.end_at))
        so_far = " so far" if it.returned_at is None else ""
        yield f"{_SIGNS[pair.change]} {rfc3339(it.raised_at)[:19]}Z  {it.rule}"
        yield f"    {it.subject}, lasts {lasts}{so_far}"
        if pair.change == "moved":
            yield f"    {_how(pair, found.end_at)}"


def _how(pair: Pair, until: float) -> str:
    """By how much it moved."""
    said = []
    if pair.later_s:
        word = "later" if pair.later_s > 0 else "earlier"
        said.append(f"raised {show_duration(abs(pair.later_s))} {word}")
    longer_s = pair.longer_s(until)
    if longer_s:
        word = "longer" if longer_s > 0 else "shorter"
        said.append(f"{show_duration(abs(longer_s))} {word}")
    return ", ".join(said) or "returns, or does not, at the end"


def _names(rules: Iterable[Rule]) -> set[str]:
    return {rule.name for rule in rules}


def _turned(before: Iterable[Rule], after: Iterable[Rule]) -> list[str]:
    """The rules that are silent after and were not before."""
    loud = {rule.name for rule in before if not rule.is_silent}
    return [rule.name for rule in after if rule.is_silent and rule.name in loud]


def _times(occurrence: Occurrence | None) -> dict[str, float | None] | None:
    if occurrence is None:
        return None
    return {"raised_at": occurrence.raised_at, "returned_at": occurrence.returned_at}


def _data(found: _Comparison, *, with_pairs: bool) -> Iterator[dict[str, Any]]:
    for pair in found.pairs if with_pairs else ():
        if pair.change != "same":
            yield {
                "kind": pair.change,
                "rule": pair.either.rule,
                "subject": pair.either.subject,
                "before": _times(pair.before),
                "after": _times(pair.after),
                "later_s": round(pair.later_s, 3),
                "longer_s": round(pair.longer_s(found.end_at), 3),
            }
    names, new_names = _names(found.before), _names(found.after)
    for rule, count in found.counts().items():
        kept = count["same"] + count["moved"]
        yield {
            "kind": "rule",
            "rule": rule,
            "is_before": rule in names,
            "is_after": rule in new_names,
            "before": kept + count["removed"],
            "after": kept + count["added"],
            **{change: count[change] for change in ("added", "removed", "moved")},
        }
    yield {
        "kind": "total",
        "from": found.begin_at,
        "to": found.end_at,
        "told_before": found.told[0],
        "told_after": found.told[1],
        "limit_differs_s": {b: round(s, 3) for b, s in found.limit_differs_s.items()},
    }
