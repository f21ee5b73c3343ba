"""`watchd check`: whether config and rules load, and whether the rules' examples hold."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from watchd.commands.options import add_command, add_config
from watchd.config import Config
from watchd.durations import show_duration
from watchd.loading import load, rules_folder
from watchd.rules.examples import Outcome, run_examples
from watchd.telemetry.topics import TopicPattern


def add(commands: Any) -> None:
    """Its options."""
    parser = add_command(
        commands,
        "check",
        "check config and rules, and run the rules' examples",
        "watchd check --config /etc/watchd/config.yaml",
    )
    add_config(parser)
    parser.add_argument("--json", action="store_true", help="one object")
    parser.set_defaults(run=run)


def run(options: argparse.Namespace) -> int:
    """Load everything, run the examples. 0 all well, 1 an example fails; WatchdError for 2."""
    config, rules = load(options.config, options.rules)
    outcomes = [o for rule in rules for o in run_examples(rule)]
    failed = [o for o in outcomes if not o.passed]
    findings = list(_findings(config))
    if options.json:
        print(
            json.dumps(
                {
                    "config": options.config,
                    "banks": len(config.banks),
                    "packs": len(config.packs),
                    "sources": len(config.sources),
                    "rules": [r.name for r in rules],
                    "examples": len(outcomes),
                    "findings": findings,
                    "failed": [
                        {"rule": o.rule.name, "example": o.number, "says": _explain(o)}
                        for o in failed
                    ],
                }
            )
        )
        return 1 if failed else 0
    folder = rules_folder(Path(options.config), config, options.rules)
    print(
        f"{options.config}: loads. {_count(len(config.banks), 'bank')}, "
        f"{_count(len(config.packs), 'pack')}, {_count(len(config.sources), 'source')} on "
        f"{config.broker.host}:{config.broker.port}"
    )
    print(
        f"{folder}: loads. {_count(len(rules), 'rule')}, {_count(len(outcomes), 'example')}, "
        f"{'all as expected' if not failed else _count(len(failed), 'not') + ' as expected'}"
    )
    for outcome in failed:
        print(f"{outcome.rule.place}: {_explain(outcome)}")
    for finding in findings:
        print(f"note: {finding}")
    return 1 if failed else 0


def _explain(outcome: Outcome) -> str:
    example, rule = outcome.example, outcome.rule
    given = ", ".join(f"{n} {v}" for n, v in example.given.items())
    came = "raised" if outcome.raised else "quiet"
    expected = "raised" if example.raised else "quiet"
    text = (
        f"{rule.name}, example {outcome.number}: {given}, lasting "
        f"{show_duration(example.lasting_s)}, is {came}; expected: {expected}"
    )
    if outcome.unknown:
        text += f" (not given, so unknown: {', '.join(outcome.unknown)})"
    return text


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if word == "not" else f"{number} {word}{'' if number == 1 else 's'}"


def _findings(config: Config) -> list[str]:
    """What loads, but is likely not meant."""
    mapped: dict[str, set[str]] = {name: set() for name in config.packs}
    for source in config.sources:
        names = set(source.json_ or {}) | ({source.value.name or ""} if source.value else set())
        captured = "pack" in TopicPattern(source.topic).captures
        for pack in [source.pack] if source.pack and not captured else config.packs:
            mapped[pack] |= names
    found = []
    for name, names in mapped.items():
        if not config.packs[name].in_service:
            continue
        for needed, why in (
            ("cell_v", "no charge limit can be suggested for its bank"),
            ("current_a", "no charge limit can be suggested for its bank"),
            ("temperature_degc", "charging in the cold goes unseen"),
            ("protection", "protection trips go unseen"),
        ):
            if needed not in names:
                found.append(f"no source gives {needed} of {name}: {why}")
    return found
