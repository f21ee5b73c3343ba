"""`watchd tune`: how often a rule would have been raised at other limits."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from watchd.commands.account_table import numbers, tally_data
from watchd.commands.columns import bar, listed, table, terminal_width
from watchd.commands.options import add_command, add_config
from watchd.commands.recording import (
    add_recordings,
    engine_for_replay,
    messages_of,
    tell_strange,
)
from watchd.config import Config
from watchd.durations import show_duration
from watchd.errors import WatchdError, nearest
from watchd.figures import unit_sign
from watchd.loading import load
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.tuning.account import Account, Tally
from watchd.tuning.knee import Knee, find_knee
from watchd.tuning.variants import Variant, Variants, reads_advice, variants_of
from watchd.tuning.variation import DELAYS, FORM, parse_variation


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "tune",
        "try other limits of a rule on a recording, and show how often it would be raised at each",
        "watchd tune cell-spread-wide --vary 'cell_spread_mv 20..60 step 5' july.jsonl\n"
        "  watchd tune cell-spread-wide --vary 'on_delay 0 s..5 min step 1 min' history",
    )
    add_config(parser)
    parser.add_argument("rule", metavar="RULE", help="the name of the rule")
    add_recordings(parser)
    parser.add_argument(
        "--vary",
        required=True,
        metavar="WHAT",
        help=f"{FORM}; with an operator (>, <, ...) where a figure is compared twice; "
        "or on_delay, off_delay, deadband FIGURE",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.set_defaults(run=run)


@dataclass(frozen=True, slots=True)
class _Row:
    """What the rule did at one value."""

    variant: Variant
    tally: Tally

    @property
    def value(self) -> float | None:
        """None: as it is, which is no plain number."""
        return self.variant.value


def run(options: argparse.Namespace) -> int:
    """Try every value in one pass over the recording, and print what each would have done."""
    config, rules = load(options.config, options.rules, options.instance)
    rule = _named(options.rule, rules)
    found = variants_of(rule, parse_variation(options.vary))
    rows, begin_at, end_at = _try(options, config, rules, rule, found)
    asked = [(r.value, r.tally.raised) for r in rows if r.value is not None and r.variant.was_asked]
    knee = find_knee([value for value, _ in asked], [raised for _, raised in asked])
    at_knee = None if knee.index is None else asked[knee.index][0]
    span_s = end_at - begin_at
    if options.json:
        for line in _data(found, rows, knee, at_knee, span_s):
            print(json.dumps(line, ensure_ascii=False))
        return 0
    for text in listed(rule.name, [" ".join(rule.when.text.split())]):
        print(text)
    print(f"{show_duration(span_s)}, from {rfc3339(begin_at)}; now: {found.now}\n")
    for text in (*_table(found, rows, span_s), "", *_chart(found, rows, at_knee)):
        print(text)
    print(f"\n{_said_of_knee(knee, at_knee, found)}")
    return 0


def _named(name: str, rules: Sequence[Rule]) -> Rule:
    for rule in rules:
        if rule.name == name:
            return rule
    hint = nearest(name, [rule.name for rule in rules], show=30)
    raise WatchdError(f"no rule is called '{name}'; {hint}")


def _try(
    options: argparse.Namespace,
    config: Config,
    rules: Sequence[Rule],
    rule: Rule,
    found: Variants,
) -> tuple[list[_Row], float, float]:
    """The rows, and the first and last moment of the recording."""
    # What the other rules do bears on this one only by way of the advice that they cap.
    others = [r for r in rules if r is not rule and r.charge_limit] if reads_advice(rule) else []
    tried = [variant.rule for variant in found.variants]
    engine = engine_for_replay(config, [*tried, *others])
    account: Account | None = None
    begin_at = at = 0.0
    for at, topic, payload, retained in messages_of(options, config, is_quiet=True):
        if account is None:
            account, begin_at = Account(at), at
        # What moves is published as well.
        if engine.feed(topic, payload, at, retained):
            for transition in engine.take_transitions():
                account.take(transition)
    tell_strange(options, engine.counts())
    tallies = account.tallies(at) if account is not None else {}
    rows = [_Row(v, tallies.get(v.rule.name, Tally())) for v in found.variants]
    return rows, begin_at, at


def _title(found: Variants) -> str:
    """What is varied; the name of a figure ends in its unit already."""
    return f"{found.what}, {found.unit}" if found.what in DELAYS else found.what


def _table(found: Variants, rows: Sequence[_Row], span_s: float) -> Iterator[str]:
    title = _title(found)
    lines = table(
        (title, "raised", "a day", "in alarm", "longest"),
        [
            (value.rjust(len(title)), *numbers(row.tally, span_s))
            for value, row in zip(_written(rows), rows, strict=True)
        ],
    )
    yield next(lines)
    for line, row in zip(lines, rows, strict=True):
        yield f"{line}{'  *' if row.variant.in_force else ''}"
    yield "* now"


def _chart(found: Variants, rows: Sequence[_Row], at_knee: float | None) -> Iterator[str]:
    values = _written(rows)
    width = max(len(value) for value in values)
    most = max(row.tally.raised for row in rows)
    room = terminal_width() - width - len(str(most)) - len("  ") - len(" <- now, knee")
    yield _title(found)
    for value, row in zip(values, rows, strict=True):
        marks = ["now"] if row.variant.in_force else []
        if at_knee is not None and row.value == at_knee:
            marks.append("knee")
        mark = f"<- {', '.join(marks)}" if marks else ""
        words = (bar(row.tally.raised, most, room), str(row.tally.raised), mark)
        yield " ".join([value.rjust(width), *(word for word in words if word)])


def _written(rows: Sequence[_Row]) -> list[str]:
    """The values, all with as many decimals as the one that has most."""
    written = [f"{row.value:.6f}".rstrip("0") for row in rows if row.value is not None]
    digits = max(len(number.partition(".")[2]) for number in written)
    return ["as it is" if row.value is None else f"{row.value:.{digits}f}" for row in rows]


def _said_of_knee(knee: Knee, at_knee: float | None, found: Variants) -> str:
    if at_knee is None:
        return f"no knee: {knee.why}"
    amount = f"{at_knee:.10g} {unit_sign(found.unit)}".strip()
    word = "ends" if knee.quiet_beyond else "begins"
    return f"knee at {amount}: toward fewer alarms, the fall {word} there"


def _data(
    found: Variants, rows: Sequence[_Row], knee: Knee, at_knee: float | None, span_s: float
) -> Iterator[dict[str, Any]]:
    for row in rows:
        yield {
            "kind": "value",
            "what": found.what,
            "unit": found.unit,
            "value": row.value,
            "in_force": row.variant.in_force,
            **tally_data(row.tally, span_s),
        }
    yield {"kind": "knee", "value": at_knee, "why": knee.why or None, "now": found.now}
