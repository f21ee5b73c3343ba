"""`watchd replay`: what the rules would have done with a recording."""

from __future__ import annotations

import argparse
import json
import sys
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from watchd.advice.charge_limit import Advice
from watchd.alarms.alarm import RAISED, Transition
from watchd.commands.options import add_command, add_config
from watchd.commands.recording import read_recordings
from watchd.durations import show_duration
from watchd.engine import Engine
from watchd.errors import WatchdError
from watchd.loading import load
from watchd.publish import rfc3339
from watchd.rules.rule import Rule
from watchd.shell.clock import Clock, add_clock_options, clock_from

LEAST_SHOWN_A = 2.0
LEAST_SHOWN_PART = 0.2


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "replay",
        "run config and rules over a recording, and show what would be raised",
        "watchd replay --config config.yaml july.jsonl.gz",
    )
    add_config(parser)
    parser.add_argument(
        "recordings",
        nargs="+",
        metavar="RECORDING",
        help="JSON Lines, gzip allowed; - is standard input",
    )
    parser.add_argument("--json", action="store_true", help="one object a line")
    add_clock_options(parser)
    parser.set_defaults(run=run)


@dataclass(slots=True)
class _Tally:
    """What one rule did over the recording."""

    times: int = 0
    total_s: float = 0.0
    longest_s: float = 0.0
    raised_at: dict[str, float] = field(default_factory=dict)

    def take(self, transition: Transition) -> None:
        subject, at = transition.subject, transition.at
        if transition.state in RAISED:
            if transition.before not in RAISED:
                self.times += 1
                self.raised_at[subject] = at
        elif subject in self.raised_at:
            self.close(subject, at)

    def close(self, subject: str, at: float) -> None:
        lasted_s = at - self.raised_at.pop(subject)
        self.total_s += lasted_s
        self.longest_s = max(self.longest_s, lasted_s)


def run(options: argparse.Namespace) -> int:
    """Feed the recording to the engine, and print what comes of it."""
    config, rules = load(options.config, options.rules)
    engine = Engine(config, rules)
    tallies: dict[str, _Tally] = defaultdict(_Tally)
    shown: dict[str, Advice] = {}
    clock: Clock | None = None
    first_at = at = 0.0
    messages = 0
    for message in read_recordings(options.recordings):
        if clock is None:
            clock = clock_from(options, message.t)
            first_at = clock.at(message.t)
        at = clock.at(message.t)
        messages += 1
        engine.feed(message.topic, message.payload, at, retained=message.retained)
        _show(engine, tallies, shown, as_json=options.json)
    if not messages:
        raise WatchdError("the recording holds no message")
    if options.json:
        for subject, figures in engine.figures().items():
            print(
                json.dumps(
                    {"kind": "figures", "at": at, "subject": subject, "figures": figures},
                    ensure_ascii=False,
                )
            )
        return 0
    _summary(rules, tallies, first_at, at, messages)
    for note in engine.take_notes():
        print(
            f"note: {note.event}: {note.fields.get('topic')}: {note.fields.get('reason')}",
            file=sys.stderr,
        )
    return 0


def _stands_out(before: Advice | None, now: Advice) -> bool:
    """Whether a person who reads the timeline wants to see this change of advice."""
    if before is None or before.limit_a is None or now.limit_a is None:
        return True
    change_a = abs(now.limit_a - before.limit_a)
    return change_a >= max(LEAST_SHOWN_A, LEAST_SHOWN_PART * before.limit_a)


def _show(
    engine: Engine, tallies: dict[str, _Tally], shown: dict[str, Advice], *, as_json: bool
) -> None:
    transitions, advices = engine.take_transitions(), engine.take_advice()
    for transition in transitions:
        tallies[transition.rule.name].take(transition)
    lines: list[tuple[float, str]] = [
        (t.at, _alarm_json(t) if as_json else _alarm_line(t)) for t in transitions
    ]
    for at, bank, advice in advices:
        if as_json:
            lines.append((at, _limit_json(at, bank, advice)))
        elif _stands_out(shown.get(bank), advice):
            shown[bank] = advice
            lines.append((at, _limit_line(at, bank, advice)))
    for _, line in sorted(lines, key=lambda pair: pair[0]):
        print(line)


def _alarm_json(transition: Transition) -> str:
    return json.dumps(
        {
            "kind": "alarm",
            "at": transition.at,
            "rule": transition.rule.name,
            "subject": transition.subject,
            "state": transition.state,
            "priority": transition.rule.priority,
            "text": transition.text,
        },
        ensure_ascii=False,
    )


def _alarm_line(transition: Transition) -> str:
    state = transition.state.replace("_", ", ")
    return f"{rfc3339(transition.at)}  {transition.rule.name:<26} {state}" + (
        f": {transition.text}" if transition.state in RAISED else f" ({transition.subject})"
    )


def _limit_json(at: float, bank: str, advice: Advice) -> str:
    return json.dumps(
        {
            "kind": "limit",
            "at": at,
            "bank": bank,
            "limit_a": advice.limit_a,
            "limited_by": advice.limited_by,
        },
        ensure_ascii=False,
    )


def _limit_line(at: float, bank: str, advice: Advice) -> str:
    amount = "no advice" if advice.limit_a is None else f"{advice.limit_a:.1f} A"
    return f"{rfc3339(at)}  {'charge limit, ' + bank:<26} {amount}: {advice.because}"


def _summary(
    rules: tuple[Rule, ...], tallies: dict[str, _Tally], first_at: float, at: float, messages: int
) -> None:
    span_s = at - first_at
    print(f"\n{messages:,} messages over {show_duration(span_s)}, from {rfc3339(first_at)}\n")
    print(f"{'rule':<28}{'raised':>7}{'a day':>8}{'in alarm':>12}{'longest':>12}")
    for rule in rules:
        tally = tallies[rule.name]
        for subject in list(tally.raised_at):
            tally.close(subject, at)
        per_day = f"{tally.times / (span_s / 86400):.2f}" if span_s >= 3600 else "-"
        print(
            f"{rule.name:<28}{tally.times:>7}{per_day:>8}"
            f"{show_duration(tally.total_s) if tally.times else '-':>12}"
            f"{show_duration(tally.longest_s) if tally.times else '-':>12}"
        )
